"""Whether a proposed description makes sense of the capture: its own driver is tried on it."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.abc import Decoder
from swathe_drivers.description import DescriptionError, parse_description
from swathe_drivers.errors import DriverError
from swathe_drivers.records import Batch
from swathe_drivers.suggest.asked import unmet
from swathe_drivers.suggest.findings import Basis, Finding, Suggestion
from swathe_drivers.suggest.hints import Hints
from swathe_drivers.suggest.measured import is_plausible
from swathe_drivers.suggest.series import persistence

__all__ = ["Trial", "judged", "tried"]

_FEWEST: Final = 8
_MOST_FAULTS: Final = 0.02
_LEAST_TAKEN: Final = 0.7
_PASSED_OVER: Final = 12.0
"""What a description explains less that passes all records over."""
_FLIGHTS: Final = (50.0, 400_000.0)
"""Times of flight in ns of 0.15 to 1200 mm of steel (5.92 mm/µs, common practice)."""


@dataclass(frozen=True, slots=True)
class Trial:
    """What the driver made of the capture.

    Attributes:
        records, readings, faults, ignored: how many.
        problems: why it is not good; empty if it is.
        reasons: faults by their reasons, in words.
    """

    records: int
    readings: int
    faults: int
    ignored: int
    problems: tuple[str, ...]
    reasons: str

    @property
    def good(self) -> bool:
        """Readings and values are plausible, and next to nothing is a fault."""
        return not self.problems


def judged(decoder: Decoder, batch: Batch, captured_bytes: int) -> Trial:
    """Judge what a decoder gave.

    It is good if there are records, if nearly none is faulty, if what is measured is there in a fair
    share of them and a wall could have it, and if positions move as something with mass does.

    Args:
        decoder: of the description.
        batch: all it gave.
        captured_bytes: that it was fed with.
    """
    readings, positions = batch.readings, batch.positions
    records = max(readings.size, positions.size)
    reasons = Counter({str(reason): number for reason, number in batch.n_faults.items()})
    faults = reasons.total()
    problems: list[str] = []
    if records < _FEWEST:
        problems.append(f"{records} records only")
    if faults > 1 + _MOST_FAULTS * records:
        problems.append(f"{faults} faults in {records} records")
    taken = batch.record_bytes
    if batch.n_ignored == 0 and records and taken < _LEAST_TAKEN * captured_bytes:
        problems.append(f"its records are {taken:,} of {captured_bytes:,} bytes")
    valid = 0
    if decoder.gives_readings:
        problems += _reading_problems(decoder, readings)
        valid = int(np.count_nonzero(readings["valid"])) if readings.size else 0
    if decoder.gives_positions and positions.size:
        problems += _position_problems(decoder, positions)
    words = ", ".join(f"{number} {reason}" for reason, number in sorted(reasons.items()))
    return Trial(records, valid, faults, batch.n_ignored, tuple(problems), words)


def _reading_problems(decoder: Decoder, readings: NDArray[Any]) -> list[str]:
    if not readings.size:
        return ["no reading"]
    valid = readings["valid"]
    if np.count_nonzero(valid) < max(4, 0.05 * readings.size):
        return [f"{np.count_nonzero(valid)} of {readings.size} readings have a value"]
    if "thickness" in decoder.gives:
        values = readings["thickness"][valid]
        if not is_plausible(values):
            middle = float(np.median(values))
            return [f"thicknesses around {middle:g} mm are those of no wall"]
        return [] if np.unique(values).size > 1 else ["the thickness never changes"]
    if "time_of_flight" in decoder.gives:
        values = readings["time_of_flight"][valid]
        middle = float(np.median(values)) * 1000  # µs to ns
        if not _FLIGHTS[0] <= middle <= _FLIGHTS[1]:
            return [f"times of flight around {middle / 1000:g} µs are those of no wall"]
    return []


def _position_problems(decoder: Decoder, positions: NDArray[Any]) -> list[str]:
    problems = []
    for number, axis in enumerate(decoder.axes):
        counts = positions["counts"] if "counts" in (positions.dtype.names or ()) else None
        if counts is None:
            continue
        column = counts[:, number] if counts.ndim > 1 else counts
        period = decoder.count_periods.get(axis)
        values = np.asarray(column, np.float64)
        if period is not None:
            steps = (np.diff(values) + period / 2) % period - period / 2
            values = np.concatenate((values[:1], values[:1] + np.cumsum(steps)))
        moved = values[np.concatenate(([True], np.diff(values) != 0))]
        if moved.size > 16 and persistence(moved) < 0.3:
            problems.append(f"the {axis} position jumps to and fro as nothing with a mass does")
    return problems


_FAULTY: Final = 300.0
_MOST_FAULTY: Final = 0.1
"""What faults cost a description, for each of its records, up to so many of them: another way of cutting has fewer."""


def tried(
    found: Suggestion,
    chunks: Sequence[tuple[int, bytes]],
    ns_per_byte: int,
    hints: Hints | None = None,
) -> Suggestion:
    """The suggestion with a finding on how its description decodes the capture.

    With what is known beforehand, what of it is not in the description.

    A text that does not load is a mistake of this package; it is not returned.
    """
    if not found.text:
        return found
    try:
        decoder = parse_description(found.text, "proposed description").decoder(
            ns_per_byte=ns_per_byte
        )
    except (DescriptionError, DriverError) as error:
        why = f"what was found contradicts itself: {error}"
        contradiction = Finding("description", "none", Basis.GUESS, why)
        return Suggestion("", (*found.findings, contradiction), rank=-1e9)
    batch = decoder.feed_chunks(chunks)
    trial = judged(decoder, batch, sum(len(data) for _, data in chunks))
    start = chunks[0][0] if chunks else 0
    missing = unmet(found.findings, decoder, batch, hints, start) if hints else ()
    what = f"{trial.records} records, {trial.readings} readings with a value, {trial.ignored} ignored, {trial.faults} faults"
    why = "the capture it came from, decoded with it"
    if trial.reasons:
        why += f" ({trial.reasons}; the first record is as a rule only half there)"
    basis = Basis.SHOWN
    if not trial.good:
        basis = Basis.GUESS
        why += f"; not good: {'; '.join(trial.problems)}"
    finding = Finding("trial", what, basis, why)
    rank = found.rank if trial.good else found.rank - 40.0 * len(trial.problems)
    rank -= _PASSED_OVER * trial.ignored / max(1, trial.ignored + trial.records)
    trouble = trial.faults / max(1, trial.records)
    rank -= _FAULTY * min(trouble, _MOST_FAULTY)
    return replace(
        found,
        findings=(*found.findings, finding),
        rank=rank,
        good=trial.good,
        trouble=0.0 if trial.faults <= 1 else trouble,
        unmet=missing,
        readings=trial.readings,
    )
