"""One survey of the strip with faults of every kind, and what must hold after it."""

from __future__ import annotations

import asyncio
import errno
import os
import shutil
import sys
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from random import Random

import numpy as np

from support.simulated.broker_world import BrokerPlan, BrokerWorld, broker_plan_of
from support.simulated.clock import START_NS, HungError
from support.simulated.disk import Killed, Step
from support.simulated.light_arrays import LightArrays
from support.simulated.machine import Machine
from support.simulated.ports import Delivery, SimulatedReader
from support.simulated.strip import MS, PORT_FAULTS, RESOLUTION_MM, PortFault, Strip, station_text
from swathe.errors import SwatheError
from swathe.journal import Chunk, Mark, MarkKind, read_journal, segment_paths
from swathe.live import Daemon
from swathe.pipeline import CellState
from swathe.pipeline.placing.placed import Placed, ProbePath
from swathe.station import parse_station
from swathe.store import SurveyFolder, read_survey_record, replay, write_derived

__all__ = ["DISK_FAULTS", "FIRST_STEP", "STEP_FAULTS", "FaultyRun", "Plan", "plan_of"]

DISK_FAULTS = {
    "disk full": errno.ENOSPC,
    "disk read-only": errno.EROFS,
    "disk fails": errno.EIO,
    "sync fails": errno.EIO,
}
# Of any operation, writes and syncs alike.
STEP_FAULTS = {"operation fails": errno.EIO, "operation finds no room": errno.ENOSPC}
_TEXTS = {
    (keeps, silent, linked, polled): station_text(
        keeps_count=keeps, on_change=silent, polled=polled
    )
    + linked * '[broker]\nhost = "broker.invalid"\n'
    for keeps in (False, True)
    for silent in (False, True)
    for linked in (False, True)
    for polled in (False, True)
}
_STATIONS = {key: parse_station(text, "strip.toml") for key, text in _TEXTS.items()}
FIRST_STEP = 1
"""Of those that fail."""

_ZARR_SHARE = 0.02
_BROKER_SHARE = 0.2
_ON_CHANGE_SHARE = 0.35
_READ_SHARE = 0.15
_MIDDLE_SHARE = 0.15
_POLLED_SHARE = 0.25
_DAMAGED = 0.5
# Its silence is a rest only after 100 ms: lines must be damaged for longer than that.
_DAMAGED_ON_CHANGE = 0.95
_KILL_LOSES_NS = 50_000_000
# And the sync of 120 ms after that, which takes a while.
_CUT_LOSES_NS = 200_000_000
_LIMIT_SECONDS = 30.0  # simulated, of a run
_QUICK = 0.01  # s, of a sync
# Between the truth and where a reading is placed: jitter of the lines, at 60 mm/s; where lines of the
# encoder are damaged a turn of half a cell may be among those that are missing.
_PLACING_MM = 0.6
_MISSING_MM = RESOLUTION_MM / 2 + 0.1
_LINES_MS = 15  # between two lines of a device, at most
_DAMAGE = ("bytes dropped", "bytes corrupted", "flood", "endless line")


