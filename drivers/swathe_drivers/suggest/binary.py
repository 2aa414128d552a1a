"""Descriptions of binary frames, from captured bytes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.checks import FoundCheck, find_check, pieces_of
from swathe_drivers.suggest.encodings import ByteOrder, Encoded
from swathe_drivers.suggest.findings import ColumnGuess, Finding, Level, Suggestion
from swathe_drivers.suggest.flags import Flag
from swathe_drivers.suggest.frame_search import Framed, Stream, framings
from swathe_drivers.suggest.hints import Hints
from swathe_drivers.suggest.measured import match_shown
from swathe_drivers.suggest.roles import Roles, assign
from swathe_drivers.suggest.running import Role
from swathe_drivers.suggest.series import Series
from swathe_drivers.suggest.tiling import tiled
from swathe_drivers.suggest.writing import write

__all__ = ["field_table", "roles_of", "suggest_binary"]

_MOST_FRAMINGS: Final = 6
_FLAG_NUMBERS: Final = 16
_MOST_FROM: Final = 6
_WORTH_SHOWN: Final = 60.0
_TIMED: Final = frozenset({"u1", "u2", "u3", "u4", "u8", "i8", "f8"})


@dataclass(frozen=True, slots=True, eq=False)
class _Checked:
    """Frames, and the checksum at their end, if one fits."""

    framed: Framed
    check: FoundCheck | None
    size: int
    first: int
    order: str
    tail: int

    @property
    def rank(self) -> float:
        rank = self.framed.rank + 6 * self.framed.share
        if self.check is not None:
            rank += 6.0 + (1.0 if self.check.table else 0.0) - 0.3 * (self.first > self.framed.first)
            rank -= 0.5 * self.tail
        return rank


def suggest_binary(
    chunks: Sequence[tuple[int, bytes]], *, port: Mapping[str, Any], hints: Hints
) -> list[Suggestion]:
    """Descriptions for frames, not tried yet; see `swathe_drivers.suggest.suggest`."""
    stream = Stream.of(chunks)
    checked = [_checked(framed) for framed in framings(stream)]
    checked.sort(key=lambda one: -one.rank)
    found: list[Suggestion] = []
    kept: list[_Checked] = []
    for one in checked:
        same = [k for k in kept if k.framed.table["kind"] == one.framed.table["kind"]]
        if len(kept) >= _MOST_FRAMINGS or len(same) >= 2:
            continue
        if kept and one.check is None and kept[0].check is not None:
            continue
        kept.append(one)
    for one in kept:
        for order in ("little", "big"):
            suggestion = _described(one, order, stream, port, hints)
            if suggestion is not None:
                found.append(suggestion)
    return found


def _checked(framed: Framed) -> _Checked:
    """Look for a checksum at the end, in every range, size and order; also before constant bytes."""
    rows = framed.rows
    best: _Checked = _Checked(framed, None, 0, 0, "big", 0)
    length = rows.shape[1]
    steady = (rows == rows[0]).mean(axis=0) >= 0.97
    tails = [0]
    if framed.table["kind"] in ("fixed", "length_prefix"):
        while len(tails) < 4 and length - len(tails) > 4 and steady[length - len(tails)]:
            tails.append(len(tails))
    for tail in tails:
        end = length - tail
        for width in (8, 16, 32):
            size = width // 8
            if end - size < 2 or steady[end - size : end].all():
                continue
            for order in ("big", "little") if size > 1 else ("big",):
                for first in dict.fromkeys((0, framed.first, *range(_MOST_FROM))):
                    if first >= end - size:
                        continue
                    found = _check_at(rows[:, : end], first, size, order)
                    if found is None:
                        continue
                    one = _Checked(framed, found, size, first, order, tail)
                    if best.check is None or one.rank > best.rank + 0.05:
                        best = one
            if best.check is not None and best.size == size and best.tail == tail:
                break
        if best.check is not None:
            break
    return best


def _check_at(rows: NDArray[np.uint8], first: int, size: int, order: Any) -> FoundCheck | None:  # noqa: ANN401
    covered = [row.tobytes() for row in rows[:400, first:-size]]
    sent = [int.from_bytes(row.tobytes(), order) for row in rows[:400, -size:]]
    tested = 3.0 * 2 * 8 * (4 + 3)  # widths, orders, first bytes, tails and starts of frames
    return find_check(pieces_of(covered, sent, 8 * size), tested)


def roles_of(
    rows: NDArray[np.uint8],
    times: NDArray[np.float64],
    order: ByteOrder,
    hints: Hints,
    *,
    first: int = 0,
    sizes: Sequence[int] | None = None,
) -> tuple[float, list[Encoded], Roles]:
    """Divide bytes into fields, and find what they are.

    Args:
        rows: frames without their checksum, shape (n, length).
        times: of each frame, s, shape (n,).
        order: of the bytes of numbers.
        hints: what is known beforehand.
        first: byte at which fields begin.
        sizes: of numbers; None: any.

    Returns:
        Bits that the division takes, the fields, and what each is.
    """
    shows = [shown for shown in hints.shows if shown.quantity in ("thickness", "position")]

    def worth(one: Encoded) -> float:
        gain = 0.0
        for quantity in {shown.quantity for shown in shows}:
            if quantity not in one.can:
                continue
            values = _series(0, one, times[: one.values.size])
            match = match_shown(values, hints.of(quantity))
            if match is not None and np.unique(one.values[np.isfinite(one.values)]).size > 3:
                gain = max(gain, 15.0 - 15.0 * match.chance if match.scale in _TENS else 10.0)
        return min(gain, _WORTH_SHOWN)

    cost, fields = tiled(rows, order, worth=worth, first=first, sizes=sizes)
    full = [_whole(one, rows, order) for one in fields]
    series: list[Series] = []
    flags: list[Flag] = []
    for key, one in enumerate(full):
        numbers = _series(key, one, times)
        series.append(numbers)
        different = np.unique(one.steps).size
        if one.kind in ("u1", "u2", "u4") and 2 <= different <= _FLAG_NUMBERS:
            flags.append(Flag(key, numbers=one.steps))
    few = {flag.key for flag in flags if np.unique(full[flag.key].steps).size <= 4}
    moving = [one for one in series if one.key not in few]
    found = assign(moving, flags, hints)
    return cost, full, found


_TENS: Final = frozenset(10.0**-power for power in range(7))


def _whole(one: Encoded, rows: NDArray[np.uint8], order: ByteOrder) -> Encoded:
    """A field over all frames, as the division looked at some of them only."""
    if one.values.size == rows.shape[0]:
        return one
    from swathe_drivers.suggest.encodings import encodings_at

    again = [e for e in encodings_at(rows, one.first, order) if e.size == one.size]
    return next((e for e in again if e.kind[0] == one.kind[0]), again[0] if again else one)


def _series(key: int, one: Encoded, times: NDArray[np.float64]) -> Series:
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
    for places in range(5):
        if np.mean(np.abs(good - np.round(good, places)) <= 1e-6 * np.abs(good) + 1e-9) > 0.98:
            return places
    return 3


def _described(
    one: _Checked, order: ByteOrder, stream: Stream, port: Mapping[str, Any], hints: Hints
) -> Suggestion | None:
    framed, check = one.framed, one.check
    rows = framed.rows
    end = rows.shape[1] - one.tail - one.size
    body = rows[:, :end]
    times = stream.seconds_at(framed.offsets)
    cost, fields, roles = roles_of(body, times, order, hints, first=framed.first)
    if not np.isfinite(cost):
        return None
    kinds = {role.kind for role in roles.of.values()}
    if not kinds & {"thickness", "time_of_flight", "counts", "position"}:
        return None
    usable = check is not None and bool(check.table) and one.tail == 0
    findings = [Finding("framing", _framing_text(framed.table), _framing_level(one), framed.why)]
    settings: list[tuple[str, object, Finding | None]] = [
        ("byte_order", order, None), ("framing", framed.table, findings[0])
    ]
    settings, findings, at = _with_checksum(one, settings, findings, usable)
    items: list[ColumnGuess] = []
    if framed.length_at is not None:
        items, fields, roles = _length_first(framed, fields, roles, items)
    for key, field in enumerate(fields):
        role = roles.of.get(key, Role("ignore", 0.0, Level.GUESS, "unknown", {}))
        items.append(ColumnGuess(field_table(field, role, body), role.level, role.why))
        where = f"bytes {field.first} to {field.first + field.size - 1}" if field.size > 1 else f"byte {field.first}"
        what = _what(items[-1].table)
        if field.first >= framed.first and role.kind != "ignore" or field.values.size and np.ptp(field.steps):
            findings.append(Finding(where, what, role.level, role.why))
    tiled_end = fields[-1].first + fields[-1].size if fields else framed.first
    rest = rows.shape[1] - (one.size if usable else 0) - tiled_end
    if rest > 0:
        items.append(ColumnGuess({"is": "skip", "bytes": rest}, Level.GUESS, "not looked at, or behind the data"))
    if framed.varying:
        settings.append(("other_frames", "ignore", None))
        _mark_kind(items, framed)
    text = write(
        driver="frames", port=port, settings=settings, list_name="fields", items=_joined(items),
        remarks=[f for f in findings if f.about in ("checksum",) and not usable],
    )
    bits = float(body.shape[0])
    rank = one.rank * 4 + roles.score - cost / max(bits, 1.0) * 0.5
    del at
    return Suggestion(text, tuple(findings), roles.questions, rank=rank)


def _mark_kind(items: list[ColumnGuess], framed: Framed) -> None:
    """A constant byte tells frames of one kind from those of others."""
    for at, item in enumerate(items):
        if item.table.get("is") == "skip" and "value" in item.table:
            table = {"is": "constant", "type": "u1", "value": item.table["value"]}
            items[at] = ColumnGuess(table, Level.GUESS, "the same in all frames of this length")
            return
    del framed


def _with_checksum(
    one: _Checked,
    settings: list[tuple[str, object, Finding | None]],
    findings: list[Finding],
    usable: bool,
) -> tuple[list[tuple[str, object, Finding | None]], list[Finding], int]:
    check = one.check
    if check is None:
        why = "no sum and no CRC at the end fits the frames"
        return settings, [*findings, Finding("checksum", "none", Level.LIKELY, why)], 0
    chance = f"it fits {check.fitting} of {check.pieces} frames that differ; by chance in fewer than 1 of 10^{int(-check.chance)} captures"
    name = f"{check.name} from byte {one.first}"
    if not usable:
        why = f"{chance}. The driver does not verify this kind, or not where it is; its bytes are passed over"
        return settings, [*findings, Finding("checksum", name, Level.SHOWN, why)], 0
    table = dict(check.table)
    if table["kind"] == "xor":
        table["kind"] = "xor8"
    if one.first:
        table["from"] = one.first
    if one.size > 1:
        table["byte_order"] = one.order
    finding = Finding("checksum", name, Level.SHOWN, chance)
    return [*settings, ("checksum", table, finding)], [*findings, finding], 0


def _framing_text(table: Mapping[str, Any]) -> str:
    parts = [str(table["kind"])]
    for key, value in table.items():
        if key == "sync":
            parts.append("sync " + bytes(value).hex(" ").upper())
        elif key != "kind":
            parts.append(f"{key} {value:02X}" if key in ("start", "stop", "escape", "xor") else f"{key} {value}")
    return ", ".join(parts)


def _framing_level(one: _Checked) -> Level:
    return Level.SHOWN if one.check is not None else Level.LIKELY


def _length_first(
    framed: Framed, fields: list[Encoded], roles: Roles, items: list[ColumnGuess]
) -> tuple[list[ColumnGuess], list[Encoded], Roles]:
    """Put the length's own field in place of those that its bytes were taken for."""
    assert framed.length_at is not None  # noqa: S101  checked by the caller
    at, size, order = framed.length_at
    if at > framed.first:
        items.append(ColumnGuess({"is": "skip", "bytes": at - framed.first}, Level.GUESS, "before the length"))
        first = framed.rows[:, framed.first]
        if (first == first[0]).all() and at - framed.first == 1:
            items[-1] = ColumnGuess(
                {"is": "constant", "type": "u1", "value": int(first[0])}, Level.LIKELY,
                "the same in all frames of this length",
            )
    table: dict[str, Any] = {"is": "length", "type": f"u{size}"}
    table |= {"byte_order": order} if size > 1 else {}
    items.append(ColumnGuess(table, Level.SHOWN, framed.why))
    kept = [(key, one) for key, one in enumerate(fields) if one.first >= at + size]
    gap = (kept[0][1].first if kept else framed.rows.shape[1]) - at - size
    if gap > 0:
        items.append(ColumnGuess({"is": "skip", "bytes": gap}, Level.GUESS, "unknown"))
    renamed = {new: roles.of[key] for new, (key, _) in enumerate(kept) if key in roles.of}
    return items, [one for _, one in kept], Roles(renamed, roles.questions, roles.score)


