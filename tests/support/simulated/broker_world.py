"""The broker of one simulated survey: put in the place of a real one, and what must hold with it."""

from __future__ import annotations

import asyncio
import json
import random as global_random
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from random import Random

import aiomqtt
from aiomqtt import ProtocolVersion

from support.simulated.broker import (
    BROKER_FAULTS,
    ROOT,
    BrokerFault,
    Client,
    SimulatedBroker,
    SimulatedFarewell,
)
from support.simulated.machine import Machine
from swathe.live import Daemon, RunOutcome
from swathe.live import link as swathe_link

__all__ = ["NOTE", "BrokerPlan", "BrokerWorld", "broker_plan_of"]

NOTE = "from the office"
_VERSIONS = {
    "both": (ProtocolVersion.V5, ProtocolVersion.V311),
    "5": (ProtocolVersion.V5,),
    "3.1.1": (ProtocolVersion.V311,),
}
_HARMLESS = ("broker slow", "broker hostile")
BrokerPlan = tuple[str, list[BrokerFault]]
"""What the broker speaks, and its faults."""


def broker_plan_of(random: Random) -> BrokerPlan:
    """Return a broker with up to two faults."""
    faults = []
    for _ in range(random.choice([0, 1, 1, 2])):
        kind = random.choice(BROKER_FAULTS)
        begin = random.randrange(60, 400)
        # A stranger is still before the run ends: what he writes behind its last message stays.
        last = 520 if "hostile" in kind or "floods" in kind else 900
        faults.append(BrokerFault(kind, begin, random.randrange(begin + 30, last)))
    return random.choice(list(_VERSIONS)), faults


class BrokerWorld:
    """The broker of a survey, across its runs.

    Args:
        plan: what it speaks, and its faults.
        machine: the simulated one.
        seed: of what is random.

    Attributes:
        problems: what did not hold.
        noted: how often the operator's note was sent.
    """

    def __init__(self, plan: BrokerPlan, machine: Machine, seed: int) -> None:
        speaks, self._faults = plan
        self._clock, self._disk = machine.clock, machine.disk
        self._random, self._seed = Random(seed), seed
        self.broker = SimulatedBroker(
            machine.clock, Random(seed + 1), _VERSIONS[speaks], self._faults
        )
        self.broker.is_dead = lambda: self._disk.dead
        self.problems: list[str] = []
        self.noted = 0

    @contextmanager
    def installed(self) -> Iterator[None]:
        """Put it in the place of a real broker, for this process."""
        link = vars(swathe_link)
        before = aiomqtt.Client, link["Farewell"], global_random.getstate()
        Client.broker = self.broker
        vars(aiomqtt)["Client"], link["Farewell"] = Client, SimulatedFarewell
        global_random.seed(self._seed)  # of the delays between tries to connect
        try:
            yield
        finally:
            vars(aiomqtt)["Client"], link["Farewell"] = before[:2]
            global_random.setstate(before[2])

    async def run(self, daemon: Daemon) -> RunOutcome:
        """Run the daemon with the broker next to it."""
        tasks = [
            asyncio.get_running_loop().create_task(work)
            for work in (self.broker.live(), self._office())
        ]
        try:
            outcome = await daemon.run()
        finally:
            for task in tasks:
                task.cancel()
        self._examine(daemon, outcome)
        return outcome

    async def _office(self) -> None:
        """Send a note."""
        await asyncio.sleep(0.2 + 0.2 * self._random.random())
        now = datetime.fromtimestamp(self._clock.time_ns() / 1e9, UTC)
        note = {
            "version": 1,
            "command": "note",
            "id": f"office-{self._random.getrandbits(40):x}",
            "by": "office",
            "time": now.isoformat(),
            "text": NOTE,
        }
        self.noted += 1
        self.broker.publish(f"{ROOT}command", json.dumps(note).encode(), retain=False, by=None)

    def _examine(self, daemon: Daemon, outcome: RunOutcome) -> None:
        covered = outcome.status == "complete" and outcome.reason == "the plan is covered"
        if not (covered or outcome.reason.startswith("enough")):
            self.problems.append(f"the run ended by itself: {outcome.reason}")
        link = daemon.link
        state = self.broker.retained.get(f"{ROOT}state", b"{}")
        shown = json.loads(state)
        has = shown.get("state") == outcome.status
        if not outcome.unpublished and not has:
            self.problems.append(f"the broker has {state!r}, the run is said to be published")
        was_met = link is not None and (link.state == "connected" or link.losses)
        if outcome.unpublished and was_met and self.broker.faulty() is None:
            self.problems.append(f"not published on a sound broker: {outcome.unpublished}")
        if has and outcome.resumed:
            progress = json.loads(self.broker.retained.get(f"{ROOT}progress", b"{}"))
            if (
                not outcome.unpublished
                and progress.get("percent") != outcome.record.progress.percent
            ):
                self.problems.append(f"the broker has the progress {progress.get('percent')} %")

    def of_notes(self, journalled: int, *, interrupted: bool) -> Iterator[str]:
        """Yield what is wrong with the number of notes in the journal.

        Args:
            journalled: how many it has.
            interrupted: whether a run was killed, or its disk was faulty.
        """
        if journalled > self.noted:
            yield f"a note was sent {self.noted} times and executed {journalled} times"
        harmless = all(fault.kind in _HARMLESS for fault in self._faults)
        if harmless and not interrupted and journalled < self.noted:
            yield f"of {self.noted} notes over a broker that was there {journalled} were executed"
        replies = sum(b'"office-' in data and b'"noted"' in data for _, data in self.broker.replies)
        if replies > journalled and not interrupted:  # a reply does not wait for the disk
            yield f"{replies} replies say that a note was taken, the journal has {journalled}"
