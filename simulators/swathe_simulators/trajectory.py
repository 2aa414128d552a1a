"""Where the probe is: pieces of constant acceleration, exact at any time."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from swathe_simulators.base import Bools, Floats, Ints


@dataclass(frozen=True, slots=True)
class Piece:
    """A while of constant acceleration along one axis; the other axis rests.

    With a direction (scan, index; of length 1) it goes there instead, and `axis` means nothing.
    """

    duration_s: float
    axis: Literal["scan", "index"] = "scan"
    speed: float = 0.0
    acceleration: float = 0.0
    line: int = -1
    pass_number: int = 0
    lifted: bool = False
    direction: tuple[float, float] | None = None

    def share(self, axis: str) -> float:
        """Return the part of the speed that an axis has."""
        if self.direction is None:
            return 1.0 if axis == self.axis else 0.0
        return self.direction[0] if axis == "scan" else self.direction[1]


@dataclass(frozen=True, slots=True)
class PieceTable:
    """The pieces as columns, shape (n,) each; replaced as a whole, never changed."""

    start_s: Floats
    duration_s: Floats
    scan: Floats
    scan_speed: Floats
    scan_acceleration: Floats
    index: Floats
    index_speed: Floats
    index_acceleration: Floats
    line: Ints
    pass_number: Ints
    lifted: Bools
    scan_end: Floats


@dataclass(frozen=True, slots=True)
class States:
    """The probe at n times; all columns have shape (n,), lengths mm, speeds mm/s."""

    piece: Ints
    scan: Floats
    index: Floats
    scan_speed: Floats
    index_speed: Floats
    line: Ints
    pass_number: Ints
    lifted: Bools


def ramp(
    distance: float, *, speed_in: float, speed_out: float, limit: float, acceleration: float
) -> list[tuple[float, float, float]]:
    """Cover a distance: speed up, cruise, slow down.

    The peak follows from v² = v0² + 2·a·s for both ramps (uniform acceleration, any
    mechanics textbook).

    Args:
        distance: to cover in mm, not negative.
        speed_in: speed at its start in mm/s.
        speed_out: speed at its end in mm/s.
        limit: highest speed in mm/s.
        acceleration: of both ramps, mm/s².

    Returns:
        Up to three pieces (duration s, first speed mm/s, acceleration mm/s²).

    Raises:
        ValueError: the distance is too short for the change of speed; give a longer
            run-out or a higher acceleration.
    """
    peak = math.sqrt(max(0.0, acceleration * distance + (speed_in**2 + speed_out**2) / 2))
    peak = min(peak, limit)
    if peak < max(speed_in, speed_out) - 1e-9:
        raise ValueError(
            f"{distance:g} mm are too short to go from {speed_in:g} to {speed_out:g} mm/s "
            f"at {acceleration:g} mm/s² and a limit of {limit:g} mm/s; "
            "give a longer run-out or a higher acceleration"
        )
    peak = max(peak, speed_in, speed_out)
    if peak == 0.0:
        return []
    up, down = (peak - speed_in) / acceleration, (peak - speed_out) / acceleration
    ramps = (2 * peak**2 - speed_in**2 - speed_out**2) / (2 * acceleration)
    cruise = max(0.0, (distance - ramps) / peak)
    pieces = [(up, speed_in, acceleration), (cruise, peak, 0.0), (down, peak, -acceleration)]
    return [piece for piece in pieces if piece[0] > 0.0]


def travel(
    distance: float,
    template: Piece,
    *,
    limit: float,
    acceleration: float,
    speed_in: float = 0.0,
    speed_out: float = 0.0,
) -> list[Piece]:
    """Make the pieces of a move by a signed distance (mm), labelled like the template."""
    sign = -1.0 if distance < 0 else 1.0
    return [
        replace(template, duration_s=time, speed=sign * speed, acceleration=sign * rate)
        for time, speed, rate in ramp(
            abs(distance),
            speed_in=speed_in,
            speed_out=speed_out,
            limit=limit,
            acceleration=acceleration,
        )
    ]


class Trajectory:
    """The path of the probe as an exact function of the time since the start.

    It may grow at its end at any time, or be cut there; what comes before stays as it is.
    Reading and changing from two threads is safe: the columns are replaced in one
    assignment.
    """

    def __init__(self, *, scan: float, index: float, pieces: Iterable[Piece] = ()) -> None:
        self._pieces: list[Piece] = [Piece(0.0)]
        self._origin = (scan, index)
        self._table = self._built(self._pieces)
        self.append(pieces)

    def _built(self, pieces: Sequence[Piece]) -> PieceTable:
        duration: Floats = np.array([p.duration_s for p in pieces], dtype=np.float64)
        start: Floats = np.concatenate(([0.0], np.cumsum(duration)[:-1]))
        columns: dict[str, Floats] = {}
        for axis, origin in zip(("scan", "index"), self._origin, strict=True):
            speed: Floats = np.array([p.speed * p.share(axis) for p in pieces])
            rate: Floats = np.array([p.acceleration * p.share(axis) for p in pieces])
            displacement = speed * duration + 0.5 * rate * duration**2
            end = origin + np.cumsum(displacement)
            columns |= {
                axis: np.concatenate(([origin], end[:-1])),
                f"{axis}_speed": speed,
                f"{axis}_acceleration": rate,
            }
            if axis == "scan":
                columns["scan_end"] = end
        return PieceTable(
            start_s=start,
            duration_s=duration,
            line=np.array([p.line for p in pieces], dtype=np.int64),
            pass_number=np.array([p.pass_number for p in pieces], dtype=np.int64),
            lifted=np.array([p.lifted for p in pieces], dtype=np.bool_),
            **columns,
        )

    @property
    def table(self) -> PieceTable:
        """The pieces as columns."""
        return self._table

    @property
    def end_s(self) -> float:
        """When the last piece is over; the probe rests from then on."""
        return float(self._table.start_s[-1] + self._table.duration_s[-1])

    @property
    def last_pass(self) -> int:
        """Number of the last pass."""
        return int(self._table.pass_number[-1])

    def append(self, pieces: Iterable[Piece], *, not_before_s: float = 0.0) -> None:
        """Add moves at the end, after a rest that lasts at least until `not_before_s`."""
        new = [piece for piece in pieces if piece.duration_s > 0.0]
        rest = not_before_s - self.end_s
        if rest > 0.0:
            # What was sent of the rest so far stays true: on its line, lifted or not.
            last = self._pieces[-1]
            new.insert(0, replace(last, duration_s=rest, speed=0.0, acceleration=0.0))
        if new:
            self._pieces.extend(new)
            self._table = self._built(self._pieces)

    def cut(self, at_s: float) -> None:
        """Drop what was to come after a time; a move under way then is finished first."""
        table = self._table
        if at_s >= self.end_s:
            return
        first = max(0, int(np.searchsorted(table.start_s, at_s, side="right")) - 1)
        under_way = self._pieces[first]
        if under_way.speed == 0.0 and under_way.acceleration == 0.0:
            kept = [replace(under_way, duration_s=max(0.0, at_s - float(table.start_s[first])))]
        else:
            kept = [under_way]
            for piece in self._pieces[first + 1 :]:
                if piece.speed == 0.0:
                    break
                kept.append(piece)
        self._pieces[first:] = kept
        self._table = self._built(self._pieces)

    def break_off(self, at_s: float) -> Piece:
        """Drop what would come after a time, in the middle of a move too.

        Returns:
            The piece under way at that time, of no duration.
        """
        begun = 0.0
        for number, piece in enumerate(self._pieces):
            if begun + piece.duration_s > at_s:
                since = max(0.0, at_s - begun)
                speed = piece.speed + piece.acceleration * since
                self._pieces[number:] = [replace(piece, duration_s=since)]
                self._table = self._built(self._pieces)
                return replace(piece, duration_s=0.0, speed=speed, acceleration=0.0)
            begun += piece.duration_s
        return replace(self._pieces[-1], duration_s=0.0, speed=0.0, acceleration=0.0)

    def at(self, time_s: npt.ArrayLike) -> States:
        """Return the probe's states at times (s since the start), in any order."""
        table = self._table
        time = np.asarray(time_s, dtype=np.float64)
        piece: Ints = np.searchsorted(table.start_s, time, side="right") - 1
        piece = np.clip(piece, 0, len(table.start_s) - 1)
        since = np.clip(time - table.start_s[piece], 0.0, table.duration_s[piece])
        over = time >= table.start_s[-1] + table.duration_s[-1]
        scan_rate, index_rate = table.scan_acceleration[piece], table.index_acceleration[piece]
        scan_speed, index_speed = table.scan_speed[piece], table.index_speed[piece]
        return States(
            piece=piece,
            scan=table.scan[piece] + since * (scan_speed + 0.5 * scan_rate * since),
            index=table.index[piece] + since * (index_speed + 0.5 * index_rate * since),
            scan_speed=np.where(over, 0.0, scan_speed + scan_rate * since),
            index_speed=np.where(over, 0.0, index_speed + index_rate * since),
            line=table.line[piece],
            pass_number=table.pass_number[piece],
            lifted=table.lifted[piece],
        )
