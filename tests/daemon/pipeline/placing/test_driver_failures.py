"""From when to when a driver fails, by journal times alone."""

from __future__ import annotations

import numpy as np
import pytest

from support.failing_driver.invented_failing import FailingDriver, FailingSettings
from swathe.pipeline.placing.driver_failures import DriverFailures
from swathe.station import AlarmKind
from swathe_drivers import load_driver
from swathe_drivers.made import MadeDriver

S = 1_000_000_000
PROTOCOL = {"columns": [{"is": "time_of_flight", "unit": "us"}]}

Change = tuple[float, bool]


def changes(
    failures: list[float], records: list[float], cuts: tuple[float, ...] = ()
) -> list[Change]:
    """Return the changes, s, where the chunks are taken in batches that end at `cuts`."""
    watch = DriverFailures("gauge", MadeDriver("unfinished", driver()).decoder(ns_per_byte=0))
    found = []
    begin = -1.0
    for end in (*cuts, 1e9):
        part = [(round(at * S), "raised") for at in failures if begin < at <= end]
        known = np.array([round(at * S) for at in records if begin < at <= end], np.int64)
        found += watch.take(part, known)
        begin = end
    assert all(one.kind is AlarmKind.DRIVER and one.of == "gauge" for one in found)
    assert all(one.detail == ("gauge: raised" if one.holds else "") for one in found)
    return [(one.known / S, one.holds) for one in found]


def driver() -> FailingDriver:
    """Return a driver that fails with an exclamation mark."""
    return FailingDriver(FailingSettings(protocol=PROTOCOL, on="!"))


@pytest.mark.parametrize(
    ("failures", "records", "expected"),
    [
        ([1, 2, 3], [0.5, 4, 12.9], [(1, True)]),
        ([1, 2, 3], [0.5, 4, 13.0, 14], [(1, True), (13, False)]),
        ([1, 30], [12, 20, 29], [(1, True), (12, False), (30, True)]),
        ([1, 30], [29, 30, 41], [(1, True), (29, False), (30, True), (41, False)]),
        ([1, 12], [12, 21], [(1, True)]),
        ([], [1, 2, 30], []),
    ],
)
def test_it_ends_with_a_record_ten_seconds_behind_the_last_failure(
    failures: list[float], records: list[float], expected: list[Change]
) -> None:
    """However the chunks are put together in batches."""
    assert changes(failures, records) == expected
    every = tuple(sorted({*failures, *records}))
    assert changes(failures, records, every) == expected
    assert changes(failures, records, every[::2]) == expected


def test_failure_has_the_journal_time_of_its_chunk() -> None:
    """Times of arrival may be others; a decoder that is not guarded reports nothing."""
    decoder = MadeDriver("unfinished", driver()).decoder(ns_per_byte=0)
    chunks = [(5, b"1.0\r\n"), (6, b"!\r\n"), (7, b"1.1\r\n")]
    batch = decoder.feed_chunks(chunks)
    (found,) = DriverFailures("gauge", decoder).changes(batch, chunks, [105, 106, 107])
    assert (found.known, found.holds) == (106, True)
    assert found.detail.startswith("gauge: driver 'unfinished' raised KeyError")
    bare = load_driver("delimited")
    inner = bare(bare.Settings.model_validate(PROTOCOL)).decoder(ns_per_byte=0)
    assert DriverFailures("gauge", inner).changes(batch, chunks, [105, 106, 107]) == []
