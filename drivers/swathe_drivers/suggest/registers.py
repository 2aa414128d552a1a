"""A description of a Modbus device, from its registers read again and again."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.modbus.scan import RegisterFraming, RegisterRange, RegisterSamples
from swathe_drivers.modbus.settings import FUNCTIONS
from swathe_drivers.rtu import with_crc
from swathe_drivers.suggest.encodings import Encoded
from swathe_drivers.suggest.field_roles import roles_of
from swathe_drivers.suggest.findings import Basis, ColumnGuess, Finding, Suggestion
from swathe_drivers.suggest.frame_items import field_table
from swathe_drivers.suggest.hints import Hints
from swathe_drivers.suggest.roles import Roles
from swathe_drivers.suggest.running import Role
from swathe_drivers.suggest.trial import tried
from swathe_drivers.suggest.writing import write

__all__ = ["suggest_registers"]

WordOrder = Literal["high_first", "low_first"]

_TYPES: Final = {
    "u2": "uint16",
    "i2": "int16",
    "u4": "uint32",
    "i4": "int32",
    "u8": "uint64",
    "i8": "int64",
    "f4": "float32",
    "f8": "float64",
}
_READINGS: Final = ("thickness", "time_of_flight")
_POSITIONS: Final = ("counts", "position")
_MOST: Final = 44
"""Registers of one piece that is divided into fields."""
_QUIET: Final = 3
"""So many registers that never change are between two pieces."""


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """Registers next to each other of which some change."""

    range: RegisterRange
    first: int
    rows: NDArray[np.uint16]
    times: NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class _Field:
    range: RegisterRange
    register: int
    table: dict[str, Any]
    role: Role


def suggest_registers(
    samples: Sequence[RegisterSamples],
    *,
    unit: int,
    framing: RegisterFraming,
    every_ms: int,
    port: Mapping[str, Any] | None = None,
    hints: Hints | None = None,
) -> Suggestion:
    """Propose a description for registers that were read again and again.

    Args:
        samples: of each range.
        unit: address of the device.
        framing: of the requests.
        every_ms: from one request to the next, for the description.
        port: what is known of the line.
        hints: what is known beforehand.
    """
    known = hints or Hints()
    pieces = [piece for one in samples for piece in _pieces(one)]
    if not pieces:
        why = f"{sum(one.range.count for one in samples)} registers can be read, and none changed: move the probe"
        return Suggestion("", (Finding("registers", "none changes", Basis.SHOWN, why),))
    found = []
    for order in ("high_first", "low_first"):
        fields, score, questions = _fields(pieces, order, known)
        chosen = _chosen(fields)
        if not chosen:
            continue
        one = _written(chosen, fields, unit, framing, order, every_ms, dict(port or {}))
        stream = _answers(chosen, samples, unit, framing)
        found.append(tried(replace(one, rank=score, questions=questions), stream, 0, known))
    if not found:
        what = ", ".join(
            f"{p.range.registers} {p.first} to {p.first + p.rows.shape[1] - 1}" for p in pieces
        )
        why = f"{what} change, and none looks like a thickness, a time of flight or an encoder"
        return Suggestion("", (Finding("registers", "not known", Basis.LIKELY, why),))
    found.sort(key=lambda one: -one.rank)
    return replace(found[0], others=tuple(one for one in found[1:] if one.text))


def _pieces(samples: RegisterSamples) -> list[_Piece]:
    values = samples.values
    if values.shape[0] < 12:
        return []
    moving = np.flatnonzero((values != values[0]).any(axis=0))
    pieces: list[_Piece] = []
    start = 0
    for at in range(1, moving.size + 1):
        apart = at == moving.size or moving[at] - moving[at - 1] > _QUIET
        if not apart and moving[at] - moving[start] < _MOST:
            continue
        # The register before and behind may be the upper half of a number that was small.
        low = max(0, int(moving[start]) - 1)
        high = min(values.shape[1] - 1, int(moving[at - 1]) + 1)
        rows = values[:, low : high + 1]
        pieces.append(_Piece(samples.range, samples.range.first + low, rows, samples.times))
        start = at
    return pieces


def _fields(
    pieces: Sequence[_Piece], order: WordOrder, hints: Hints
) -> tuple[list[_Field], float, tuple[Any, ...]]:
    """Fields of all pieces in one word order, and how well they explain them."""
    fields: list[_Field] = []
    score = 0.0
    questions: tuple[Any, ...] = ()
    for piece in pieces:
        values = piece.rows if order == "high_first" else piece.rows[:, ::-1]
        block = np.ascontiguousarray(values.astype(">u2")).view(np.uint8)
        seconds = (piece.times - piece.times[0]) / 1e9
        cost, encoded, roles = roles_of(block, seconds, "big", hints, sizes=(2, 4, 8))
        score += roles.score - cost / block.shape[0]
        questions += roles.questions
        fields += _of_piece(piece, encoded, roles, order)
    return fields, score, questions


def _of_piece(
    piece: _Piece, encoded: Sequence[Encoded], roles: Roles, order: WordOrder
) -> list[_Field]:
    number = piece.rows.shape[1]
    found = []
    for key, one in enumerate(encoded):
        role = roles.of.get(key)
        if role is None or role.kind == "ignore" or one.kind not in _TYPES:
            continue
        at, size = one.first // 2, one.size // 2
        at = at if order == "high_first" else number - at - size
        table = field_table(one, role)
        table["type"] = _TYPES[one.kind]
        found.append(_Field(piece.range, piece.first + at, table, role))
    return found


def _chosen(fields: Sequence[_Field]) -> list[_Field]:
    """One reading, axes, and what belongs to them; from two ranges at most."""
    best: dict[str, _Field] = {}
    axes: dict[str, _Field] = {}
    for one in sorted(fields, key=lambda one: -one.role.score):
        kind = "value" if one.role.kind in _READINGS else one.role.kind
        if kind in _POSITIONS:
            axes.setdefault(str(one.table["axis"]), one)
        else:
            best.setdefault(kind, one)
    if "value" not in best and not axes:
        return []
    if "value" not in best:
        best.pop("amplitude", None)
        best.pop("status", None)
    kept = [*best.values(), *axes.values()]
    # Positions belong into one request, and what belongs to a reading into one.
    main = best["value"].range if "value" in best else kept[0].range
    place = axes["scan"].range if "scan" in axes else next((a.range for a in axes.values()), main)
    return sorted(
        (one for one in kept if one.range is (place if one.role.kind in _POSITIONS else main)),
        key=lambda one: (one.range.registers, one.register),
    )


def _written(
    chosen: Sequence[_Field],
    fields: Sequence[_Field],
    unit: int,
    framing: RegisterFraming,
    order: WordOrder,
    every_ms: int,
    port: dict[str, Any],
) -> Suggestion:
    ranges = list({id(one.range): one.range for one in chosen}.values())
    items = []
    findings = [
        Finding("unit", str(unit), Basis.SHOWN, "it answers"),
        Finding(
            "word order",
            order,
            Basis.LIKELY,
            "numbers of two registers are steadier than in the other order",
        ),
    ]
    for each in ranges:
        tables = [_with_register(one) for one in chosen if one.range is each]
        why = "; ".join(f"{one.register}: {one.role.why}" for one in chosen if one.range is each)
        items.append(
            ColumnGuess({"registers": each.registers, "fields": tables}, Basis.LIKELY, why)
        )
    for one in fields:
        what = " ".join(
            str(one.table[key]) for key in ("is", "type", "axis", "unit") if key in one.table
        )
        taken = "" if one in chosen else "; left out, as there is a better one"
        findings.append(
            Finding(
                f"{one.range.registers} register {one.register}",
                what,
                one.role.basis,
                one.role.why + taken,
            )
        )
    settings: list[tuple[str, object, Finding | None]] = [
        ("framing", framing, None),
        ("unit", unit, findings[0]),
        ("every", f"{every_ms} ms", None),
        ("word_order", order, findings[1]),
    ]
    text = write(
        driver="modbus", port=port, settings=settings, list_name="reads", items=items, remarks=()
    )
    return Suggestion(text, tuple(findings))


def _with_register(one: _Field) -> dict[str, Any]:
    table = {key: value for key, value in one.table.items() if key != "bytes"}
    return {"is": table.pop("is"), "register": one.register, **table}


def _answers(
    chosen: Sequence[_Field],
    samples: Sequence[RegisterSamples],
    unit: int,
    framing: RegisterFraming,
) -> list[tuple[int, bytes]]:
    """The answers that the description's requests would have got."""
    sizes = {"16": 1, "32": 2, "64": 4}
    stream: list[tuple[int, bytes]] = []
    for number, each in enumerate({id(one.range): one.range for one in chosen}.values()):
        mine = [one for one in chosen if one.range is each]
        first = min(one.register for one in mine)
        end = max(one.register + sizes[str(one.table["type"])[-2:]] for one in mine)
        source = next(one for one in samples if one.range is each)
        columns = source.values[:, first - each.first : end - each.first]
        for row, time in zip(columns, source.times.tolist(), strict=True):
            data = row.astype(">u2").tobytes()
            body = bytes([unit, FUNCTIONS[each.registers], len(data)]) + data
            if framing == "rtu":
                stream.append((time, with_crc(body)))
            else:
                head = number.to_bytes(2, "big") + b"\0\0" + len(body).to_bytes(2, "big")
                stream.append((time, head + body))
    return sorted(stream)
