"""Devices that send more than they should: noticed by evidence, and an alarm."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import Enum
from typing import Final

from swathe.journal import MarkKind
from swathe.live.health import Health
from swathe.live.ports import SLOW_BYTES_PER_S, PortHub
from swathe.pipeline import DeviceTally
from swathe.station import AlarmKind, Station

__all__ = ["Flood", "FloodWatch", "Floods"]

_SECOND_NS: Final = 1_000_000_000
# More than a line of 460,800 Bd carries: a wrong baud rate alone is no flood.
_UNDECODED_PER_S: Final = 64_000
_BEGINS_BYTES: Final = 256_000
_ENDS_BYTES: Final = 64_000
_MOST_BYTES: Final = 384_000
# Of the time that its thread waits for the loop: half of it, for a second.
_WAITS_BEGIN_NS: Final = _SECOND_NS
_MOST_WAITS_NS: Final = 2 * _SECOND_NS


class Flood(Enum):
    """Why a device floods."""

    NO = "no"
    UNDECODED = "undecoded"
    """It sends very much that decodes to nothing."""
    OVERLOAD = "overload"
    """It sends more than is processed."""


class FloodWatch:
    """Decides whether one device floods, by what was counted; reads no clock.

    Bytes that decode to nothing, less those that decode, fill a bucket that leaks 64 kB a second. It
    floods from 256 kB in it on, until 64 kB are left: some seconds of quiet, or of records. Likewise
    where its thread waits for the loop for more than half of the time, for a second.

    Args:
        now: host time, ns.
    """

    def __init__(self, now: int) -> None:
        self._now = now
        self._bytes = self._undecoded = self._waited = 0
        self._level = self._waits = 0
        self._is_undecoded = self._is_overload = False

    def take(self, now: int, *, received: int, undecoded: int, waited: int) -> Flood:
        """Return whether it floods.

        Args:
            now: host time, ns.
            received: bytes received so far.
            undecoded: how many of them decoded to nothing.
            waited: for how long its thread has waited for space so far, ns.
        """
        past = max(0, now - self._now)
        # Counts begin again where the survey is placed again.
        came = max(0, received - self._bytes)
        lost = min(came, max(0, undecoded - self._undecoded))
        held = max(0, waited - self._waited)
        self._now, self._bytes, self._undecoded, self._waited = now, received, undecoded, waited
        level = self._level + lost - (came - lost) - past * _UNDECODED_PER_S // _SECOND_NS
        self._level = min(max(level, 0), _MOST_BYTES)
        self._waits = min(max(self._waits + held - past // 2, 0), _MOST_WAITS_NS)
        limit = _ENDS_BYTES if self._is_undecoded else _BEGINS_BYTES
        self._is_undecoded = self._level >= limit
        self._is_overload = self._waits > (0 if self._is_overload else _WAITS_BEGIN_NS)
        if self._is_undecoded:
            return Flood.UNDECODED
        return Flood.OVERLOAD if self._is_overload else Flood.NO


class Floods:
    """Watches the devices of a run, reads a port slowly that sends nonsense, and shows the alarm.

    Args:
        station: names the devices. A capture in place of a port is read as fast as it can be.
        hub: has the ports.
        mark: journals a mark, as `Session.mark`.
        now: host time, ns.
    """

    def __init__(self, station: Station, hub: PortHub, mark: Callable[..., None], now: int) -> None:
        self._station, self._hub, self._mark = station, hub, mark
        self._health = Health(mark)
        self._watches = {
            name: FloodWatch(now)
            for name, device in station.device.items()
            if not device.port_settings().is_capture
        }
        self._flooding: set[str] = set()

    def check(self, now: int, tallies: Mapping[str, DeviceTally]) -> None:
        """Look at what each device has sent; call with each tick.

        Args:
            now: host time, ns.
            tallies: of the devices.
        """
        for name, watch in self._watches.items():
            if (tally := tallies.get(name)) is None:
                continue
            found = watch.take(
                now,
                received=tally.bytes,
                undecoded=tally.undecoded,
                waited=self._hub.waited(name),
            )
            (self._flooding.discard if found is Flood.NO else self._flooding.add)(name)
            self._hub.set_flood(name, found is not Flood.NO, slow=found is Flood.UNDECODED)
            self._health.show(AlarmKind.FLOOD, _text(name, found, tally), name)

    def end(self) -> None:
        """Discard what waits of devices that flood, and journal a note of how much that is.

        It may take longer to decode than the end of a run may take.
        """
        for name in sorted(self._flooding):
            if size := self._hub.discard(name):
                text = f"{name} floods as the run ends: {size:,} bytes of it are not kept"
                self._mark(MarkKind.NOTE, text=text, by=self._station.name)


def _text(name: str, found: Flood, tally: DeviceTally) -> str:
    """Return the alarm's text; empty where a device does not flood."""
    if found is Flood.UNDECODED:
        return (
            f"{name}: {tally.undecoded / 1e6:,.1f} MB that decode to nothing; read at"
            f" {SLOW_BYTES_PER_S // 1000} kB/s at most, what its port cannot hold is lost"
        )
    if found is Flood.OVERLOAD:
        return (
            f"{name}: more comes than this computer processes; times of arrival are late, what its port"
            " cannot hold is lost"
        )
    return ""
