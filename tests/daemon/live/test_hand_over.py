"""How old what arrived is when the operating system has it: what a kill may lose, in simulated time."""

from __future__ import annotations

import asyncio
from pathlib import Path
from random import Random

import pytest

from support.simulated.machine import Machine
from support.simulated.ports import SimulatedReader
from support.simulated.strip import MS, Strip, station_text
from swathe.journal import Chunk, Entry
from swathe.live import Daemon
from swathe.live.kept_journal import KeptJournal
from swathe.station import parse_station
from swathe.store import SurveyFolder


@pytest.mark.parametrize("slow_ms", [0, 30])
def test_what_arrived_is_handed_over_before_anything_is_computed_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, slow_ms: int
) -> None:
    """A tick that takes 30 ms adds nothing to what a kill may lose: it follows the flush of its round."""
    machine, strip = Machine(tmp_path, 1), Strip(Random(2), [])
    monkeypatch.setattr(SimulatedReader, "plug", staticmethod(strip.deliveries), raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    waiting: list[int] = []
    ages: list[int] = []
    write, hand_over = KeptJournal.write, KeptJournal.hand_over

    def noted_write(self: KeptJournal, entry: Entry) -> list[Entry]:
        if isinstance(entry, Chunk):
            waiting.append(entry.time)
        return write(self, entry)

    def noted_hand_over(self: KeptJournal) -> None:
        hand_over(self)
        if waiting:
            ages.append(machine.clock.now - min(waiting))
            waiting.clear()

    class SlowObserver:
        """Shows a tick, which takes its time."""

        def show(self, daemon: Daemon) -> None:  # noqa: ARG002  of the protocol
            """Let time pass."""
            machine.clock.sleep(slow_ms / 1000)

    monkeypatch.setattr(KeptJournal, "write", noted_write)
    monkeypatch.setattr(KeptJournal, "hand_over", noted_hand_over)
    text = station_text(length=400.0, checkpoint="10 s")

    async def scan() -> None:
        station = parse_station(text, "strip.toml")
        survey = SurveyFolder(tmp_path / "survey")
        daemon = Daemon(station, text, survey, observer=SlowObserver())
        running = asyncio.create_task(daemon.run())
        await asyncio.wait({running}, timeout=3)
        daemon.stop("enough")
        await running

    with machine.installed(disk=False):
        machine.run(scan(), limit=60)
    assert len(ages) > 60
    # 40 ms between two rounds, and the arrivals' own jitter.
    assert 30 * MS < max(ages) <= 42 * MS
