"""Fields of frames as items of a description, and the description put together."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.frames.fields import ByteOrder
from swathe_drivers.suggest.encodings import Encoded
from swathe_drivers.suggest.findings import Basis, ColumnGuess, Finding
from swathe_drivers.suggest.frame_checks import (
    CheckedFrames,
    Settings,
    checksum_settings,
    framing_finding,
)
from swathe_drivers.suggest.frame_items import field_table, length_first, what_of
from swathe_drivers.suggest.roles import Roles
from swathe_drivers.suggest.running import Role
from swathe_drivers.suggest.writing import RecordGuess, write

__all__ = ["USEFUL", "items_of", "written_frames"]

USEFUL: Final = frozenset({"thickness", "time_of_flight", "counts", "position"})
"""Without any of these a record is of no use."""


def items_of(
    one: CheckedFrames, rows: NDArray[np.uint8], fields: list[Encoded], roles: Roles
) -> tuple[list[ColumnGuess], list[Finding]]:
    """Return the fields of a description, and what is found about them.

    Args:
        one: framing and checksum.
        rows: whole frames of one kind, shape (n, length).
        fields: into which they are divided.
        roles: what each is.
    """
    framed = one.framed
    end = rows.shape[1] - one.tail - one.size
    items: list[ColumnGuess] = []
    findings: list[Finding] = []
    if framed.length_at is not None:
        items, fields, roles = length_first(framed, rows, fields, roles)
    for key, field in enumerate(fields):
        role = roles.of.get(key, Role("ignore", 0.0, Basis.GUESS, "unknown", {}))
        items.append(ColumnGuess(field_table(field, role, rows[:, :end]), role.basis, role.why))
        last = field.first + field.size - 1
        where = f"bytes {field.first} to {last}" if field.size > 1 else f"byte {field.first}"
        if role.kind != "ignore" or (field.values.size and np.ptp(field.steps)):
            findings.append(Finding(where, what_of(items[-1].table), role.basis, role.why))
    divided = fields[-1].first + fields[-1].size if fields else framed.first
    rest = rows.shape[1] - (one.size if one.usable else 0) - divided
    if rest > 0:
        why = "not looked at, or behind the data"
        items.append(ColumnGuess({"is": "skip", "bytes": rest}, Basis.GUESS, why))
    return items, findings


def written_frames(
    one: CheckedFrames,
    order: ByteOrder,
    port: Mapping[str, Any],
    *,
    items: Sequence[ColumnGuess] = (),
    records: Sequence[RecordGuess] = (),
) -> tuple[str, list[Finding]]:
    """Return the text of a description, and what is found about framing and checksum."""
    framing = framing_finding(one)
    check, checksum = checksum_settings(one)
    settings: Settings = [
        ("byte_order", order, None),
        ("framing", one.framed.table, framing),
        *check,
    ]
    if one.framed.varying or records:
        settings.append(("other_frames", "ignore", None))
    text = write(
        driver="frames",
        port=port,
        settings=settings,
        list_name="fields",
        items=items,
        remarks=() if check else (checksum,),
        records=records,
    )
    return text, [framing, checksum]
