"""Which devices are polled, and what a plan says of them."""

from __future__ import annotations

import pytest

from swathe.errors import StationError
from swathe.station import Station, parse_station, polling_of
from swathe.station.describe import summarize_station
from swathe_drivers import TakenAt

STATION = """name = "bench"
[survey]
folder = "bench"
[scan]
length = "20 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
[device.encoder]
port = "socket://encoder:1"
protocol.columns = [{{ is = "counts", axis = "scan" }}]
[device.gauge]
port = "{port}"
protocol.columns = [{columns}{{ is = "thickness", unit = "mm" }}]
{talk}
"""
POLL = 'talk.poll = [{ send = "?", every = "1 s" }]'


def station(talk: str, *, port: str = "socket://gauge:1", columns: str = "") -> Station:
    """A station whose gauge is sent what is in `talk`."""
    return parse_station(STATION.format(talk=talk, port=port, columns=columns), "bench.toml")


@pytest.mark.parametrize(
    ("talk", "port", "taken_at"),
    [
        ("", "socket://gauge:1", None),
        ('talk.start = ["ON"]', "socket://gauge:1", None),
        (POLL, "socket://gauge:1", TakenAt.BETWEEN),
        (POLL + '\ntalk.taken_at = "request"', "socket://gauge:1", TakenAt.REQUEST),
        (POLL + "\ntalk.unasked = true", "socket://gauge:1", None),
        (POLL, "capture:gauge.jsonl", None),
    ],
)
def test_polled_device_has_requests_on_a_real_port(
    talk: str, port: str, taken_at: TakenAt | None
) -> None:
    """And sends nothing by itself; what a capture was asked is not known."""
    found = polling_of(station(talk, port=port).device["gauge"])
    assert (found and found.taken_at) == taken_at


def test_two_requests_whose_answers_look_alike_are_refused() -> None:
    """With the key of the station file; a text that belongs to the record is the remedy."""
    two = 'talk.poll = [{ send = "POS?", every = "1 s" }, { send = "THICK?", every = "1 s" }]'
    with pytest.raises(
        StationError, match=r"device\.gauge\.talk\.poll.* must have one request only"
    ):
        station(two)
    assert station(two, columns='{ is = "constant", text = "TH" }, ').device["gauge"].talk


@pytest.mark.parametrize(
    ("talk", "columns", "line"),
    [
        (POLL, "", "in the middle between request and answer; talk.taken_at is not given"),
        (POLL + '\ntalk.taken_at = "between"', "", "in the middle between request and answer"),
        (POLL + '\ntalk.taken_at = "answer"', "", "at the first byte of the answer"),
        (POLL + '\ntalk.taken_at = "request"', "", "at the request"),
        (POLL, '{ is = "device_time", unit = "ms" }, ', "by its clock"),
    ],
)
def test_check_says_which_moment_is_assumed(talk: str, columns: str, line: str) -> None:
    """And where nobody stated it."""
    lines = summarize_station(station(talk, columns=columns))
    assert f"gauge is polled, its answers are placed {line}" in lines


def test_check_says_nothing_of_devices_that_send_by_themselves() -> None:
    """There is no request."""
    assert not [line for line in summarize_station(station("")) if "polled" in line]