def field_table(one: Encoded, role: Role, rows: NDArray[np.uint8] | None = None) -> dict[str, Any]:
    """The table of a field in the description."""
    if role.kind == "ignore":
        table: dict[str, Any] = {"is": "skip", "bytes": one.size}
        if rows is not None and one.size == 1 and np.ptp(one.steps) == 0 and one.steps[0]:
            table["value"] = int(one.steps[0])
        return table
    table = {"is": role.kind, "type": one.kind}
    keys = dict(role.keys)
    if role.kind == "counts":
        if role.period is not None and role.period != one.span:
            power = role.period.bit_length() - 1
            keys |= {"bits": power} if role.period == 1 << power else {"rolls_over_after": role.period}
    elif role.kind == "sequence":
        if one.span is not None and keys.get("wrap") == one.span:
            keys.pop("wrap")
    elif role.kind == "device_time":
        if role.period is not None and role.period != one.span:
            power = role.period.bit_length() - 1
            keys |= {"bits": power} if role.period == 1 << power else {}
    elif role.kind in ("thickness", "time_of_flight", "amplitude"):
        absent: list[Any] = []
        series = _series(0, one, np.zeros(one.values.size))
        for value in series.sentinels:
            absent.append(value if one.kind[0] == "f" else int(value))
        if one.kind[0] == "f" and not np.isfinite(one.values).all():
            absent.append("nan")
        if absent:
            keys["absent"] = absent
    return {**table, **keys}


def _joined(items: Sequence[ColumnGuess]) -> list[ColumnGuess]:
    """Skipped bytes next to each other as one."""
    found: list[ColumnGuess] = []
    for item in items:
        table = {key: value for key, value in item.table.items() if key != "value" or item.table["is"] != "skip"}
        before = found[-1] if found else None
        if before is not None and table["is"] == "skip" and before.table["is"] == "skip":
            both = {"is": "skip", "bytes": before.table["bytes"] + table["bytes"]}
            why = before.why if before.why == item.why else f"{before.why}; {item.why}"
            found[-1] = ColumnGuess(both, Level.GUESS, why)
        else:
            found.append(ColumnGuess(table, item.level, item.why))
    return found


def _what(table: Mapping[str, Any]) -> str:
    parts = [str(table["is"])]
    parts += [str(table[key]) for key in ("type", "axis", "unit") if key in table]
    parts += [f"times {table['scale']:g}"] if "scale" in table else []
    return " ".join(parts)

