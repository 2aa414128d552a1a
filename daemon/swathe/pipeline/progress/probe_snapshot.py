"""What is published of each probe of a station with several."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from swathe.arrays import Ints
from swathe.pipeline.checks.suspect_cells import SuspectCells
from swathe.pipeline.placing.probe_echoes import ProbeEchoes
from swathe.pipeline.progress.fields import Digits, Snapshot, UtcTime
from swathe.pipeline.progress.probes_now import ProbeNow
from swathe.station import MOST_PROBES, ProbeArray

__all__ = [
    "ProbeSnapshot",
    "ProbeState",
    "count_by_probe",
    "no_counts",
    "probe_checks",
    "probe_snapshots",
]


class ProbeState(StrEnum):
    """What comes from a probe now."""

    ECHO = "echo"
    NO_ECHO = "no echo"
    """Readings come, and none of late has an echo."""
    NO_READINGS = "no readings"


class ProbeSnapshot(Snapshot):
    """One probe of the carriage."""

    name: str = Field(description="of the probe, as in the station file")
    state: ProbeState = Field(description="what comes from it now")
    alone: bool = Field(
        description="whether it has no echo while other probes have some, which has an alarm"
    )
    last_echo: UtcTime | None = Field(description="time of its newest echo; null before any")
    last_reading: UtcTime | None = Field(
        None, description="when its newest reading came, with or without an echo; null before any"
    )
    has_echo: bool = Field(False, description="whether that reading has an echo")
    thickness: Annotated[float | None, Digits(3, inches=3)] = Field(
        None,
        description="of that reading by the probe's calibration, mm; null without an echo, without a "
        "calibration, and once the reading is no more of now",
    )
    amplitude: Annotated[float | None, Digits(1, shown=0)] = Field(
        None,
        description="of that reading, of full screen height, %; null where none is sent, and likewise",
    )
    scan: Annotated[float | None, Digits(3, shown=2)] = Field(
        None,
        description="where the probe is, mm; null while position or heading of the carriage is unknown",
    )
    index: Annotated[float | None, Digits(3, shown=2)] = Field(
        None, description="where the probe is, mm; null likewise"
    )
    readings: int = Field(description="readings with a position, of the survey")
    echoes: int = Field(description="of these, those with an echo")
    checked: UtcTime | None = Field(
        None, description="when its last passed calibration check ended; null before any"
    )
    check_overdue: bool = Field(False, description="whether its next one is overdue")
    check_failed: int | None = Field(
        None, description="number of its failed check in force, which makes its readings suspect"
    )
    suspect: int = Field(
        0, description="cells in which a reading of it stands that a failed check makes suspect"
    )


@dataclass(frozen=True, slots=True)
class ProbeCheck:
    """What is known of the calibration checks of a probe; as in `ProbeSnapshot`, times in ns UTC."""

    checked: int | None
    check_overdue: bool
    check_failed: int | None
    suspect: int


def probe_checks(
    suspect_cells: SuspectCells, due: Mapping[int, int], time: int, probes: int
) -> list[ProbeCheck]:
    """Return what is known of the checks of each of several probes.

    Args:
        suspect_cells: with the checks.
        due: when the next one is due, by probe, ns UTC.
        time: now, ns UTC.
        probes: how many there are; nothing is returned of a single one.
    """
    if probes < 2:
        return []
    checks, suspect = suspect_cells.checks, suspect_cells.count_by_probe(probes)
    found: list[ProbeCheck] = []
    for number in range(probes):
        failed = checks.failed.get(number)
        found.append(
            ProbeCheck(
                checked=checks.last_passes.get(number),
                check_overdue=number in due and time > due[number],
                check_failed=None if failed is None else failed.number,
                suspect=int(suspect[number]),
            )
        )
    return found


def probe_snapshots(
    probes: ProbeArray,
    echoes: ProbeEchoes,
    counts: Ints,
    newest: Sequence[ProbeNow],
    onto: tuple[Callable[[float], float], Callable[[float], float]],
    *,
    times: tuple[int, int],
    limit: int,
    checks: Sequence[ProbeCheck],
) -> tuple[ProbeSnapshot, ...]:
    """Return what is known of each probe; nothing of a single one.

    Args:
        probes: of the present run.
        echoes: of each probe, followed until now.
        counts: readings with a position, and those with an echo, shape (2, probes or more).
        newest: reading and place of each probe.
        onto: from positions in mm to those that the scan and the index axis show.
        times: host time of now, and the offset from it to UTC, ns.
        limit: what is older came not of late, ns.
        checks: of each probe.
    """
    if len(probes) < 2:
        return ()
    found: list[ProbeSnapshot] = []
    now, utc_offset = times
    for probe, seen in zip(probes.probes, newest, strict=True):
        number = probe.number
        # A reading whose time is not found yet is one of now as well.
        is_new = seen.arrived is not None and seen.arrived > now - limit
        state = ProbeState.NO_READINGS
        if echoes.last_echo[number] > now - limit or (is_new and seen.has_echo):
            state = ProbeState.ECHO
        elif is_new or echoes.last_reading[number] > now - limit:
            state = ProbeState.NO_ECHO
        last = int(echoes.last_echo[number])
        found.append(
            ProbeSnapshot(
                name=probe.name,
                state=state,
                alone=number in echoes.lost,
                last_echo=None if last < 0 else last + utc_offset,
                last_reading=None if seen.arrived is None else seen.arrived + utc_offset,
                has_echo=seen.has_echo,
                thickness=seen.thickness if is_new else None,
                amplitude=seen.amplitude if is_new else None,
                scan=None if seen.scan is None else onto[0](seen.scan),
                index=None if seen.index is None else onto[1](seen.index),
                readings=int(counts[0, number]),
                echoes=int(counts[1, number]),
                **asdict(checks[number]),
            )
        )
    return tuple(found)


def no_counts() -> Ints:
    """Return the counts of `probe_snapshots` before any reading."""
    return np.zeros((2, MOST_PROBES), np.int64)


def count_by_probe(counts: Ints, readings: NDArray[Any]) -> None:
    """Add readings to `counts` of `probe_snapshots`, in place; of dtype `READING`, shape (n,)."""
    number, most = readings["probe"], counts.shape[1]
    counts[0] += np.bincount(number, minlength=most)
    counts[1] += np.bincount(number[readings["valid"]], minlength=most)
