"""The station file of devices at hand."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from swathe.draft.own_devices import OwnDevice
from swathe.draft.parts import (
    calibration_table,
    echo_tables,
    head_table,
    page_table,
    publish_table,
    survey_table,
)
from swathe.draft.port_trial import described_in_words
from swathe.draft.tables import KeyDraft, TableDraft
from swathe.draft.wishes import (
    PlanWishes,
    cell_size,
    positive_length,
    scale_of,
    sound_velocity,
    spot_count,
    width_of,
)
from swathe.errors import SwatheError
from swathe.report.styles import MOTION_CAUTION

__all__ = ["STEEL_VELOCITY", "description_files", "encoded_axes", "needed_scales", "own_tables"]

STEEL_VELOCITY = "5920 m/s"
"""Of longitudinal waves in carbon steel: common practice, no source."""

_CRAWLER = (
    "A crawler that moves the probe by itself needs a table [motion]: the guide's page on crawlers has "
    f"all its keys.\nCAUTION: {MOTION_CAUTION}"
)


def encoded_axes(gauge: OwnDevice, encoder: OwnDevice | None) -> dict[str, bool]:
    """Return the axes whose positions the devices give, and whether each needs a scale.

    Raises:
        SwatheError: the encoder gives none, or the gauge no readings.
    """
    if not gauge.decoder.gives_readings:
        message = (
            f"'--gauge-protocol' must describe a device that gives readings (got {gauge.file}: "
            f"{_gives(gauge)}); the device that gives positions is --encoder"
        )
        raise SwatheError(message)
    source = (encoder or gauge).decoder
    if encoder is not None and not source.axes:
        message = (
            f"'--encoder-protocol' must describe a device that gives positions (got {encoder.file}: "
            f"{_gives(encoder)})"
        )
        raise SwatheError(message)
    return {axis: axis not in source.length_axes for axis in source.axes}


def needed_scales(axes: dict[str, bool], *, lines: bool) -> list[str]:
    """Return the keys of `PlanWishes` that give a scale which the devices need.

    Args:
        axes: as `encoded_axes` returns them.
        lines: whether the plan has an index axis.
    """
    if not axes:
        return []
    scan = _scan_column(axes)
    needed = ["scan_scale"] if axes[scan] else []
    return needed + ["index_scale"] * (lines and scan != "index" and axes.get("index", False))


def _scan_column(axes: dict[str, bool]) -> str:
    """Return the column of the positions along the scan axis."""
    return "scan" if "scan" in axes else next(iter(axes))


def _gives(device: OwnDevice) -> str:
    return described_in_words(device.description)


def own_tables(
    wishes: PlanWishes, gauge: OwnDevice, encoder: OwnDevice | None, *, name: str
) -> list[TableDraft]:
    """Return the tables of a station file.

    Args:
        wishes: what is measured; nothing that the devices make necessary is empty.
        gauge: gives readings, and positions where there is no encoder and it has them.
        encoder: gives positions; None without one.
        name: of the station and its survey folder.

    Raises:
        SwatheError: the devices do not give what they are named for.
    """
    axes = encoded_axes(gauge, encoder)
    tables = [
        head_table(name, wishes.units),
        survey_table(
            folder=name, part=wishes.part or name, nominal=wishes.nominal, cell=bool(axes)
        ),
    ]
    if axes:
        tables += _axis_tables(wishes, axes, encoder or gauge)
    else:
        tables.append(_spots_table(wishes))
    velocity = wishes.velocity or STEEL_VELOCITY
    if "thickness" not in gauge.decoder.gives:
        tables.append(_calibration_table(velocity, given=bool(wishes.velocity)))
    tables += _block_tables(wishes.nominal)
    tables += _own_gate(gauge, wishes.nominal, velocity)
    devices = [gauge] if encoder is None else [encoder, gauge]
    tables += [_device_table(device, alone=len(devices) == 1) for device in devices]
    return [*tables, page_table(), publish_table(), *([TableDraft("", (), _CRAWLER)] * bool(axes))]


def _axis_tables(wishes: PlanWishes, axes: dict[str, bool], device: OwnDevice) -> list[TableDraft]:
    along, across = cell_size(wishes.cell)
    scan = _scan_column(axes)
    tables = [
        TableDraft(
            "scan",
            (
                KeyDraft("length", wishes.length, "between the centres of the first and last cell"),
                KeyDraft("resolution", along, "width of a cell"),
                *_encoded("scan", scan, axes, device, wishes.scan_scale),
                _zero_draft(is_count=axes[scan]),
                KeyDraft("reversed", True, "where counts fall along the scan", off=True),
            ),
            "The axis along which the probe is moved.",
        )
    ]
    if not width_of(wishes.width or "0"):
        return tables
    lines: tuple[KeyDraft, ...]
    if "index" in axes and scan != "index":
        lines = tuple(_encoded("index", "index", axes, device, wishes.index_scale))
    else:
        lines = (
            KeyDraft("mode", "stepped", "no encoder: one line at a time"),
            KeyDraft("advance", "command", 'keys n and p; or "return", "either end": by motion'),
        )
    keys = (
        KeyDraft("length", wishes.width, "between the first line and the last"),
        KeyDraft("resolution", across or along, "between two lines"),
        *lines,
    )
    return [*tables, TableDraft("index", keys, "The axis across it: lines.")]


def _zero_draft(*, is_count: bool) -> KeyDraft:
    """Return the key that moves the zero of the scan axis, not in force."""
    if not is_count:
        return KeyDraft("zero_at", "0 mm", "position where the device sends 0", off=True)
    text = "counts where the scan begins: `swathe check` shows them"
    return KeyDraft("zero_count", 0, text, off=True)


def _encoded(
    name: str, column: str, axes: dict[str, bool], device: OwnDevice, scale: str
) -> list[KeyDraft]:
    """Return what gives the position on an axis."""
    keys = [KeyDraft("device", _name(device, axes), "gives the position")]
    if column != name:
        keys.append(KeyDraft("counts", column, "its column"))
    if axes[column]:
        keys += [
            KeyDraft(key, value, "`swathe calibrate encoder` measures it")
            for key, value in scale_of(scale).items()
        ]
    return keys


def _name(device: OwnDevice, axes: dict[str, bool]) -> str:
    return "instrument" if axes and device.name == "gauge" else device.name


def _spots_table(wishes: PlanWishes) -> TableDraft:
    count = spot_count(wishes.spots)
    width = len(f"{count}")
    return TableDraft(
        "spots",
        (
            KeyDraft("max_spread", "0.1 mm", "greatest difference among readings that agree"),
            KeyDraft("couplings", 1, "of each spot, the probe lifted in between"),
            KeyDraft(
                "spot",
                tuple({"name": f"S{number:0{width}}"} for number in range(1, count + 1)),
                'in the order of reading; place = "saddle 1, 12 o\'clock" is shown as well',
            ),
        ),
        "Places that are read one at a time: no device gives positions.",
    )


def _calibration_table(velocity: str, *, given: bool) -> TableDraft:
    why = "" if given else f"\n{velocity} is usual for carbon steel: NOT measured here."
    return calibration_table(
        velocity,
        "0 us",
        comment=f"thickness = velocity × (time of flight - zero offset) / 2{why}",
        why_offset="NOT measured: walls read thick until it is calibrated",
    )


def _block_tables(nominal: str) -> list[TableDraft]:
    """Return what a calibration and its checks need; not in effect."""

    def off(*keys: tuple[str, object, str]) -> tuple[KeyDraft, ...]:
        return tuple(KeyDraft(key, value, comment, off=True) for key, value, comment in keys)

    steps = ("0.500 in", "0.400 in", "0.300 in", "0.200 in")
    return [
        TableDraft(
            "",
            off(
                ("name", "B-7", "of the block"),
                ("steps", steps, "from its certificate"),
                ("uncertainty", "0.01 mm", "standard uncertainty of a step"),
            ),
            "Without # these tables let `swathe calibrate thickness` and `swathe verify` lead over a step "
            f"block; its steps are to enclose the walls, {nominal} among them.\n[block]",
        ),
        TableDraft(
            "",
            off(("diameter", "6.35 mm", "of the element"), ("frequency", "5 MHz", "")),
            "[probe]",
        ),
        TableDraft(
            "",
            off(
                ("steps", (steps[0], steps[-1]), ""),
                ("tolerance", "0.1 mm", "greatest deviation that passes, by your procedure"),
                ("interval", "4 h", "longest time between two checks"),
            ),
            "[verification]",
        ),
    ]


def _own_gate(gauge: OwnDevice, nominal: str, velocity: str) -> list[TableDraft]:
    """Return a gate around the back wall of the nominal thickness, for a gauge that sends A-scans."""
    form = gauge.decoder.waveform
    if form is None:
        return []
    flight = 2 * positive_length(nominal) / sound_velocity(velocity)
    end = form.start_us + form.samples * form.interval_us
    start = max(form.start_us, min(0.4 * flight, end - 2 * form.interval_us))
    return echo_tables(
        start,
        min(1.2 * flight, 0.99 * (end - start)),
        comment="The A-scan is measured by gates.",
        gate_comment="Around the echo of the nominal thickness: set it with `swathe setup`.",
    )


def _device_table(device: OwnDevice, *, alone: bool) -> TableDraft:
    combined = alone and bool(device.decoder.axes)
    name = "instrument" if combined else device.name
    gives = "Gives readings."
    if device.decoder.axes:
        gives = "Gives positions and readings." if alone else "Gives positions."
    keys = [
        KeyDraft("port", device.port, "see `swathe ports`"),
        KeyDraft("description", device.file, "what it sends; compare it with the manual"),
    ]
    if not alone:
        delay = ("2 ms", "from the count to its first byte, where it is known")
        if device.name == "gauge":
            delay = ("auto", 'the survey measures it; or "9 ms": from the echo to its first byte')
        keys.append(KeyDraft("delay", *delay, off=True))
    return TableDraft(f"device.{name}", tuple(keys), gives)


def description_files(devices: Sequence[OwnDevice | None], folder: Path) -> dict[Path, str]:
    """Return path and text of the descriptions that are to be written.

    Args:
        devices: whose they are.
        folder: of the station file. One that is there already, with the same text, is left out.
    """
    files: dict[Path, str] = {}
    for device in devices:
        if device is not None and device.text:
            path = folder / device.file
            if not path.is_file() or path.read_text(encoding="utf-8") != device.text:
                files[path] = device.text
    return files
