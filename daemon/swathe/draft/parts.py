"""The tables that every new station file has, each key with what it means."""

from __future__ import annotations

from collections.abc import Sequence

from swathe.draft.tables import KeyDraft, TableDraft

__all__ = [
    "calibration_table",
    "columns_entry",
    "echo_tables",
    "head_table",
    "page_table",
    "publish_table",
    "survey_table",
]

_HEAD = (
    "Station file of Swathe: what is scanned, with what, and where it is kept. After each change run "
    '`swathe check` on it. Lengths, times and velocities take any unit, such as "7 in" or '
    '"5920 m/s"; a key behind a # is not in effect.\n'
    "Plan, resolution and excluded zones are for your procedure, local codes and a licensed "
    "practitioner to decide: Swathe measures, it does not judge fitness for service."
)


def head_table(name: str, units: str, *, comment: str = "") -> TableDraft:
    """Return the keys ahead of all tables.

    Args:
        name: of the station.
        units: of what a person reads and types.
        comment: added to the introduction.
    """
    entries = [KeyDraft("name", name, f"also the MQTT topic: swathe/{name}/...")]
    if units != "mm":
        entries.append(KeyDraft("units", units, "of lengths in what a person reads and types"))
    return TableDraft("", tuple(entries), f"{_HEAD}\n{comment}" if comment else _HEAD)


def survey_table(*, folder: str, part: str, nominal: str, cell: bool = True) -> TableDraft:
    """Return ``[survey]``.

    Args:
        folder: of the survey, relative to the station file.
        part: what is scanned.
        nominal: thickness, with its unit.
        cell: whether readings fall into cells; else they are those of spots.
    """
    what = "cells" if cell else "spots"
    return TableDraft(
        "survey",
        (
            KeyDraft("folder", folder, "of the survey, relative to this file"),
            KeyDraft("part", part, "what is scanned"),
            KeyDraft("operator", "A. Kern", "who scans; or run --operator", off=True),
            KeyDraft("nominal_thickness", nominal, "for colours and doubtful readings"),
            KeyDraft("alert_below", "8 mm", "a thinner reading raises an alarm", off=True),
            KeyDraft("cell_rule", "minimum", "or mean, first, last, strongest"),
            KeyDraft("target_coverage", "100 %", f"of the required {what}: then it is complete"),
        ),
    )


def calibration_table(
    velocity: str, zero_offset: str, *, comment: str = "", why_offset: str = ""
) -> TableDraft:
    """Return ``[calibration]`` of a gauge that sends times of flight.

    Args:
        velocity: of sound in the part, with its unit.
        zero_offset: with its unit.
        comment: ahead of the table.
        why_offset: what the zero offset is made of.
    """
    return TableDraft(
        "calibration",
        (
            KeyDraft("velocity", velocity, "of sound in the part"),
            KeyDraft("zero_offset", zero_offset, why_offset or "of probe, cable and couplant"),
            KeyDraft(
                "file",
                "calibration.json",
                "instead of both, once `swathe calibrate thickness` wrote it",
                off=True,
            ),
        ),
        comment or "thickness = velocity × (time of flight - zero offset) / 2",
    )


def page_table() -> TableDraft:
    """Return ``[page]``."""
    return TableDraft(
        "page",
        (
            KeyDraft("host", "0.0.0.0", "to be seen from other machines, with a token", off=True),  # noqa: S104
            KeyDraft("port", 8377, "0: a free one, printed at the start"),
        ),
        "The page, at http://127.0.0.1:8377/ while a run lasts. Remove the table to have none.",
    )


def publish_table() -> TableDraft:
    """Return ``[broker]``, which is not in effect."""
    return TableDraft(
        "",
        (
            KeyDraft("host", "127.0.0.1", "of the site's MQTT broker", off=True),
            KeyDraft("port", 1883, "", off=True),
        ),
        "Without # these lines publish progress, gaps and alarms over MQTT.\n[broker]",
    )


def columns_entry(columns: Sequence[object]) -> KeyDraft:
    """Return the list of a text protocol's columns."""
    return KeyDraft("columns", tuple(columns), "of a line, from the left")


def echo_tables(
    start_us: float,
    width_us: float,
    *,
    keys: Sequence[KeyDraft] = (),
    comment: str,
    gate_comment: str = "",
) -> list[TableDraft]:
    """Return ``[echo]`` with a gate around the back wall.

    Args:
        start_us: of the gate, µs.
        width_us: of the gate, µs.
        keys: further ones of ``[echo]``.
        comment: ahead of it.
        gate_comment: ahead of the gate.
    """
    name = "back wall"
    measured = KeyDraft("time_of_flight", name, "the gate that measures it")
    gate = (
        KeyDraft("name", name),
        KeyDraft("start", f"{start_us:.6g} us"),
        KeyDraft("width", f"{width_us:.6g} us"),
        KeyDraft("threshold", "30 %", "of full screen height"),
    )
    return [
        TableDraft("echo", (measured, *keys), comment),
        TableDraft("echo.gate", gate, gate_comment, repeated=True),
    ]
