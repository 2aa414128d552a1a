"""The tables of fields, from their encodings and what they are."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.encodings import Encoded
from swathe_drivers.suggest.findings import Basis, ColumnGuess
from swathe_drivers.suggest.frame_capture import Framed
from swathe_drivers.suggest.roles import Roles
from swathe_drivers.suggest.running import Role
from swathe_drivers.suggest.series import Series

__all__ = ["field_table", "joined_skips", "length_first", "mark_kind", "series_of", "what_of"]

_TIMED: Final = frozenset({"u1", "u2", "u3", "u4", "u8", "i8", "f8"})

_LARGEST = 1e30


def series_of(key: int, one: Encoded, times: NDArray[np.float64]) -> Series:
    """A field's numbers, with the roles that the driver takes in its encoding."""
    can = set(one.can)
    if "counts" in can and one.kind[0] == "f":
        can.discard("counts")
    if one.kind not in _TIMED:
        can.discard("device_time")
    whole = one.kind[0] != "f" and not _has_places(one)
    places = 0 if whole else _places(one.values)
    return Series(key, one.values, times, whole, places, one.span, one.low, can=frozenset(can))


def _has_places(one: Encoded) -> bool:
    good = one.values[np.isfinite(one.values)]
    return one.kind.startswith("digits") and bool((good != np.round(good)).any())


def _places(values: NDArray[np.float64]) -> int:
    good = values[np.isfinite(values)]
    good = np.clip(good, -_LARGEST, _LARGEST)  # what is no float may be taken for one
    for places in range(5):
        if np.mean(np.abs(good - good.round(places)) <= 1e-6 * np.abs(good) + 1e-9) > 0.98:
            return places
    return 3


def field_table(one: Encoded, role: Role, rows: NDArray[np.uint8] | None = None) -> dict[str, Any]:
    """The table of a field in the description."""
    if role.kind == "ignore":
        table: dict[str, Any] = {"is": "skip", "bytes": one.size}
        if rows is not None and one.size == 1 and np.ptp(one.steps) == 0 and one.steps[0]:
            table["value"] = int(one.steps[0])
        return table
    kind = one.kind
    if role.kind == "position" and kind in ("u3", "u4") and one.values.max() < (one.span or 0) / 2:
        kind = f"i{one.size}"  # the same here, and right if it ever is below 0
    table = {"is": role.kind, "type": kind}
    if one.order is not None:
        table["byte_order"] = one.order
    keys = dict(role.keys)
    if role.kind == "counts":
        if role.period is not None and role.period != one.span:
            power = role.period.bit_length() - 1
            keys |= (
                {"bits": power} if role.period == 1 << power else {"rolls_over_after": role.period}
            )
    elif role.kind == "sequence":
        if one.span is not None and keys.get("wrap") == one.span:
            keys.pop("wrap")
    elif role.kind == "probe":
        table["type"] = f"u{one.size}"
    elif role.kind == "device_time":
        if role.period is not None and role.period != one.span:
            power = role.period.bit_length() - 1
            keys |= {"bits": power} if role.period == 1 << power else {}
    elif role.kind in ("thickness", "time_of_flight", "amplitude"):
        absent: list[Any] = []
        series = series_of(0, one, np.zeros(one.values.size))
        absent += [value if one.kind[0] == "f" else int(value) for value in series.sentinels]
        absent += one.absent
        if absent:
            keys["absent"] = absent
    return {**table, **keys}


def joined_skips(items: Sequence[ColumnGuess]) -> list[ColumnGuess]:
    """Skipped bytes next to each other as one."""
    found: list[ColumnGuess] = []
    for item in items:
        table = {
            key: value
            for key, value in item.table.items()
            if key != "value" or item.table["is"] != "skip"
        }
        before = found[-1] if found else None
        if before is not None and table["is"] == "skip" and before.table["is"] == "skip":
            both = {"is": "skip", "bytes": before.table["bytes"] + table["bytes"]}
            why = before.why if before.why == item.why else f"{before.why}; {item.why}"
            found[-1] = ColumnGuess(both, Basis.GUESS, why)
        else:
            found.append(ColumnGuess(table, item.basis, item.why))
    return found


def what_of(table: Mapping[str, Any]) -> str:
    """What a field is, in a few words."""
    parts = [str(table["is"])]
    parts += [str(table[key]) for key in ("type", "axis", "unit") if key in table]
    parts += [f"times {table['scale']:g}"] if "scale" in table else []
    return " ".join(parts)


def length_first(
    framed: Framed, rows: NDArray[np.uint8], fields: list[Encoded], roles: Roles
) -> tuple[list[ColumnGuess], list[Encoded], Roles]:
    """Put the length's own field in place of those that its bytes were taken for."""
    assert framed.length_at is not None  # noqa: S101  checked by the caller
    at, size, order = framed.length_at
    items: list[ColumnGuess] = []
    if at > framed.first:
        items.append(
            ColumnGuess(
                {"is": "skip", "bytes": at - framed.first}, Basis.GUESS, "before the length"
            )
        )
        first = rows[:, framed.first]
        if (first == first[0]).all() and at - framed.first == 1:
            items[-1] = ColumnGuess(
                {"is": "constant", "type": "u1", "value": int(first[0])},
                Basis.LIKELY,
                "the same in all frames of this length",
            )
    table: dict[str, Any] = {"is": "length", "type": f"u{size}"}
    table |= {"byte_order": order} if size > 1 else {}
    items.append(ColumnGuess(table, Basis.SHOWN, framed.why))
    kept = [(key, one) for key, one in enumerate(fields) if one.first >= at + size]
    gap = (kept[0][1].first if kept else rows.shape[1]) - at - size
    if gap > 0:
        items.append(ColumnGuess({"is": "skip", "bytes": gap}, Basis.GUESS, "unknown"))
    renamed = {new: roles.of[key] for new, (key, _) in enumerate(kept) if key in roles.of}
    return items, [one for _, one in kept], Roles(renamed, roles.questions, roles.score)


def mark_kind(items: list[ColumnGuess]) -> None:
    """Make a constant byte tell frames of one kind from those of others."""
    for at, item in enumerate(items):
        if item.table.get("is") == "skip" and "value" in item.table:
            table = {"is": "constant", "type": "u1", "value": item.table["value"]}
            items[at] = ColumnGuess(table, Basis.GUESS, "the same in all frames of this length")
            return
