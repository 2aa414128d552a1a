"""Overlapping passes show exchanged probes and wrong signs, and no more than they can carry."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from daemon.handmade import feed, opened, station
from daemon.pipeline.test_probes import drive, text_of
from swathe.pipeline import Pipeline
from swathe.pipeline.overlaps.arrangement import arrangements, likelier_arrangement, spread_of
from swathe.pipeline.progress.overlap_snapshot import overlap_snapshots
from swathe.report.probes import probe_lines
from swathe.station import AlarmKind, probes_of
from swathe.store import record_of

COLUMNS, ROWS = 48, 12
FOUR = {"gauge": (0.0, -2.0), "b": (4.0, -1.0), "c": (0.0, 1.0), "d": (4.0, 2.0)}
PASSES = [(-10.0, 3.0), (58.0, 3.0), (58.0, 6.0), (-10.0, 6.0), (-10.0, 7.0), (58.0, 7.0)]
"""Row 4 is under c in the first pass and under the gauge in the second, and so on."""

Wall = Callable[[float, float], float]


def bumpy(seed: int = 1, depth: float = 1.0) -> Wall:
    """Return a corroded wall: another thickness in each cell, mm."""
    field = np.random.default_rng(seed).normal(10, depth, (ROWS + 40, COLUMNS + 80))

    def wall(scan: float, index: float) -> float:
        return float(field[round(index) + 20, round(scan) + 40])

    return wall


def alarm_of(
    really: dict[str, tuple[float, float]],
    wall: Wall,
    *,
    noise: float = 0.03,
    bias: dict[str, float] | None = None,
    noisy: dict[str, float] | None = None,
    passes: int = len(PASSES),
) -> tuple[list[str], Pipeline]:
    """Return the texts of alarms about offsets where probes are elsewhere than stated."""
    text = text_of(FOUR, rows=ROWS - 1, columns=COLUMNS)
    random = np.random.default_rng(5)
    names = list(FOUR)
    pipeline = Pipeline(station(text))
    pipeline.feed(opened(text))

    def read(number: int, scan: float, index: float) -> float:
        name = names[number]
        at = np.array([scan, index]) - FOUR[name] + really.get(name, FOUR[name])
        spread = (noisy or {}).get(name, noise)
        return wall(*at) + random.normal(0, spread) + (bias or {}).get(name, 0.0)

    feed(pipeline, drive(FOUR, PASSES[:passes], read, speed=0.2))
    alarms = [one.detail for one in pipeline.alarms.alarms if one.kind is AlarmKind.OFFSETS]
    return alarms, pipeline


def test_probes_where_they_should_be_raise_no_alarm() -> None:
    """Neither on a corroded wall nor on a smooth one, nor with probes that read differently."""
    assert alarm_of({}, bumpy())[0] == []
    assert alarm_of({}, lambda _scan, _index: 10.0)[0] == []
    assert alarm_of({}, bumpy(), bias={"b": 0.4, "d": -0.3})[0] == []


def test_exchanged_probes_are_noticed() -> None:
    """Two neighbours whose cables are exchanged read each other's row."""
    (text,), _ = alarm_of({"c": FOUR["d"], "d": FOUR["c"]}, bumpy())
    assert "if probes c and d are exchanged" in text


def test_index_offsets_of_the_other_sign_are_noticed() -> None:
    """Of an array that is not its own mirror image the sign can be told from an exchange."""
    mirrored = {name: (scan, -index) for name, (scan, index) in FOUR.items()}
    (text,), _ = alarm_of(mirrored, bumpy())
    assert "if the index offsets of all probes have the other sign" in text


def test_a_scan_offset_of_the_other_sign_is_noticed() -> None:
    """The profile of the probe is shifted by twice its offset."""
    (text,), _ = alarm_of({"b": (-4.0, -1.0), "d": (-4.0, 2.0)}, bumpy())
    assert "if the scan offsets of all probes have the other sign" in text


