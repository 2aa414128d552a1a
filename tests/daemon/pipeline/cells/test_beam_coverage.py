"""The area that beams cover, against closed forms and against an independent raster of it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from daemon import handmade
from daemon.strategies import readings
from swathe.arrays import Floats, Ints
from swathe.calibration import Beam
from swathe.pipeline.cells.beam_coverage import covered_points
from swathe.pipeline.cells.beam_positions import BeamPositions
from swathe.pipeline.cells.grid import CellState, CellUpdate, Grid
from swathe.pipeline.cells.probe_beams import ProbeBeams
from swathe.pipeline.placing.placed import Placed
from swathe.station import Axis, CellRule, parse_station

WIDTH = 2.45
NARROW = Beam(WIDTH)


def grid(
    columns: int, rows: int, *, scan_mm: float = 1.0, index_mm: float = 6.35, wrapped: bool = False
) -> Grid:
    """Return a grid whose area begins at 0 on both axes."""
    return Grid(
        scan=Axis("scan", scan_mm / 2, scan_mm, columns),
        index=Axis("index", index_mm / 2, index_mm, rows, wrapped),
        rule=CellRule.MINIMUM,
    )


def placed(scan: Floats, index: Floats, thickness: float | Floats = 10.0) -> Placed:
    """Return readings at positions, each known when it was taken."""
    times = np.arange(scan.size)
    columns = readings(times.tolist(), np.broadcast_to(thickness, scan.shape).tolist())
    return Placed(columns, scan, index, times)


def positions(cells: Grid, scan: Floats, index: Floats) -> BeamPositions:
    """Return the positions of readings that measured the cells that they are in."""
    found = BeamPositions(cells, narrowest=WIDTH, widest=WIDTH)
    at = cells.cells_at(scan, index)
    cells.state[at[at >= 0]] = CellState.MEASURED
    found.add(placed(scan, index), suspect=False)
    return found


def percent(cells: Grid, found: BeamPositions, beam: Beam = NARROW, deepest: float = 10.0) -> float:
    """Return the covered share of the required area, %."""
    part, whole = covered_points([(found.kept(), beam)], cells, deepest=deepest)
    return 100 * part / whole


def rastered(
    cells: Grid,
    scan: Floats,
    index: Floats,
    *,
    pixel: float = 0.05,
    turn: float | None = None,
    width: float | Floats = WIDTH,
) -> float:
    """Return the share of the area whose pixels are within a beam of a reading, %.

    By the distances from all pixels to all readings: slow, and without any of the code under test.
    """
    wide, tall = (
        cells.scan.cells * cells.scan.resolution,
        cells.index.cells * cells.index.resolution,
    )
    x = (np.arange(round(wide / pixel)) + 0.5) * pixel
    inside = np.zeros((round(tall / pixel), x.size), bool)
    for row in range(inside.shape[0]):
        across = np.abs((row + 0.5) * pixel - index)
        if turn is not None:
            across = np.minimum(across, turn - across)
        radius = np.broadcast_to(width, scan.shape) / 2
        near = across < radius
        half = np.sqrt(np.maximum(radius[near] ** 2 - across[near] ** 2, 0.0))
        for at, reach in zip(scan[near], half, strict=True):
            inside[row] |= np.abs(x - at) < reach
    return 100 * float(inside.mean())


def test_lines_far_apart_under_a_narrow_beam_leave_most_of_the_area_unseen() -> None:
    """Every cell is measured, by lines 6.35 mm apart: the beam of 2.45 mm has seen 38.6 % of it."""
    cells = grid(200, 8)
    scan, index = (
        a.ravel() for a in np.meshgrid(np.arange(-2, 202, 0.1), np.arange(8) * 6.35 + 3.175)
    )
    found = positions(cells, scan, index)
    assert (cells.state == CellState.MEASURED).all()
    assert percent(cells, found) == pytest.approx(100 * WIDTH / 6.35, abs=0.05)


def test_area_between_readings_along_a_line_is_not_counted() -> None:
    """Readings every 2 mm under a beam of 2.45 mm: discs that overlap, less than a strip."""
    cells = grid(200, 8)
    scan, index = (
        a.ravel() for a in np.meshgrid(np.arange(1.0, 200, 2.0), np.arange(8) * 6.35 + 3.175)
    )
    lens = 2 * (WIDTH / 2) ** 2 * math.acos(2 / WIDTH) - math.sqrt(WIDTH**2 - 4)
    expected = 8 * (100 * math.pi * WIDTH**2 / 4 - 99 * lens) / (200 * 8 * 6.35)
    # The first and the last disc reach 0.225 mm over the ends of the area.
    beyond = (WIDTH / 2) ** 2 * math.acos(2 / WIDTH) - math.sqrt((WIDTH / 2) ** 2 - 1)
    expected -= 8 * 2 * beyond / (200 * 8 * 6.35)
    assert percent(cells, positions(cells, scan, index)) == pytest.approx(100 * expected, abs=0.05)


@pytest.mark.parametrize("seed", range(6))
def test_wandering_readings_cover_what_an_independent_raster_shows(seed: int) -> None:
    """Lines by hand, of any density, on cells from far below to far above the beam's width."""
    rng = np.random.default_rng(seed)
    scan_mm, index_mm = [(1, 6.35), (0.25, 0.5), (5, 10), (10, 1), (2.5, 2.5), (0.5, 20)][seed]
    cells = grid(round(40 / scan_mm), round(40 / index_mm) or 1, scan_mm=scan_mm, index_mm=index_mm)
    count = 60 * (seed + 1)
    scan, index = rng.uniform(-2, 42, count), rng.uniform(-2, 42, count)
    wrapped = seed % 2 == 1
    turn = cells.index.cells * index_mm if wrapped else None
    if turn is not None:
        cells = Grid(scan=cells.scan, index=replace(cells.index, wrapped=True), rule=cells.rule)
    expected = rastered(cells, scan, index if turn is None else index % turn, turn=turn)
    assert percent(cells, positions(cells, scan, index)) == pytest.approx(expected, abs=0.3)


