"""Which numbers are positions: encoders, or lengths that the device makes of them."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np

from swathe_drivers.suggest.display import Match, is_power_of_ten, match_shown
from swathe_drivers.suggest.findings import Basis, OpenQuestion
from swathe_drivers.suggest.hints import Hints, Shown
from swathe_drivers.suggest.measured import thickness_of
from swathe_drivers.suggest.running import Role, motion_of
from swathe_drivers.suggest.series import Series, persistence, unwrapped
from swathe_drivers.suggest.travels import travels_of

__all__ = ["find_axes", "where_of"]

_LONG_UNITS: Final = {"M": 1000.0, "CM": 10.0}
_FEWEST_PLACES: Final = 40
_FEWEST_STEPS: Final = 2
_STEPPED: Final = 0.9
_JUMP: Final = 20.0
_SAME: Final = 0.95
_STEP: Final = 4.5  # of the last digit: what drifts goes by one or two of it

_Moving = tuple[float, Series, Role]


def find_axes(
    free: Sequence[Series], roles: dict[int, Role], hints: Hints, questions: list[OpenQuestion]
) -> None:
    """Encoders: at most two, in their order; what the display shows of the thickness is none."""
    moving: list[_Moving] = []
    named = tuple(one for one in hints.of("position") if one.value)
    matches = _matched(free, named)
    for one in free:
        role = motion_of(one)
        match = matches.get(one.key)
        factor = _LONG_UNITS.get(one.label.strip().upper())
        if factor is not None and role is not None and one.may_be("position"):
            why = f"its unit is next to it: {one.label}; {role.why}"
            role = replace(role, kind="position", keys={"unit": "mm", "scale": factor}, why=why)
            match = None
        # There is a line through any two numbers of the display.
        usual = (
            match is not None
            and not match.fitted
            and (is_power_of_ten(match.scale) or match.chance < -1.5)
        )
        if match is not None and usual and one.may_be("position") and _moves(one):
            why = match.why + (f"; {role.why}" if role else "")
            ticks = role is not None and role.kind == "counts"
            # A length is sent in a unit; what takes another factor is a count.
            odd = not is_power_of_ten(match.scale)
            if role is not None and ticks and (role.period is not None or odd):
                why += f"; {1 / match.scale:g} counts for a {match.unit}"
                score = role.score - 3 * match.chance
                role = replace(role, score=score, why=why, shown=match.scale)
            else:
                keys: dict[str, Any] = {"unit": match.unit}
                keys |= {"scale": match.scale} if match.scale != 1 else {}
                keys |= {"offset": match.offset} if match.offset else {}
                score = (role.score if role else 4.0) - 3 * match.chance
                role = Role("position", score, Basis.LIKELY, why, keys, shown=match.scale)
        if role is None:
            continue
        value = thickness_of(one, hints)
        rival = value.score if value is not None else -9.0
        if (
            hints.of("thickness")
            and value is not None
            and value.shown is not None
            and match is None
        ):
            rival += 4.0
        score = role.score - max(0.0, rival - 3.0) - 4.0 * (one.label == "%")
        if role.basis is Basis.GUESS and rival > 2.0:
            continue
        if score > 2.0 and one.label.strip().upper() not in ("DB", "%", "C", "V"):
            moving.append((score, one, role))
    if any(role.basis is not Basis.GUESS for _, _, role in moving):
        moving = [item for item in moving if item[2].basis is not Basis.GUESS]
    moving.sort(key=lambda item: -item[0])
    quads = sum(role.kind == "quadrature" for role in roles.values())
    # A gain or a temperature that drifts looks like an axis that hardly moves.
    seconds = [item for item in moving[1:] if _is_second_axis(item[1], item[2])]
    if moving:
        moving[0], seconds = _once_each(moving[0], seconds, roles, questions)
        seconds = [item for item in seconds if not _only_counts(item[1], moving[0][1])]
    moving = [*moving[:1], *((s, one, _at_most_likely(role)) for s, one, role in seconds)]
    kept = sorted(moving[: 2 - quads], key=lambda item: item[1].key)
    names = _axis_names(kept, hints)
    for (_, one, role), axis in zip(kept, names, strict=True):
        keys = {"axis": axis, **role.keys}
        if role.kind == "position" and "unit" not in keys:
            keys["unit"] = _label_unit(one) or hints.unit or "mm"
            if not _label_unit(one) and not hints.unit:
                ends = f"{where_of(one)} ends with {one.good[-1]:g}"
                text = f"Which position does the display show now, with its unit ({ends})?"
                questions.append(OpenQuestion(text, "--shows 'position=310.5 mm'", "position"))
        roles[one.key] = replace(role, keys=keys)
    if len(kept) == 2:
        text = f"Which of {where_of(kept[0][1])} and {where_of(kept[1][1])} is the scan axis?"
        questions.append(
            OpenQuestion(text, "move the probe along one axis only, and capture again")
        )
    for key, role in list(roles.items()):
        if role.kind == "quadrature":
            roles[key] = replace(role, keys={"axis": "index" if kept else hints.axis})


def _matched(free: Sequence[Series], named: tuple[Shown, ...]) -> dict[int, Match]:
    """What makes the display's position of one of the numbers: it shows that of one axis only."""
    found: dict[int, Match] = {}
    for one in free:
        match = match_shown(one, named, _label_unit(one)) if named else None
        if match is not None and one.may_be("position") and _moves(one):
            found[one.key] = match
    plain = {key: match for key, match in found.items() if match.scale == 1.0 and not match.fitted}
    if len(found) > 1 and len(plain) == 1:
        return plain
    tens = {key: match for key, match in found.items() if is_power_of_ten(match.scale)}
    return tens if len(found) > 1 and len(tens) == 1 else found


