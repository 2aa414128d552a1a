"""Whether a proposed description is the right one, told by what it says and what it decodes."""

from __future__ import annotations

import tomllib
from typing import Any

from drivers.suggest.own import Device
from swathe_drivers.description import parse_description
from swathe_drivers.records import FaultReason
from swathe_drivers.suggest import suggest


def told(column: dict[str, Any]) -> tuple[str, object]:
    """What matters of a column."""
    kind = column["is"]
    if kind in ("counts", "position"):
        return kind, column["axis"]
    if kind == "sequence":
        return kind, column.get("wrap")
    return kind, column.get("unit")


def meant(columns: list[tuple[str, object]], *, asked: bool) -> list[tuple[str, object]]:
    """Columns that mean something; where the unit is asked for, thickness or time of flight of any."""
    kept = [column for column in columns if column[0] not in ("ignore", "constant")]
    values = ("thickness", "time_of_flight")
    return [("value", None) if asked and column[0] in values else column for column in kept]


def mistakes(device: Device) -> list[str]:
    """What is wrong with the description that is proposed for a device; empty if it is right."""
    chunks = device.chunks()
    found = suggest(chunks)
    if not found.text:
        return ["no description: " + "; ".join(str(finding) for finding in found.findings)]
    protocol = tomllib.loads(found.text)["protocol"]
    wrong = []
    wanted = device.protocol
    checksum = protocol.get("checksum")
    if checksum is not None:
        checksum = (checksum["kind"], checksum["after"], checksum.get("from", 0))
    if checksum != wanted["checksum"]:
        wrong.append(f"checksum {checksum}")
    asked = any(question.quantity == "thickness" for question in found.questions)
    right = meant(wanted["columns"], asked=asked)
    # Where several kinds of lines are described, the device's one is among them.
    for record in protocol.get("record", [protocol]):
        listed = record["columns"]
        tables = list(listed.values()) if isinstance(listed, dict) else listed
        columns = meant([told(column) for column in tables], asked=asked)
        if columns == right:
            break
    else:
        wrong.append(f"columns {columns}, not {wanted['columns']}")
    for key in ("valid", "invalid"):
        if key in wanted:
            texts = [c.get(key, []) for c in tables if c["is"] == "status"]
            if [sorted(found) for found in texts] != [sorted(wanted[key])]:
                wrong.append(f"{key} {texts}")
    batch = parse_description(found.text, device.name).decoder(ns_per_byte=0).feed_chunks(chunks)
    faults = [f for f in batch.faults if f.offset > 0 and f.reason is not FaultReason.PARTIAL]
    if faults:
        wrong.append(f"faults {dict(batch.n_faults)}: {faults[0]}")
    if not max(batch.readings.size, batch.positions.size):
        wrong.append("no records")
    return wrong
