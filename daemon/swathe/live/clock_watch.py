"""Whether the computer's clock can be believed: it gives the run its times, once, as it begins."""

from __future__ import annotations

from datetime import UTC, datetime

from swathe.pipeline import EARLIEST_NS

__all__ = ["ClockWatch"]

# What a time service slews is far less, and moves the monotonic clock with it.
_STEP_NS = 1_000_000_000


class ClockWatch:
    """Compares the clock with itself and with what the survey knows; reads no clock.

    Times of a run are the host's monotonic time and the clock's offset to it as the run began. They keep
    to that offset: how far they are off is what the alarm states. A run whose clock is behind the end of
    the run before counts on from there (see `begin_time`): what was read later has a later time.

    Args:
        offset: from the host's monotonic time to UTC as the run began, ns.
        began: the run's beginning by that clock, ns UTC.
        stated: the run's beginning in the survey, ns UTC; that of the clock without one.

    Attributes:
        newest: time of the survey's last reading of earlier runs, ns UTC; 0 before any is known.
    """

    def __init__(self, *, offset: int, began: int, stated: int | None = None) -> None:
        self._offset = offset
        self._began = began
        self._stated = began if stated is None else stated
        self.newest = 0

    def not_set(self) -> str:
        """Return why the run's times are not known; empty where nothing speaks against them."""
        reason = self._implausible(self._began)
        if not reason:
            return ""
        remedy = "the times of this run are not known: set the clock, then begin the run again"
        if self._stated > self._began:
            remedy = f"its times count on from {_text(self._stated)}, the end of the run before; {remedy}"
        return (
            f"this computer's clock said {_text(self._began)} as the run began, {reason}; {remedy}"
        )

    def _implausible(self, began: int) -> str:
        """Return what speaks against a time as that of the run's beginning; empty if nothing does."""
        if began < EARLIEST_NS:
            return "before Swathe existed"
        if began < self.newest:
            return f"but the survey has a reading of {_text(self.newest)}"
        return ""

    def stepped(self, offset: int) -> str:
        """Return by how much the clock was set since the run began; empty if it was not.

        By the clock as it is now the run began at another time, which is stated: the only source of
        right times where the clock was not set as it began.

        Args:
            offset: from the host's monotonic time to UTC now, ns.
        """
        step = offset - self._offset
        if abs(step) < _STEP_NS:
            return ""
        text = (
            f"this computer's clock was set by {step / 1e9:+,.1f} s during the run, or the computer "
            "slept; the run's times keep to the clock of its beginning"
        )
        began = self._began + step
        now = f"by the clock as it was set the run began at {_text(began)}, not at {_text(self._stated)}"
        if problem := self._implausible(began):
            return f"{text}; {now}, which cannot be right either: {problem}"
        if self._implausible(self._began):
            return f"{text}; {now}: add {(began - self._stated) / 1e9:+,.1f} s to every time of this run"
        return f"{text}; {now}: which of the two is right is not known from here"


def _text(time: int) -> str:
    return f"{datetime.fromtimestamp(time / 1e9, UTC):%Y-%m-%d %H:%M:%S} UTC"