def _is_second_axis(one: Series, role: Role) -> bool:
    """It takes many numbers without a jump, travels now and then, or is stepped on by the same again."""
    values = one.values[one.present]
    if one.whole and (one.span is None or role.period is not None):
        values, _ = unwrapped(values, one.span if role.period == one.span else None)
    steps = np.abs(np.diff(values))
    moved = steps[steps > 0]
    if not moved.size:
        return True
    digit = 10.0**-one.places
    travels = travels_of(values, digit)
    if moved.size < (1.0 - _STEPPED) * steps.size:
        if travels.are_motion and np.ptp(values) >= _STEP * digit * 4:
            return True
        # Between two records an axis is stepped on by the same, a gain is set to and fro.
        signed = np.diff(values)[steps > 0]
        return (
            moved.size >= _FEWEST_STEPS
            and float(moved.min()) >= _STEP * digit
            and float(moved.max()) < (1.1 if moved.size < 4 else 1.3) * float(moved.min())
            and (bool((signed > 0).all()) or bool((signed < 0).all()))
        )
    # What is put together of two numbers jumps where the upper one changes.
    usual = float(np.quantile(moved, 0.95))
    jumps = np.count_nonzero(moved > max(_JUMP * usual, 2.0 * digit))
    different = np.unique(values).size
    return (different >= _FEWEST_PLACES or travels.are_motion) and (
        jumps == 0
        or (one.span is not None and bool((values.max() - values.min()) > 0.9 * one.span))
    )


def _once_each(
    first: _Moving,
    others: Sequence[_Moving],
    roles: dict[int, Role],
    questions: list[OpenQuestion],
) -> tuple[_Moving, list[_Moving]]:
    """The axis by the first of its fields, and the others that are not the same one at another moment."""
    same = [item for item in others if _is_same_axis(first[1], item[1])]
    if not same:
        return first, list(others)
    every = sorted((first, *same), key=lambda item: item[1].key)
    for _, one, _ in every[1:]:
        why = f"the position of {where_of(every[0][1])} at another moment"
        roles[one.key] = Role("ignore", 0.0, Basis.LIKELY, why, {})
    names = ", ".join(where_of(one) for _, one, _ in every)
    text = (
        f"Does a record hold several readings, one after another? {names} are one axis at different moments; what is"
        " proposed takes one position and one value, perhaps of different moments, and passes the others over."
    )
    questions.append(OpenQuestion(text, "see the manual"))
    return every[0], [item for item in others if item not in same]


def _is_same_axis(one: Series, two: Series) -> bool:
    """Each number is between two of the other's that follow each other, before it or behind it."""
    a, b = one.values, two.values
    if a.size != b.size or a.size < _FEWEST_PLACES or one.places != two.places:
        return False
    digit = 10.0**-one.places
    for x, y in ((a, b), (b, a)):
        low, high = np.minimum(x[1:], x[:-1]) - digit, np.maximum(x[1:], x[:-1]) + digit
        if float(np.mean((y[:-1] >= low) & (y[:-1] <= high))) > _SAME:
            return True
    return False


def _only_counts(one: Series, first: Series) -> bool:
    """It goes one way in most records while the axis goes to and fro: a counter of readings, say."""
    steps, moves = np.diff(one.values), np.diff(first.values)
    one_way = bool((steps >= 0).all() or (steps <= 0).all())
    to_and_fro = bool((moves > 0).any() and (moves < 0).any())
    return one_way and to_and_fro and float(np.mean(steps != 0)) > 1.0 - _STEPPED


def _at_most_likely(role: Role) -> Role:
    return replace(role, basis=Basis.LIKELY) if role.basis is Basis.SHOWN else role


def _moves(one: Series) -> bool:
    """It may be a position: it does not jump to and fro."""
    values = one.values[one.present]
    moved = values[np.concatenate(([True], np.diff(values) != 0))]
    return moved.size >= 3 and persistence(moved) > 0.4


def _axis_names(kept: Sequence[tuple[float, Series, Role]], hints: Hints) -> list[str]:
    """The first that moves more is the scan axis, unless the texts before them name them."""
    if len(kept) < 2:
        return [hints.axis] * len(kept)
    other = "index" if hints.axis == "scan" else "scan"
    moves = [np.count_nonzero(np.diff(one.values)) for _, one, _ in kept]
    first = moves[0] * 3 >= moves[1]
    return [hints.axis, other] if first else [other, hints.axis]


def _label_unit(one: Series) -> str | None:
    label = one.label.strip().upper()
    known = {"MM": "mm", "IN": "in", "INCH": "in", '"': "in", "UM": "um", "THOU": "thou"}
    return known.get(label)


def where_of(one: Series) -> str:
    """What questions call a column."""
    return f"column {one.key + 1}" if not one.name else f"{one.name!r}"
