"""Descriptions of binary frames, from captured bytes."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from swathe_drivers.frames.fields import ByteOrder
from swathe_drivers.suggest.field_roles import roles_of
from swathe_drivers.suggest.findings import Suggestion
from swathe_drivers.suggest.frame_capture import CapturedBytes
from swathe_drivers.suggest.frame_checks import CheckedFrames, checked
from swathe_drivers.suggest.frame_items import joined_skips, mark_kind
from swathe_drivers.suggest.frame_search import framings
from swathe_drivers.suggest.frame_writing import USEFUL, items_of, written_frames
from swathe_drivers.suggest.hints import Hints
from swathe_drivers.suggest.kind_records import described_kinds
from swathe_drivers.suggest.tiling import sampled_rows

__all__ = ["suggest_binary"]

_MOST_FRAMINGS: Final = 6


def suggest_binary(
    chunks: Sequence[tuple[int, bytes]], *, port: Mapping[str, Any], hints: Hints
) -> list[Suggestion]:
    """Descriptions for frames, not tried yet; see `swathe_drivers.suggest.suggest`."""
    stream = CapturedBytes.of(chunks)
    every = [checked(framed) for framed in framings(stream)]
    every = [
        one
        for one in every
        if one.usable
        or one.framed.table["kind"] not in ("fixed", "doubled")
        or (one.framed.table["kind"] == "doubled" and not one.framed.behind)
        or "sync" in one.framed.table
        or "first" in one.framed.table
    ]
    every.sort(key=lambda one: -one.rank)
    found: list[Suggestion] = []
    kept: list[CheckedFrames] = []
    for one in every:
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
            found += described_kinds(one, order, stream, port, hints)
    return found


def _described(
    one: CheckedFrames,
    order: ByteOrder,
    stream: CapturedBytes,
    port: Mapping[str, Any],
    hints: Hints,
) -> Suggestion | None:
    framed = one.framed
    rows = framed.rows
    body = rows[:, : rows.shape[1] - one.tail - one.size]
    times = stream.seconds_at(framed.offsets)
    cost, fields, roles = roles_of(body, times, order, hints, first=framed.first)
    if not np.isfinite(cost):
        return None
    kinds = {role.kind for role in roles.of.values()}
    if not kinds & USEFUL:
        return None
    items, findings = items_of(one, rows, fields, roles)
    if framed.varying:
        mark_kind(items)
    text, common = written_frames(one, order, port, items=joined_skips(items))
    bits = float(sampled_rows(body.shape[0]).size)
    rank = one.rank * 4 + roles.score - 2.0 * cost / max(bits, 1.0)
    return Suggestion(text, (*common, *findings), roles.questions, rank=rank)
