"""Which gaps to revisit next, how slowly, and when to stop."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from swathe.motion.errors import MotionError, Point
from swathe.motion.limits.moves import total_time
from swathe.motion.limits.work_area import WorkArea
from swathe.motion.revisit.passes import Tour, plan_tour
from swathe.motion.revisit.visits import PassSettings
from swathe.pipeline import GapCause, GapSnapshot

__all__ = ["RemainingGap", "RetryLog", "RetrySettings", "RevisitStep", "Stop", "next_passes"]

_ROUNDING_MM = 1e-6


class Stop(StrEnum):
    """Why nothing more is tried."""

    TARGET = "target reached"
    NOTHING_MISSING = "nothing is missing"
    IN_DOUBT = "calibration check failed"
    TIME = "time budget"
    BATTERY = "battery budget"
    OUT_OF_REACH = "out of reach"
    TRIES = "tries used up"


@dataclass(frozen=True, slots=True, kw_only=True)
class RetrySettings:
    """When revisiting ends.

    Attributes:
        most_tries: passes over one gap at most.
        target: coverage that is enough, percent.
        time_budget: seconds of the whole run; None for no limit.
        battery_budget: seconds that the battery lasts, the way home included; None for no limit.
    """

    most_tries: int = 3
    target: float = 100.0
    time_budget: float | None = None
    battery_budget: float | None = None

    def __post_init__(self) -> None:
        if self.most_tries < 0 or not 0 < self.target <= 100:
            got = f"(got {self.most_tries!r} tries, {self.target!r} %)"
            requirement = f"tries must be >= 0 and the target > 0 % and <= 100 % {got}"
            raise MotionError(requirement, remedy="correct it in the settings")


@dataclass(frozen=True, slots=True)
class RemainingGap:
    """A gap that is not tried any more.

    Attributes:
        number: of the gap.
        cause: why it is missing.
        tries: passes made over it.
        why: that it is left.
    """

    number: int
    cause: GapCause
    tries: int
    why: Stop


@dataclass(frozen=True, slots=True, kw_only=True)
class RevisitStep:
    """What to do next.

    Attributes:
        tour: to drive; None when there is nothing more to do.
        stop: why there is nothing more to do, or why the tour was cut short; None otherwise.
        words: the same for a message.
        left: gaps that are not tried any more.
    """

    tour: Tour | None
    stop: Stop | None
    words: str
    left: tuple[RemainingGap, ...] = ()


class RetryLog:
    """How often each gap was tried.

    A pass may tear a gap into pieces with numbers of their own: a piece was tried as often as the
    place that it lies in.
    """

    def __init__(self) -> None:
        self._tries: dict[int, int] = {}
        self._places: dict[int, tuple[tuple[float, float], tuple[float, float]]] = {}

    def note_tried(self, gaps: Iterable[GapSnapshot]) -> None:
        """Take note that a pass was made over each of these, as they were before it."""
        for gap in gaps:
            self._tries[gap.number] = self.tries(gap) + 1
            self._places[gap.number] = (gap.scan, gap.index)

    def tries(self, gap: GapSnapshot) -> int:
        """Return how many passes were made over a gap."""
        if gap.number in self._tries:
            return self._tries[gap.number]
        return max(
            (
                self._tries[number]
                for number, place in self._places.items()
                if _within(gap.scan, place[0]) and _within(gap.index, place[1])
            ),
            default=0,
        )


def _within(inner: tuple[float, float], outer: tuple[float, float]) -> bool:
    return outer[0] - _ROUNDING_MM <= inner[0] and inner[1] <= outer[1] + _ROUNDING_MM


def next_passes(
    gaps: Sequence[GapSnapshot],
    *,
    book: RetryLog,
    area: WorkArea,
    passes: PassSettings,
    settings: RetrySettings,
    begin: Point,
    coverage: float,
    elapsed: float = 0.0,
    on_battery: float = 0.0,
    home: Point | None = None,
    in_doubt: bool = False,
) -> RevisitStep:
    """Return what to do next, or why to stop.

    After the tour was driven, `book.note_tried` takes the gaps that it visited, and this is asked
    again with the gaps that are open then.

    Args:
        gaps: open gaps.
        book: how often each was tried.
        area: where the machine moves.
        passes: how gaps are revisited.
        settings: when revisiting ends.
        begin: where the probe is, (scan, index) in mm.
        coverage: now, percent.
        elapsed: seconds of the run so far.
        on_battery: seconds since the battery was charged.
        home: where the probe must be able to get to on the battery.
        in_doubt: whether a calibration check failed and none passed since.
    """
    if coverage >= settings.target:
        words = f"target reached: {coverage:.2f} % of {settings.target:g} %"
        return RevisitStep(tour=None, stop=Stop.TARGET, words=words)
    if not gaps:
        words = f"nothing is missing that was left behind, at {coverage:.2f} %"
        return RevisitStep(tour=None, stop=Stop.NOTHING_MISSING, words=words)
    if in_doubt:
        words = "a calibration check failed: readings would be in doubt; pass a check first"
        return RevisitStep(tour=None, stop=Stop.IN_DOUBT, words=words)
    tries = {gap.number: book.tries(gap) for gap in gaps}
    fresh = [gap for gap in gaps if tries[gap.number] < settings.most_tries]
    left = [
        RemainingGap(gap.number, gap.cause, tries[gap.number], Stop.TRIES)
        for gap in gaps
        if tries[gap.number] >= settings.most_tries
    ]
    tour = plan_tour(fresh, area, passes, begin=begin, tries=tries, home=home)
    lost = set(tour.out_of_reach) - set(tour.gaps)
    left += [
        RemainingGap(gap.number, gap.cause, tries[gap.number], Stop.OUT_OF_REACH)
        for gap in fresh
        if gap.number in lost
    ]
    if not tour.passes:
        why = Stop.OUT_OF_REACH if lost else Stop.TRIES
        return RevisitStep(tour=None, stop=why, words=_why_left(left), left=tuple(left))
    count, short = _affordable(tour, settings, elapsed, on_battery)
    if count == 0:
        words = f"{short}: no pass over any of {_gaps(len(fresh) - len(lost))} fits into what is left of it"
        return RevisitStep(tour=None, stop=short, words=words, left=tuple(left))
    tour = tour.first(count)
    words = f"returning to {_gaps(len(tour.gaps))}, {tour.seconds:,.0f} s"
    if short is not None:
        words += f"; {_gaps(len(fresh) - len(lost) - len(tour.gaps))} must wait: {short}"
    return RevisitStep(tour=tour, stop=short, words=words, left=tuple(left))


def _affordable(
    tour: Tour, settings: RetrySettings, elapsed: float, on_battery: float
) -> tuple[int, Stop | None]:
    """Return how many visits the budgets allow, and which budget ends them."""
    time_left = math.inf if settings.time_budget is None else settings.time_budget - elapsed
    charge = math.inf if settings.battery_budget is None else settings.battery_budget - on_battery
    spent = 0.0
    for count, (moves, back) in enumerate(zip(tour.moves, tour.home_seconds, strict=True)):
        spent += total_time(moves)
        if spent > time_left:
            return count, Stop.TIME
        if spent + back > charge:
            return count, Stop.BATTERY
    return len(tour.moves), None


def _why_left(left: Sequence[RemainingGap]) -> str:
    """Return why gaps are left, with their causes, for a message."""
    parts: list[str] = []
    for why in (Stop.TRIES, Stop.OUT_OF_REACH):
        causes = [gap.cause for gap in left if gap.why is why]
        if causes:
            counts = ", ".join(
                f"{causes.count(cause)} {cause}" for cause in GapCause if cause in causes
            )
            parts.append(
                f"{why} on {_gaps(len(causes))} ({counts})"
                if why is Stop.TRIES
                else f"{_gaps(len(causes))} {why} ({counts})"
            )
    return "; ".join(parts)


def _gaps(count: int) -> str:
    return "1 gap" if count == 1 else f"{count:,} gaps"