def beams(cells: Grid, *widths: str) -> ProbeBeams:
    """Return what probes with these beams cover; one without is of an unknown beam."""
    found = ProbeBeams(cells)
    entries = "".join(
        f'[[probe]]\nname = "p{k}"\ninput = {k}\nscan = "{k} mm"\n'
        + (f'diameter = "6 mm"\nfrequency = "5 MHz"\nbeam = "{width}"\n' if width else "")
        for k, width in enumerate(widths)
    )
    columns = ", ".join(f'{{is="thickness", unit="mm", probe={k}}}' for k in range(len(widths)))
    text = f"""name = "bench"
[survey]
folder = "bench"
nominal_thickness = "10 mm"
[scan]
length = "20 mm"
resolution = "1 mm"
device = "gauge"
counts_per_mm = 10
[device.gauge]
port = "ports/gauge"
protocol.columns = [{{is="counts", axis="scan"}}, {columns}]
{entries}"""
    found.open_run(parse_station(text, "bench"))
    return found


def of_probes(scan: Floats, index: Floats, probe: Ints) -> Placed:
    """Return readings of some probes at positions."""
    taken = placed(scan, index)
    taken.readings["probe"] = probe
    return taken


@pytest.mark.parametrize("seed", range(4))
def test_each_reading_covers_what_the_beam_of_its_probe_does(seed: int) -> None:
    """Beams of 1 to 6 mm at random places, two of them the same: as in an independent raster."""
    rng = np.random.default_rng(seed)
    scan_mm, index_mm = [(1, 6.35), (0.5, 0.5), (5, 10), (2.5, 2.5)][seed]
    cells = grid(round(40 / scan_mm), round(40 / index_mm) or 1, scan_mm=scan_mm, index_mm=index_mm)
    widths = np.array([1.0, 6.0, 2.5, 1.0])
    count = 40 * (seed + 1)
    scan, index = rng.uniform(-2, 42, count), rng.uniform(-2, 42, count)
    probe = rng.integers(0, 4, count)
    cells.state[:] = CellState.MEASURED
    found = beams(cells, *(f"{width} mm" for width in widths))
    for begin in range(0, count, 7):
        rows = slice(begin, begin + 7)
        found.add(of_probes(scan[rows], index[rows], probe[rows]), suspect=False)
    covered = found.covered()
    assert covered is not None
    expected = rastered(cells, scan, index, width=widths[probe])
    assert 100 * covered[0] / covered[1] == pytest.approx(expected, abs=0.3)