@pytest.mark.parametrize("name", ["gauge", "d"])
def test_a_noisy_probe_is_not_taken_for_an_exchanged_one(name: str) -> None:
    """On a smooth wall its neighbour would fit any row."""
    assert alarm_of({}, lambda _scan, _index: 10.0, noisy={name: 0.5})[0] == []
    assert alarm_of({}, bumpy(depth=0.02), noisy={name: 0.5}, passes=4)[0] == []


def test_exchanged_probes_on_a_smooth_wall_raise_no_alarm() -> None:
    """Nothing shows it there."""
    assert alarm_of({"c": FOUR["d"], "d": FOUR["c"]}, lambda _s, _i: 10.0)[0] == []


def test_disagreement_has_the_bias_within_its_uncertainty() -> None:
    """What a probe reads more than another one is estimated where both read the same row."""
    names = list(FOUR)
    _, pipeline = alarm_of({}, bumpy(depth=0.3), bias={"c": 0.2})
    found = {(one.probe, one.other): one for one in pipeline.carriage.overlaps.disagreements()}
    assert found
    wide = norm.ppf(1 - 1e-6)
    for (probe, other), one in found.items():
        bias = 0.2 * ((probe == 2) - (other == 2))
        assert abs(one.mean_mm - bias) < wide * one.standard_mm
        assert one.standard_mm < 0.02
    assert any(2 in pair for pair in found)
    shown = overlap_snapshots(pipeline.carriage.overlaps, pipeline.station)
    assert [(one.probe, one.other) for one in shown] == [
        (names[probe], names[other]) for probe, other in sorted(found)
    ]
    record = record_of(pipeline)
    assert record.overlaps == shown
    (line,) = [text for text in probe_lines(record) if "gauge" in text and "than probe c" in text]
    assert line.startswith("where both read the same wall, probe gauge reads 0.")
    assert " mm less than probe c, standard uncertainty 0.0" in line


def test_spread_moves_the_first_profile_up() -> None:
    """A shift of 2 compares column 3 of the first one with column 5 of the second."""
    one = np.arange(50.0) ** 2
    other = np.full(50, np.nan)
    other[2:] = one[:-2]
    difference, wall, count = spread_of(one, other, 2)
    assert (difference, count) == (0.0, 48)
    assert wall == pytest.approx(float(np.var(one[:48])))
    assert spread_of(one, other, 0)[0] > 1
    assert spread_of(one[:20], other[:20], 0)[2] == 18
    assert np.isnan(spread_of(one[:20], other[:20], 0)[0])


def test_an_arrangement_is_named_once_for_each_place() -> None:
    """Of two probes left and right of the datum an exchange is the same as the other sign."""
    pair = station(text_of({"gauge": (0.0, -1.0), "b": (0.0, 1.0)}))
    known = arrangements(probes_of(pair))
    places = [one.offsets.tobytes() for one in known]
    assert len(places) == len(set(places))
    (swapped,) = [one for one in known if one.changed == {0, 1}]
    assert swapped.text == (
        "probes gauge and b are exchanged, or the index offsets of all probes have the other sign, "
        "or the carriage is turned round"
    )


def test_of_two_arrangements_that_fit_none_is_named() -> None:
    """The alarm would send somebody to the wrong cable."""
    _, pipeline = alarm_of({"c": FOUR["d"], "d": FOUR["c"]}, bumpy())
    overlaps = pipeline.carriage.overlaps
    assert overlaps.misfit is not None
    swap = overlaps.misfit.arrangement
    *others, newest = overlaps.profiles.passes.values()
    pairs = [(one, newest) for one in others]
    probes = probes_of(pipeline.station)
    found = likelier_arrangement(probes, [swap], pairs, (1.0, 1.0))
    assert found is not None
    assert found.arrangement is swap
    both = [swap, replace(swap, text="something else")]
    assert likelier_arrangement(probes, both, pairs, (1.0, 1.0)) is None