@dataclass
class Plan:
    """What goes wrong in one survey.

    Attributes:
        seed: of everything.
        port_faults: of the ports.
        disk_fault: kind, first step and last step; None for none.
        read_fault: first and last of the files opened for reading of each run that cannot be read; None
            for none.
        middle_fault: first and last of the reads behind a file's beginning that fail, likewise.
        slow: seconds that a call in a thread takes.
        clock_step: ms after the start and by how much the wall clock is set, s; None for never.
        kills: for each run that is killed: after how many steps, and whether the power is cut.
        keeps_count: of the encoder's axis.
        polled: the gauge is one that only answers, without a time of its own.
        on_change: the encoder is one that would be silent at rest; the probe does not rest.
        zarr: whether the arrays are zarr's; else they are light ones.
        seconds: of a run, s.
        broker: what it speaks, and its faults; None without one.
    """

    seed: int
    port_faults: list[PortFault] = field(default_factory=list)
    disk_fault: tuple[str, int, int] | None = None
    read_fault: tuple[int, int] | None = None
    middle_fault: tuple[int, int] | None = None
    slow: float = 0.001
    clock_step: tuple[int, float] | None = None
    kills: list[tuple[int, bool]] = field(default_factory=list)
    keeps_count: bool = True
    polled: bool = False
    on_change: bool = False
    zarr: bool = False
    seconds: float = 0.55
    broker: BrokerPlan | None = None

    def names(self) -> list[str]:
        """Return the faults by name."""
        found = [one.kind for one in self.port_faults]
        found += [] if self.disk_fault is None else [self.disk_fault[0]]
        found += ["read fails"] * (self.read_fault is not None)
        found += ["read breaks off"] * (self.middle_fault is not None)
        found += ["on change"] * self.on_change
        found += ["polled"] * self.polled
        found += ["disk slow"] * (0.01 < self.slow < 1) + ["disk hangs"] * (self.slow >= 1)
        found += ["clock step"] * (self.clock_step is not None)
        found += ["power cut" if cut else "kill" for _, cut in self.kills[:1]]
        found += ["second kill"] * (len(self.kills) > 1)
        if self.broker is not None:
            found += ["broker", *(fault.kind for fault in self.broker[1])]
        return found


def plan_of(seed: int) -> Plan:
    """Return what a seed lets go wrong."""
    random = Random(seed)
    plan = Plan(seed)
    for _ in range(random.choice([0, 1, 1, 2])):
        kind = random.choice(PORT_FAULTS)
        begin = random.randrange(80, 400)
        length = random.randrange(30, 200)
        plan.port_faults.append(
            PortFault(kind, random.choice(["encoder", "gauge"]), begin, begin + length)
        )
    if random.random() < 0.3:
        kind = random.choice(list(DISK_FAULTS))
        begin = random.randrange(FIRST_STEP, 120)
        length = random.choice([1, 1, 5, 1_000_000])
        plan.disk_fault = (kind, begin, begin + length)
    if random.random() < 0.15:
        plan.slow = random.choice([0.05, 0.3, 2.0])
    if random.random() < 0.15:
        plan.clock_step = (random.randrange(80, 480), random.choice([-86400.0, -1.0, 1.0, 3e7]))
    if random.random() < 0.5:
        plan.kills.append((random.randrange(FIRST_STEP, 130), random.random() < 0.6))
        if random.random() < 0.4:
            plan.kills.append((random.randrange(1, 60), random.random() < 0.6))
    if any((one.kind, one.port) == ("device restarted", "encoder") for one in plan.port_faults):
        # A run that begins later cannot know of it.
        plan.keeps_count, plan.kills, plan.disk_fault = False, [], None
    if plan.kills or plan.disk_fault is not None:
        # Of a clock whose lines come late from the start on nobody can know that they do.
        plan.port_faults = [one for one in plan.port_faults if one.kind != "bytes delayed"]
    plan.zarr = random.random() < _ZARR_SHARE
    _leave_one_restart(plan)
    if Random(seed + 5).random() < _ON_CHANGE_SHARE:
        plan.on_change = True
        # Lines that are on their way for longer than the station file has it are taken for a rest.
        late = ("bytes delayed", "encoder")
        plan.port_faults = [one for one in plan.port_faults if (one.kind, one.port) != late]
    if (reads := Random(seed + 6)).random() < _READ_SHARE:
        begin = reads.randrange(24)  # a run that resumes opens so many
        plan.read_fault = begin, begin + reads.choice([1, 1, 5, 1_000_000])
    if (middle := Random(seed + 7)).random() < _MIDDLE_SHARE:
        begin = middle.randrange(24)
        plan.middle_fault = begin, begin + middle.choice([1, 1, 5, 1_000_000])
    if Random(seed + 8).random() < _POLLED_SHARE:
        plan.polled = True
        # It has no clock, so that nothing shows that it was restarted.
        restarted = ("device restarted", "gauge")
        plan.port_faults = [one for one in plan.port_faults if (one.kind, one.port) != restarted]
    if not plan.keeps_count:  # nor a run that begins anew as its files could not be read
        plan.read_fault = plan.middle_fault = None
    apart = Random(seed + 3)  # so that a seed stays what it was before there was a broker
    if apart.random() < _BROKER_SHARE:
        plan.broker = broker_plan_of(apart)
    return plan


