"""Which part of the probe's motion belongs to which line of a stepped index axis.

Nobody sees the probe's position across the lines. A hand that moves the probe over to another line
stops the motion along the scan axis for it, and gives the command before or after. So the line is
in doubt while the probe stands, as soon as another line follows:

- On the way, a sample belongs to the line as soon as the probe has moved on from it.
- Once the probe stops or turns, what follows waits until the probe is two cells away from there. It
  belongs to the line then, the stand included; or to none, if another line begins first.
- After another line began, what follows waits likewise. Then it belongs to the line from the last stop
  or turn on; what was before belongs to none.
- Of a stand that lasts more than a minute, what was before its last moment belongs to none: nothing
  waits without end.

Motion is what is more than the noise of the encoder, and a stop is a third of a second without.
Nothing is decided but by the samples: how they are cut into pieces changes nothing.
"""

from __future__ import annotations

from enum import Enum, auto
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe.arrays import Bools, Ints
from swathe.pipeline.placing.line_ends import LineEnds
from swathe.pipeline.placing.line_samples import BLOCKED, NM_PER_MM, NO_LINE, SAMPLE, Decided

__all__ = ["LineMotion"]

# A stop lasts so long (common practice, no source: a hand moves by the noise of an encoder in less).
_STOP_NS: Final = 300_000_000
# Of a stand that lasts longer, readings are not kept back (our choice).
_LONGEST_STAND_NS: Final = 60_000_000_000
# The probe is away from where it stopped, and on another line, after so many cells.
_CELLS: Final = 2
# So many samples are looked at together.
_WINDOW: Final = 4096


class _Mode(Enum):
    MOVING = auto()
    STANDING = auto()
    IN_DOUBT = auto()


