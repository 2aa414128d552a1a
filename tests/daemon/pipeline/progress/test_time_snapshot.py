"""What is published of the times of a device's records."""

from __future__ import annotations

import pytest

from support.world.devices import Time
from support.world.worlds import make_world, standard_scene
from swathe.journal import Mark
from swathe.pipeline import Pipeline
from swathe.pipeline.placing.time_tally import TimeTally
from swathe.pipeline.placing.timing import TimeBaseKind
from swathe.pipeline.progress.time_snapshot import TimeSnapshot, time_snapshots
from swathe.station import AlarmKind, parse_station


def published(**changes: object) -> TimeSnapshot:
    """Return what is published of readings by their number."""
    tally = TimeTally(
        newest=TimeBaseKind.PULSES,
        counts={TimeBaseKind.PULSES: 950, TimeBaseKind.ARRIVAL: 50},
        period_ns=4_001_200.0,
        squares_us2=1000 * 100**2,
        largest_ns=400_000,
        smear_ns=0,
    )
    for name, value in changes.items():
        setattr(tally, name, value)
    (found,) = time_snapshots({"readings": tally})
    return found


def test_text_has_source_period_and_uncertainty() -> None:
    """In force now, the period that was found, the usual uncertainty, and what the rest had."""
    found = published()
    assert found.text == (
        "times of readings by pulse number, 4.0012 ms, ± 0.100 ms, 5.0 % by arrival"
    )
    assert (found.usual_ms, found.largest_ms) == (0.1, 0.4)


@pytest.mark.parametrize(
    ("given", "contradicts"), [(4.0e6, False), (3.97e6, False), (3.95e6, True)]
)
def test_period_beyond_one_percent_contradicts(given: float, contradicts: bool) -> None:
    """A period that is found and another one that is given are shown together."""
    found = published(given_ns=given)
    assert found.contradicts is contradicts
    assert ("NOT the 3.9500 ms of the station file" in found.text) is contradicts


def test_arrival_has_its_lateness() -> None:
    """The time of arrival has no uncertainty that would be known: how late it may be is shown."""
    found = published(newest=TimeBaseKind.ARRIVAL, period_ns=None, smear_ns=23_400_000)
    assert found.text == "times of readings by arrival, up to 23.4 ms late, 95.0 % by pulse number"


def test_nothing_is_published_before_the_first_record() -> None:
    """A device that sent nothing has no times."""
    assert time_snapshots({"readings": TimeTally()}) == ()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("time", "kind"),
    [
        ("clock", TimeBaseKind.CLOCK),
        ("number", TimeBaseKind.PULSES),
        ("steady", TimeBaseKind.RATE),
        ("irregular", TimeBaseKind.ARRIVAL),
    ],
)
def test_survey_counts_its_records_by_what_their_times_rest_on(
    time: Time, kind: TimeBaseKind
) -> None:
    """Every reading is counted once, nearly all by the best source that the gauge has."""
    world = make_world(standard_scene("line", time), seed=2)
    pipeline = Pipeline(world.station)
    for entry in world.entries:
        pipeline.feed(entry)
    tally = pipeline.tallies["gauge"].times["readings"]
    assert sum(tally.counts.values()) == pipeline.tallies["gauge"].readings
    assert tally.counts[kind] > 0.95 * pipeline.tallies["gauge"].readings
    assert tally.newest is kind
    (found,) = time_snapshots({"readings": tally})
    if kind in (TimeBaseKind.PULSES, TimeBaseKind.RATE):
        assert found.period_ms == pytest.approx(4.0, rel=1e-3)
        assert not found.contradicts
    else:
        assert found.period_ms is None
    assert pipeline.tallies["encoder"].times["positions"].newest is TimeBaseKind.CLOCK


@pytest.mark.parametrize(("period", "alarms"), [("4 ms", []), ("5 ms", ["gauge"])])
def test_contradicting_period_is_an_alarm(period: str, alarms: list[str]) -> None:
    """An alarm has the period that was found and the one of the station file."""
    world = make_world(standard_scene("line", "number"), seed=2)
    text = world.text.replace('period = "4 ms"', f'period = "{period}"')
    opened = world.entries[0]
    assert isinstance(opened, Mark)
    entries = [opened._replace(detail={**opened.detail, "station": text})]
    pipeline = Pipeline(parse_station(text, "bench.toml"))
    for entry in [*entries, *world.entries[1:]]:
        pipeline.feed(entry)
    raised = [alarm for alarm in pipeline.alarms.alarms if alarm.kind is AlarmKind.PERIOD]
    assert [alarm.device for alarm in raised] == alarms
    assert all("not every 5 ms as the station file has it" in alarm.detail for alarm in raised)
