"""Results do not depend on where ticks, chunks and batches happen to fall.

The same journal is fed entry by entry and cut another way, and the states of the survey after it
are compared bit for bit.
"""

from __future__ import annotations

from itertools import pairwise
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.pipeline.cutting import Cut, differences, state_after
from daemon.pipeline.scene_list import SCENES
from daemon.pipeline.scenes import text_of
from swathe.journal import Chunk, Entry, Mark, Tick
from swathe.station import parse_station

PLAIN = Cut()
"""Every entry by itself, as a live run feeds them."""

COARSE = Cut(advance=0.05)
"""The same in pieces: any two cuts must agree, and this one takes a fraction of the time."""

SEEDS = st.integers(0, 10_000)
SHARES = st.sampled_from([0.02, 0.2, 1.0])


ADVANCES = st.sampled_from([0.0, 0.01, 0.3])
ALL_AT_ONCE = st.builds(Cut, SEEDS, SHARES, SHARES, SHARES, SHARES, st.none() | ADVANCES)
ONE_BY_ONE = st.one_of(
    st.builds(Cut, seed=SEEDS, added=SHARES),
    st.builds(Cut, seed=SEEDS, removed=SHARES),
    st.builds(Cut, seed=SEEDS, joined=SHARES),
    st.builds(Cut, seed=SEEDS, divided=SHARES),
    st.builds(Cut, seed=SEEDS, advance=ADVANCES),
)


def first_difference(name: str, seed: int, cut: Cut, reference: Cut = PLAIN) -> str:
    """Return the first difference that a cut makes, with all that is needed to see it again."""
    scene = SCENES[name]
    station, journal = (
        parse_station(text_of(scene), "bench.toml", record=scene.record),
        scene.journal(seed),
    )
    states = [state_after(station, journal, each) for each in (reference, cut)]
    found = differences(*states)
    text = next(found, None)
    return "" if text is None else f"{text}\n  in scene {name!r}, seed {seed}, {cut}"


def cut_of(name: str, advances: list[float | None]) -> tuple[int, Cut]:
    """Return seed and cut of a scene, another one for each."""
    random = Random(name)
    added, removed, joined, divided = (random.choice([0.02, 0.2, 1.0]) for _ in range(4))
    advance = random.choice(advances)
    cut = Cut(random.randrange(10_000), added, removed, joined, divided, advance)
    return random.randrange(10_000), cut


_EACH = [
    pytest.param(name, marks=[] if at % 4 == 0 else pytest.mark.slow)
    for at, name in enumerate(list(SCENES)[::8])
]


@pytest.mark.parametrize("name", _EACH)
def test_cut_changes_no_result(name: str) -> None:
    """One scene in eight against every entry by itself; `tests/fuzz/fuzz_cuts.py` tries more cuts."""
    seed, cut = cut_of(name, [None, 0.0, 0.01, 0.3])
    assert first_difference(name, seed, cut) == ""


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for at, name in enumerate(SCENES) if at % 8 in (1, 3, 4, 6)])
def test_coarse_cuts_agree(name: str) -> None:
    """Four more of eight, in larger pieces: what an advance costs is most of the time of a scene."""
    seed, cut = cut_of(name, [0.0, 0.01, 0.1])
    assert first_difference(name, seed, cut, COARSE) == ""


@pytest.mark.slow
@settings(max_examples=4)
@given(name=st.sampled_from(sorted(SCENES)), seed=SEEDS, cut=ONE_BY_ONE)
def test_cut_of_one_kind_changes_no_result(name: str, seed: int, cut: Cut) -> None:
    """Neither ticks nor the ends of chunks nor batches matter, each by itself."""
    assert first_difference(name, seed, cut) == ""


def bytes_and_others(entries: list[Entry]) -> tuple[dict[str, bytes], list[Entry]]:
    """Return the bytes of each port, and the entries that are neither chunks nor ticks."""
    streams: dict[str, bytes] = {}
    for entry in entries:
        if isinstance(entry, Chunk):
            streams[entry.port] = streams.get(entry.port, b"") + entry.data
    return streams, [entry for entry in entries if not isinstance(entry, Chunk | Tick)]


@settings(max_examples=20)
@given(name=st.sampled_from(sorted(SCENES)), seed=SEEDS, cut=ALL_AT_ONCE)
def test_cut_keeps_what_a_journal_holds(name: str, seed: int, cut: Cut) -> None:
    """Bytes and marks are the same, and each run ends at the same time; its times never fall."""
    journal = SCENES[name].journal(seed)
    entries = cut.of(journal)
    assert bytes_and_others(entries) == bytes_and_others(journal)
    assert entries[-1].time == journal[-1].time
    for before, after in pairwise(entries):
        assert before.time <= after.time or isinstance(after, Mark)


def test_lost_byte_is_found() -> None:
    """The comparison is no empty one: one byte less is a difference in many fields."""
    scene = SCENES["serpentine"]
    station, journal = (
        parse_station(text_of(scene), "bench.toml", record=scene.record),
        scene.journal(1),
    )
    number = next(k for k in range(500, len(journal)) if isinstance(journal[k], Chunk))
    chunk = journal[number]
    assert isinstance(chunk, Chunk)
    shorter = [
        *journal[:number],
        Chunk(chunk.time, chunk.port, chunk.data[1:]),
        *journal[number + 1 :],
    ]
    states = [state_after(station, entries, PLAIN) for entries in (journal, shorter)]
    found = {text.partition(":")[0] for text in differences(*states)}
    assert any("tallies" in text for text in found)
    assert any("record" in text for text in found)
    assert list(differences(states[0], states[0])) == []


def test_each_bit_is_compared() -> None:
    """NaN is equal to itself, and zero is not minus zero."""
    one = {"a": np.array([1.0, np.nan]), "b": (0.0, [float("nan")])}
    assert list(differences(one, {"a": np.array([1.0, np.nan]), "b": (0.0, [float("nan")])})) == []
    assert list(differences(one, {"a": np.array([1.0, 1.0]), "b": (-0.0, [float("nan")])})) == [
        "a[1]: nan and 1.0",
        "b[0]: 0.0 and -0.0",
    ]
    assert list(differences(one, {"a": np.array([1.0]), "b": (0.0, [])})) == [
        "a: 2 and 1 rows",
        "b[1]: 1 and 0 of them",
    ]
