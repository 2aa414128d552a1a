"""The broker of one simulated survey: put in the place of a real one, and what must hold with it."""

from __future__ import annotations

import asyncio
import json
import random as global_random
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from random import Random
from typing import Any

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

NOTE = "from the office: "
"""Beginning of the text of a note, before the id of its command."""
_VERSIONS = {
    "both": (ProtocolVersion.V5, ProtocolVersion.V311),
    "5": (ProtocolVersion.V5,),
    "3.1.1": (ProtocolVersion.V311,),
}
# A message that a connected station was handed is read by then.
_READ_SECONDS = 0.05
# What a note that came in time may be refused for.
_MAY_BE_REFUSED = ("another station on the broker has the name",)
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


@dataclass(slots=True)
class _SentNote:
    """A note over the broker.

    Attributes:
        identity: of the command.
        in_time: whether a station had subscribed, and was neither ending nor lost until it had read it.
        kept: whether the run that was to execute it ended in good order.
    """

    identity: str
    in_time: bool = False
    kept: bool = False


class BrokerWorld:
    """The broker of a survey, across its runs.

    Args:
        plan: what it speaks, and its faults.
        machine: the simulated one.
        seed: of what is random.

    Attributes:
        problems: what did not hold.
        notes: what the operator sent, one a run that lasted so long.
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
        self.notes: list[_SentNote] = []

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
            for work in (self.broker.live(), self._office(daemon))
        ]
        before = len(self.notes)
        try:
            outcome = await daemon.run()
        finally:
            for task in tasks:
                task.cancel()
        for note in self.notes[before:]:
            note.kept = True
        self._examine(daemon, outcome)
        return outcome

    async def _office(self, daemon: Daemon) -> None:
        """Send a note, and look whether a station could read it."""
        await asyncio.sleep(0.2 + 0.2 * self._random.random())
        now = datetime.fromtimestamp(self._clock.time_ns() / 1e9, UTC)
        note = _SentNote(f"office-{self._random.getrandbits(40):x}")
        command = {
            "version": 1,
            "command": "note",
            "id": note.identity,
            "by": "office",
            "time": now.isoformat(),
            "text": f"{NOTE}{note.identity}",
        }
        self.notes.append(note)
        topic = f"{ROOT}command"
        taker = self.broker.taker(topic)
        self.broker.publish(topic, json.dumps(command).encode(), retain=False, by=None)
        await asyncio.sleep(_READ_SECONDS)
        read = taker is not None and not taker.ended.is_set()
        note.in_time = read and not daemon._stop.is_set()

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

    def of_notes(self, texts: Iterable[str]) -> Iterator[str]:
        """Yield what is wrong with the notes.

        A note that nobody was there to read, or that came as a run was ending, need not be executed. One that
        was read is, once the run has ended in good order, whatever its disk and broker did meanwhile. One whose
        reply is 'noted' stays, whatever happens afterwards.

        Args:
            texts: of all notes in the journal.
        """
        executed = Counter(texts)
        for note in self.notes:
            times = executed[f"{NOTE}{note.identity}"]
            replies = self._replies_to(note)
            refused = [one["detail"] for one in replies if not one["accepted"]]
            if times > 1:
                yield f"a note was sent once and executed {times} times"
            if times and refused:
                yield f"a note was executed, the reply is {refused}"
            details = [one["detail"] for one in replies if one["accepted"]]
            if not times and ((details and note.kept) or "noted" in details):
                yield f"{details} was the reply to a note that is not in the journal"
            if times and note.kept and not self._faults and not replies:
                yield "a note was executed and not answered"
            may_be_left = self._floods or any(
                why in one for why in _MAY_BE_REFUSED for one in refused
            )
            if note.in_time and note.kept and not times and not may_be_left:
                yield f"a note that came in time was not executed; replies: {refused}"

    @property
    def _floods(self) -> bool:
        return any(fault.kind == "broker floods" for fault in self._faults)

    def _replies_to(self, note: _SentNote) -> list[dict[str, Any]]:
        return [json.loads(data) for topic, data in self.broker.replies if note.identity in topic]