class LineMotion:
    """Follows the samples of a path, and finds which of them belong to the line in force.

    Args:
        ends: at which a line ends by itself.
        cell: width of a cell along the scan axis, mm.
        noise: positions that differ by no more are those of a probe at rest, mm.
        lines: number of lines.
        line: the line at first.
        in_doubt: whether that line began after the probe moved last.

    Attributes:
        line: the line in force.
        begun: the lines that began, as (time in ns, line).
        ahead: what `line_ahead` became by itself, as (line, journal time in ns).
        min_motion: motion on a new line after which readings count, mm.
    """

    def __init__(
        self,
        ends: LineEnds,
        *,
        cell: float,
        noise: float,
        lines: int,
        line: int,
        in_doubt: bool = False,
    ) -> None:
        self._ends = ends
        self.min_motion = max(_CELLS * cell, 2 * noise)
        self._min_motion = round(self.min_motion * NM_PER_MM)
        self._noise = round(noise * NM_PER_MM)
        self._lines = lines
        self.line = line
        self.begun: list[tuple[int, int]] = []
        self.ahead: list[tuple[int, int]] = []
        self._arrived = False
        self._mode = _Mode.IN_DOUBT if in_doubt else _Mode.STANDING
        self._direction = 1
        self._tail: NDArray[Any] = np.empty(0, SAMPLE)
        self._peak = 0  # the highest course in the direction of motion before the tail
        self._before = 0  # time of the sample before the tail, ns
        self._anchor: int | None = None  # where the probe stopped, or was when the line began
        self._inward = 0  # the direction in which a line that began by itself leads; 0 for any
        self._since = 0
        self._held: list[NDArray[Any]] = []
        self._decided: list[Decided] = []

    @property
    def in_doubt(self) -> bool:
        """Whether nothing counts, as the probe did not move on this line so far."""
        return self._mode is _Mode.IN_DOUBT

    @property
    def line_ahead(self) -> int:
        """The line in force, or the next one if the probe arrived where that begins."""
        return self.line + self._arrived

    def follow(self, samples: NDArray[Any]) -> list[Decided]:
        """Follow the next samples, dtype `SAMPLE`; return what is decided by them, in order."""
        stack = [samples]
        while stack:
            piece = stack.pop()
            if not piece.size:
                continue
            end = _first_cut(piece)
            if end < piece.size:
                stack.append(piece[end:])
                piece = piece[:end]
            if piece["far"][0]:
                self._ends.break_off()
                if self._arrived:
                    self._arrived = False
                    self.ahead.append((self.line, int(piece["settled"][0])))
            match self._mode:
                case _Mode.MOVING:
                    rest = self._move(piece)
                case _Mode.STANDING:
                    rest = self._stand(piece)
                case _Mode.IN_DOUBT:
                    rest = self._doubt(piece)
            if rest.size:
                if rest.size == piece.size and rest["far"][0]:
                    rest = rest.copy()
                    rest["far"][0] = False  # it is taken note of
                stack.append(rest)
            elif piece["line"][-1] == BLOCKED:
                self._ends.turn_here()
            elif piece["line"][-1] != NO_LINE:
                self._begin_line(piece[-1])
        decided, self._decided = self._decided, []
        return decided

    def finish(self, known: int) -> list[Decided]:
        """Decide on all that waits, at the journal time `known`, ns: no other line follows."""
        waiting = np.concatenate([self._tail, *self._held])
        if waiting.size:
            kept = self._mode is not _Mode.IN_DOUBT
            self._decide(waiting, np.full(waiting.size, kept), np.full(waiting.size, known))
        self._tail, self._held = self._tail[:0], []
        if self._mode is _Mode.MOVING:
            self._stop(self._direction * self._peak, self._since)
        decided, self._decided = self._decided, []
        return decided

    def _decide(self, samples: NDArray[Any], kept: Bools, known: Ints, begin: int = -1) -> None:
        if not samples.size:
            return
        begins = np.zeros(samples.size, bool)
        if begin >= 0:
            begins[begin] = True
        line = np.full(samples.size, self.line)
        self._decided.append(Decided(samples, kept, begins, known, line))

    def _keep(self, samples: NDArray[Any], known: int | Ints) -> None:
        kept = np.ones(samples.size, bool)
        self._decide(samples, kept, np.broadcast_to(known, kept.shape).astype(np.int64))

    def _drop(self, samples: NDArray[Any]) -> None:
        self._decide(samples, np.zeros(samples.size, bool), samples["settled"].copy())

    def _drop_waiting(self, more: NDArray[Any]) -> None:
        self._drop(np.concatenate([*self._held, more]))
        self._held = []

    # --- each takes a piece; it returns the rest, which is to be taken in another mode.

    def _move(self, piece: NDArray[Any]) -> NDArray[Any]:
        window = np.concatenate((self._tail, piece))
        new = self._tail.size
        course = self._direction * window["course"]
        peak = np.maximum(np.maximum.accumulate(course), self._peak)
        # The first sample of each that the probe had not left by more than noise.
        near = np.searchsorted(peak, peak - self._noise, side="left")
        since_near = np.where(self._peak >= peak - self._noise, self._before, window["time"][near])
        stops = (window["time"] - since_near > _STOP_NS) | (peak - course > self._noise)
        stops[:new] = False
        stopped = bool(stops.any())
        end = int(np.argmax(stops)) + 1 if stopped else window.size
        highest = int(peak[end - 1])
        left = int(near[end - 1])  # the samples before this one are left behind
        by = np.searchsorted(peak[:end], peak[:left] + self._noise, side="right")
        self._keep(window[:left], window["settled"][by])
        if self._may_step() and not self._arrived:
            arrived = np.flatnonzero(self._ends.arrived(window["scan"][new:end]))
            if arrived.size:
                self._arrived = True
                known = int(window["settled"][new + int(arrived[0])])
                self.ahead.append((self.line + 1, known))
        self._ends.follow(window["scan"][new:end])
        since = int(since_near[end - 1])
        before = int(peak[left - 1]) if left else self._peak
        if not stopped:
            if left:
                self._before = int(window["time"][left - 1])
            self._tail, self._peak = window[left:].copy(), before
            return window[:0]
        self._tail = window[:0].copy()
        known = int(window["settled"][end - 1])
        arrival = window[:0]
        if before < highest - self._noise:  # the probe arrived with this sample
            arrival = window[left : left + 1].copy()
            self._keep(arrival, known)
            left += 1
        place = float(window["scan"][int(np.searchsorted(peak, highest, side="left"))])
        rest = window[left:].copy()
        if self._ends_line(place):
            self._step(self._direction * highest, since, known, self._ends.end_at(place))
            arrival = arrival.copy()
            arrival["real"] = False  # it is on the path of the line before
            self._held = [arrival]
        else:
            self._stop(self._direction * highest, since)
        return rest

    def _stop(self, anchor: int, since: int) -> None:
        self._mode, self._anchor, self._since = _Mode.STANDING, anchor, since

    def _stand(self, piece: NDArray[Any]) -> NDArray[Any]:
        anchor = self._anchored(piece)
        away = np.abs(piece["course"] - anchor) >= self._min_motion
        at = int(np.argmax(away)) if away.any() else piece.size
        if self._may_step() and (reached := self._ends.reached(piece["scan"][:at])).any():
            first = int(np.argmax(reached))
            self._drop_waiting(piece[:first])
            place, known = float(piece["scan"][first]), int(piece["settled"][first])
            self._step(int(piece["course"][first]), self._since, known, self._ends.end_at(place))
            return piece[first:]
        self._ends.follow(piece["scan"][: at + 1])
        if at == piece.size:
            rest = self._without_long_stand(piece, anchor).copy()
            self._held.append(rest)
            return piece[:0]
        head = self._without_long_stand(piece[:at], anchor)
        waiting = np.concatenate([*self._held, head, piece[at : at + 1]])
        self._keep(waiting, int(piece["settled"][at]))
        self._set_out(piece[at], anchor)
        return piece[at + 1 :]

    def _anchored(self, piece: NDArray[Any]) -> int:
        """Return where the probe stopped; it is where the path begins at first."""
        if self._anchor is None:
            self._anchor, self._since = int(piece["course"][0]), int(piece["time"][0])
            self._ends.begin(self._ends.end_at(float(piece["scan"][0])))
        return self._anchor

    def _set_out(self, sample: NDArray[Any], anchor: int) -> None:
        course = int(sample["course"])
        self._held = []
        self._mode = _Mode.MOVING
        self._direction = 1 if course > anchor else -1
        self._peak, self._before = self._direction * course, int(sample["time"])

    def _doubt(self, piece: NDArray[Any]) -> NDArray[Any]:
        course, anchors = piece["course"], np.full(piece.size, self._anchored(piece))
        if self._inward:  # from the outermost place on
            outermost = np.minimum.accumulate(self._inward * np.append(anchors[:1], course))[1:]
            anchors = self._inward * outermost
        away = np.abs(course - anchors) >= self._min_motion
        at = int(np.argmax(away)) if away.any() else piece.size
        self._ends.follow(piece["scan"][: at + 1])
        if at == piece.size:
            rest = self._without_long_stand(piece, anchors).copy()
            self._held.append(rest)
            self._anchor = int(anchors[-1])
            return piece[:0]
        head = self._without_long_stand(piece[:at], anchors[:at])
        window = np.concatenate([*self._held, head, piece[at : at + 1]])
        begin = self._set_out_at(window, 1 if course[at] > anchors[at] else -1)
        kept = np.arange(window.size) > begin
        known = np.full(window.size, int(piece["settled"][at]))
        self._decide(window, kept, known, begin)
        self._set_out(piece[at], int(anchors[at]))
        return piece[at + 1 :]

    def _without_long_stand(self, piece: NDArray[Any], anchors: Ints | int) -> NDArray[Any]:
        """Return what waits of a piece, from the last sample on that is of a long stand."""
        late = piece["time"] - self._since > _LONGEST_STAND_NS
        late &= np.abs(piece["course"] - anchors) <= self._noise
        if not late.any():
            return piece
        last = int(np.flatnonzero(late)[-1])
        self._drop_waiting(piece[:last])
        return piece[last:]

    def _set_out_at(self, window: NDArray[Any], direction: int) -> int:
        """Return the number of the sample at which the motion to the last one began."""
        # Back in time the probe comes towards that sample, until it stops or turns there.
        course, time = -direction * window["course"][::-1], window["time"][::-1]
        peak = np.maximum.accumulate(course)
        near = np.searchsorted(peak, peak - self._noise, side="left")
        stops = (time[near] - time > _STOP_NS) | (peak - course > self._noise)
        end = int(np.argmax(stops)) if stops.any() else window.size - 1
        return window.size - 1 - int(near[end])

    # --- other lines

    def _may_step(self) -> bool:
        return self.line + 1 < self._lines

    def _ends_line(self, place: float) -> bool:
        return self._may_step() and bool(self._ends.reached(np.array([place]))[0])

    def _step(self, anchor: int, time: int, known: int, end: int) -> None:
        """Begin the next line by itself: the probe stopped or turned at an end."""
        self._begin(self.line + 1, time)
        self.ahead.append((self.line, known))
        self._anchor, self._inward = anchor, -end
        self._ends.begin(end)

    def _begin_line(self, mark: NDArray[Any]) -> None:
        """Begin the line that a mark puts in force."""
        tail = self._tail
        if tail.size and mark["doubt"]:
            course = np.maximum.accumulate(self._direction * tail["course"])
            if self._peak < max(course[-1], self._peak) - self._noise:
                self._keep(tail[:1], int(mark["settled"]))
                tail = tail[1:]
        waiting = np.concatenate([*self._held, tail])
        self._tail, self._held = self._tail[:0].copy(), []
        if mark["doubt"]:
            self._drop(waiting)
        else:
            self._keep(waiting, int(mark["settled"]))
        self._begin(int(mark["line"]), int(mark["time"]))
        self._anchor, self._inward = int(mark["course"]), 0
        at_end = self._ends.end_at(float(mark["scan"]))
        self._ends.begin(self._ends.turn_here() if mark["blocked"] and not at_end else at_end)
        if mark["doubt"]:
            self._held = [np.array([mark], SAMPLE)]  # the probe may move already
        else:
            self._stop(self._anchor, int(mark["time"]))

    def _begin(self, line: int, time: int) -> None:
        self.line, self._arrived, self._since = line, False, time
        self.begun.append((time, line))
        self._mode = _Mode.IN_DOUBT


def _first_cut(piece: NDArray[Any]) -> int:
    """Return how many samples can be taken together.

    A line may begin with the last of them only, and a position that is found again be the first only.
    """
    end = min(piece.size, _WINDOW)
    lines = np.flatnonzero(piece["line"][:end] != NO_LINE)
    if lines.size:
        end = int(lines[0]) + 1
    far = np.flatnonzero(piece["far"][1:end])
    return int(far[0]) + 1 if far.size else end
