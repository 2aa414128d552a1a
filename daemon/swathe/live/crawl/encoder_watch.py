"""Whether the encoder of a driven axis sends samples, and agrees with the motors."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from swathe.live.crawl.evidence import Evidence, GuardFault, likely_cause
from swathe.live.crawl.host import HostWatch
from swathe.live.crawl.machine_report import MachineReport
from swathe.motion import Event
from swathe.pipeline import Pipeline
from swathe.station import GuardTable, Station

__all__ = ["EncoderWatch"]

_KEPT = 4096
_NAMES = ("scan", "index")
# Motor and encoder that are this share of the limit apart agree.
_AGREE = 0.25
_OF_SILENCE = "the encoder's cable or power is off, or motor and encoder both stand still"


@dataclass
class _AxisSamples:
    """Samples received of one axis.

    Attributes:
        since: host time of the newest sample, or of the first look before there is one, ns.
        rested: for so long the axis was not driven since then, ns.
        samples: times, ns, and places, mm.
    """

    since: int
    rested: int = 0
    samples: deque[tuple[int, float]] = field(default_factory=lambda: deque(maxlen=_KEPT))


class EncoderWatch:
    """Compares the encoder of each encoded axis with commands and reports of the machine.

    An encoder may send on change only: its silence counts while its own axis is driven, and where
    it was last is where it is.

    Args:
        station: a station file with a table `[motion]`.
        guard: its limits.
        host: knows when this machine was held up.
    """

    def __init__(self, station: Station, guard: GuardTable, host: HostWatch) -> None:
        self._host = host
        self._units = station.display
        self._guard = guard
        self._axes = _NAMES[: 1 + station.index_encoded]
        self._samples: dict[str, _AxisSamples] = {}
        self._looked: int | None = None
        self._asked: deque[MachineReport] = deque(maxlen=_KEPT)
        self._newest: MachineReport | None = None
        # By axis: motor and encoder, mm, when they last agreed, and its host time, ns.
        self._agreed: dict[str, tuple[float, float, int]] = {}

    def forget(self) -> None:
        """Motor or encoder positions were reset: earlier samples are no longer compared."""
        self._asked.clear()
        self._agreed.clear()
        for samples_of in self._samples.values():
            samples_of.samples.clear()

    def note(
        self, now: int, driven: frozenset[str], pipeline: Pipeline, report: MachineReport | None
    ) -> None:
        """Add new samples of the encoder and new positions of the motors.

        Args:
            now: host time, ns.
            driven: axes that the machine moves.
            pipeline: has the encoder's samples.
            report: newest report of the machine.
        """
        passed = 0 if self._looked is None else now - self._looked
        self._looked = now
        for axis, time, place in zip(
            self._axes, pipeline.last_sample_times, pipeline.position, strict=False
        ):
            samples_of = self._samples.setdefault(axis, _AxisSamples(now))
            if time is not None and (not samples_of.samples or time > samples_of.samples[-1][0]):
                if time > samples_of.since:
                    samples_of.since, samples_of.rested = time, 0
                if place is not None:
                    samples_of.samples.append((time, place))
            elif axis not in driven:
                samples_of.rested += passed
        if report is not None and (self._newest is None or report.time > self._newest.time):
            self._newest = report
            self._asked.append(report)

    def silence(self, now: int, driven: frozenset[str]) -> GuardFault | None:
        """Return what is wrong if nothing came from the encoder of a driven axis for too long.

        The encoder is blamed only if this machine ran for that long meanwhile. Otherwise nobody
        knows whether the encoder was silent: the host was too slow.
        """
        limit = self._guard.encoder_silence
        for axis, samples_of in self._samples.items():
            quiet = now - samples_of.since - samples_of.rested
            if axis not in driven or quiet <= limit:
                continue
            evidence = Evidence(quiet / 1e6, limit / 1e6, "ms", _OF_SILENCE)
            held_up = self._host.held_up(now - quiet, now)
            if quiet - held_up <= limit:
                return slow_host(self._host.words(now - quiet, now), held_up, limit)
            words = (
                f"nothing came from the encoder for {quiet / 1e6:,.0f} ms while the machine moved "
                f"along {axis}"
            )
            return GuardFault(Event.ENCODER_SILENT, words, evidence)
        return None

    def apart(self, since: int) -> GuardFault | None:
        """Return by how much motor and encoder are apart, if it is too much.

        The two are not sampled at the same moment: a motor position is compared with all samples of
        the encoder from the lag before its query to the lag after the answer.

        Args:
            since: reports up to a lag after this are not judged, ns.
        """
        lag, limit = self._guard.lag, self._guard.disagreement
        newest = max((h.samples[-1][0] for h in self._samples.values() if h.samples), default=0)
        # Without later samples the encoder may be late, or silent, which `silence` reports.
        while self._asked and self._asked[0].time + lag <= newest:
            report = self._asked.popleft()
            if report.asked - lag < since:
                continue
            for axis, motor in zip(self._axes, report.place, strict=False):
                places = self._places(axis, report.asked - lag, report.time + lag)
                if not places:
                    continue
                off = max(motor - max(places), min(places) - motor)
                if off > limit:
                    at = self._units.place_text
                    what = f"{axis}: motor at {at(motor)}, encoder at {at(places[-1])}, {at(off)} apart"
                    likely = self._likely(axis, motor, places[-1], report.time)
                    evidence = Evidence(off, limit, "mm", likely)
                    return GuardFault(Event.DISAGREEMENT, what, evidence)
                if off <= _AGREE * limit:
                    self._agreed[axis] = (motor, places[-1], report.time)
        return None

    def _likely(self, axis: str, motor: float, encoder: float, now: int) -> str:
        """Return what probably parted motor and encoder since they last agreed."""
        if axis not in self._agreed:
            return "one of the two has lost its position since they were compared"
        motor_then, encoder_then, since = self._agreed[axis]
        if held_up := self._host.words(since, now):
            return f"{held_up}, and positions came late"
        return likely_cause(motor - motor_then, encoder - encoder_then)

    def _places(self, axis: str, begin: int, end: int) -> list[float]:
        """Return where the encoder was within a time, and as that began."""
        if axis not in self._samples:
            return []
        samples = self._samples[axis].samples
        before = [place for time, place in samples if time < begin][-1:]
        return before + [place for time, place in samples if begin <= time <= end]


def slow_host(words: str, held_up: int, limit: int) -> GuardFault:
    """Return the fault of a host that was held up for longer than the guards allow.

    Args:
        words: who was held up, and for how long.
        held_up: for how long altogether, ns.
        limit: ns.
    """
    likely = "other programs load this computer, or it was suspended"
    evidence = Evidence(held_up / 1e6, limit / 1e6, "ms", likely)
    return GuardFault(Event.HOST_SLOW, words, evidence)
