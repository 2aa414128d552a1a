"""What the times of a device's records rest on, for publication."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from swathe.pipeline.placing.time_tally import TimeTally
from swathe.pipeline.placing.timing import TimeBaseKind
from swathe.pipeline.progress.fields import Digits, Snapshot, number_text

__all__ = ["TimeSnapshot", "time_snapshots"]

# A period that is found is another one than that which is given, beyond this share of it.
_SAME_PERIOD = 0.01


class TimeSnapshot(Snapshot):
    """What the times of a device's readings or positions rest on."""

    of: str = Field(description="readings or positions")
    source: TimeBaseKind = Field(description="what the time of the newest record rests on")
    records: dict[TimeBaseKind, int] = Field(description="records by what their times rest on")
    period_ms: Annotated[float | None, Digits(4)] = Field(
        description="time from record to record that was found, ms; null without one"
    )
    given_ms: Annotated[float | None, Digits(4)] = Field(
        description="the same as the station file has it, ms; null where it does not"
    )
    usual_ms: Annotated[float, Digits(3)] = Field(
        description="standard uncertainty of a time, root mean square, ms"
    )
    largest_ms: Annotated[float, Digits(3)] = Field(
        description="largest standard uncertainty of a time, ms"
    )
    smear_ms: Annotated[float, Digits(1)] = Field(
        description="by how much the newest record may be older than its time says, ms"
    )
    breaks: int = Field(description="times that a clock was set, or a number or a rate changed")
    lost: int = Field(description="records that are known to be lost")
    text: str = Field("", description="what is in force, in words")

    @property
    def contradicts(self) -> bool:
        """Whether the period that was found is another one than that which is given."""
        if self.period_ms is None or not self.given_ms:
            return False
        return abs(self.period_ms - self.given_ms) > _SAME_PERIOD * self.given_ms


def time_snapshots(times: dict[str, TimeTally]) -> tuple[TimeSnapshot, ...]:
    """Return what the times of a device's records rest on, by kind of record, of those it sent."""
    return tuple(
        _snapshot(name, tally, tally.newest)
        for name, tally in sorted(times.items(), reverse=True)
        if tally.newest is not None
    )


def _snapshot(name: str, tally: TimeTally, newest: TimeBaseKind) -> TimeSnapshot:
    made = TimeSnapshot(
        of=name,
        source=newest,
        records=dict(sorted(tally.counts.items())),
        period_ms=None if tally.period_ns is None else tally.period_ns / 1e6,
        given_ms=None if tally.given_ns is None else tally.given_ns / 1e6,
        usual_ms=tally.usual_ns / 1e6,
        largest_ms=tally.largest_ns / 1e6,
        smear_ms=tally.smear_ns / 1e6,
        breaks=tally.breaks,
        lost=tally.lost,
    )
    return made.model_copy(update={"text": _text(made)})


def _text(made: TimeSnapshot) -> str:
    words = [f"times of {made.of} by {made.source}"]
    if made.period_ms is not None:
        words.append(f"{number_text(made, 'period_ms')} ms")
    if made.source is TimeBaseKind.ARRIVAL:
        words.append(f"up to {number_text(made, 'smear_ms')} ms late")
    else:
        words.append(f"± {number_text(made, 'usual_ms')} ms")
    others = {kind: n for kind, n in made.records.items() if kind is not made.source}
    total = sum(made.records.values())
    words += [f"{100 * n / total:.1f} % by {kind}" for kind, n in others.items()]
    if made.contradicts:
        words.append(f"NOT the {number_text(made, 'given_ms')} ms of the station file")
    return ", ".join(words)
