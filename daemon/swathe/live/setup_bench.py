"""The set-up of an instrument: its newest reading, its gates, and its sensitivity; no survey."""

from __future__ import annotations

import asyncio
import contextlib
import math
import time
from pathlib import Path
from types import TracebackType
from typing import Self

from swathe.board.setup_state import GateRow, SetupState
from swathe.echo import EchoMeasure, EchoSettings, Polarity
from swathe.errors import SwatheError
from swathe.live.block_reader import BlockReader
from swathe.live.setup_log import SetupLog
from swathe.pipeline.checks.sensitivity import SensitivityCheck, reference_echo
from swathe.pipeline.gauge_state import GaugeMonitor
from swathe.report.setup_lines import sensitivity_text
from swathe.station import SensitivitySettings, Station, check_conditions, law_of
from swathe.station.editing import GATE_KEYS, StationEditor
from swathe.store import SensitivityRecord
from swathe.units import percent, time_of_flight

__all__ = ["SetupBench", "reference_text"]

_PATIENCE_SECONDS = 30.0
_LOOK_SECONDS = 0.1
# Readings sent while the probe was still being moved have arrived by then.
_SETTLE_NS = 300_000_000
_TIME_STEP_US = 0.05
_PERCENT_STEP = 1.0
_WINDOW, _TOLERANCE_US = 20, 0.05


