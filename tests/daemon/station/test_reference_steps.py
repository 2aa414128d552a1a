"""Places of reference steps on the part: what a station file may say of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.crawl import crawl_station
from swathe.errors import StationError
from swathe.station import parse_station

TEXT = crawl_station(Path("p"))


def verification(at: str, steps: str = '["12 mm"]') -> str:
    """Return a table with places."""
    return f'\n[verification]\nsteps = {steps}\ntolerance = "0.1 mm"\nat = {at}\n'


def problems(text: str) -> list[str]:
    """Return what is wrong with a station file."""
    with pytest.raises(StationError) as found:
        parse_station(text, "x")
    return [f"{one.key}: {one.requirement}" for one in found.value.problems]


@pytest.mark.parametrize(
    ("at", "steps"),
    [
        ('{ scan = "10 mm", index = "5 mm" }', '["12 mm"]'),
        ('[{ scan = "1 in" }, { scan = "20 mm", index = "5 mm" }]', '["12 mm", "5 mm"]'),
    ],
)
def test_place_for_each_step_is_accepted(at: str, steps: str) -> None:
    """One place stands for a list of one."""
    station = parse_station(TEXT + verification(at, steps), "x")
    assert station.verification is not None
    assert len(station.verification.at) == len(station.verification.steps)


def test_places_that_no_crawler_reaches_are_refused() -> None:
    """Beyond the travel, too few of them, and without a crawler."""
    assert problems(TEXT + verification('{ scan = "9 m", index = "5 mm" }')) == [
        "verification.at.scan: must be within the travel, -62 to 462 mm"
    ]
    assert problems(TEXT + verification('{ scan = "1 mm" }', '["12 mm", "5 mm"]')) == [
        "verification.at: must have 2, as many as 'verification.steps'"
    ]
    by_hand = TEXT.partition("[motion]")[0]
    assert problems(by_hand + verification('{ scan = "1 mm" }')) == [
        "verification.at: needs a table [motion]"
    ]


def test_each_probe_must_be_put_on_each_step() -> None:
    """The travel is the datum's: the probe that cannot be put there is named."""
    probes = "".join(
        f'[[probe]]\nname = "{name}"\ninput = {number}\nscan = "{scan} mm"\n'
        for number, (name, scan) in enumerate({"near": 0, "far": 30}.items(), 1)
    )
    found = [
        one for one in problems(TEXT + verification('{ scan = "-50 mm" }') + probes) if "at" in one
    ]
    assert (
        "verification.at.scan: must be within the travel with probe far on it, -62 to 462 mm"
        in found
    )
