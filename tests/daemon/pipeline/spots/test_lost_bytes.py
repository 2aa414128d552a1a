"""Spots of a journal that has lost bytes: offsets of marks are those of the whole stream."""

from __future__ import annotations

import pytest

from daemon.spot_journal import SpotJournal, spot_station
from swathe.journal import Chunk, Damage, DamageKind, Entry, Lost
from swathe.pipeline import Pipeline
from swathe.station import parse_station

TEXT = spot_station()


def thicknesses(entries: list[Entry]) -> dict[str, float]:
    """Return the thickness of the last coupling of each spot that has one."""
    pipeline = Pipeline(parse_station(TEXT, "bench.toml"))
    for entry in entries:
        pipeline.feed(entry)
    assert pipeline.spots is not None
    spots = pipeline.spots.register.spots
    return {
        spot.name: float(spot.couplings[-1].reading["thickness"][0])
        for spot in spots
        if spot.couplings
    }


@pytest.mark.parametrize("share", [0.1, 0.3, 0.5, 0.7, 0.9])
def test_spot_is_read_from_the_bytes_that_were_taken_or_not_at_all(share: float) -> None:
    """Wherever a stretch is lost: a spot has the thickness that it had, or none."""
    journal = SpotJournal(TEXT)
    for name, wall in (("P1", 12.0), ("P2", 11.0), ("P3", 10.0)):
        journal.read(name, wall)
    whole = thicknesses(journal.entries)
    assert list(whole) == ["P1", "P2", "P3"]
    chunks = [k for k, entry in enumerate(journal.entries) if isinstance(entry, Chunk)]
    first = chunks[int(share * len(chunks))]
    rest = [
        entry
        for k, entry in enumerate(journal.entries)
        if k < first or k >= first + 8 or not isinstance(entry, Chunk)
    ]
    damage = Damage(1, "0001.mcap", DamageKind.UNREADABLE, "4 chunks are damaged", chunks=4)
    at = rest.index(journal.entries[first - 1]) + 1
    lost = Lost(rest[at - 1].time, damage, until=rest[at].time, bytes_lost=True)
    found = thicknesses([*rest[:at], lost, *rest[at:]])
    assert found.items() <= whole.items()
    assert len(found) >= 2