class SetupBench:
    """Follows the gauge of a station, and changes its gates; an async context manager.

    Args:
        path: of the station file.
        area: which of its areas is in force; empty where it has none.

    Attributes:
        page: where the view is in a browser, in words.

    Raises:
        StationError: the station file is invalid.
    """

    def __init__(self, path: Path, *, area: str = "") -> None:
        self._editor = StationEditor(path, area=area)
        self._log = SetupLog(path, area=area)
        self._reader = BlockReader(self.station, window=_WINDOW, tolerance=_TOLERANCE_US)
        self._monitor = GaugeMonitor(self._reader.gauge, None)
        self._newest: SensitivityCheck | None = None
        self._checking = ""
        self._refused: tuple[str, ...] = ()
        self.page = ""
        self._apply()

    @property
    def station(self) -> Station:
        """The station that the draft describes."""
        return self._editor.station

    @property
    def unsaved(self) -> bool:
        """Whether the draft differs from the file."""
        return bool(self._editor.changes)

    async def __aenter__(self) -> Self:
        await self._reader.__aenter__()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self._reader.__aexit__(kind, error, trace)

    def state(self) -> SetupState:
        """Return what the view shows now."""
        changes, station = self._editor.changes, self.station
        gates = station.echo.gate if station.echo is not None else ()
        changed = {(one.gate, one.key.rpartition(".")[2]) for one in changes}
        rows = tuple(
            GateRow(
                name=gate.name,
                values=self._editor.values(gate.name),
                changed=frozenset(key for key in GATE_KEYS if (gate.name, key) in changed),
            )
            for gate in gates
        )
        settings, newest = station.sensitivity, self._newest
        record = None if newest is None else SensitivityRecord.model_validate(newest)
        return SetupState(
            station=station.name,
            file=str(self._editor.path),
            display=station.display,
            gauge=self._monitor.look(self._reader.link, time.monotonic_ns()),
            gates=rows,
            choices=_choices(station.echo),
            locked=self._editor.locked,
            unsaved=tuple(str(one) for one in changes),
            calibration=self._calibration(),
            refused=self._refused,
            reference="" if settings is None else reference_text(settings, station),
            sensitivity="" if record is None else sensitivity_text(record, station.display),
            passed=None if newest is None else newest.passed,
            checking=self._checking,
            page=self.page,
        )

    def change(self, gate: str, key: str, value: str) -> str:
        """Change a key of a gate in the draft, with immediate effect; return what was done.

        Raises:
            StationError: the value is refused; nothing is changed.
        """
        self._editor.change(gate, key, value)
        self._apply()
        return f"{gate}: {key} is {value}"

    def step(self, gate: str, key: str, direction: int) -> str:
        """Change a key by a step up or down, or to its next choice; return what was done.

        Times go by 0.05 µs and thresholds by 1 %.

        Raises:
            StationError: the value is refused; nothing is changed.
        """
        value = self._editor.values(gate)[key]
        if key in ("start", "width"):
            stepped = round(time_of_flight(value) + direction * _TIME_STEP_US, 4)
            return self.change(gate, key, f"{max(stepped, 0.0):g} us")
        if key == "threshold":
            plain = percent(float(value) if _is_number(value) else value)
            return self.change(gate, key, f"{plain + direction * _PERCENT_STEP:g} %")
        choices = _choices(self.station.echo)[key]
        at = choices.index(value) if value in choices else 0
        return self.change(gate, key, choices[(at + direction) % len(choices)])

    def revert(self) -> str:
        """Let the draft be the file again; return what was done."""
        count = len(self._editor.changes)
        self._editor.revert()
        self._apply()
        return f"{count} changes undone" if count != 1 else "1 change undone"

    def save(self, by: str) -> str:
        """Write the draft into the station file, and who did it into the log; return what was done.

        Raises:
            SwatheError: the file was changed meanwhile, or cannot be written.
        """
        changes = [str(one) for one in self._editor.changes]
        if not changes:
            return "nothing to write: the gates are as in the station file"
        backup = self._editor.save()
        self._log.add("gates", by=by, changes=changes, backup=backup.name)
        return f"written to {self._editor.path}; as it was before: {backup.name}"

    async def check_sensitivity(self, by: str) -> str:
        """Read the reference echo and log the check; return the result.

        Raises:
            SwatheError: it cannot be checked, or the echo was not steady in time.
        """
        settings = self.station.sensitivity
        if settings is None:
            msg = "no reference echo: add [sensitivity] with reference and tolerance"
            raise SwatheError(msg)
        if len(self.station.probes) > 1:
            msg = "several probes: pause a run, and give the command 'sensitivity' with its 'probe'"
            raise SwatheError(msg)
        if self.unsaved:
            msg = "write the gates first, or undo them: a check is recorded with the file's gates"
            raise SwatheError(msg)
        if self._checking:
            msg = "a check is in progress"
            raise SwatheError(msg)
        try:
            return await self._check(settings, by)
        finally:
            self._checking = ""

    async def _check(self, settings: SensitivitySettings, by: str) -> str:
        since = time.monotonic_ns() + _SETTLE_NS
        end = time.monotonic() + _PATIENCE_SECONDS
        while True:
            try:
                echo = reference_echo(
                    self._reader.link.newest, since=since, spread=settings.tolerance
                )
                break
            except SwatheError as error:
                if time.monotonic() > end:
                    msg = f"no steady reference echo in {_PATIENCE_SECONDS:g} s: {error}"
                    raise SwatheError(msg) from error
                self._checking = str(error)
            await asyncio.sleep(_LOOK_SECONDS)
            if self.unsaved:
                msg = "the gates were changed: check again"
                raise SwatheError(msg)
        detail = echo.detail(settings)
        self._log.add("sensitivity", by=by, **detail)
        self._newest = SensitivityCheck.from_detail({**detail, "by": by}, time.time_ns())
        deviation = self._newest.deviation
        verdict = "passed" if self._newest.passed else "FAILED"
        return (
            f"sensitivity {verdict}: {deviation:+.2f} dB from {settings.reference:g} %, "
            f"tolerance {settings.tolerance:g} dB"
        )

    def _apply(self) -> None:
        """Let the draft's gates measure, by the calibration if that is of these gates."""
        station = self.station
        self._reader.link.echo = station.echo
        self._refused = tuple(str(problem) for problem in check_conditions(station))
        if self._refused:
            no_law = "no thickness: the calibration record is of other settings"
            self._monitor.set_law(None, no_law=no_law)
        else:
            law = law_of(station)
            self._reader.link.zero_offset_us = 0.0 if law is None else law.zero_offset
            self._monitor.set_law(law)

    def _calibration(self) -> str:
        """Return which calibration the thickness is of."""
        station = self.station
        if station.calibration is None:
            return "thickness as the instrument sends it: its calibration is unknown"
        law = law_of(station)
        assert law is not None  # noqa: S101  there is a calibration
        values = f"velocity {station.display.velocity_text(law.velocity, 0)}, zero {law.zero_offset:.3f} µs"
        if station.record is None:
            return f"{values} (station file, no record)"
        record = station.record
        return f"{values} (record {record.id}, {record.time:%Y-%m-%d %H:%M} UTC, {record.by})"


def reference_text(settings: SensitivitySettings, station: Station) -> str:
    """Return the reference echo and its tolerance in words."""
    step = "" if settings.step is None else station.display.stated_thickness_text(settings.step)
    where = " ".join(part for part in (settings.block, step) if part)
    on = f" on {where}" if where else ""
    return f"{settings.reference:g} %{on}, tolerance {settings.tolerance:g} dB"


def _choices(echo: EchoSettings | None) -> dict[str, tuple[str, ...]]:
    """Return the values of keys that have only so many."""
    names = () if echo is None else tuple(gate.name for gate in echo.gate)
    interface = () if echo is None or echo.interface is None else ("interface",)
    return {
        "measure": tuple(EchoMeasure),
        "polarity": tuple(Polarity),
        "after": ("zero", *dict.fromkeys((*interface, *names))),
    }


def _is_number(text: str) -> bool:
    with contextlib.suppress(ValueError):
        return math.isfinite(float(text))
    return False
