"""Lifts of the probe: what the data show of them, until when a place is asked for, what is in doubt."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from daemon.handmade import (
    INDEX_STEPPED,
    MS,
    START,
    UTC,
    Motion,
    ended,
    feed,
    opened,
    port,
    run,
    station_text,
    ticks,
)
from daemon.strategies import readings
from swathe.journal import Mark, MarkKind
from swathe.pipeline import Pipeline
from swathe.pipeline.lifts import LiftWatch
from swathe.pipeline.placing.placed import Placed
from swathe.pipeline.progress.lift_snapshot import LiftSnapshot
from swathe.station import Axis

TEXT = station_text(scan_length=400)
Place = Callable[[int], tuple[float, ...] | None]


def mark(ms: int, kind: MarkKind, **detail: object) -> Mark:
    """Return a mark so many ms after the start."""
    return Mark(START + ms * MS, kind, detail)


def reference(ms: int, scan: float, by: str = "K") -> Mark:
    """Return a reference."""
    return mark(ms, MarkKind.REFERENCED, scan=scan, by=by)


def there(ms: int) -> tuple[float]:
    """Return a place: 100 mm/s until 1 s, then rest."""
    return (min(ms, 1000) / 10,)


def lifted(
    begin: int,
    end: int,
    last: int,
    *,
    place: Place = there,
    text: str = TEXT,
    every: int = 5,
    instead: str | None = "N",
) -> Pipeline:
    """Return a survey without an echo from `begin` to `end` ms."""
    wall: Callable[[int], float | str | None] = lambda ms: instead if begin < ms < end else 10.0  # noqa: E731
    opens = [port(0, "encoder", "open"), port(0, "gauge", "open")]
    return run(text, opens, Motion(place, wall, 0, last, reading_ms=every).entries())


def offered(pipeline: Pipeline) -> LiftSnapshot | None:
    """Return what is published."""
    return pipeline.progress().lifted


@pytest.mark.parametrize("instead", ["N", None])
def test_echo_that_came_back_is_offered_with_its_place_and_time(instead: str | None) -> None:
    """It says what was seen, and what to do if the probe was carried: that it was is not known."""
    pipeline = lifted(1500, 4000, 4200, instead=instead)
    found = offered(pipeline)
    assert found is not None
    assert (found.scan, found.scan_back, found.seconds) == (100.0, 100.0, 2.5)
    assert found.text == (
        "no echo at 100.0 mm for 2.5 s: if the probe was lifted and set down elsewhere, "
        "give its place"
    )
    newest = pipeline.lifts.newest
    assert newest is not None
    assert newest.begin == pytest.approx(UTC + 1500 * MS, abs=3 * MS)
    assert newest.end == pytest.approx(UTC + 4000 * MS, abs=3 * MS)


def test_nothing_is_offered_before_the_echo_is_back() -> None:
    """Until then there is the alarm of the lost coupling."""
    assert offered(lifted(1500, 9000, 4200)) is None


@pytest.mark.parametrize(("end", "found"), [(2490, False), (2510, True)])
def test_echo_must_be_absent_for_more_than_a_second(end: int, found: bool) -> None:
    """A film that breaks for a moment is no lift."""
    assert (offered(lifted(1500, end, 3200)) is not None) is found


def test_slow_gauge_has_no_lift_between_two_readings() -> None:
    """Four of its usual intervals may pass."""
    assert offered(lifted(1, 0, 30_000, every=1500)) is None
    assert offered(lifted(20_000, 27_500, 30_000, every=1500)) is not None


def test_encoder_that_runs_in_the_air_is_offered_with_both_places() -> None:
    """The counts went from 50 to 80 mm without an echo."""
    found = offered(lifted(500, 1800, 1900, place=lambda ms: (min(ms, 800) / 10,)))
    assert found is not None
    assert found.scan == pytest.approx(50.0, abs=0.3)
    assert found.scan_back == 80.0
    assert found.text.startswith(f"no echo from {found.scan:.1f} to 80.0 mm for 1.3 s: if")


@pytest.mark.parametrize(("mm", "found"), [(49.0, True), (51.0, False)])
def test_offer_is_over_once_the_probe_has_moved_on(mm: float, found: bool) -> None:
    """Who scans on has decided: 50 mm or ten cells from where the echo came back."""

    def place(ms: int) -> tuple[float]:
        return (100 + min(max(ms - 3000, 0) / 20, mm),)

    pipeline = lifted(1000, 2500, 4500, place=place)
    assert (offered(pipeline) is not None) is found
    feed(pipeline, Motion(lambda _: (100.0,), lambda _: 10.0, 4501, 4800).entries())
    assert (offered(pipeline) is not None) is found  # not again when it comes back
    assert pipeline.lifts.newest is not None


def test_reference_ends_the_offer() -> None:
    """Its place was given: nothing else is asked for."""
    pipeline = lifted(1500, 3000, 3200)
    feed(pipeline, [reference(3210, 7.0), *ticks(3250, 3500)])
    assert offered(pipeline) is None
    assert pipeline.lifts.newest is None


def test_reference_in_the_air_answers_before_it_is_asked() -> None:
    """The probe is put on a mark and its place given before there is couplant."""
    pipeline = lifted(1500, 9000, 3000)
    feed(pipeline, [reference(3001, 7.0)])
    assert pipeline.lifts.doubt is None
    feed(pipeline, Motion(there, lambda _: 10.0, 3005, 3500).entries())
    assert offered(pipeline) is None


def test_lost_port_of_the_gauge_is_no_lift() -> None:
    """No reading could come: the port has an alarm of its own."""
    pipeline = lifted(9000, 9000, 1500)
    feed(pipeline, [port(1501, "gauge", "lost"), *ticks(1550, 3950), port(4000, "gauge", "open")])
    feed(pipeline, Motion(there, lambda _: 10.0, 4001, 4500).entries())
    assert offered(pipeline) is None


def test_return_in_the_air_to_the_next_line_is_no_offer() -> None:
    """The wheel rolled all the way back, and the line was stepped: that is how lines are scanned."""

    def place(ms: int) -> tuple[float]:
        return (ms / 10 if ms < 3900 else max(390 - (ms - 3900) / 5, 0.0),)

    for advance, found in (("return", False), ("command", True)):
        text = station_text(scan_length=400, index=INDEX_STEPPED.format(length=4, advance=advance))
        pipeline = lifted(3900, 5900, 5950, place=place, text=text)
        assert (pipeline.line == 1) is (advance == "return")
        assert (offered(pipeline) is not None) is found


def test_crawler_is_not_asked_where_it_was_carried() -> None:
    """The watch is for a hand: a crawler homes."""
    pipeline = lifted(1500, 4000, 4200)
    assert offered(pipeline) is not None
    pipeline.station = pipeline.station.model_copy(update={"motion": object()})
    assert offered(pipeline) is None


@pytest.mark.parametrize(
    ("scan", "in_doubt"), [(100.0, False), (101.0, False), (101.5, True), (7.0, True)]
)
def test_reference_elsewhere_puts_the_readings_since_the_lift_in_doubt(
    scan: float, in_doubt: bool
) -> None:
    """Where the encoder had the same place, within a cell, nothing is."""
    pipeline = lifted(1500, 3000, 4000)
    feed(pipeline, [reference(4010, scan)])
    doubt = pipeline.lifts.doubt
    assert (doubt is not None) is in_doubt
    if doubt is not None:
        assert doubt.lift.begin == pytest.approx(UTC + 1500 * MS, abs=3 * MS)
        assert doubt.end == UTC + 4010 * MS
    feed(pipeline, [*Motion(there, lambda _: 10.0, 4011, 4500).entries(), reference(4510, 9.0)])
    assert pipeline.lifts.doubt is None  # that was settled by the reference before


def test_lift_of_an_earlier_run_is_forgotten() -> None:
    """Each run begins with a probe that somebody has set down."""
    pipeline = lifted(1500, 3000, 3200)
    feed(pipeline, [ended(START + 3300 * MS), opened(TEXT, time=START + 9000 * MS)])
    assert offered(pipeline) is None
    feed(pipeline, Motion(there, lambda _: 10.0, 9001, 9500).entries())
    assert offered(pipeline) is None


def test_lift_that_is_not_over_puts_nothing_since_an_earlier_one_in_doubt() -> None:
    """The probe was carried in the last lift: what was read before it was where it had been."""

    def wall(ms: int) -> float | str:
        return "N" if 1500 < ms < 3000 or ms > 3500 else 10.0

    opens = [port(0, "encoder", "open"), port(0, "gauge", "open")]
    for last, in_doubt in ((4000, True), (5000, False)):
        pipeline = run(TEXT, opens, Motion(there, wall, 0, last).entries())
        assert pipeline.lifts.newest is not None
        feed(pipeline, [reference(last + 1, 7.0)])
        assert (pipeline.lifts.doubt is not None) is in_doubt


def test_probe_lifted_at_a_line_change_is_offered_where_the_encoder_stood_still() -> None:
    """It may have been carried back to the start: the counts do not show it."""
    text = station_text(scan_length=400, index=INDEX_STEPPED.format(length=4, advance="command"))
    pipeline = lifted(1500, 9000, 2000, text=text)
    feed(pipeline, [mark(2001, MarkKind.LINE, line=1, by="K")])
    wall: Callable[[int], float | str] = lambda ms: "N" if ms < 3000 else 10.0  # noqa: E731
    feed(pipeline, Motion(there, wall, 2005, 3300).entries())
    found = offered(pipeline)
    assert found is not None
    assert (found.index, found.index_back) == (0.0, 1.0)


def placed(*ms: int, valid: bool = True) -> Placed:
    """Return readings at 5 mm that were taken at times, ms."""
    made = readings(np.array(ms, np.int64) * MS, valid=[valid] * len(ms))
    at = np.full(len(ms), 5.0)
    return Placed(made, at, 0 * at, np.array(ms, np.int64) * MS)


def test_readings_from_before_a_reference_that_are_placed_after_it_offer_nothing() -> None:
    """They wait for the encoder's next sample; the place was given meanwhile."""
    axis = Axis.over(name="scan", start=0, length=400, resolution=1)
    watch = LiftWatch(axis, axis, stepped=False)
    watch.take(placed(*range(0, 500, 10)), 0)
    watch.set_position(2100 * MS, 0, 50.0)
    watch.take(placed(*range(2000, 2090, 10)), 0)
    assert watch.newest is None
    watch.take(placed(*range(3500, 3600, 10)), 0)
    assert watch.newest is None  # the reference was given within that silence
    watch.take(placed(*range(5000, 5100, 10)), 7)
    assert watch.newest is not None
    assert (watch.newest.begin, watch.newest.end) == (3590 * MS + 7, 5000 * MS + 7)
