"""Which readings belong to which line of a stepped index axis, scanned by hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from swathe.pipeline import Placed, ProbePath
from swathe.pipeline.placing.hand_lines import HandLines
from swathe.station import Axis, LineAdvance
from swathe_drivers.records import READING

MS = 1_000_000
STEP_MS = 10
"""From sample to sample, and from reading to reading; a reading is 1 ms before its sample."""


def hand_lines(
    advance: LineAdvance = LineAdvance.COMMAND,
    *,
    line: int = 0,
    in_doubt: bool = False,
    noise: float = 0.1,
) -> HandLines:
    """Return the lines of a plan of 101 x 5 cells of 1 mm."""
    return HandLines(
        scan=Axis(name="scan", start=0.0, resolution=1.0, cells=101),
        index=Axis(name="index", start=10.0, resolution=2.0, cells=5),
        advance=advance,
        noise=noise,
        line=line,
        in_doubt=in_doubt,
    )


class Hand:
    """Moves a probe over the lines, with a sample and a reading each 10 ms.

    Args:
        lines: what is tested.
    """

    def __init__(self, lines: HandLines) -> None:
        self.lines = lines
        self.ms = 0
        self.scan: list[float] = []
        self.resets: set[int] = set()
        self.found: list[Placed] = []
        self.paths: list[ProbePath] = []
        self._given = 0

    def go(self, *positions: float, per_s: float = 100.0) -> Hand:
        """Move from one of the positions to the next, mm, evenly."""
        for target in positions:
            at = self.scan[-1] if self.scan else target
            count = max(round(abs(target - at) / per_s * 1000 / STEP_MS), 1)
            self.scan += np.linspace(at, target, count + 1)[1:].tolist()
        return self

    def rest(self, ms: int = 1000, *, flicker: float = 0.0) -> Hand:
        """Stand still, but for a flicker of the encoder."""
        at = self.scan[-1]
        self.scan += [at + flicker * (k % 2) for k in range(1, ms // STEP_MS + 1)]
        return self

    def carry(self, to: float) -> Hand:
        """Set the position by a reference: no motion leads there."""
        self.resets.add(len(self.scan))
        self.scan.append(to)
        return self

    def set_line(self, line: int, *, doubt: bool = True, blocked: bool = False) -> Hand:
        """Let the operator set the line, half a sample after the last one."""
        self.lines.set_line(line, self.now, doubt=doubt, blocked=blocked)
        return self

    def block(self) -> Hand:
        """Let the operator declare the line blocked; the next one begins with the return."""
        self.lines.block(self.now)
        return self

    @property
    def now(self) -> int:
        """Half a sample after the last one, ns."""
        return len(self.scan) * STEP_MS * MS + STEP_MS * MS // 2

    def give(self, pieces: Sequence[int] = (1_000_000,), *, end: bool = False) -> Hand:
        """Hand over what is not yet, in pieces of so many samples, in turn."""
        number = 0
        while self._given < len(self.scan):
            size = pieces[number % len(pieces)]
            self._piece(self._given, min(self._given + size, len(self.scan)))
            number += 1
        if end:
            nothing = _readings(np.empty(0, np.int64), np.empty(0))
            self._keep(*self.lines.take(nothing, None, end=self.now))
        return self

    def _piece(self, first: int, last: int) -> None:
        numbers = np.arange(first, last)
        times = (numbers + 1) * STEP_MS * MS
        scan = np.array(self.scan[first:last])
        resets = np.isin(numbers, list(self.resets))
        joined = np.concatenate((numbers[:1] - 1, numbers)) if first else numbers
        path = ProbePath(
            time=(joined + 1) * STEP_MS * MS,
            scan=np.array([self.scan[k] for k in joined]),
            index=np.zeros(joined.size),
            known=~np.isin(joined, list(self.resets)) & (joined > 0),
            resets=np.isin(joined, list(self.resets)),
            silent=np.zeros(joined.size, bool),
            settled=(joined + 1) * STEP_MS * MS + 2 * MS,
            blur=np.zeros((joined.size, 2)),
        )
        placed = _readings(times - MS, scan)
        self._keep(*self.lines.take(placed[~resets], path))
        self._given = last

    def _keep(self, placed: Placed, path: ProbePath | None) -> None:
        self.found.append(placed)
        if path is not None:
            self.paths.append(path)

    def spans(self) -> list[tuple[int, float, float]]:
        """Return the stretches that got readings, as (line, first mm, last mm), in order of time."""
        placed = Placed.joined(self.found)
        order = np.argsort(placed.readings["time"], kind="stable")
        scan, line = placed.scan[order], np.rint((placed.index[order] - 10.0) / 2.0).astype(int)
        times = placed.readings["time"][order]
        breaks = np.flatnonzero((np.diff(line) != 0) | (np.diff(times) > 1.5 * STEP_MS * MS)) + 1
        parts = [part for part in np.split(np.arange(scan.size), breaks) if part.size]
        return [
            (int(line[part[0]]), round(float(scan[part[0]]), 6), round(float(scan[part[-1]]), 6))
            for part in parts
        ]


def _readings(times: np.ndarray, scan: np.ndarray) -> Placed:
    made = np.zeros(times.size, READING)
    made["time"], made["valid"] = times, True
    return Placed(made, scan, np.zeros(times.size), times + 2 * MS)


def test_stand_before_and_after_a_line_belongs_to_none() -> None:
    """The probe stands, is moved over, the key is pressed, it stands on: only the strokes count."""
    hand = Hand(hand_lines()).go(0.0, 50.0).rest().set_line(1).rest().go(0.0).give(end=True)
    assert hand.spans() == [(0, 0.0, 50.0), (1, 49.0, 0.0)]
    assert hand.lines.between_lines == 200
    assert not hand.lines.in_doubt


def test_stand_on_a_line_counts_once_the_probe_has_moved_on() -> None:
    """After two cells of motion the stand is known to be one on the line."""
    hand = Hand(hand_lines()).go(0.0, 50.0).rest().go(51.9).give()
    assert hand.spans() == [(0, 0.0, 50.0)]
    hand.go(52.0).give()
    assert hand.spans() == [(0, 0.0, 52.0)]
    assert hand.lines.between_lines == 0


def test_nothing_counts_on_a_new_line_before_two_cells_of_motion() -> None:
    """What the probe did until then counts as soon as it has moved by them, not without."""
    hand = Hand(hand_lines()).go(0.0, 50.0).rest().set_line(1).rest(20).go(51.9).give()
    assert hand.lines.in_doubt
    assert hand.spans() == [(0, 0.0, 50.0)]
    hand.go(52.0).give()
    assert not hand.lines.in_doubt
    assert hand.spans() == [(0, 0.0, 50.0), (1, 50.95, 52.0)]
    hand = Hand(hand_lines()).go(0.0, 50.0).rest().set_line(1).go(48.1).give(end=True)
    assert hand.spans() == [(0, 0.0, 50.0)]
    assert hand.lines.in_doubt


def test_motion_from_the_first_cell_counts_from_where_it_leaves() -> None:
    """A probe that stands in the first cell at the beginning of a line measures it on its way out."""
    hand = Hand(hand_lines()).go(50.0, 0.0).rest().set_line(1).rest().go(30.0, per_s=20)
    hand.give(end=True)
    assert hand.spans()[-1] == (1, 0.2, 30.0)  # the first sample beyond the noise of 0.1 mm
    assert hand.lines.between_lines == 200


def test_flicker_of_the_encoder_is_no_motion() -> None:
    """A stand is one though the counts go to and fro by one."""
    hand = Hand(hand_lines()).go(0.0, 50.0).rest(flicker=0.05).set_line(1)
    hand.rest(flicker=0.05).go(0.0).give(end=True)
    assert [(line, round(low), round(high)) for line, low, high in hand.spans()] == [
        (0, 0, 50),
        (1, 49, 0),
    ]


def test_small_motion_while_the_probe_is_moved_over_is_no_stroke() -> None:
    """A hand moves along a little as it moves over: by less than two cells nothing counts."""
    hand = Hand(hand_lines()).go(0.0, 50.0).rest().go(51.5, per_s=5).rest().set_line(1)
    hand.go(50.5, per_s=5).rest().go(0.0).give(end=True)
    assert hand.spans() == [(0, 0.0, 50.0), (1, 49.49, 0.0)]


def test_line_that_is_set_in_motion_begins_there() -> None:
    """The probe does not stop: what was before belongs to the one, what follows to the other."""
    hand = Hand(hand_lines()).go(0.0, 50.0).set_line(1).go(80.0).give(end=True)
    assert hand.lines.between_lines == 0
    placed = Placed.joined(hand.found)
    assert np.unique(placed.index[placed.scan > 50.4]).tolist() == [12.0]
    assert np.unique(placed.index[placed.scan < 50.4]).tolist() == [10.0]


def test_line_that_is_taken_back_at_once_gets_nothing() -> None:
    """A key pressed twice, then back: no reading is in the line of the slip."""
    hand = Hand(hand_lines()).go(0.0, 50.0).rest().set_line(1).rest().set_line(2).rest()
    hand.set_line(1).rest().go(0.0).give(end=True)
    assert hand.spans() == [(0, 0.0, 50.0), (1, 49.0, 0.0)]
    assert hand.lines.between_lines == 400
    assert hand.lines.line == 1


def test_run_that_ends_in_a_stand_counts_it_but_not_in_doubt() -> None:
    """No line follows a stand at the end; a line on which the probe never moved gets nothing."""
    hand = Hand(hand_lines()).go(0.0, 50.0).rest().give(end=True)
    assert hand.spans() == [(0, 0.0, 50.0)]
    assert sum(placed.scan.size for placed in hand.found) == len(hand.scan)
    hand = Hand(hand_lines()).go(0.0, 50.0).rest().set_line(1).rest().give(end=True)
    assert hand.spans() == [(0, 0.0, 50.0)]
    assert hand.lines.between_lines == 200


def test_line_set_after_the_last_sample_decides_over_the_stand() -> None:
    """A run that ends as the key is pressed does not count what was read before it."""
    hand = Hand(hand_lines()).go(0.0, 50.0).rest().set_line(1).give(end=True)
    assert hand.spans() == [(0, 0.0, 50.0)]
    assert hand.lines.in_doubt


def test_run_begins_with_a_stand_that_counts() -> None:
    """No line was set: what the probe reads before it moves is on the line in force."""
    hand = Hand(hand_lines()).go(5.0).rest().go(30.0).give(end=True)
    assert hand.spans() == [(0, 5.0, 30.0)]
    hand = Hand(hand_lines()).go(5.0).rest().set_line(1).go(30.0).give(end=True)
    assert hand.spans() == [(1, 6.0, 30.0)]


def test_run_that_begins_in_doubt_waits_for_motion() -> None:
    """The run before ended after the line was set, and before the probe moved."""
    hand = Hand(hand_lines(line=3, in_doubt=True)).go(5.0).rest().give()
    assert hand.lines.in_doubt
    hand.go(30.0).give(end=True)
    assert hand.spans() == [(3, 6.0, 30.0)]


def test_crawler_gives_a_line_without_doubt() -> None:
    """It reports where it is: all that was before is on the one line, all after it on the other."""
    hand = Hand(hand_lines()).go(0.0, 50.0).rest(500).set_line(1, doubt=False).rest(500)
    hand.go(0.0).give(end=True)
    assert sum(placed.scan.size for placed in hand.found) == len(hand.scan)
    assert hand.lines.between_lines == 0


def test_return_steps_at_the_stop_at_the_start() -> None:
    """Out and back belong to the line; the stand at the start to none."""
    hand = Hand(hand_lines(LineAdvance.RETURN)).go(0.0, 100.0, 0.0).rest().go(60.0, 0.0)
    hand.rest().go(10.0).give(end=True)
    assert hand.spans() == [(0, 0.0, 0.0), (1, 1.0, 0.0), (2, 1.0, 10.0)]
    assert hand.lines.between_lines == 200


def test_return_does_not_step_before_the_probe_is_at_the_start() -> None:
    """Two per cent before it the line goes on, and it is in force until the probe is there."""
    hand = Hand(hand_lines(LineAdvance.RETURN)).go(0.0, 100.0, 0.6).give()
    assert hand.lines.line == 0
    hand.go(0.4).give()
    assert hand.lines.line == 1
    assert hand.lines.in_doubt
    hand.go(-3.0).rest().go(20.0).give(end=True)
    assert hand.spans() == [(0, 0.0, -3.0), (1, -2.0, 20.0)]


def test_return_that_stops_short_gives_the_rest_of_the_way_to_no_line() -> None:
    """The probe stops within two cells of the start, and goes on to it: no reading is misplaced."""
    hand = Hand(hand_lines(LineAdvance.RETURN)).go(0.0, 100.0, 1.8).rest().go(-5.0).rest()
    hand.go(20.0).give(end=True)
    assert hand.spans() == [(0, 0.0, 1.8), (1, -4.0, 20.0)]


def test_reversal_that_does_not_return_is_no_step() -> None:
    """To and fro in the middle of a line is the line."""
    hand = Hand(hand_lines(LineAdvance.RETURN)).go(0.0, 60.0, 20.0, 60.0, 5.0, 100.0).give(end=True)
    assert hand.spans() == [(0, 0.0, 100.0)]


def test_blocked_line_begins_the_next_one_at_the_start() -> None:
    """A stroke that is shorter than one counts as one by the key."""
    hand = Hand(hand_lines(LineAdvance.RETURN)).go(0.0, 8.0).block().go(0.0).rest()
    hand.go(10.0).give(end=True)
    assert hand.spans() == [(0, 0.0, 0.0), (1, 1.0, 10.0)]
    hand = Hand(hand_lines(LineAdvance.RETURN)).go(0.0, 8.0, 0.0).rest().go(10.0).give(end=True)
    assert hand.spans() == [(0, 0.0, 10.0)]


def test_position_that_is_set_is_no_return() -> None:
    """A counter that starts again, or a probe that is carried to the start, steps no line."""
    hand = Hand(hand_lines(LineAdvance.RETURN)).go(0.0, 60.0).rest().carry(0.0).rest()
    hand.go(20.0).give(end=True)
    assert hand.lines.line == 0
    near = Hand(hand_lines(LineAdvance.RETURN)).go(0.0, 60.0).rest().carry(61.0).go(0.0).rest()
    assert near.give().lines.line == 1


def test_serpentine_steps_at_each_other_end() -> None:
    """The stroke back is the next line; a probe that overshoots is on its line until it turns."""
    hand = Hand(hand_lines(LineAdvance.EITHER_END)).go(0.0, 103.0).rest().go(-1.0, 99.0, 0.0)
    hand.give(end=True)
    assert hand.spans() == [(0, 0.0, 103.0), (1, 102.0, -1.0), (2, 0.0, 99.0), (3, 98.0, 0.0)]


def test_serpentine_goes_back_on_the_next_line_where_it_is_blocked() -> None:
    """The line that begins at the obstacle ends where the blocked one began."""
    hand = Hand(hand_lines(LineAdvance.EITHER_END)).go(0.0, 40.0).rest().set_line(1, blocked=True)
    hand.rest().go(0.0).rest().go(100.0).give(end=True)
    assert hand.spans() == [(0, 0.0, 40.0), (1, 39.0, 0.0), (2, 1.0, 100.0)]


def test_last_line_stays() -> None:
    """After the last line none begins by itself."""
    hand = Hand(hand_lines(LineAdvance.RETURN, line=4)).go(0.0, 100.0, 0.0).rest().give(end=True)
    assert hand.lines.line == 4
    assert hand.spans() == [(4, 0.0, 0.0)]


def test_late_readings_are_judged_by_the_time_they_were_taken() -> None:
    """What arrives long after its line was decided is on it, or on none."""
    hand = Hand(hand_lines()).go(0.0, 50.0).rest().set_line(1).rest().go(0.0).give()
    late = np.array([20 * 10 * MS, 80 * 10 * MS, 200 * 10 * MS, 280 * 10 * MS])
    placed, _ = hand.lines.take(_readings(late, np.full(4, 7.0)), None)
    assert placed.readings["time"].tolist() == [late[0], late[3]]
    assert placed.index.tolist() == [10.0, 12.0]
    assert hand.lines.between_lines == 202


@pytest.mark.parametrize("pieces", [(1,), (2, 5, 1), (7,), (64,), (3, 100)])
@pytest.mark.parametrize("advance", list(LineAdvance))
def test_pieces_change_nothing(pieces: tuple[int, ...], advance: LineAdvance) -> None:
    """However the path is cut: the same readings on the same lines, known at the same times."""
    found = []
    for cut in ((1_000_000,), pieces):
        hand = Hand(hand_lines(advance))
        hand.go(0.0, 100.0).rest(400, flicker=0.05).go(3.0, per_s=400).go(1.0, per_s=1).rest(310)
        hand.give(cut).set_line(1).go(100.0, 98.5, 103.0).rest(290).give(cut)
        hand.go(-1.0, 20.0, 0.0).rest(200).give(cut).set_line(2).set_line(4).go(1.0, 20.0)
        hand.carry(60.0).go(0.0, 100.0).rest(350).go(40.0).give(cut, end=True)
        placed = Placed.joined(hand.found)
        order = np.argsort(placed.readings["time"], kind="stable")
        way = {
            (int(t), float(x), float(i))
            for p in hand.paths
            for t, x, i in zip(p.time, p.scan, p.index, strict=True)
        }
        found.append((placed[order], sorted(way), hand.lines.between_lines))
    (one, way_of_one, count), (other, way_of_other, other_count) = found
    assert one.readings["time"].tolist() == other.readings["time"].tolist()
    assert one.known.tolist() == other.known.tolist()
    assert one.index.tolist() == other.index.tolist()
    assert (way_of_one, count) == (way_of_other, other_count)


def test_path_leads_over_no_change_of_line() -> None:
    """The path begins anew on each line, with the sample at which the probe set out."""
    hand = Hand(hand_lines()).go(0.0, 50.0).rest().set_line(1).rest().go(0.0).give(end=True)
    path = hand.paths[0]
    at = int(np.flatnonzero(np.diff(path.index))[0]) + 1
    assert path.resets[at]
    assert not path.known[at]
    assert path.known[at + 1 :].all()
    assert path.scan[at] == 50.0
    assert np.diff(path.settled).min() >= 0


def test_position_that_is_set_is_no_motion_on_a_new_line() -> None:
    """Nothing was seen that moved the probe: the line stays in doubt until something is."""
    hand = Hand(hand_lines()).go(0.0, 50.0).rest().set_line(1).rest().carry(60.0).rest()
    hand.give(end=True)
    assert hand.lines.in_doubt
    assert hand.spans() == [(0, 0.0, 50.0)]


def test_readings_of_a_stand_are_known_once_the_probe_has_moved_on() -> None:
    """Their journal time is that of the sample that shows it, not their own."""
    hand = Hand(hand_lines()).go(0.0, 50.0).rest().go(80.0).give(end=True)
    placed = Placed.joined(hand.found)
    stood = (placed.readings["time"] > 53 * STEP_MS * MS) & (placed.scan == 50.0)
    assert np.count_nonzero(stood) > 90
    shown = (1 + 50 + 100 + 2) * STEP_MS * MS + 2 * MS  # two cells further
    assert np.unique(placed.known[stood]).tolist() == [shown]


def test_readings_after_the_last_sample_of_a_run_in_doubt_count_for_nothing() -> None:
    """The encoder is silent, and the run ends."""
    hand = Hand(hand_lines()).go(0.0, 50.0).rest().set_line(1).rest().give()
    late = np.array([hand.now + 5 * MS])
    placed, _ = hand.lines.take(_readings(late, np.array([50.0])), None, end=hand.now + 9 * MS)
    assert not placed.scan.size
    assert hand.lines.between_lines == 201


@pytest.mark.parametrize("pieces", [(1_000_000,), (1,), (9, 2)])
def test_the_way_out_is_no_arrival_at_the_start(pieces: tuple[int, ...]) -> None:
    """What a stroke shows later does not apply to the place where it began."""
    hand = Hand(hand_lines(LineAdvance.RETURN)).go(-10, 60).give(pieces)
    assert hand.lines.take_ahead() == []
    hand.go(0).give(pieces)
    ((line, known),) = hand.lines.take_ahead()
    assert line == 1
    assert known == hand.now - STEP_MS * MS // 2 + 2 * MS


def test_a_stop_at_the_start_after_a_run_in_ends_no_line() -> None:
    """The probe is set down before the plan, looks at the start, and scans the line."""
    hand = Hand(hand_lines(LineAdvance.RETURN)).go(-20, 0).rest().go(80).rest().give(end=True)
    assert {line for line, _, _ in hand.spans()} == {0}
    assert hand.lines.line == 0


def waiting(hand: Hand) -> int:
    """Return how many readings wait."""
    return hand.lines.pending()[0].size


@pytest.mark.parametrize("pieces", [(1_000_000,), (7,), (50, 1)])
def test_a_long_stand_keeps_no_more_than_a_minute_of_readings(pieces: tuple[int, ...]) -> None:
    """Of more than that, what was before its last moment belongs to no line; then all is as before."""
    hand = Hand(hand_lines()).go(10, 40).rest(59_000).give(pieces)
    assert waiting(hand) > 5800
    assert hand.lines.between_lines == 0
    hand.rest(60_000).give(pieces)
    assert waiting(hand) < 10
    assert hand.lines.between_lines > 11_000
    hand.go(60).give(pieces, end=True)
    assert hand.spans() == [(0, 10.0, 40.0), (0, 40.0, 60.0)]


def test_a_long_stand_in_doubt_keeps_nothing_and_a_stroke_counts_after_it() -> None:
    """The probe rests on the new line for long before it sets out."""
    hand = Hand(hand_lines()).go(10, 40).set_line(1).rest(200_000).give((100,))
    assert waiting(hand) < 200
    hand.go(60).give(end=True)
    first, second = hand.spans()
    assert first[0] == 0
    assert (second[0], second[2]) == (1, 60.0)
    assert second[1] == 41.0
