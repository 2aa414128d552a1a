"""Frames with the checksum at their end, if one fits, and how both are written."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.checks import FoundCheck, find_check, pieces_of
from swathe_drivers.suggest.findings import Basis, Finding
from swathe_drivers.suggest.frame_capture import Framed

__all__ = ["CheckedFrames", "checked", "checksum_settings", "framing_finding"]

Settings = list[tuple[str, object, Finding | None]]

_MOST_FROM: Final = 6
_MOST_SYNC: Final = 8  # bytes that the driver takes
_TESTED: Final = 3.0 * 2 * 8 * (4 + 3)
"""Widths, orders, first bytes, tails and starts of frames that are tried."""


@dataclass(frozen=True, slots=True, eq=False)
class CheckedFrames:
    """Frames, and the checksum at their end, if one fits."""

    framed: Framed
    check: FoundCheck | None
    size: int
    first: int
    order: str
    tail: int

    @property
    def usable(self) -> bool:
        """The driver verifies it where it is."""
        return self.check is not None and bool(self.check.table) and self.tail == 0

    @property
    def rank(self) -> float:
        """How much speaks for these frames, to compare ways of cutting."""
        rank = self.framed.rank + 6 * self.framed.share
        if self.check is not None:
            rank += (
                6.0 + (1.0 if self.check.table else 0.0) - 0.3 * (self.first > self.framed.first)
            )
            rank -= 1.5 * self.tail  # bytes behind it: the driver does not verify it there
            ones = (1 << 8 * self.size) - 1
            rank -= 1.0 * (self.check.table.get("xorout", 0) not in (0, ones))
        return rank


def checked(framed: Framed) -> CheckedFrames:
    """Look for a checksum at the end, in every range, size and order; also before constant bytes."""
    rows = framed.rows
    best: CheckedFrames = CheckedFrames(framed, None, 0, 0, "big", 0)
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
            if framed.behind not in (0, size):
                continue
            if end - size < 2 or steady[end - size : end].all():
                continue
            for order in ("big", "little") if size > 1 else ("big",):
                for first in dict.fromkeys((0, framed.first, *range(_MOST_FROM))):
                    if first >= end - size:
                        continue
                    found = _check_at(rows[:, :end], first, size, order)
                    if found is None:
                        continue
                    one = CheckedFrames(framed, found, size, first, order, tail)
                    if best.check is None or one.rank > best.rank + 0.05:
                        best = one
            if best.check is not None and best.size == size and best.tail == tail:
                break
        if best.check is not None:
            break
    return _without_stop(_of_all(_rotated(best)))


def _without_stop(one: CheckedFrames) -> CheckedFrames:
    """Frames without the stop byte that a checksum behind it covers, as fields count them."""
    framed, size = one.framed, one.framed.behind
    if not size or not framed.table.get("stop_covered", True):
        return one
    rows = np.delete(framed.rows, -size - 1, axis=1)
    every = tuple((at, frame[: -size - 1] + frame[-size:]) for at, frame in framed.every)
    return replace(one, framed=replace(framed, rows=rows, every=every))


def _rotated(one: CheckedFrames) -> CheckedFrames:
    """With constant bytes behind the checksum at the beginning of the next frame, where it is the last."""
    framed, tail = one.framed, one.tail
    sync = framed.table.get("sync", ())
    if not tail or one.check is None or len(sync) + tail > _MOST_SYNC or not sync:
        return one
    behind = framed.rows[0, -tail:]
    lead = np.broadcast_to(behind, (framed.rows.shape[0], tail))
    rows = np.concatenate((lead, framed.rows[:, :-tail]), axis=1)
    kept = [at for at, offset in enumerate(framed.offsets) if offset >= tail]
    table = framed.table | {"sync": [*behind.tolist(), *sync]}
    why = f"{framed.why}; {behind.tobytes().hex(' ').upper()} ends a frame, and is taken for the beginning of the next"
    length_at = framed.length_at
    turned = replace(
        framed,
        table=table,
        rows=rows[kept],
        offsets=[framed.offsets[at] - tail for at in kept],
        first=framed.first + tail,
        why=why,
        length_at=None if length_at is None else (length_at[0] + tail, *length_at[1:]),
        every=tuple(
            (at - tail, behind.tobytes() + frame[:-tail])
            for at, frame in framed.every
            if at >= tail
        ),
    )
    return replace(one, framed=turned, first=one.first + tail, tail=0)


def _of_all(one: CheckedFrames) -> CheckedFrames:
    """The checksum as it fits frames of all lengths, which show its initial value."""
    framed, size = one.framed, one.size
    if one.check is None or not framed.every or one.tail:
        return one
    frames = [frame for _, frame in framed.every if len(frame) > one.first + size]
    if len({len(frame) for frame in frames}) < 2:
        return one
    covered = [frame[one.first : -size] for frame in frames]
    sent = [int.from_bytes(frame[-size:], one.order) for frame in frames]  # type: ignore[arg-type]
    found = find_check(pieces_of(covered, sent, 8 * size), _TESTED)
    return one if found is None else replace(one, check=found)


def _check_at(rows: NDArray[np.uint8], first: int, size: int, order: Any) -> FoundCheck | None:  # noqa: ANN401
    covered = [row.tobytes() for row in rows[:400, first:-size]]
    sent = [int.from_bytes(row.tobytes(), order) for row in rows[:400, -size:]]
    return find_check(pieces_of(covered, sent, 8 * size), _TESTED)


def checksum_settings(one: CheckedFrames) -> tuple[Settings, Finding]:
    """The setting of the checksum, where the driver verifies it, and what is found about it."""
    check = one.check
    if check is None:
        why = "no sum and no CRC at the end fits the frames"
        return [], Finding("checksum", "none", Basis.LIKELY, why)
    chance = f"it fits {check.fitting} of {check.pieces} frames that differ; by chance in fewer than 1 of 10^{int(-check.chance)} captures"
    name = f"{check.name} from byte {one.first}"
    if not one.usable:
        why = f"{chance}. The driver does not verify this kind, or not where it is; its bytes are passed over"
        return [], Finding("checksum", name, Basis.SHOWN, why)
    table = dict(check.table)
    if table["kind"] == "xor":
        table["kind"] = "xor8"
    if one.first:
        table["from"] = one.first
    if one.size > 1:
        table["byte_order"] = one.order
    finding = Finding("checksum", name, Basis.SHOWN, chance)
    return [("checksum", table, finding)], finding


def framing_finding(one: CheckedFrames) -> Finding:
    """What is found about the framing."""
    basis = Basis.SHOWN if one.check is not None else Basis.LIKELY
    return Finding("framing", _framing_text(one.framed.table), basis, one.framed.why)


def _framing_text(table: Mapping[str, Any]) -> str:
    parts = [str(table["kind"])]
    for key, value in table.items():
        if key == "sync":
            parts.append("sync " + bytes(value).hex(" ").upper())
        elif key == "first":
            parts.append(f"first byte & {value['mask']:02X} = {value['value']:02X}")
        elif key != "kind":
            parts.append(
                f"{key} {value:02X}"
                if key in ("start", "stop", "escape", "xor", "byte")
                else f"{key} {value}"
            )
    return ", ".join(parts)
