"""A reference: the probe rests at a known place, and the encoder's counts tell it from then on."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.handmade import INDEX_ENCODED, INDEX_STEPPED, MS, START, Motion, feed, run, station_text
from swathe.journal import Chunk, Entry, Mark, MarkKind, PortChange, Sent, Tick
from swathe.pipeline import CellState, Pipeline

TEXT = station_text(scan_length=20, index=INDEX_ENCODED.format(length=4))


def mark(ms: int, kind: MarkKind, **detail: object) -> Mark:
    """Return a mark so many ms after the start."""
    return Mark(START + ms * MS, kind, detail)


def referenced(scan: float, *, text: str = TEXT) -> Pipeline:
    """Return a survey whose counts were 500 and -30 mm off until the reference was told."""
    rest = Motion(lambda _: (500.0, -30.0), lambda _: 10.0, 0, 600)
    move = Motion(
        lambda ms: (500.0 + min(max((ms - 1000) / 50, 0.0), 20.0), -30.0), lambda _: 10.0, 605, 2600
    )
    return run(
        text,
        [mark(0, MarkKind.PAUSED, by="crawler", because="homing")],
        rest.entries(),
        [
            mark(600, MarkKind.REFERENCED, scan=scan, index=2.0, by="crawler"),
            mark(604, MarkKind.RESUMED, by="crawler"),
        ],
        move.entries(),
    )


def test_reference_sets_what_the_counts_tell() -> None:
    """After it the same counts read the known place, and the row that is scanned is the true one."""
    pipeline = referenced(0.0)
    assert pipeline.position == (20.0, 2.0)
    states = pipeline.grid.state.reshape(pipeline.grid.shape)
    assert (states[2] == CellState.MEASURED).sum() >= 20
    assert (np.delete(states, 2, axis=0) == CellState.UNVISITED).all()


def test_reference_passes_no_cell_on_the_way_of_the_numbers() -> None:
    """The leap of the numbers is no way of the probe: what lies between was not passed."""
    pipeline = referenced(15.0)
    states = pipeline.grid.state.reshape(pipeline.grid.shape)
    assert (states[2][:14] == CellState.UNVISITED).all()
    assert pipeline.coverage.gaps.open_count == 0


def test_reference_survives_the_gate_against_glitches() -> None:
    """A limit of speed does not hold the new place back as a glitch."""
    text = TEXT.replace('max_speed = "1e9 m/s"', 'max_speed = "100 mm/s"', 1)
    pipeline = referenced(0.0, text=text)
    assert pipeline.position == (20.0, 2.0)
    assert pipeline.tallies["encoder"].glitches == 0


def test_what_the_machine_said_changes_nothing() -> None:
    """Bytes of the machine's port and marks of motion leave the arrays as they are."""
    plain = referenced(0.0)
    motion: list[Entry] = []
    for ms in range(0, 2600, 7):
        time = START + ms * MS
        motion += [
            Sent(time, "motion", b"?"),
            Chunk(time, "motion", b"POS X1.000 Y0.000 moving\n"),
            PortChange(time, "motion", "open", ""),
            mark(ms, MarkKind.MOTION, state="moving", event="move asked", text=""),
        ]
    other = run(TEXT, [mark(0, MarkKind.PAUSED, by="crawler", because="homing")])
    entries = [
        *Motion(lambda _: (500.0, -30.0), lambda _: 10.0, 0, 600).entries(),
        *motion,
        mark(600, MarkKind.REFERENCED, scan=0.0, index=2.0, by="crawler"),
        mark(604, MarkKind.RESUMED, by="crawler"),
        *motion,
        *Motion(
            lambda ms: (500.0 + min(max((ms - 1000) / 50, 0.0), 20.0), -30.0),
            lambda _: 10.0,
            605,
            2600,
        ).entries(),
        *motion,
        Tick(START + 2600 * MS),
    ]
    feed(other, entries)
    plain.feed(Tick(START + 2600 * MS))
    for name in ("state", "thickness", "hits", "last_time"):
        np.testing.assert_array_equal(getattr(plain.grid, name), getattr(other.grid, name))
    assert set(other.tallies) == {"encoder", "gauge"}


@pytest.mark.parametrize(
    ("known", "position"),
    [
        ({"scan": 5.0}, (5.0, -30.0)),
        ({"index": 2.0}, (500.0, 2.0)),
        ({"scan": 5.0, "index": 2.0}, (5.0, 2.0)),
        ({}, (500.0, -30.0)),
    ],
)
def test_reference_of_one_axis_leaves_the_other(
    known: dict[str, float], position: tuple[float, float]
) -> None:
    """Only the axes whose position is given are set."""
    rest = Motion(lambda _: (500.0, -30.0), lambda _: 10.0, 0, 600)
    pipeline = run(TEXT, rest.entries(), [mark(600, MarkKind.REFERENCED, by="crew-1", **known)])
    assert pipeline.position == position


def test_reference_without_an_encoder_or_a_sample_sets_nothing() -> None:
    """A stepped index axis keeps its line, and before the first sample there is nothing to set."""
    pipeline = run(
        station_text(),
        [mark(1, MarkKind.REFERENCED, scan=5.0, index=2.0, by="crew-1")],
    )
    assert pipeline.position[0] is None
    rest = Motion(lambda _: (500.0,), lambda _: 10.0, 5, 600)
    feed(pipeline, rest.entries())
    assert pipeline.position == (500.0, 0.0)
    feed(pipeline, [mark(600, MarkKind.REFERENCED, scan=5.0, index=2.0, by="crew-1")])
    assert pipeline.position == (5.0, 0.0)


def test_reference_at_the_start_is_no_return_of_the_probe() -> None:
    """Lifted at the far end and set down at the start: the line stays until somebody steps it."""
    text = station_text(index=INDEX_STEPPED.format(length=4, advance="return"))
    out = Motion(lambda ms: (min(ms / 50, 18.0),), lambda _: 10.0, 0, 1500)
    # After the reference the counts of 18 mm are those of the start.
    along = Motion(lambda ms: (18.0 + (ms - 1505) / 50,), lambda _: 10.0, 1505, 2000)
    given = [mark(1501, MarkKind.REFERENCED, scan=0.0, by="crew-1")]
    assert run(text, out.entries(), given, along.entries()).line == 0
    back = Motion(lambda ms: (18.0 - (ms - 1505) / 50,), lambda _: 10.0, 1505, 2500)
    assert run(text, out.entries(), back.entries()).line == 1
