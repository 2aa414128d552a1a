"""What two evaluations of A-scans have in common, as far as a calibration depends on it.

Gates are compared by what they do for the time of flight, not by their names: that of the
interface, the first and, for echo to echo, the second back wall. Gates that give no time, such as
one that only shows where another begins, are not compared: they move no measured point.

A difference is refused when the same echo gives another time, or another echo is measured:

- mode, and whether there is an interface gate: other echoes are measured, or from another one on
  (first back wall to echo to echo is the whole delay of the probe, some tenths of a µs);
- measured point and polarity of a gate: half a cycle or more of the pulse;
- threshold of a gate that measures the flank there, or its `flank_level`: another height;
- reference of a gate, or a window that has no time in common with the calibration's: another echo;
- band and rectification: the pulse has another shape, and every point of it moves;
- every key that is not listed here, such as one of a later version: nothing is known of it.

It is warned of when the same point of the same echo is measured, within the limits that change:
start and width of a gate with some time in common, threshold of a gate that measures a peak or a
zero crossing, saturation and whether saturated echoes count, which are flagged one by one. On the part, whose walls differ from the block's, these are changed with
good reason. Common practice, no source: procedures have the settings of the calibration kept, and
name gate width and gain as what may be changed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from swathe.calibration.differences import Difference, Weight, same_value, value_text

__all__ = ["echo_differences"]

Table = Mapping[str, Any]

_HANDLED = frozenset({"gate", "time_of_flight", "interface"})
_HARMLESS = frozenset({"saturation", "allow_saturated"})
_HARMLESS_OF_GATE = frozenset({"start", "width"})
_UNITS = {
    "start": "µs",
    "width": "µs",
    "threshold": "%",
    "saturation": "%",
    "centre": "MHz",
    "bandwidth": "%",
}
_OTHER_TIME = "the same echo gives another time"
_OTHER_ECHO = "another echo is measured"
_SAME_POINT = "the same point of the echo is measured"
_EXTERNAL, _BY_GATES = "times that the instrument measured", "A-scans measured by gates"
_NO_KEY = "no such key"
_INTERFACE, _FIRST, _SECOND = "interface", "first back wall", "second back wall"


def echo_differences(recorded: Table | None, stated: Table | None) -> list[Difference]:
    """Return the differences between two tables ``[echo]``.

    Args:
        recorded: of the calibration, in µs, MHz and %; None where the instrument itself measured.
        stated: of the station, likewise.
    """
    if recorded is None and stated is None:
        return []
    if recorded is None or stated is None:
        one, other = (_EXTERNAL if table is None else _BY_GATES for table in (recorded, stated))
        return [_refused("echo", one, other, _OTHER_TIME)]
    return [*_of_table(recorded, stated), *_of_gates(recorded, stated)]


def _of_table(recorded: Table, stated: Table) -> Iterator[Difference]:
    for key in _keys(recorded, stated, _HANDLED):
        yield from _compare(f"echo.{key}", key, recorded, stated, harmless=key in _HARMLESS)


def _of_gates(recorded: Table, stated: Table) -> Iterator[Difference]:
    before, now = _by_role(recorded), _by_role(stated)
    if recorded.get("mode") != stated.get("mode"):
        return  # which gates give the time is another question then, and it is refused already
    for role in (_INTERFACE, _FIRST, _SECOND):
        one, other = before.get(role), now.get(role)
        if one is None and other is None:
            continue
        if one is None or other is None:
            names = (value_text(None if gate is None else gate["name"]) for gate in (one, other))
            before_name, now_name = names
            why = "the time is counted from another moment"
            yield _refused(f"echo.{role}", before_name, now_name, why)
            continue
        position = [gate["name"] for gate in stated["gate"]].index(other["name"])
        key = f"echo.gate[{position}]"
        yield from _of_gate(key, one, other, _reference(recorded, one), _reference(stated, other))


def _of_gate(
    key: str, one: Table, other: Table, reference: str, other_reference: str
) -> Iterator[Difference]:
    """Yield the differences of the gates of one role."""
    handled = frozenset({"name", "after"})
    if reference != other_reference:
        yield _refused(f"{key}.after", reference, other_reference, _OTHER_ECHO)
    elif _window(one)[0] > _window(other)[1] or _window(other)[0] > _window(one)[1]:
        yield _refused(f"{key}.start", _window_text(one), _window_text(other), _OTHER_ECHO)
        handled |= _HARMLESS_OF_GATE
    # A flank at a share of the echo's own peak is met at the same height whatever the threshold.
    flank = any(g.get("measure") == "flank" and g.get("flank_level") is None for g in (one, other))
    for name in _keys(one, other, handled):
        harmless = name in _HARMLESS_OF_GATE or (name == "threshold" and not flank)
        yield from _compare(f"{key}.{name}", name, one, other, harmless=harmless)


def _compare(
    key: str, name: str, recorded: Table, stated: Table, *, harmless: bool
) -> Iterator[Difference]:
    """Yield the difference in one key; of a table, those of its keys."""
    if name not in recorded or name not in stated:
        before, now = (value_text(t[name]) if name in t else _NO_KEY for t in (recorded, stated))
        why = "one of the two versions of Swathe does not know it"
        yield _difference(key, before, now, Weight.UNKNOWN, why)
        return
    one, other = recorded[name], stated[name]
    if same_value(one, other):
        return
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        for inner in _keys(one, other):
            yield from _compare(f"{key}.{inner}", inner, one, other, harmless=harmless)
        return
    before, now = (_text(value, _UNITS.get(name, "")) for value in (one, other))
    if harmless:
        yield _difference(key, before, now, Weight.WARNED, _SAME_POINT)
    else:
        yield _refused(key, before, now, _OTHER_ECHO if name == "mode" else _OTHER_TIME)


def _window(gate: Table) -> tuple[float, float]:
    return gate["start"], gate["start"] + gate["width"]


def _window_text(gate: Table) -> str:
    begin, end = _window(gate)
    return f"{begin:g} to {end:g} µs"


def _text(value: object, unit: str) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_text(one, _UNITS.get(key, ''))}" for key, one in value.items())
    return value_text(value, unit)


def _refused(key: str, recorded: str, stated: str, why: str) -> Difference:
    return _difference(key, recorded, stated, Weight.REFUSED, why)


def _difference(key: str, recorded: str, stated: str, weight: Weight, why: str) -> Difference:
    return Difference(key=key, recorded=recorded, stated=stated, weight=weight, why=why)


def _keys(one: Table, other: Table, without: frozenset[str] = frozenset()) -> list[str]:
    """Return the keys of either table, those of the second one first, in their order."""
    return [key for key in dict.fromkeys([*other, *one]) if key not in without]


def _by_role(echo: Table) -> dict[str, Table]:
    """Return the gates by what they do for the time of flight."""
    gates = {gate["name"]: gate for gate in echo["gate"]}
    names = dict(zip((_FIRST, _SECOND), echo["time_of_flight"], strict=False))
    if echo.get("interface") is not None:
        names[_INTERFACE] = echo["interface"]
    return {role: gates[name] for role, name in names.items()}


def _reference(echo: Table, gate: Table) -> str:
    """Return from what a gate's start is counted: time zero, or the echo of a gate by its role."""
    after = gate.get("after", "zero")
    if after == "zero":
        return "time zero"
    if after == "interface":
        return "the echo of the interface"
    roles = {other["name"]: role for role, other in _by_role(echo).items()}
    return f"the echo of the {roles[after]}" if after in roles else "the echo of another gate"
