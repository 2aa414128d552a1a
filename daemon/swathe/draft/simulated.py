"""The station file of a simulated scenario: what an integrator would write down of its devices."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from swathe.draft.parts import (
    calibration_table,
    head_table,
    page_table,
    publish_table,
    survey_table,
)
from swathe.draft.simulated_devices import device_tables, gate_tables, gauge_of_scenario
from swathe.draft.simulated_motion import motion_tables
from swathe.draft.simulated_probes import probe_rows, probe_tables
from swathe.draft.tables import KeyDraft, TableDraft
from swathe.draft.wishes import PlanWishes, cell_size, mm_text, positive_length, width_of
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe_simulators import Scenario

__all__ = ["SimulatedDraft", "simulated_draft"]

_SAME_MM = 1e-6
_CELL = "4 mm"


@dataclass(frozen=True, slots=True)
class SimulatedDraft:
    """A station file of a simulated scenario.

    Attributes:
        tables: of the file.
        moved_by: ``crawler``, ``hand`` (also of a raster that nobody commands) or ``block``.
    """

    tables: tuple[TableDraft, ...]
    moved_by: str


@dataclass(frozen=True, slots=True)
class _Extent:
    """An axis of the plan, mm; no resolution where the cells are free to choose."""

    start: float
    length: float
    step: float | None = None


def simulated_draft(
    scenario: Scenario, wishes: PlanWishes, *, name: str, ports: str = "ports"
) -> SimulatedDraft:
    """Return the station file of a scenario.

    Args:
        scenario: what is simulated.
        wishes: what is given; the rest is the scenario's.
        name: of the station and its survey folder.
        ports: folder of the links to the pseudo-terminals.

    Raises:
        SwatheError: more is wished than the simulated part has; names the option.
    """
    kind = scenario.motion.kind
    moved_by = {"commanded": "crawler", "steps": "block"}.get(kind, "hand")
    gauge = gauge_of_scenario(scenario)
    nominal = wishes.nominal or mm_text(scenario.part.nominal_mm)
    part = wishes.part or f"simulated part of the scenario {scenario.name}"
    tables = [
        head_table(name, wishes.units, comment="Its devices are simulated: `swathe simulate`."),
        survey_table(folder=name, part=part, nominal=nominal, cell=kind != "steps"),
    ]
    if kind == "steps":
        _refuse_plan(wishes)
        tables += _block_tables(scenario)
    else:
        tables += _plan_tables(scenario, wishes)
    if gauge.value != "thickness":
        offset, why = gauge.zero_offset_us, "what the simulated gauge has"
        if gauge.waveform is not None:
            # From the highest half cycle's top to the zero behind it: a quarter of a period.
            offset += 0.25 / gauge.waveform.frequency_mhz
            why = "of the zero crossing: a quarter of a period behind the echo's top"
        velocity = f"{scenario.part.velocity_mm_per_us * 1000:.9g} m/s"
        tables.append(calibration_table(velocity, f"{offset:.9g} us", why_offset=why))
    tables += gate_tables(gauge)
    tables += probe_tables(scenario)
    tables += device_tables(scenario, ports)
    tables += motion_tables(scenario, ports)
    tables += [page_table(), publish_table()]
    return SimulatedDraft(tuple(tables), moved_by)


def _refuse_plan(wishes: PlanWishes) -> None:
    for option in ("length", "width", "cell"):
        if text := getattr(wishes, option):
            message = f"'--{option}' is of a scan, and the scenario is a step block (got {text!r})"
            raise SwatheError(message)


def _plan_tables(scenario: Scenario, wishes: PlanWishes) -> list[TableDraft]:
    scan, index = _extents(scenario)
    along = cell_size(wishes.cell)[0] if wishes.cell else _CELL
    if index is not None and wishes.width and not width_of(wishes.width):
        message = f"'--width' must be > 0: the scenario has several lines (got {wishes.width!r})"
        raise SwatheError(message)
    if index is None and wishes.width and width_of(wishes.width):
        message = f"'--width' needs a scenario of several lines (got {wishes.width!r})"
        raise SwatheError(message)
    length = _within("--length", wishes.length, scan)
    tables = [
        TableDraft(
            "scan",
            (
                *_start(scan),
                KeyDraft("length", length, "between the centres of the first and last cell"),
                KeyDraft("resolution", along, "width of a cell"),
                *_encoder_entries(scenario, "scan"),
            ),
            "The axis along which the probe is moved.",
        )
    ]
    width = 0.0
    if index is not None:
        width_text = _within("--width", wishes.width, index)
        width = positive_length(width_text)
        across = _line_distance(scenario, wishes, index)
        tables.append(
            TableDraft(
                "index",
                (
                    *_start(index),
                    KeyDraft("length", width_text, "between the first line and the last"),
                    KeyDraft("resolution", across, "between two lines"),
                    *_line_entries(scenario),
                ),
                "The axis across it: lines.",
            )
        )
    tables += _zone_tables(scenario, scan, positive_length(length), index, width)
    return tables


def _line_distance(scenario: Scenario, wishes: PlanWishes, index: _Extent) -> str:
    """Return the distance of lines: that of the scenario, unless a crawler is to drive others."""
    own = mm_text(index.step or index.length)
    if not wishes.cell:
        return own
    along, across = cell_size(wishes.cell)
    if scenario.motion.kind == "commanded":
        return across or along
    if across and positive_length(across) != index.step:
        message = (
            f"'--cell' must be {own} across: so far apart are the scenario's lines "
            f"(got {wishes.cell!r})"
        )
        raise SwatheError(message)
    return own


def _extents(scenario: Scenario) -> tuple[_Extent, _Extent | None]:
    """Return where the scenario's probe comes to, along and across."""
    motion = scenario.motion
    if motion.kind == "hand":
        return _Extent(motion.scan_start_mm, motion.scan_end_mm - motion.scan_start_mm), None
    assert motion.kind in ("raster", "commanded")  # noqa: S101  the others have no lines
    lines = [motion.index_start_mm + k * motion.index_step_mm for k in range(motion.index_count)]
    rows = probe_rows(scenario, lines)
    step = motion.index_step_mm
    if scenario.probes and len(rows) > 1:
        step = min(after - before for before, after in pairwise(rows))
    across = _Extent(rows[0], rows[-1] - rows[0], step)
    if motion.kind == "raster":
        start, end = motion.scan_start_mm, motion.scan_end_mm
    else:
        start, end = scenario.part.scan_mm
    return _Extent(start, end - start), across if len(rows) > 1 else None