def test_a_narrow_beam_at_the_place_of_a_wide_one_takes_nothing_from_it() -> None:
    """Whichever read there first; and suspect readings of one probe leave the other's."""
    shares = []
    for order in ((0, 1), (1, 0)):
        cells = grid(20, 20, index_mm=1.0)
        cells.state[:] = CellState.MEASURED
        found = beams(cells, "1 mm", "6 mm")
        here = np.full(2, 10.0)
        found.add(of_probes(here, here, np.array(order)), suspect=np.array([False, False]))
        covered = found.covered()
        assert covered is not None
        shares.append(400 * covered[0] / covered[1])
    assert shares == pytest.approx([math.pi * 9.0] * 2, rel=0.02)
    suspect = np.array([True, False])
    found.add(of_probes(here + 5, here + 5, np.array([1, 0])), suspect=suspect)
    covered = found.covered()
    assert covered is not None
    assert 400 * covered[0] / covered[1] == pytest.approx(math.pi * 9.25, rel=0.02)


def test_no_share_is_stated_once_a_probe_with_an_unknown_beam_has_read() -> None:
    """Nobody knows what it has covered; without an echo it has covered nothing."""
    cells = grid(20, 20, index_mm=1.0)
    found = beams(cells, "6 mm", "")
    known = of_probes(np.full(1, 10.0), np.full(1, 10.0), np.zeros(1, np.int64))
    other = of_probes(np.full(1, 10.0), np.full(1, 10.0), np.ones(1, np.int64))
    other.readings["valid"] = False
    for taken in (known, other):
        found.add(taken, suspect=False)
    assert found.covered() is not None
    other.readings["valid"] = True
    found.add(other, suspect=False)
    assert found.covered() is None
    assert beams(cells, "", "").covered() is None


def test_reading_outside_the_grid_covers_its_border() -> None:
    """A run-in that reads half a millimetre before the area has seen its first 0.725 mm."""
    cells = grid(20, 1, index_mm=1.0)
    found = positions(cells, np.full(1, -0.5), np.full(1, 0.5))
    reach = math.sqrt((WIDTH / 2) ** 2 - 0.5**2) - 0.5
    assert reach / 20 * 100 < percent(cells, found) < (WIDTH / 2 - 0.5) / 20 * 100
    far = positions(cells, np.array([-1.3, np.nan]), np.array([0.5, 0.5]))
    assert percent(cells, far) == 0.0


def test_excluded_cells_are_no_part_of_the_area() -> None:
    """What is required is covered, whatever was not seen of the rest; readings there count too."""
    cells = grid(20, 1, index_mm=1.0)
    found = positions(cells, np.arange(0.5, 10, 0.5), np.full(19, 0.5))
    assert percent(cells, found) < 60
    cells.exclude(np.array([0]), np.arange(10, 20))
    assert percent(cells, found) == 100.0
    cells.exclude(np.array([0]), np.arange(10))
    assert covered_points([(found.kept(), NARROW)], cells, deepest=10.0) == (0, 0)


def test_suspect_cells_cover_nothing_until_they_are_sound_again() -> None:
    """A failed check takes the readings out; overridden, they count; a sound reading replaces them."""
    cells = grid(20, 1, index_mm=1.0)
    found = positions(cells, np.arange(0.5, 20, 0.5), np.full(39, 0.5))
    assert percent(cells, found) == 100.0
    cells.state[:] = CellState.SUSPECT
    assert percent(cells, found) == 0.0
    cells.state[:] = CellState.MEASURED
    assert percent(cells, found) == 100.0
    cells.state[:] = CellState.SUSPECT
    found.add(placed(np.full(1, 5.5), np.full(1, 0.5)), suspect=True)  # a second one at a place
    found.cells_changed(CellUpdate(np.array([5]), np.array([CellState.SUSPECT], np.uint8)))
    cells.state[:] = CellState.MEASURED
    assert found.kept().row.size == 39
    cells.state[:] = CellState.SUSPECT
    cells.state[5] = CellState.MEASURED
    found.cells_changed(CellUpdate(np.array([5]), np.array([CellState.SUSPECT], np.uint8)))
    assert percent(cells, found) == 0.0
    found.add(placed(np.full(1, 5.5), np.full(1, 0.5)), suspect=False)
    one = percent(cells, found)
    assert 5 < one < 100 * WIDTH / 20
    cells.state[:] = CellState.MEASURED
    assert percent(cells, found) > 95


