"""Gaps on the board: a stretch is one place to return to."""

from __future__ import annotations

import io

import numpy as np
from rich.console import Console

from daemon.handmade import START, opened, station_text
from swathe.board.gap_list import cluster_gaps, gap_clusters, gap_line, gap_list
from swathe.board.stations import StationView
from swathe.messages import (
    Extent,
    GapIndexMessage,
    GapMessage,
    Heading,
    PlanMessage,
    ProgressMessage,
    StateMessage,
    moment,
)
from swathe.pipeline import GapCause, GapSnapshot, Pipeline
from swathe.pipeline.progress.snapshots import causes_text
from swathe.station import parse_station


def gap(number: int, scan: tuple[float, float], row: float = 0.0, **other: object) -> GapSnapshot:
    """Return an open gap on a line of 1 mm."""
    parts: dict[str, object] = {
        "number": number,
        "status": "open",
        "cause": GapCause.TOO_FAST,
        "causes": {GapCause.TOO_FAST: 1},
        "cells": 1,
        "area": 1.0,
        "scan": scan,
        "index": (row, row + 1),
        "opened": 0,
        "closed": None,
        "end": None,
        "merged_into": None,
    }
    return GapSnapshot(**{**parts, **other})


def round_a_pipe() -> StationView:
    """Return a station whose probe went round a pipe of 684 mm five times, to 62 mm."""
    text = station_text(scan_length=684, scan='mode = "wrapped"')
    pipeline = Pipeline(parse_station(text, "pipe"))
    pipeline.feed(opened(text))
    inputs = pipeline._inputs
    assert inputs is not None
    inputs.placer.scan.append(np.array([START]), np.array([5 * 684 + 62.0]))
    heading: Heading = {"station": "bench", "survey": "s", "time": moment(START)}
    view = StationView(name="bench")
    view.put("", ProgressMessage.of(pipeline.progress(), heading), now=0.0)
    plan = PlanMessage.of_survey(pipeline)
    view.put("", StateMessage(**heading, state="scanning", plan=plan), now=0.0)
    for one in (gap(1, (300, 310)), gap(2, (680, 696))):
        view.put(str(one.number), GapMessage.of(one, heading), now=0.0)
    return view


def test_clusters_gather_a_stretch() -> None:
    """Neighbouring gaps of one cause on one line are one place; others stay apart."""
    gaps = [
        gap(1, (0, 1)),
        gap(2, (3, 4)),
        gap(3, (30, 31)),
        gap(4, (5, 6), row=1.0),
        gap(5, (1, 3), cause=GapCause.NO_SIGNAL),
    ]
    found = {tuple(c.numbers): (c.scan, c.cells) for c in cluster_gaps(gaps, reach=5)}
    assert found == {
        (1, 2): ((0, 4), 2),
        (3,): ((30, 31), 1),
        (4,): ((5, 6), 1),
        (5,): ((1, 3), 1),
    }
    assert cluster_gaps([], reach=5) == []


def test_cluster_over_the_seam_is_one() -> None:
    """On a circumference the last and the first gap are neighbours; without one they are not."""
    gaps = [gap(1, (0, 1)), gap(2, (30, 31)), gap(3, (98, 99))]
    turn = Extent(0.0, 100.0)
    found = {tuple(c.numbers): (c.scan, c.cells) for c in cluster_gaps(gaps, reach=5, turn=turn)}
    assert found == {(1, 3): ((98, 101), 2), (2,): ((30, 31), 1)}
    assert len(cluster_gaps(gaps, reach=5)) == 3


def test_cluster_names_the_probes_of_its_gaps() -> None:
    """Each once, in the list and in the line of the nearest."""
    gaps = [
        gap(1, (0, 5), probes=("p2", "p3")),
        gap(2, (6, 7), probes=("p1", "p3")),
        gap(3, (90, 91)),
    ]
    found, plain = cluster_gaps(gaps, reach=5)
    assert found.causes_text == "too fast (probe p2, p3, p1)"
    assert plain.causes_text == "too fast"
    many = gap(4, (0, 5), probes=tuple(f"p{k}" for k in range(16)))
    assert many.causes_text == "too fast (probe p0, p1, p2, p3 and 12 more)"
    assert cluster_gaps([many], reach=5)[0].causes_text == many.causes_text
    assert "too fast (probe p2, p3, p1)" in gap_line([found], StationView(name="bench"), 200)


def test_cluster_keeps_the_rarer_causes() -> None:
    """What a gap of a cluster has of another cause is in its text."""
    mixed = {GapCause.TOO_FAST: 3, GapCause.NO_SIGNAL: 2}
    (found,) = cluster_gaps([gap(1, (0, 5), causes=mixed, cells=5), gap(2, (6, 7))], reach=5)
    assert causes_text(found.causes) == "too fast, of 6 cells 2 no signal"


def test_gap_over_the_seam_is_near_and_on_the_axis() -> None:
    """A probe after five turns is 50 mm from a gap across the seam, which reads 680 to 12 mm."""
    view = round_a_pipe()
    near, far = gap_clusters(view)
    assert (near.numbers, far.numbers) == ([2], [1])
    console = Console(width=80, file=io.StringIO(), color_system=None)
    console.print(gap_list([near, far], view, 2))
    assert isinstance(console.file, io.StringIO)
    rows = console.file.getvalue().split("\n")
    assert rows[1].split()[:3] == ["2", "50", "680…12"]
    assert rows[2].split()[:3] == ["1", "238", "300…310"]


def test_gaps_that_are_not_listed_are_counted() -> None:
    """Of very many gaps the list says how many more there are, and claims no place of them."""
    view = round_a_pipe()
    view.gap_index = GapIndexMessage(
        station="bench",
        survey="s",
        time=moment(0),
        open=1_202,
        cells=2_000,
        causes={},
        listed=2,
        blocks=(),
    )
    console = Console(width=80, file=io.StringIO(), color_system=None)
    console.print(gap_list(gap_clusters(view), view, 2))
    assert isinstance(console.file, io.StringIO)
    assert console.file.getvalue().split("\n")[3].strip() == "1,200 more are not listed"
    assert gap_line(gap_clusters(view), view, 200).endswith("and 1,201 more")