def _within(option: str, text: str, extent: _Extent) -> str:
    """Return a wished length, or the extent's own; both with a unit."""
    if not text:
        return mm_text(extent.length)
    value = positive_length(text)
    if value > extent.length + _SAME_MM:
        message = (
            f"'{option}' must be at most {mm_text(extent.length)} in this scenario (got {text!r})"
        )
        raise SwatheError(message)
    return text


def _start(extent: _Extent) -> list[KeyDraft]:
    if extent.start == 0:
        return []
    return [KeyDraft("start", mm_text(extent.start), "centre of the first cell")]


def _encoder_entries(scenario: Scenario, name: str) -> list[KeyDraft]:
    """Return device and scale of an encoded axis; empty where nothing encodes it."""
    for device in scenario.device:
        for axis in getattr(device, "axes", ()):
            if axis.axis == name:
                entries = [
                    KeyDraft("device", device.name, "whose counts give the position"),
                    KeyDraft(
                        "counts_per_mm",
                        axis.counts_per_mm,
                        "`swathe calibrate encoder` measures it",
                    ),
                ]
                if axis.sign < 0:
                    entries.append(
                        KeyDraft("reversed", True, "counts fall while the position rises")
                    )
                if axis.preset:
                    entries.append(KeyDraft("zero_count", axis.preset, "counts at 0 mm"))
                return entries
    return []


def _line_entries(scenario: Scenario) -> list[KeyDraft]:
    if encoded := _encoder_entries(scenario, "index"):
        return encoded
    motion = scenario.motion
    advance = "command"
    if motion.kind == "raster":
        advance = "return" if motion.pattern == "one_way" else "either end"
    meaning = {
        "command": "the crawler sets the line",
        "return": "the next line begins when the probe is back at the start",
        "either end": "the next line begins when the probe turns at an end",
    }
    return [
        KeyDraft("mode", "stepped", "no encoder: one line at a time"),
        KeyDraft("advance", advance, meaning[advance]),
    ]


def _zone_tables(
    scenario: Scenario, scan: _Extent, length: float, index: _Extent | None, width: float
) -> list[TableDraft]:
    """Return what stands in the way within the plan."""
    zones = [(zone.scan_mm, zone.index_mm) for zone in scenario.part.obstructions]
    if index is None:
        return []
    inside = [
        (along, across)
        for along, across in zones
        if _touches(along, scan.start, length) and _touches(across, index.start, width)
    ]
    return [
        TableDraft(
            "exclude",
            (
                KeyDraft(
                    "name", "obstruction" if len(inside) == 1 else f"obstruction {number}", ""
                ),
                KeyDraft("scan", tuple(map(mm_text, along))),
                KeyDraft("index", tuple(map(mm_text, across))),
            ),
            "Not scanned, and no gap; a crawler drives around it." if number == 1 else "",
            repeated=True,
        )
        for number, (along, across) in enumerate(inside, 1)
    ]


def _touches(zone: Sequence[float], start: float, length: float) -> bool:
    return zone[0] <= start + length and zone[1] >= start


def _block_tables(scenario: Scenario) -> list[TableDraft]:
    """Return the steps of a block as spots, and what a calibration on it needs."""
    order = list(getattr(scenario.motion, "order_mm", ()))
    steps = [mm_text(step) for step in order or [s.thickness_mm for s in scenario.part.steps]]
    return [
        TableDraft(
            "spots",
            (
                KeyDraft("max_spread", "0.1 mm", "greatest difference among readings that agree"),
                KeyDraft(
                    "spot",
                    tuple({"name": f"step {step}", "nominal": step} for step in steps),
                    "the steps, so that `swathe run` reads them",
                ),
            ),
            "Places that are read one at a time, without an encoder.",
        ),
        TableDraft(
            "block",
            (
                KeyDraft("name", scenario.name, "named in the calibration record"),
                KeyDraft("steps", tuple(steps), "from the block's certificate"),
                KeyDraft("uncertainty", "0.01 mm", "standard uncertainty of a step"),
            ),
            "The step block: `swathe calibrate thickness` leads over its steps.",
        ),
        TableDraft(
            "probe",
            (
                KeyDraft("name", "simulated probe", "named in the calibration record"),
                KeyDraft("diameter", "6.35 mm", "of the element"),
                KeyDraft("frequency", "5 MHz"),
            ),
        ),
        TableDraft(
            "verification",
            (
                KeyDraft("block", scenario.name),
                KeyDraft("steps", (steps[0], steps[-1]), "read by `swathe verify`"),
                KeyDraft(
                    "tolerance", "0.1 mm", "greatest deviation that passes, by your procedure"
                ),
            ),
        ),
    ]