def test_suspect_reading_in_a_measured_cell_covers_nothing() -> None:
    """The grid leaves a measured cell as it was."""
    cells = grid(20, 1, index_mm=1.0)
    cells.state[:] = CellState.MEASURED
    found = BeamPositions(cells, narrowest=WIDTH, widest=WIDTH)
    found.add(placed(np.full(1, 5.5), np.full(1, 0.5)), suspect=True)
    assert percent(cells, found) == 0.0


def test_beam_is_as_wide_as_it_is_at_the_wall_that_was_read() -> None:
    """It opens with depth, and a doubled echo covers no more than the nominal wall does."""
    cells = grid(40, 40, index_mm=1.0)
    opening = Beam(1.0, 0.3)
    shares = []
    for thickness in (5.0, 10.0, 20.0, 1e20):
        cells.state[:] = CellState.MEASURED
        found = BeamPositions(cells, narrowest=1.0, widest=3.0)
        found.add(placed(np.full(1, 20.0), np.full(1, 20.0), thickness), suspect=False)
        shares.append(percent(cells, found, opening) * 16)
    expected = [math.pi * 1.5**2 / 4, *[math.pi * 3.0**2 / 4] * 3]
    assert shares == pytest.approx(expected, rel=0.02)
    # Without a nominal wall the median is the limit, and four times the narrowest width.
    part, whole = covered_points([(found.kept(), opening)], cells, deepest=None)
    assert 1600 * part / whole == pytest.approx(math.pi * 4.0**2 / 4, rel=0.02)


def test_beam_widens_behind_the_near_field_only() -> None:
    """``k D / 2`` up to there, then ``2 d tan(angle)`` (piston theory, as for `beam_width`)."""
    beam = Beam.of_piston(diameter=6.35, frequency=5.0, velocity=5.92)
    sine = 0.514 * 5.92 / (5.0 * 6.35)
    assert beam.width([1.0, 30.0]) == pytest.approx(
        [0.514 * 6.35 / 2, 60 * sine / math.sqrt(1 - sine**2)]
    )


def test_positions_do_not_depend_on_how_many_come_at_once() -> None:
    """Of each part of a cell the first reading is kept, whatever batch it was in."""
    rng = np.random.default_rng(3)
    cells = grid(30, 5)
    scan, index = rng.uniform(0, 30, 4000), rng.uniform(0, 5 * 6.35, 4000)
    every = placed(scan, index, rng.uniform(5, 10, 4000))
    whole, pieces = (BeamPositions(cells, narrowest=WIDTH, widest=WIDTH) for _ in range(2))
    whole.add(every, suspect=False)
    for at in range(0, 4000, 37):
        pieces.add(every[at : at + 37], suspect=False)
        if at % 5 == 0:
            pieces.kept()
    for one, other in zip(whole.kept(), pieces.kept(), strict=True):
        assert one.tolist() == other.tolist()
    assert 1000 < whole.kept().row.size < 4000


PROBE = '\n[probe]\ndiameter = "6.35 mm"\nfrequency = "5 MHz"\n'


def test_survey_with_every_cell_measured_reports_what_its_beam_has_seen() -> None:
    """Two lines 6 mm apart in a plan of lines 6 mm apart; the beam of 1.63 mm sees 27 %."""
    text = handmade.station_text(
        index='[index]\nlength = "6 mm"\nresolution = "6 mm"\nmode = "stepped"\nadvance = "command"\n',
        survey='nominal_thickness = "8 mm"',
    )
    from swathe.journal import Mark, MarkKind

    def there(ms: int) -> tuple[float]:
        return (-2 + 24 * min(ms, 1000) / 1000,)

    def back(ms: int) -> tuple[float]:
        return (22 - 24 * min(max(ms - 1200, 0), 1000) / 1000,)

    pipeline = handmade.run(
        text + PROBE,
        handmade.Motion(there, lambda _: 8.0, 0, 1100).entries(),
        [Mark(handmade.START + 1100 * handmade.MS, MarkKind.LINE, {"line": 1})],
        handmade.Motion(back, lambda _: 8.0, 1101, 2400).entries(),
    )
    assert pipeline.coverage.measured == pipeline.coverage.required == 42
    points = pipeline.beam_points()
    assert points is not None
    width = 0.514 * 6.35 / 2
    assert 100 * points[0] / points[1] == pytest.approx(100 * width / 6.0, abs=0.3)
    assert handmade.run(text).beam_points() is None
