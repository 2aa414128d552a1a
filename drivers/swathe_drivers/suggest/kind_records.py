"""Descriptions of frames of several kinds: the reading in one, the position in another, or a reading without value."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from swathe_drivers.frames.fields import ByteOrder
from swathe_drivers.suggest.counted_kinds import counted_values, field_bytes, without_values
from swathe_drivers.suggest.encodings import Encoded
from swathe_drivers.suggest.field_roles import roles_of
from swathe_drivers.suggest.findings import Basis, ColumnGuess, Finding, Suggestion
from swathe_drivers.suggest.frame_capture import CapturedBytes
from swathe_drivers.suggest.frame_checks import CheckedFrames
from swathe_drivers.suggest.frame_items import joined_skips
from swathe_drivers.suggest.frame_kinds import FrameKind, kinds_of_frames, shared_numbers
from swathe_drivers.suggest.frame_writing import items_of, written_frames
from swathe_drivers.suggest.hints import Hints
from swathe_drivers.suggest.roles import Roles
from swathe_drivers.suggest.running import Role
from swathe_drivers.suggest.tiling import sampled_rows
from swathe_drivers.suggest.writing import RecordGuess

__all__ = ["common_headers", "described_kinds"]

_VALUES: Final = frozenset({"thickness", "time_of_flight"})
_MOVING: Final = frozenset({"counts", "position"})
_SHOWS: Final = frozenset({"amplitude", "status"})
_HEADER: Final = 2
_MORE_KINDS: Final = 2.0  # that each further kind explains


@dataclass(frozen=True, slots=True, eq=False)
class _Described:
    """A kind of frames and what its fields are."""

    kind: FrameKind
    cost: float
    fields: list[Encoded]
    roles: Roles

    def score(self, kinds: frozenset[str]) -> float:
        """Of the best of its fields that is one of some kinds."""
        return max((r.score for r in self.roles.of.values() if r.kind in kinds), default=-1.0)


def described_kinds(
    one: CheckedFrames,
    order: ByteOrder,
    stream: CapturedBytes,
    port: Mapping[str, Any],
    hints: Hints,
) -> list[Suggestion]:
    """Return a description with a table for each kind of frames that has readings or positions."""
    framed = one.framed
    if not framed.every or not one.usable:
        return []
    kinds = [
        kind
        for kind in kinds_of_frames(framed.every, _first_of(one))
        if kind.length > _first_of(one) + one.size
    ]
    if len(kinds) < 2:
        return []

    numbered = shared_numbers(framed.every, framed.first)
    apart = numbered | common_headers(framed.every, _first_of(one))

    def described(kind: FrameKind, known: Hints) -> _Described:
        body = kind.rows[:, : kind.length - one.size]
        times = stream.seconds_at(kind.offsets)
        found = roles_of(body, times, order, known, first=framed.first, apart=apart)
        return _Described(kind, *found)

    every = [described(kind, hints) for kind in kinds]
    value = _best(every, _VALUES, hints, ("thickness", "time_of_flight"))
    moving = _best(every, _MOVING, hints, ("position",))
    used: list[_Described] = []
    if value is None and moving is None:
        return []
    if value is not None and (moving is None or moving is value):
        used = [value]
    elif moving is not None and value is None:
        used = [moving]
    elif value is not None and moving is not None:
        used = [
            described(value.kind, _only(hints, "gauge")),
            described(moving.kind, _only(hints, "encoder")),
        ]
    used = _alike(used)
    records = []
    findings: list[Finding] = []
    further: list[FrameKind] = []
    for each in used:
        items, about = items_of(one, each.kind.rows, each.fields, each.roles)
        findings += [
            replace(finding, about=f"{_name(each.kind)}, {finding.about}") for finding in about
        ]
        fewer = (
            _with_fewer(one, each.kind, kinds, items)
            if value is not None and each is used[0]
            else None
        )
        if fewer is not None:
            for kind, shorter, what in fewer:
                further.append(kind)
                records.append(_record(kind, shorter, what, one))
                why = f"{kind.rows.shape[0]} frames, shorter by the values that their number leaves out"
                findings.append(Finding(_name(kind), what, Basis.SHOWN, why))
        records.append(_record(each.kind, items, "", one))
    without = _without_value(used, kinds) if value is not None and not further else None
    if without is not None:
        items, _ = items_of(one, used[0].kind.rows, used[0].fields, used[0].roles)
        bare = _cut(items)
        if bare is not None:
            what = "without a value: a reading without an echo"
            records.insert(0, _record(without, bare, what, one))
            why = f"{without.rows.shape[0]} frames like those with a value, and shorter by it"
            findings.append(Finding(_name(without), what, Basis.LIKELY, why))
    used_kinds = len(records)
    if used_kinds == 1:
        for other in _of_other_lengths(used[0], every):
            what = "passed over"
            records.append(_record(other.kind, _bare(one, other), what, one))
            why = f"{other.kind.rows.shape[0]} frames without a reading or a position"
            findings.append(Finding(_name(other.kind), what, Basis.LIKELY, why))
            further.append(other.kind)
    if len(records) < 2:
        return []
    if numbered:
        why = "goes up by 1 from frame to frame, of whatever kind: it numbers no kind by itself"
        where = "byte " + " and ".join(map(str, sorted(numbered)))
        findings.append(Finding(where, "skip", Basis.SHOWN, why))
    passed = sum(kind.rows.shape[0] for kind in kinds) - sum(
        each.kind.rows.shape[0] for each in used
    )
    passed -= sum(kind.rows.shape[0] for kind in further)
    if passed:
        why = "no reading and no position was found in them, or no more than is in the others"
        findings.append(Finding("other frames", f"{passed} are passed over", Basis.LIKELY, why))
    text, common = written_frames(one, order, port, records=records)
    questions = tuple(dict.fromkeys(q for each in used for q in each.roles.questions))
    score = sum(each.roles.score for each in used) + _MORE_KINDS * (used_kinds - 1)
    looked = sum(sampled_rows(each.kind.rows.shape[0]).size for each in used)
    cost = 2.0 * sum(each.cost for each in used) / max(1, looked)
    rank = one.rank * 4 + score - cost
    return [Suggestion(text, (*common, *findings), questions, rank=rank)]


def _of_other_lengths(used: _Described, every: Sequence[_Described]) -> list[_Described]:
    """The other kinds, if each is of another length than the one that is used: no status divides them."""
    others = [each for each in every if each is not used and each.kind is not used.kind]
    if any(each.kind.length == used.kind.length for each in others):
        return []
    return others


def _bare(one: CheckedFrames, each: _Described) -> list[ColumnGuess]:
    """The fields of frames that mean nothing here: nothing but their length."""
    items, _ = items_of(one, each.kind.rows, each.fields, each.roles)
    skip = ColumnGuess({"is": "skip", "bytes": 1}, Basis.LIKELY, "frames that are passed over")
    out: list[ColumnGuess] = []
    for item in items:
        out += [item] if item.table["is"] == "length" else [skip] * field_bytes(item)
    return out


def _with_fewer(
    one: CheckedFrames, kind: FrameKind, kinds: Sequence[FrameKind], items: Sequence[ColumnGuess]
) -> list[tuple[FrameKind, list[ColumnGuess], str]] | None:
    """Frames like those of a kind with fewer values, their fields and what they are; None if nothing counts them."""
    same = [other for other in kinds if other.value == kind.value]
    first = one.framed.first
    counted = counted_values(same, _first_of(one))
    if counted is None:
        return None
    number = int(kind.rows[0, counted.place])
    out = []
    for other in same:
        left = int(other.rows[0, counted.place])
        fewer = without_values(items, first, counted, number, left)
        if left >= number or fewer is None:
            continue
        if not any(item.table["is"] in _VALUES for item in fewer):
            if not any(item.table["is"] in _SHOWS for item in fewer):
                continue
            out.append((other, fewer, "without a value: a reading without an echo"))
        else:
            out.append((other, fewer, f"with {left} values in place of {number}"))
    return out


def common_headers(every: Sequence[tuple[int, bytes]], first: int) -> frozenset[int]:
    """Bytes at the beginning that are the same in all frames of all lengths: a type, an address."""
    return frozenset(
        place
        for place in range(first, first + _HEADER)
        if len({frame[place] for _, frame in every if len(frame) > place}) == 1
    )


def _first_of(one: CheckedFrames) -> int:
    """Byte at which what tells kinds apart may be."""
    framed = one.framed
    if framed.length_at is None:
        return framed.first
    at, size, _ = framed.length_at
    return max(framed.first, at + size) if at - framed.first < 1 else framed.first


def _best(
    every: Sequence[_Described], kinds: frozenset[str], hints: Hints, shown: Sequence[str]
) -> _Described | None:
    """The kind of frames whose field is most likely what is looked for, by the display where it is known."""
    found = [one for one in every if one.score(kinds) > 0]
    named = any(hints.of(one) for one in shown)
    matched = [
        one
        for one in found
        if any(role.kind in kinds and role.shown for role in one.roles.of.values())
    ]
    found = matched if named and matched else found
    return max(found, key=lambda one: one.score(kinds), default=None)


def _alike(used: Sequence[_Described]) -> list[_Described]:
    """Without a clock or a running number that only some of the kinds have, as the driver needs them in all."""
    out = list(used)
    for what in ("device_time", "sequence"):
        has = [any(role.kind == what for role in one.roles.of.values()) for one in out]
        if all(has) or not any(has):
            continue
        for at, one in enumerate(out):
            roles = {
                key: role if role.kind != what else _left_out(role)
                for key, role in one.roles.of.items()
            }
            out[at] = replace(one, roles=replace(one.roles, of=roles))
    return out


def _left_out(role: Role) -> Role:
    what = role.kind.replace("_", " ")
    why = f"a {what}, left out as frames of the other kind have none: {role.why}"
    return Role("ignore", 0.0, role.basis, why, {})


def _only(hints: Hints, contents: Any) -> Hints:  # noqa: ANN401  a literal
    return replace(hints, contents=contents)


def _name(kind: FrameKind) -> str:
    if kind.value is None:
        return f"frames of {kind.length} bytes"
    return f"frames with {kind.value:02X} in byte {kind.place}"


def _record(
    kind: FrameKind, items: Sequence[ColumnGuess], what: str, one: CheckedFrames
) -> RecordGuess:
    """The table of one kind, in which the byte that tells it is a constant."""
    at = one.framed.first
    marked: list[ColumnGuess] = []
    for item in items:
        size = field_bytes(item)
        if kind.value is not None and at == kind.place and size == 1:
            table = {"is": "constant", "type": "u1", "value": kind.value}
            item = ColumnGuess(table, Basis.SHOWN, "it tells the kinds of frames apart")  # noqa: PLW2901
        marked.append(item)
        at += size
    note = f"{kind.rows.shape[0]} {_name(kind)}" + (f", {what}" if what else "")
    return RecordGuess(note, (), "fields", joined_skips(marked))


def _without_value(used: Sequence[_Described], kinds: Sequence[FrameKind]) -> FrameKind | None:
    """Frames of the same kind as those with the value that are shorter by it."""
    value = used[0]
    for key, field in enumerate(value.fields):
        role = value.roles.of.get(key)
        if role is None or role.kind not in _VALUES:
            continue
        for kind in kinds:
            if kind.value == value.kind.value and kind.length == value.kind.length - field.size:
                return kind
    return None


def _cut(items: Sequence[ColumnGuess]) -> list[ColumnGuess] | None:
    """The fields without the value; None if nothing else in them shows that they are a reading."""
    kept = [item for item in items if item.table["is"] not in _VALUES]
    if not any(item.table["is"] in _SHOWS for item in kept):
        return None
    return kept