class _PlacedReadings:
    """Keeps time, thickness and place of each reading; an observer of a replay."""

    def __init__(self) -> None:
        self.rows: list[tuple[int, float, float]] = []

    def placed(self, placed: Placed) -> None:
        """Keep readings."""
        readings = placed.readings
        columns = (readings["time"], readings["thickness"], placed.scan)
        self.rows += zip(*(column.tolist() for column in columns), strict=True)

    def moved_along(self, path: ProbePath) -> None:
        """Keep nothing of the path."""

    def delay_changed(self) -> None:
        """Nothing depends on it."""


def _leave_one_restart(plan: Plan) -> None:
    """Leave out a restart soon after another one, whose clock need not run back for it.

    Its lines come late by less than an interval of the device, as far as anybody can know.
    """
    kept: list[PortFault] = []
    for one in sorted(plan.port_faults, key=lambda fault: fault.begin):
        restarts = [
            other.begin
            for other in kept
            if (other.kind, other.port) == (one.kind, one.port) == ("device restarted", one.port)
        ]
        if not restarts or one.begin - restarts[-1] > _LINES_MS:
            kept.append(one)
    plan.port_faults = [one for one in plan.port_faults if one in kept]


class FaultyRun:
    """Runs one plan; `problems` then lists what did not hold.

    Args:
        plan: what goes wrong.
        folder: empty, for the simulated disk.
    """

    def __init__(self, plan: Plan, folder: Path) -> None:
        self.plan = replace(plan)
        self.machine = Machine(folder, plan.seed)
        self.path = folder / "survey"
        share = _DAMAGED_ON_CHANGE if plan.on_change else _DAMAGED
        self.strip = Strip(Random(plan.seed + 2), plan.port_faults, damaged=share)
        self.problems: list[str] = []
        self.steps = 0
        self._daemon: Daemon | None = None
        self._waits_for = ""
        self._killed_at = 0
        self._resumed = self._failing = False
        self._reads = self._middles = 0
        self._middle_fault = plan.middle_fault
        self.runs = 0
        self.refused: list[str] = []
        broker = plan.broker
        self.broker = None if broker is None else BrokerWorld(broker, self.machine, plan.seed + 4)

    def run(self) -> list[str]:
        """Run the survey with its kills, and examine what is left; return what does not hold."""
        SimulatedReader.plug = staticmethod(self._plugged)
        SimulatedReader.ask = staticmethod(self.strip.answer)
        with ExitStack() as stack:
            stack.enter_context(self.machine.installed())
            stack.enter_context(self._arrays())
            if self.broker is not None:
                stack.enter_context(self.broker.installed())
            for step, cut in self.plan.kills:
                self._one(step, cut=cut)
            ended = self._one(None)
            if not ended and not self.problems:
                # There is room again.
                self.plan.disk_fault = self.plan.read_fault = self.plan.middle_fault = None
                ended = self._one(None)
            if ended and not self._resumed:  # the files are older: another run, with time to replay
                self.plan.slow, self.plan.disk_fault = _QUICK / 10, None
                self.plan.read_fault = self.plan.middle_fault = None
                ended = self._one(None) and self._resumed
            if not ended and not self.problems:
                self.problems.append(f"does not run on a sound disk: {self.refused[-1:]}")
            self.machine.disk.revive()
            if not self.problems:
                self._read_breaks_off()
            if not self.problems:
                self._examine()
        return self.problems

    @contextmanager
    def _arrays(self) -> Iterator[None]:
        places = [sys.modules["swathe.live.derived_files"], sys.modules["swathe.store.rebuild"]]
        if self.plan.zarr:
            places = []
        before = [(module, vars(module)["SurveyArrays"]) for module in places]
        for module in places:
            vars(module)["SurveyArrays"] = LightArrays
        try:
            yield
        finally:
            for module, kept in before:
                vars(module)["SurveyArrays"] = kept

    def _one(self, kill_at: int | None, *, cut: bool = False) -> bool:
        """Run the daemon once; return whether it ended in good order."""
        self.runs += 1
        machine, disk = self.machine, self.machine.disk
        disk.revive()
        first = disk.steps
        self._resumed = self._failing = False
        self._waits_for, machine.on_hung = "", self._hung
        disk.on_step = lambda step: self._step(step, first, kill_at)
        self._reads = self._middles = 0
        disk.on_read, disk.on_middle = self._read, self._middle
        machine.thread_seconds = lambda: self.plan.slow
        try:
            machine.run(self._scan(), limit=_LIMIT_SECONDS)
        except Killed:
            self._after_kill(cut=cut)
            return False
        except HungError as error:
            if self._waits_for:  # in real time the process then ends 3 s after SIGTERM
                self.refused.append(f"abandoned: {self._waits_for}")
            else:
                self.problems.append(f"hangs: {error}; no disk refuses anything, or none is named")
            return False
        except SwatheError as error:
            self.refused.append(str(error))
            plan = self.plan
            if not (plan.disk_fault or plan.read_fault or plan.middle_fault):
                self.problems.append(f"refused without a fault of the disk: {error}")
            return False
        except Exception as error:  # noqa: BLE001  any other is a finding
            self.problems.append(f"raises {type(error).__name__}: {error}")
            return False
        finally:
            self.steps = disk.steps - first
            disk.on_step = lambda _: False
            disk.on_read = disk.on_middle = lambda _: None
        return True

    def _plugged(self, port: str, since_ns: int) -> Iterable[Delivery]:
        if port == "gauge" and self.plan.polled:
            return self.strip.outages(port, since_ns)
        return self.strip.deliveries(port, since_ns)

    def _read_breaks_off(self) -> None:
        """Replay while reads fail: that is reported or has an error with a text, and changes no file."""
        if self._middle_fault is None:
            return
        before = {str(path): path.read_bytes() for _, path in _derived(self.path)}
        self._middles, self.plan.middle_fault = 0, self._middle_fault
        self.machine.disk.on_middle = self._middle
        try:
            replay(SurveyFolder(self.path))
        except SwatheError as error:
            self.refused.append(str(error))
        except OSError as error:
            self.problems.append(f"a replay raises {error!r} where a read fails")
        self.machine.disk.revive()
        self.plan.middle_fault = None
        if before != {str(path): path.read_bytes() for _, path in _derived(self.path)}:
            self.problems.append("a replay that could not read changed files")

    def _middle(self, path: str) -> None:
        """Let a read behind the beginning of a file fail if it is the turn of that."""
        self._middles += 1
        fault = self.plan.middle_fault
        if fault is not None and fault[0] <= self._middles < fault[1]:
            raise OSError(errno.EIO, os.strerror(errno.EIO), path)

    def _read(self, path: str) -> None:
        """Let a file be unreadable if it is the turn of that."""
        self._reads += 1
        fault = self.plan.read_fault
        if fault is not None and fault[0] <= self._reads < fault[1]:
            raise OSError(errno.EIO, os.strerror(errno.EIO), path)

    def _step(self, step: Step, first: int, kill_at: int | None) -> bool:
        number = step.number - first
        self._failing = False
        if kill_at is not None and number >= kill_at:
            self._killed_at = self.machine.clock.now
            return True
        fault = self.plan.disk_fault
        if fault is not None and kill_at is None and fault[1] <= number < fault[2]:
            kind = fault[0]
            if kind in STEP_FAULTS or (kind == "sync fails") == (step.kind == "sync"):
                self._failing = True
                number = (DISK_FAULTS | STEP_FAULTS)[kind]
                raise OSError(number, os.strerror(number), step.path)
        return False

    async def _scan(self) -> None:
        plan = self.plan
        key = plan.keeps_count, plan.on_change, self.broker is not None, plan.polled
        folder = SurveyFolder(self.path)
        daemon = self._daemon = Daemon(_STATIONS[key], _TEXTS[key], folder)
        clock = self.machine.clock
        loop = asyncio.get_running_loop()
        loop.call_later(self.plan.seconds, daemon.stop, "enough")
        if (step := self.plan.clock_step) is not None:
            at, by = START_NS + step[0] * 1_000_000, round(step[1] * 1e9)
            if at > clock.now:
                loop.call_later((at - clock.now) / 1e9, self._set_clock, by)
        outcome = await (daemon.run() if self.broker is None else self.broker.run(daemon))
        self._resumed = outcome.resumed

    def _hung(self) -> None:
        """Keep what the daemon reports of a disk that took nothing to the last."""
        if self._daemon is not None and self._failing:
            self._waits_for = self._daemon._session.disk_trouble

    def _set_clock(self, by: int) -> None:
        self.machine.clock.utc_offset += by

    def _bytes_journalled(self) -> dict[str, bytes]:
        return _bytes_in(self.path / "journal")

    def _after_kill(self, *, cut: bool) -> None:
        disk, clock = self.machine.disk, self.machine.clock
        disk.revive()
        if not cut:
            self._lost_nothing_older("kill", _KILL_LOSES_NS, self._bytes_journalled())
            return
        synced = self._synced_bytes()
        disk.cut_power()
        clock.now += 1_000_000_000
        left = self._bytes_journalled()
        self._lost_nothing_older("power cut", _CUT_LOSES_NS, left)
        for port, data in synced.items():
            if not _holds(left.get(port, b""), data, insertion=len(self.plan.kills) > 1):
                self.problems.append(
                    f"power cut: {len(data)} bytes of {port} were synced, the journal then has "
                    f"{len(left.get(port, b''))} and not the same"
                )

    def _lost_nothing_older(self, kind: str, age: int, journalled: dict[str, bytes]) -> None:
        readers, self.machine.readers = self.machine.readers, {}
        if self.plan.disk_fault is not None or (kind == "power cut" and self.plan.slow > _QUICK):
            return
        for name, reader in readers.items():
            due = self._killed_at - age
            given = b"".join(data for time, data in reader.handed_over if time < due)
            if given not in journalled.get(name, b""):
                self.problems.append(f"{kind}: bytes of {name} older than {age // MS} ms are lost")

    def _synced_bytes(self) -> dict[str, bytes]:
        """Return what a reader finds in the synced part of each journal file."""
        beside = self.path.with_name("synced")
        real = self.machine.disk
        shutil.rmtree(beside, ignore_errors=True)
        beside.mkdir()
        if (self.path / "journal").is_dir():
            for path in segment_paths(self.path / "journal"):
                (beside / path.name).write_bytes(real.synced(str(path)))
        found = _bytes_in(beside)
        shutil.rmtree(beside)
        return found

    def _examine(self) -> None:
        live = {name: path.read_bytes() for name, path in _derived(self.path)}
        folder = SurveyFolder(self.path)
        placed = _PlacedReadings()
        pipeline = replay(folder, observer=placed)
        self.problems += self._against_truth(pipeline.grid)
        self.problems += self._misplaced(placed)
        if self.broker is not None:
            marks = (one for one in read_journal(self.path / "journal") if isinstance(one, Mark))
            notes = [str(one.detail["text"]) for one in marks if one.kind is MarkKind.NOTE]
            self.problems += self.broker.problems
            self.problems += self.broker.of_notes(notes)
        with folder:
            write_derived(folder, pipeline)
        again = {name: path.read_bytes() for name, path in _derived(self.path)}
        for name in sorted(live.keys() | again.keys()):
            if live.get(name) != again.get(name):
                self.problems.append(f"rebuild differs from the live run in {name}")
        record = read_survey_record(self.path / "survey.json")
        if record.status == "complete" and not np.all(pipeline.grid.state == CellState.MEASURED):
            self.problems.append("the status is 'complete', cells are missing")

    @property
    def _allowed_mm(self) -> float:
        """By how much a place may be off."""
        faults = self.plan.port_faults
        damaged = any(one.port == "encoder" and one.kind in _DAMAGE for one in faults)
        return _MISSING_MM if damaged else _PLACING_MM

    def _misplaced(self, placed: _PlacedReadings) -> Iterator[str]:
        """Yield the readings that are too far from where one of their thickness was made."""
        truth: dict[float, list[float]] = {}
        for one in self.strip.truth:
            truth.setdefault(one.thickness, []).append(one.at)
        for time, thickness, place in placed.rows:
            made = truth.get(round(thickness, 4), [])
            if thickness == thickness and not any(
                abs(place - at) <= self._allowed_mm for at in made
            ):
                ms = (time - START_NS) / MS
                yield f"the reading of {ms:.0f} ms is placed at {place:.2f} mm, it was made at {made}"

    def _against_truth(self, grid: object) -> Iterator[str]:
        truth = self.strip.truth
        at = np.array([one.at for one in truth])
        thickness = np.array([one.thickness for one in truth])
        state = np.asarray(grid.state).ravel()  # type: ignore[attr-defined]
        values = np.asarray(grid.thickness)  # type: ignore[attr-defined]
        hits = np.asarray(grid.hits)  # type: ignore[attr-defined]
        off = self._allowed_mm
        without_echo = np.array(self.strip.without_echo)
        for cell in np.flatnonzero(state == CellState.NO_SIGNAL):
            centre = cell * RESOLUTION_MM
            if not np.any(np.abs(without_echo - centre) <= RESOLUTION_MM / 2 + off):
                yield f"cell {cell} at {centre} mm is said to have no signal; all readings there had one"
        for cell in np.flatnonzero(hits.ravel()):
            centre = cell * RESOLUTION_MM
            near = np.abs(at - centre) <= RESOLUTION_MM / 2 + off
            if hits.ravel()[cell] > np.count_nonzero(near):
                yield (
                    f"cell {cell} has {hits.ravel()[cell]} hits, "
                    f"{np.count_nonzero(near)} readings were made there"
                )
            value = values.ravel()[cell]
            if not np.any(np.abs(thickness[near] - value) < 1e-6):
                made = at[np.abs(thickness - value) < 1e-6]
                yield f"cell {cell} at {centre} mm has {value:.4f} mm, which was read at {made} mm"


def _holds(left: bytes, synced: bytes, *, insertion: bool) -> bool:
    """Return whether a journal begins with what was synced.

    With `insertion`, more may follow the synced part of an earlier run that was killed: what the system
    had of it and the disk had not.
    """
    ends = range(len(synced) if not insertion else 0, len(synced) + 1)
    return any(left.startswith(synced[:end]) and synced[end:] in left[end:] for end in ends)


def _bytes_in(journal: Path) -> dict[str, bytes]:
    """Return the bytes of each port that a journal has; none where it cannot be read."""
    found: dict[str, bytearray] = {}
    try:
        for entry in read_journal(journal):
            if isinstance(entry, Chunk):
                found.setdefault(entry.port, bytearray()).extend(entry.data)
    except SwatheError:  # whether a run may refuse it is decided when the next one begins
        pass
    return {port: bytes(data) for port, data in found.items()}


def _derived(path: Path) -> Iterator[tuple[str, Path]]:
    yield "survey.json", path / "survey.json"
    for found in sorted((path / "survey.zarr").rglob("*")):
        if found.is_file():
            yield str(found.relative_to(path)), found
