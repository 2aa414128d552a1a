"""Descriptions of binary frames, from captured bytes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.frames.fields import ByteOrder
from swathe_drivers.suggest.checks import FoundCheck, find_check, pieces_of
from swathe_drivers.suggest.encodings import Encoded, encodings_at
from swathe_drivers.suggest.findings import Basis, ColumnGuess, Finding, Suggestion
from swathe_drivers.suggest.flags import Flag
from swathe_drivers.suggest.frame_items import (
    field_table,
    joined_skips,
    length_first,
    series_of,
    what_of,
)
from swathe_drivers.suggest.frame_search import CapturedBytes, Framed, framings
from swathe_drivers.suggest.hints import Hints
from swathe_drivers.suggest.measured import match_shown
from swathe_drivers.suggest.roles import Roles, assign
from swathe_drivers.suggest.running import Role
from swathe_drivers.suggest.series import Series
from swathe_drivers.suggest.tiling import sampled_rows, tiled
from swathe_drivers.suggest.writing import write

__all__ = ["roles_of", "suggest_binary"]

_MOST_FRAMINGS: Final = 6
_FLAG_NUMBERS: Final = 16
_MOST_FROM: Final = 6
_WORTH_SHOWN: Final = 60.0
_WORTH_NUMBERED: Final = 40.0


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
            rank += (
                6.0 + (1.0 if self.check.table else 0.0) - 0.3 * (self.first > self.framed.first)
            )
            rank -= 0.5 * self.tail
            ones = (1 << 8 * self.size) - 1
            rank -= 1.0 * (self.check.table.get("xorout", 0) not in (0, ones))
        return rank


def suggest_binary(
    chunks: Sequence[tuple[int, bytes]], *, port: Mapping[str, Any], hints: Hints
) -> list[Suggestion]:
    """Descriptions for frames, not tried yet; see `swathe_drivers.suggest.suggest`."""
    stream = CapturedBytes.of(chunks)
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
                    found = _check_at(rows[:, :end], first, size, order)
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
    picked = sampled_rows(rows.shape[0])

    def worth(one: Encoded) -> float:
        gain = _WORTH_NUMBERED if _is_numbered(one) else 0.0
        for quantity in {shown.quantity for shown in shows}:
            if quantity not in one.can:
                continue
            values = series_of(0, one, times[picked])
            match = match_shown(values, hints.of(quantity))
            if match is not None and np.unique(one.values[np.isfinite(one.values)]).size > 3:
                gain = max(gain, 15.0 - 15.0 * match.chance if match.scale in _TENS else 10.0)
        return min(gain, _WORTH_SHOWN)

    cost, fields = tiled(rows[picked], order, worth=worth, first=first, sizes=sizes)
    full = [_whole(one, rows, order) for one in fields]
    roles = _assigned(full, times, hints)
    for at, one in enumerate(full):
        if roles.of[at].kind != "ignore" or not _holds_flags(one, rows):
            continue
        split = [next(encodings_at(rows, one.first + byte, order)) for byte in range(one.size)]
        again = [*full[:at], *split, *full[at + 1 :]]
        better = _assigned(again, times, hints)
        if better.score > roles.score + 4.0:
            return cost, again, better
    return cost, full, roles


def _is_numbered(one: Encoded) -> bool:
    """It goes up by 1 from frame to frame."""
    if one.kind[0] not in "ub" or one.span is None:
        return False
    return float(np.mean(np.diff(one.steps) % one.span == 1)) > 0.95


def _holds_flags(one: Encoded, rows: NDArray[np.uint8]) -> bool:
    """A number nobody knows of which one byte takes few values, and another many."""
    if one.size < 2 or one.kind[0] not in "ui":
        return False
    numbers = [np.unique(rows[:, one.first + at]).size for at in range(one.size)]
    return max(numbers) > _FLAG_NUMBERS and any(2 <= n <= _FLAG_NUMBERS for n in numbers)


def _assigned(full: Sequence[Encoded], times: NDArray[np.float64], hints: Hints) -> Roles:
    """The roles of fields."""
    series: list[Series] = []
    flags: list[Flag] = []
    for key, one in enumerate(full):
        numbers = series_of(key, one, times)
        series.append(numbers)
        different = np.unique(one.steps).size
        if one.kind in ("u1", "u2", "u4") and 2 <= different <= _FLAG_NUMBERS:
            flags.append(Flag(key, numbers=one.steps))
    few = {flag.key for flag in flags if np.unique(full[flag.key].steps).size <= 4}
    moving = [one for one in series if one.key not in few]
    return assign(moving, flags, hints)


_TENS: Final = frozenset(10.0**-power for power in range(5))


def _whole(one: Encoded, rows: NDArray[np.uint8], order: ByteOrder) -> Encoded:
    """A field over all frames, as the division looked at some of them only."""
    if one.values.size == rows.shape[0]:
        return one
    again = [e for e in encodings_at(rows, one.first, order) if e.size == one.size]
    return next((e for e in again if e.kind[0] == one.kind[0]), again[0] if again else one)


def _described(
    one: _Checked, order: ByteOrder, stream: CapturedBytes, port: Mapping[str, Any], hints: Hints
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
        ("byte_order", order, None),
        ("framing", framed.table, findings[0]),
    ]
    settings, findings, at = _with_checksum(one, settings, findings, usable)
    items: list[ColumnGuess] = []
    if framed.length_at is not None:
        items, fields, roles = length_first(framed, fields, roles, items)
    for key, field in enumerate(fields):
        role = roles.of.get(key, Role("ignore", 0.0, Basis.GUESS, "unknown", {}))
        items.append(ColumnGuess(field_table(field, role, body), role.basis, role.why))
        where = (
            f"bytes {field.first} to {field.first + field.size - 1}"
            if field.size > 1
            else f"byte {field.first}"
        )
        what = what_of(items[-1].table)
        if (field.first >= framed.first and role.kind != "ignore") or (
            field.values.size and np.ptp(field.steps)
        ):
            findings.append(Finding(where, what, role.basis, role.why))
    tiled_end = fields[-1].first + fields[-1].size if fields else framed.first
    rest = rows.shape[1] - (one.size if usable else 0) - tiled_end
    if rest > 0:
        items.append(
            ColumnGuess(
                {"is": "skip", "bytes": rest}, Basis.GUESS, "not looked at, or behind the data"
            )
        )
    if framed.varying:
        settings.append(("other_frames", "ignore", None))
        _mark_kind(items, framed)
    text = write(
        driver="frames",
        port=port,
        settings=settings,
        list_name="fields",
        items=joined_skips(items),
        remarks=[f for f in findings if f.about == "checksum" and not usable],
    )
    bits = float(sampled_rows(body.shape[0]).size)
    rank = one.rank * 4 + roles.score - 2.0 * cost / max(bits, 1.0)
    del at
    return Suggestion(text, tuple(findings), roles.questions, rank=rank)


def _mark_kind(items: list[ColumnGuess], framed: Framed) -> None:
    """A constant byte tells frames of one kind from those of others."""
    for at, item in enumerate(items):
        if item.table.get("is") == "skip" and "value" in item.table:
            table = {"is": "constant", "type": "u1", "value": item.table["value"]}
            items[at] = ColumnGuess(table, Basis.GUESS, "the same in all frames of this length")
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
        return settings, [*findings, Finding("checksum", "none", Basis.LIKELY, why)], 0
    chance = f"it fits {check.fitting} of {check.pieces} frames that differ; by chance in fewer than 1 of 10^{int(-check.chance)} captures"
    name = f"{check.name} from byte {one.first}"
    if not usable:
        why = f"{chance}. The driver does not verify this kind, or not where it is; its bytes are passed over"
        return settings, [*findings, Finding("checksum", name, Basis.SHOWN, why)], 0
    table = dict(check.table)
    if table["kind"] == "xor":
        table["kind"] = "xor8"
    if one.first:
        table["from"] = one.first
    if one.size > 1:
        table["byte_order"] = one.order
    finding = Finding("checksum", name, Basis.SHOWN, chance)
    return [*settings, ("checksum", table, finding)], [*findings, finding], 0


def _framing_text(table: Mapping[str, Any]) -> str:
    parts = [str(table["kind"])]
    for key, value in table.items():
        if key == "sync":
            parts.append("sync " + bytes(value).hex(" ").upper())
        elif key != "kind":
            parts.append(
                f"{key} {value:02X}"
                if key in ("start", "stop", "escape", "xor")
                else f"{key} {value}"
            )
    return ", ".join(parts)


def _framing_level(one: _Checked) -> Basis:
    return Basis.SHOWN if one.check is not None else Basis.LIKELY
