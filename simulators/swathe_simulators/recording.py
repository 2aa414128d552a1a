"""The devices of a scenario without ports: what they send, and what was true, in simulated time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from swathe_simulators.base import Floats
from swathe_simulators.carriage import Carriage
from swathe_simulators.couplant import Couplant
from swathe_simulators.device import Device
from swathe_simulators.faults import CouplingFaults, WheelSlip
from swathe_simulators.motion import Motion
from swathe_simulators.part import Part
from swathe_simulators.probe_models import ProbeFault
from swathe_simulators.scenario_models import CouplingLossModel, Scenario, SlipModel
from swathe_simulators.trajectory import Trajectory
from swathe_simulators.truth import Rows


@dataclass(frozen=True, slots=True)
class Instruments:
    """What a scenario has besides ports.

    Attributes:
        part: the wall.
        motion: of the carriage's datum.
        carriage: with the probes of all devices.
        devices: in the scenario's order.
        crawler_seed: what a commanded crawler draws from.
    """

    part: Part
    motion: Motion
    carriage: Carriage
    devices: tuple[Device, ...]
    crawler_seed: np.random.SeedSequence


def make_instruments(scenario: Scenario, *, seed: int, speed: float = 1.0) -> Instruments:
    """Return the instruments of a scenario; each quantity draws from a stream of its own."""
    part_seed, motion_seed, *seeds, crawler_seed, film_seed = np.random.SeedSequence(seed).spawn(
        4 + len(scenario.device)
    )
    part = Part(scenario.part, np.random.default_rng(part_seed))
    motion = Motion(scenario.part, scenario.motion, np.random.default_rng(motion_seed))
    losses = [f for f in scenario.fault if isinstance(f, CouplingLossModel)]
    coupling = CouplingFaults(part, scenario.motion, losses)
    slip = WheelSlip([f for f in scenario.fault if isinstance(f, SlipModel)])
    couplant = Couplant(scenario.motion, np.random.default_rng(film_seed))
    wrong = [f for f in scenario.fault if isinstance(f, ProbeFault)]
    carriage = Carriage(scenario.carriage, scenario.probes, wrong)
    devices = tuple(
        Device(
            model,
            seed=child,
            speed=speed,
            part=part,
            coupling=coupling,
            slip=slip,
            couplant=couplant,
            carriage=carriage,
        )
        for model, child in zip(scenario.device, seeds, strict=True)
    )
    return Instruments(part, motion, carriage, devices, crawler_seed)


@dataclass(frozen=True, slots=True)
class Sent:
    """What one device sent.

    Attributes:
        rows: the truth, one row for each line or each of its readings; `due_s` is when its last byte
            has left the port.
        lines: bytes of each row; empty but for the first row of a line.
    """

    rows: Rows
    lines: list[bytes]


@dataclass(frozen=True, slots=True)
class Recording:
    """A scenario's planned motion from its start, at once and on no port.

    Attributes:
        scenario: what was simulated.
        part: the wall.
        carriage: with the probes as they really were.
        trajectory: of the carriage's datum, in s since the start.
        end_s: until when the devices sampled.
        sent: by the device's name.
    """

    scenario: Scenario
    part: Part
    carriage: Carriage
    trajectory: Trajectory
    end_s: float
    sent: dict[str, Sent]

    def path_of(self, probe: str, times_s: Floats) -> tuple[Floats, Floats]:
        """Return where a probe truly was, mm along scan and index, shape as the times."""
        return self.carriage.path_of(probe, self.trajectory, times_s)


def record(scenario: Scenario, *, seed: int | None = None, rest_s: float = 1.0) -> Recording:
    """Return what the devices of a scenario send from the start until the plan is over.

    Args:
        scenario: with a motion that ends by itself.
        seed: replaces the scenario's.
        rest_s: for which the carriage rests after its plan.

    Raises:
        ValueError: the motion has no end of its own.
    """
    made = make_instruments(scenario, seed=scenario.seed if seed is None else seed)
    end_s = made.motion.plan_end_s + rest_s
    if not np.isfinite(end_s):
        message = (
            f"the motion of scenario {scenario.name!r} has no end: it is commanded, or for ever"
        )
        raise ValueError(message)
    sent = {}
    for device in made.devices:
        device.restart(0.0)
        batch = device.produce(end_s, made.motion.trajectory, 0.0)
        sent[device.model.name] = Sent(batch.rows, batch.lines)
    return Recording(scenario, made.part, made.carriage, made.motion.trajectory, end_s, sent)
