"""The lines of a stepped index axis that is scanned by hand: which readings belong to which line.

Readings and path wait until `LineMotion` has decided to which line they belong, or to none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Floats, Ints, Times, distinct, steps_of
from swathe.pipeline.placing.line_ends import LineEnds
from swathe.pipeline.placing.line_motion import LineMotion
from swathe.pipeline.placing.line_samples import BLOCKED, NM_PER_MM, NO_LINE, SAMPLE, Decided
from swathe.pipeline.placing.placed import Placed, ProbePath
from swathe.station import Axis, LineAdvance
from swathe_drivers.records import READING

__all__ = ["HandLines"]

_EVER: Final = int(np.iinfo(np.int64).min)
_NEVER: Final = int(np.iinfo(np.int64).max)


@dataclass(frozen=True, slots=True)
class _LineMark:
    """What a command says about the line from a host time on, ns."""

    time: int
    line: int
    doubt: bool
    blocked: bool


_NO_READINGS = np.empty(0, READING)


class HandLines:
    """Gives readings and path of one run their line, as far as they belong to one.

    Args:
        scan: the scan axis.
        index: the index axis.
        advance: what begins another line.
        noise: positions along the scan axis that differ by no more are those of a probe at rest, mm.
        line: the line in force at first.
        in_doubt: whether the probe did not move on that line so far.

    Attributes:
        between_lines: readings that belong to no line.
    """

    def __init__(
        self,
        *,
        scan: Axis,
        index: Axis,
        advance: LineAdvance,
        noise: float,
        line: int,
        in_doubt: bool = False,
    ) -> None:
        self._index = index
        self._near = LineEnds(scan, advance).near
        self._motion = LineMotion(
            LineEnds(scan, advance),
            cell=scan.resolution,
            noise=noise,
            lines=index.cells,
            line=line,
            in_doubt=in_doubt,
        )
        self._first_line = line
        self.between_lines = 0
        self._marks: list[_LineMark] = []
        self._last: NDArray[Any] = np.empty(0, SAMPLE)  # the newest sample of the path
        self._join: ProbePath | None = None  # the last sample of the path that belongs to a line
        self._join_line = line
        self._apart = False  # no path leads on from there
        self._lost: Times = np.empty(0, np.int64)
        self._unplaced: Times = np.empty(0, np.int64)
        self._readings: list[Placed] = []
        self._until = _EVER  # all up to this time is decided
        self._gaps: list[tuple[int, int]] = []  # of no line: after one time up to another one
        self._taken = 0  # changes of the line, see `take_ahead`

    @property
    def line(self) -> int:
        """The line in force: of the newest command, or of what the probe did since."""
        lines = [mark.line for mark in self._marks if mark.line != BLOCKED]
        return lines[-1] if lines else self._motion.line_ahead

    @property
    def in_doubt(self) -> bool:
        """Whether nothing counts, as the probe did not move on the line so far."""
        return self._motion.in_doubt or self.line != self._motion.line

    @property
    def min_motion(self) -> float:
        """Motion on a new line after which readings count, mm."""
        return self._motion.min_motion

    @property
    def waiting(self) -> NDArray[Any]:
        """The readings whose line is not decided, dtype `READING`."""
        return np.concatenate([_NO_READINGS, *(placed.readings for placed in self._readings)])

    def pending(self) -> tuple[Times, Floats]:
        """Return times, ns, and scan positions, mm, of the readings that wait."""
        times = [placed.readings["time"] for placed in self._readings]
        scan = [placed.scan for placed in self._readings]
        return (
            np.concatenate([np.empty(0, np.int64), *times]),
            np.concatenate([np.empty(0), *scan]),
        )

    def set_line(self, line: int, time: int, *, doubt: bool = True, blocked: bool = False) -> None:
        """Put a line in force from the host time `time`, ns, on.

        Args:
            line: row of the grid.
            time: of the mark.
            doubt: whether nothing counts until the probe has moved.
            blocked: whether the line before is blocked where the probe is.
        """
        self._marks.append(_LineMark(time, line, doubt, blocked))

    def block(self, time: int) -> None:
        """The line in force is blocked where the probe is; its return begins the next one."""
        self._marks.append(_LineMark(time, BLOCKED, doubt=False, blocked=True))

    def take_ahead(self) -> list[tuple[int, int]]:
        """Return what the line in force became since the last call, as (line, journal time in ns)."""
        ahead = self._motion.ahead[self._taken :]
        self._taken = len(self._motion.ahead)
        return ahead

    def take(
        self, placed: Placed, path: ProbePath | None, *, end: int | None = None
    ) -> tuple[Placed, ProbePath | None]:
        """Take what became known; return the readings and the path of which the line is decided.

        Args:
            placed: readings; their index position is not used.
            path: the next piece of the path, without pauses; likewise.
            end: journal time, ns, if the run ends: no other line follows.
        """
        decided: list[Decided] = []
        if path is not None:
            self._lost = distinct(np.concatenate((self._lost, path.lost)))
            self._unplaced = distinct(np.concatenate((self._unplaced, path.unplaced)))
            decided += self._motion.follow(self._with_marks(self._samples(path)))
        if end is not None:
            decided += self._finish(end)
        return self._sorted_out(placed, decided)

    def _finish(self, end: int) -> list[Decided]:
        """Decide on all that waits, at the journal time `end`, ns."""
        last = self._last[0] if self._last.size else np.zeros(1, SAMPLE)[0]
        marks, self._marks = self._marks, []
        made = [_mark_sample(mark, last, None, end) for mark in marks]
        decided = self._motion.follow(np.array(made, SAMPLE)) + self._motion.finish(end)
        rest = np.zeros(1, SAMPLE)  # of readings after the last sample
        rest["time"] = _NEVER
        no, known, line = np.zeros(1, bool), np.full(1, end), np.full(1, self._motion.line)
        kept = np.full(1, not self._motion.in_doubt)
        return [*decided, Decided(rest, kept, no, known, line)]

    # --- from path to samples

    def _samples(self, path: ProbePath) -> NDArray[Any]:
        """Return the samples of a piece of the path that are none of the piece before."""
        made = np.zeros(path.time.size, SAMPLE)
        for name in ("time", "scan", "settled", "known", "silent", "blur"):
            made[name] = getattr(path, name)
        made["reset"], made["real"], made["line"] = path.resets, True, NO_LINE
        made["unread"] = path.may_be_unread
        last = self._last
        if last.size and all(
            made[name][0] == last[name][0] for name in ("time", "scan", "settled")
        ):
            made = made[1:]
        if not made.size:
            return made
        before = last["scan"][0] if last.size else made["scan"][0]
        steps = np.rint(steps_of(made["scan"], before) * NM_PER_MM).astype(np.int64)
        unseen = made["reset"] | ~made["known"]
        start = last["course"][0] if last.size else 0
        made["course"] = start + np.cumsum(np.where(unseen, 0, steps))
        made["far"] = unseen & (np.abs(steps) > self._near * NM_PER_MM)
        return made

    def _with_marks(self, samples: NDArray[Any]) -> NDArray[Any]:
        """Return the next samples, with the marks that are before the last one of them."""
        if not samples.size:
            return samples
        before, self._last = self._last, samples[-1:].copy()
        due = [mark for mark in self._marks if mark.time < samples["time"][-1]]
        if not due:
            return samples
        self._marks = self._marks[len(due) :]
        at = np.searchsorted(samples["time"], [mark.time for mark in due], side="right")
        all_samples = np.concatenate((before if before.size else samples[:1], samples))
        made = [
            _mark_sample(mark, all_samples[k], all_samples[k + 1])
            for mark, k in zip(due, at.tolist(), strict=True)
        ]
        return np.insert(samples, at, np.array(made, SAMPLE))

    # --- from samples to readings and path

    def _sorted_out(
        self, placed: Placed, decided: list[Decided]
    ) -> tuple[Placed, ProbePath | None]:
        late = placed.readings["time"] <= self._until
        parts = [self._late(placed[late])] if late.any() else []
        if parts:
            placed = placed[~late]
        if placed.readings.size:
            self._readings.append(placed)
        if not decided:
            return (parts[0] if parts else placed[:0]), None
        made = Decided(*(np.concatenate(columns) for columns in zip(*decided, strict=True)))
        if self._readings:
            waiting = Placed.joined(self._readings)
            at = np.searchsorted(made.samples["time"], waiting.readings["time"], side="left")
            due = at < made.samples.size
            self._readings = [] if due.all() else [waiting[~due]]
            at, waiting = at[due], waiting[due]
            known = np.maximum(waiting.known, made.known[at])
            parts.append(self._kept(waiting, made.kept[at], made.line[at], known))
        self._note(made)
        path = self._path(made)
        return (Placed.joined(parts).in_order() if parts else placed[:0]), path

    def _kept(self, placed: Placed, kept: Bools, line: Ints, known: Times) -> Placed:
        """Return the readings that belong to a line, with its position; count the others."""
        self.between_lines += int(np.count_nonzero(~kept))
        index = self._positions(line)
        return Placed(placed.readings, placed.scan, index, known, placed.spread)[kept]

    def _late(self, placed: Placed) -> Placed:
        """Return readings that came after their time was decided, as far as they belong to a line."""
        times = placed.readings["time"]
        begins, ends = np.array([(_EVER, _EVER), *self._gaps], np.int64).T
        gap = np.searchsorted(begins[1:], times, side="left")
        begun = [time for time, _ in self._motion.begun]
        lines = np.array([self._first_line, *(line for _, line in self._motion.begun)])
        line = lines[np.searchsorted(np.array(begun, np.int64), times, side="left")]
        return self._kept(placed, times > ends[gap], line, placed.known)

    def _positions(self, lines: Ints) -> NDArray[np.float64]:
        return np.asarray(self._index.start + lines * self._index.resolution, np.float64)

    def _note(self, made: Decided) -> None:
        """Keep the times of no line, for readings that come late."""
        times = np.concatenate(([self._until], made.samples["time"]))
        edges = np.flatnonzero(np.diff(~made.kept, prepend=False, append=False))
        for one, other in times[edges].reshape(-1, 2).tolist():
            if self._gaps and self._gaps[-1][1] == one:
                one = self._gaps.pop()[0]  # noqa: PLW2901  one gap, found in two parts
            self._gaps.append((one, other))
        # Readings after the last sample of a run are decided with the run.
        self._until = int(times[-1])

    def _path(self, made: Decided) -> ProbePath | None:
        """Return the path through the samples that belong to a line; None where none does."""
        at = np.flatnonzero(made.samples["real"] & (made.kept | made.begins))
        dropped = np.cumsum(~made.kept)
        if not at.size:
            self._apart |= bool(dropped[-1])
            return None
        lines = np.concatenate(([self._join_line], made.line[at]))
        # No path leads to a sample before which others were left out, or another line was.
        apart = np.diff(dropped[at], prepend=-1 if self._apart else 0) > 0
        other = np.diff(lines) != 0
        samples = made.samples[at]
        piece = ProbePath(
            time=samples["time"],
            scan=samples["scan"],
            index=self._positions(lines[1:]),
            known=samples["known"] & ~apart & ~other,
            resets=samples["reset"] | apart,
            silent=samples["silent"],
            settled=np.maximum.accumulate(made.known[at]),
            blur=samples["blur"],
            lost=self._lost,
            unplaced=self._unplaced,
            unread=samples["unread"] if samples["unread"].any() else None,
        )
        self._apart = bool(dropped[-1] > dropped[at[-1]])
        self._join_line = int(lines[-1])
        self._lost = self._lost[self._lost > piece.time[-1]]
        self._unplaced = self._unplaced[self._unplaced > piece.time[-1]]
        path = piece if self._join is None else self._join.followed_by(piece)
        self._join = piece[-1:]
        return path


def _mark_sample(
    mark: _LineMark, before: np.void, after: np.void | None, settled: int = 0
) -> np.void:
    """Return a mark as a sample between two others, or after the last one."""
    made: np.void = np.zeros(1, SAMPLE)[0]
    made["time"] = max(mark.time, int(before["time"]))
    made["line"], made["doubt"], made["blocked"] = mark.line, mark.doubt, mark.blocked
    made["scan"], made["course"], made["settled"] = before["scan"], before["course"], settled
    if after is not None:
        span = max(int(after["time"] - before["time"]), 1)
        share = int(made["time"] - before["time"]) / span
        step = int(after["course"] - before["course"])
        made["course"] += round(step * share)
        made["scan"] += step * share / NM_PER_MM
        made["settled"] = after["settled"]
    return made
