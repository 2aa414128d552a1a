"""What a station file says of the delays between gauge and encoders."""

from __future__ import annotations

import pytest

from daemon.handmade import INDEX_ENCODED, station, station_text
from swathe.errors import StationError
from swathe.station import DelayPair, DelaySetting, Station, delay_pairs, parse_station
from swathe.station.describe import summarize_station

GAUGE, ENCODER = 'port = "ports/gauge"', 'port = "ports/encoder"'
COMBINED = """
name = "one"
[survey]
folder = "one"
[scan]
length = "20 mm"
resolution = "1 mm"
device = "gauge"
counts_per_mm = 10
[device.gauge]
port = "ports/gauge"
[device.gauge.protocol]
columns = [{is="counts", axis="scan"}, {is="thickness", unit="mm"}]
"""


def with_delays(gauge: str | None, encoder: str | None, **settings: str) -> Station:
    """Return a station with these delays."""
    text = station_text(free=False, **settings)  # type: ignore[arg-type]
    for key, delay in ((GAUGE, gauge), (ENCODER, encoder)):
        if delay is not None:
            text = text.replace(key, f'{key}\ndelay = "{delay}"')
    return station(text)


def problems(text: str) -> list[str]:
    """Return what is wrong with a station file."""
    with pytest.raises(StationError) as caught:
        parse_station(text, "bench.toml")
    return [str(problem) for problem in caught.value.problems]


@pytest.mark.parametrize(
    ("gauge", "encoder", "setting", "missing"),
    [
        ("5 ms", "0 ms", DelaySetting.GIVEN, ()),
        ("5 ms", None, DelaySetting.UNKNOWN, ("encoder",)),
        (None, "0 ms", DelaySetting.UNKNOWN, ("gauge",)),
        (None, None, DelaySetting.UNKNOWN, ("gauge", "encoder")),
        ("auto", None, DelaySetting.AUTO, ()),
        ("auto", "2 ms", DelaySetting.AUTO, ()),
    ],
)
def test_pair_is_known_where_both_delays_are_given(
    gauge: str | None, encoder: str | None, setting: DelaySetting, missing: tuple[str, ...]
) -> None:
    """An explicit zero is known, a missing delay is not, and 'auto' measures the difference."""
    found = with_delays(gauge, encoder, index=INDEX_ENCODED.format(length=3))
    assert delay_pairs(found) == [DelayPair("gauge", "encoder", setting, missing)]


def test_delay_that_is_not_given_is_placed_as_zero() -> None:
    """So is that of a device that the survey measures, until it has."""
    found = with_delays("auto", None)
    assert [found.device[name].delay_given for name in ("gauge", "encoder")] == [0, 0]
    assert with_delays("5 ms", None).device["gauge"].delay_given == 5_000_000


def test_no_delay_matters_where_readings_carry_their_position() -> None:
    """One device sends both; 'check' has nothing to say, and 'auto' is refused with the cure."""
    assert delay_pairs(station(COMBINED)) == []
    assert not [line for line in summarize_station(station(COMBINED)) if "delay" in line]
    assert problems(COMBINED.replace(GAUGE, f'{GAUGE}\ndelay = "auto"')) == [
        "'device.gauge.delay' must not be 'auto' where no other device places the readings"
        " (got 'auto'): remove it: the device sends position and reading, and no delay matters"
    ]


def test_auto_of_an_encoder_is_refused() -> None:
    """The difference is the gauge's to carry, whichever comes late."""
    assert problems(station_text().replace(ENCODER, f'{ENCODER}\ndelay = "auto"')) == [
        "'device.encoder.delay' must not be 'auto' of a device without readings (got 'auto'): "
        "write 'auto' at device.gauge.delay: the difference is measured, and is negative where "
        "the positions come later than the readings"
    ]


@pytest.mark.parametrize(
    ("delay", "requirement"),
    [
        ('"automatic"', "must be a duration with its unit, such as '50 ms', or 'auto'"),
        ("5", "must be a duration with its unit, such as '50 ms', or 'auto'"),
        ('"-1 ms"', "must be >= 0"),
    ],
)
def test_delay_that_is_neither_is_refused(delay: str, requirement: str) -> None:
    """The message names the key and both forms."""
    (problem,) = problems(station_text().replace(GAUGE, f"{GAUGE}\ndelay = {delay}"))
    assert problem.startswith(f"'device.gauge.delay' {requirement} (got ")


@pytest.mark.parametrize(
    ("gauge", "scan", "line"),
    [
        ("5 ms", "", "delay between gauge and encoder: given, 5 ms and 2 ms"),
        (
            None,
            "",
            "WARNING: delay between gauge and encoder: unknown, each 10 ms is 2.5 mm at 250 mm/s: "
            "give device.gauge.delay, which `swathe calibrate delay` measures, or "
            'device.gauge.delay = "auto"',
        ),
        (
            "auto",
            'max_speed = "100 mm/s"',
            "delay between gauge and encoder: measured by the survey, once lines were scanned both "
            "ways; until then each 10 ms is 1 mm at 100 mm/s",
        ),
    ],
)
def test_check_says_what_an_unknown_delay_means(gauge: str | None, scan: str, line: str) -> None:
    """In mm at the speed limit, or at 250 mm/s where there is none."""
    assert line in summarize_station(with_delays(gauge, "2 ms", scan=scan))


def test_uncertainty_of_no_delay_is_refused() -> None:
    """An uncertainty belongs to a delay that is given."""
    text = station_text().replace(GAUGE, f'{GAUGE}\ndelay_uncertainty = "1 ms"')
    (found,) = problems(text)
    assert "device.gauge.delay_uncertainty" in found
    assert "must be left out where no delay is given" in found
