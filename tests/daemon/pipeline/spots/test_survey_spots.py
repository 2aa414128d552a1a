"""Spots: which readings count, what a spot's cell holds, and what is left to do."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.handmade import UTC
from daemon.spot_journal import SpotJournal, spot_station
from swathe.journal import MarkKind, PortChange
from swathe.pipeline import CellState, GapCause
from swathe.pipeline.spots.register import CouplingState, SpotState


@pytest.fixture
def journal() -> SpotJournal:
    """Return a journal of three spots."""
    return SpotJournal(spot_station())


def test_read_steady_measures_the_cell_of_the_spot(journal: SpotJournal) -> None:
    """The cell holds the median reading, its neighbours nothing, and coverage counts the spot."""
    journal.hold(11.0, 11.02, 11.04, noise=0.0)
    now = journal.now()
    assert (now.enough, now.steady, now.lifted, now.reason) == (True, True, True, "")
    assert now.value == pytest.approx(11.02, abs=0.021)
    journal.take("P2")
    grid = journal.pipeline.grid
    assert grid.state.tolist() == [CellState.UNVISITED, CellState.MEASURED, CellState.UNVISITED]
    assert grid.thickness[1] == pytest.approx(11.02, abs=1e-6)
    assert (grid.hits[1], grid.passes[1]) == (1, 1)
    assert abs(int(grid.last_time[1]) - UTC - journal.ms * 1_000_000) < 250_000_000
    assert journal.pipeline.coverage.measured == 1
    assert journal.spots.next_after(1) == 2
    assert journal.spots.next_after(2) == 0


def test_read_jumpy_keeps_the_reading_and_leaves_the_spot_open(journal: SpotJournal) -> None:
    """Readings that differ too much measure nothing; their figures are listed."""
    journal.hold(11.0, 11.0, 11.6, noise=0.0)
    now = journal.now()
    assert now.enough
    assert not now.steady
    assert now.spread == pytest.approx(0.6, abs=1e-6)
    journal.take("P1")
    (coupling,) = journal.spot("P1").couplings
    assert coupling.state is CouplingState.JUMPY
    assert coupling.value == pytest.approx(11.0, abs=1e-6)
    assert coupling.spread == pytest.approx(0.6, abs=1e-6)
    assert journal.spot("P1").state is SpotState.JUMPY
    assert journal.pipeline.coverage.measured == 0
    assert journal.spots.is_to_do(journal.spot("P1"))
    (snapshot, _, _) = journal.pipeline.spot_snapshots()
    assert (snapshot.state, snapshot.value, snapshot.spread) == ("jumpy", None, 0.6)


def test_accept_of_a_jumpy_reading_measures_the_spot(journal: SpotJournal) -> None:
    """By name and reason it counts though it is jumpy."""
    journal.hold(11.0, 11.0, 11.6, noise=0.0)
    journal.take("P1")
    journal.mark(MarkKind.SPOT_ACCEPTED, spot="P1", by="Kim", because="laminar wall")
    (coupling,) = journal.spot("P1").couplings
    assert coupling.state is CouplingState.ACCEPTED
    assert journal.pipeline.grid.state[0] == CellState.MEASURED
    (snapshot, _, _) = journal.pipeline.spot_snapshots()
    assert (snapshot.value, snapshot.by, snapshot.because) == (11.0, "Kim", "laminar wall")


def test_jumpy_reading_of_a_reopened_spot_is_discarded(journal: SpotJournal) -> None:
    """It is accepted no more."""
    journal.hold(11.0, 11.6, noise=0.0)
    journal.take("P1")
    journal.mark(MarkKind.SPOT_REOPENED, spot="P1", by="Kim", because="wrong place")
    assert journal.spot("P1").couplings[0].state is CouplingState.DISCARDED
    assert journal.spot("P1").state is SpotState.OPEN


def test_spread_at_the_limit_counts(journal: SpotJournal) -> None:
    """A spread of exactly the limit is no more than it."""
    assert 2.1 - 2.0 > 0.1  # by rounding
    journal.hold(2.0, 2.1, noise=0.0)
    journal.take("P1")
    assert journal.spot("P1").state is SpotState.DONE


def test_second_press_without_a_lift_is_no_other_spot(journal: SpotJournal) -> None:
    """A key pressed twice reads the same place: it counts for no other spot."""
    journal.hold(11.0)
    journal.take("P1")
    journal.hold(11.0)
    assert not journal.now().lifted
    journal.take("P2")
    (coupling,) = journal.spot("P2").couplings
    assert coupling.state is CouplingState.NOT_LIFTED
    assert journal.spot("P2").state is SpotState.OPEN
    journal.read("P2", 11.2)
    assert journal.spot("P2").state is SpotState.DONE


def test_lift_shortly_after_the_press_counts_for_the_next_one_only(journal: SpotJournal) -> None:
    """A lift before a stretch is one; a lift after it, known with the same entry, is none."""
    journal.hold(11.0)
    journal.take("P1")
    journal.hold(11.0)
    now = journal.now()
    journal.lift()
    journal.hold(11.2, ms=100)
    journal.mark(MarkKind.SPOT_READ, spot="P2", first=now.first, last=now.last, by="K")
    assert journal.spot("P2").couplings[0].state is CouplingState.NOT_LIFTED
    journal.hold(11.3)
    assert journal.now().lifted


def test_lift_is_not_required_where_the_plan_says_so() -> None:
    """A probe may be slid from spot to spot."""
    journal = SpotJournal(spot_station(spots="lift_required = false"))
    journal.hold(11.0)
    journal.take("P1")
    journal.take("P2")
    assert journal.spot("P2").state is SpotState.DONE


def test_silence_of_the_gauge_shows_a_lifted_probe(journal: SpotJournal) -> None:
    """A gauge that sends nothing without an echo is silent for as long as the plan says."""
    journal.hold(11.0)
    journal.take("P1")
    journal.wait(250)
    journal.hold(11.2)
    assert not journal.now().lifted
    journal.wait(350)
    assert (journal.now().readings, journal.now().lifted) == (0, True)
    journal.hold(11.2)
    assert journal.now().lifted


def test_silence_of_a_lost_port_shows_nothing(journal: SpotJournal) -> None:
    """The probe may have been on all the while."""
    journal.hold(11.0)
    journal.take("P1")
    for state in ("lost", "open"):
        journal.wait(2000)
        journal.enter(PortChange(journal.time, "gauge", state, ""))
    journal.hold(11.2)
    assert not journal.now().lifted


def test_run_that_begins_requires_a_lift(journal: SpotJournal) -> None:
    """Whether the probe was lifted between two runs nobody saw; before the first it matters not."""
    journal.hold(11.0)
    journal.take("P1")
    journal.end()
    journal.resume()
    journal.hold(11.2)
    assert not journal.now().lifted
    journal.read("P2", 11.2)
    assert journal.spot("P2").state is SpotState.DONE


def test_too_few_readings_are_not_enough(journal: SpotJournal) -> None:
    """As many as the plan requires, over as long, since the probe was put on."""
    journal.lift()
    journal.hold(11.0, ms=180)
    now = journal.now()
    assert (now.readings, now.enough) == (9, False)
    assert "9 readings over 0.2 s of 10 readings over 0.2 s" in now.reason
    journal.hold(11.0, ms=20)
    assert not journal.now().enough  # ten readings span 0.18 s
    journal.hold(11.0, ms=20)
    assert journal.now().enough


def test_coupling_takes_as_many_readings_as_the_plan_requires() -> None:
    """Of a slow gauge they span more than the time that is required."""
    journal = SpotJournal(spot_station(spots="readings = 30"))
    journal.hold(11.0, ms=580)
    assert not journal.now().enough
    journal.hold(11.0, ms=200)
    assert (journal.now().readings, journal.now().enough) == (30, True)
    journal.take("P1")
    assert journal.spot("P1").couplings[0].readings == 30


def test_drift_is_not_steady(journal: SpotJournal) -> None:
    """Readings that agree but fall all the while are not: the couplant has not settled."""
    for k in range(12):
        journal.send(11 - 0.008 * k)
    now = journal.now()
    assert now.enough
    assert not now.steady
    assert "drift" in now.reason


def test_couplings_count_apart_and_must_agree() -> None:
    """A spot is done once as many as required agree; otherwise it is jumpy, its cell empty."""
    text = spot_station(spots="couplings = 2", survey='cell_rule = "mean"')
    journal = SpotJournal(text)
    journal.read("P1", 11.0, noise=0.0)
    assert journal.spot("P1").state is SpotState.OPEN
    assert journal.pipeline.grid.state[0] == CellState.UNVISITED
    journal.read("P1", 11.08, noise=0.0)
    assert journal.spot("P1").state is SpotState.DONE
    grid = journal.pipeline.grid
    assert (grid.thickness[0], grid.hits[0]) == (pytest.approx(11.04, abs=1e-6), 2)
    journal.read("P1", 11.5, noise=0.0)
    spot = journal.spot("P1")
    assert spot.state is SpotState.JUMPY
    assert spot.spread == pytest.approx(0.5, abs=1e-6)
    assert spot.sd == pytest.approx(np.std([11.0, 11.08, 11.5], ddof=1), abs=1e-6)
    assert grid.state[0] == CellState.UNVISITED
    assert journal.pipeline.coverage.measured == 0
    journal.mark(MarkKind.SPOT_ACCEPTED, spot="P1", by="Kim", because="a step in the wall")
    assert grid.hits[0] == 3
    assert journal.pipeline.coverage.measured == 1
    assert grid.thickness[0] == pytest.approx(np.mean([11.0, 11.08, 11.5]), abs=1e-6)


def test_minimum_moves_on_when_its_spot_is_read_again(journal: SpotJournal) -> None:
    """What counts no more is no minimum."""
    journal.read("P1", 9.0)
    journal.read("P2", 11.0)
    assert journal.pipeline.minimum.position == (1.0, 0.0)
    journal.mark(MarkKind.SPOT_REOPENED, spot="P1", by="Kim", because="wrong place")
    assert journal.pipeline.minimum.position == (2.0, 0.0)
    assert journal.pipeline.coverage.measured == 1
    (coupling,) = journal.spot("P1").couplings
    assert (coupling.state, coupling.changed_by) == (CouplingState.DISCARDED, "Kim")
    journal.read("P1", 12.0)
    assert journal.pipeline.grid.thickness[0] == pytest.approx(12.0, abs=0.02)
    assert journal.pipeline.minimum.position == (2.0, 0.0)


def test_closed_spot_is_excluded_with_who_and_why(journal: SpotJournal) -> None:
    """It is required no more, and listed as an excluded zone; reopened it is required again."""
    journal.mark(MarkKind.SPOT_CLOSED, spot="P2", by="Kim", because="no echo: pitted")
    coverage, requests = journal.pipeline.coverage, journal.pipeline.requests
    assert journal.pipeline.grid.state[1] == CellState.EXCLUDED
    assert coverage.required == 2
    (zone,) = requests.zones
    assert (zone.name, zone.because, zone.by) == ("P2", "no echo: pitted", "Kim")
    assert (zone.scan, zone.cells) == ((1.5, 2.5), 1)
    journal.read("P2", 11.0)
    assert journal.spot("P2").couplings == []
    assert journal.spots.next_after(0) == 2
    journal.mark(MarkKind.SPOT_REOPENED, spot="P2", by="Kim", because="cleaned")
    assert (coverage.required, requests.zones) == (3, [])
    journal.read("P2", 11.0)
    assert (coverage.measured, journal.spot("P2").state) == (1, SpotState.DONE)


def test_forgotten_spot_is_a_gap_at_the_end(journal: SpotJournal) -> None:
    """What was not done is unvisited, and the survey is not complete."""
    journal.read("P1", 11.0)
    journal.read("P3", 11.0)
    assert not journal.pipeline.target_reached
    journal.end()
    (gap,) = journal.pipeline.open_gap_snapshots()
    assert (gap.scan, gap.cause) == ((1.5, 2.5), GapCause.UNVISITED)
    journal.resume()
    assert journal.pipeline.open_gap_snapshots() == []
    journal.read("P2", 11.0)
    assert journal.pipeline.target_reached


def _check(journal: SpotJournal, wall: float) -> None:
    """Check the calibration on a block of 10 mm, in a run of its own."""
    journal.end()
    journal.resume()
    journal.mark(MarkKind.CHECK_BEGUN, phase="interval", by="K", tolerance=0.1, block="")
    begin = journal.time
    journal.hold(wall)
    journal.mark(MarkKind.CHECK_STEP, thickness=10.0, begin=begin, end=journal.time)
    journal.mark(MarkKind.CHECK_ENDED)
    journal.end()
    journal.resume()


def test_failed_check_makes_spots_suspect_until_they_are_read_again() -> None:
    """Also the first of two couplings, which is in no cell yet."""
    text = spot_station(spots="couplings = 2")
    journal = SpotJournal(text)
    for name in ("P1", "P1", "P2"):
        journal.read(name, 11.0)
    assert journal.pipeline.grid.state[0] == CellState.MEASURED
    _check(journal, 10.5)
    state = journal.pipeline.grid.state
    assert state[0] == CellState.SUSPECT
    assert journal.spots.is_to_do(journal.spot("P1"))
    journal.read("P2", 11.0)
    assert state[1] == CellState.SUSPECT
    assert [one.suspect for one in journal.pipeline.spot_snapshots()] == [True, True, False]
    _check(journal, 10.0)
    journal.read("P2", 11.0)
    states = [one.state for one in journal.spot("P2").couplings]
    assert states == [CouplingState.SUSPECT, CouplingState.SUSPECT, CouplingState.COUNTED]
    assert state[1] == CellState.UNVISITED
    journal.read("P2", 11.0)
    assert state[1] == CellState.MEASURED
    assert journal.pipeline.coverage.measured == 1


def test_suspect_reading_replaces_no_sound_one(journal: SpotJournal) -> None:
    """While a failed check is in force a measured spot stays what it is."""
    journal.read("P1", 11.0)
    _check(journal, 10.0)
    _check(journal, 10.5)
    journal.read("P1", 9.0)
    assert journal.pipeline.grid.state[0] == CellState.MEASURED
    assert journal.pipeline.grid.thickness[0] == pytest.approx(11.0, abs=0.02)
    assert journal.spot("P1").couplings[-1].state is CouplingState.SUSPECT


def test_alarm_below_alert_is_raised_and_ends_with_the_reading() -> None:
    """A thin spot raises an alarm, and one that is read again ends it."""
    journal = SpotJournal(spot_station(survey='alert_below = "10 mm"'))
    journal.read("P1", 9.0)
    (alarm,) = journal.pipeline.alarms.alarms
    assert alarm.until is None
    journal.mark(MarkKind.SPOT_REOPENED, spot="P1", by="Kim", because="wrong place")
    assert alarm.until is not None


def test_no_alarm_while_the_probe_is_in_the_air(journal: SpotJournal) -> None:
    """From spot to spot there is no echo: no coupling is lost."""
    journal.read("P1", 11.0)
    for _ in range(10):
        journal.lift(ms=1000)
    journal.wait(5000)
    assert journal.pipeline.alarms.alarms == []


def test_readings_of_a_pause_are_no_coupling(journal: SpotJournal) -> None:
    """The probe may have been anywhere; it is held anew after the pause."""
    journal.hold(11.0)
    journal.mark(MarkKind.PAUSED, by="Kim", because="block")
    journal.hold(10.0)
    journal.mark(MarkKind.RESUMED, by="Kim")
    assert not journal.now().enough
    assert journal.now().readings == 0
    journal.hold(11.0)
    journal.take("P1")
    assert journal.spot("P1").couplings[0].value == pytest.approx(11.0, abs=0.02)


def test_suspect_spot_is_not_counted_as_done() -> None:
    """It is to be read again."""
    journal = SpotJournal(spot_station())
    journal.read("P1", 11.0)
    assert journal.spots.done == 1
    _check(journal, 10.5)
    assert journal.spots.done == 0


def test_overridden_check_makes_no_coupling_suspect() -> None:
    """A spot that is read again after it keeps its sound coupling, too."""
    journal = SpotJournal(spot_station(survey='cell_rule = "mean"'))
    journal.read("P1", 11.0, noise=0.0)
    _check(journal, 10.5)
    journal.mark(MarkKind.CHECK_OVERRIDDEN, check=1, by="Kim", because="wrong step")
    assert journal.pipeline.grid.state[0] == CellState.MEASURED
    journal.read("P1", 11.08, noise=0.0)
    assert journal.pipeline.grid.thickness[0] == pytest.approx(11.04, abs=1e-6)
    assert journal.pipeline.grid.state[0] == CellState.MEASURED


def test_accepted_readings_are_accepted_no_more_with_another_coupling() -> None:
    """What is accepted is what was there: a later coupling that differs is jumpy again."""
    journal = SpotJournal(spot_station())
    for wall in (11.0, 11.5):
        journal.read("P1", wall, noise=0.0)
    journal.mark(MarkKind.SPOT_ACCEPTED, spot="P1", by="Kim", because="a step")
    assert journal.spot("P1").state is SpotState.DONE
    journal.read("P1", 11.2, noise=0.0)
    assert journal.spot("P1").state is SpotState.JUMPY
    assert journal.pipeline.coverage.measured == 0


def test_accept_of_a_spot_that_is_not_jumpy_changes_nothing(journal: SpotJournal) -> None:
    """There is nothing to accept."""
    journal.mark(MarkKind.SPOT_ACCEPTED, spot="P1", by="Kim", because="?")
    (snapshot, _, _) = journal.pipeline.spot_snapshots()
    assert (snapshot.state, snapshot.by, snapshot.because) == ("open", "", "")


def test_two_thin_neighbours_have_an_alarm_each() -> None:
    """Spots next to each other in the plan are no area."""
    journal = SpotJournal(spot_station(survey='alert_below = "10 mm"'))
    journal.read("P1", 9.0, noise=0.0)
    journal.read("P2", 9.5, noise=0.0)
    details = [alarm.detail for alarm in journal.pipeline.alarms.alarms]
    assert details == ["spot P1: 9.00 mm, below 10 mm", "spot P2: 9.50 mm, below 10 mm"]
