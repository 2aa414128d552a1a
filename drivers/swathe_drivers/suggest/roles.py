"""What the columns or fields of one kind of record are, decided together."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.axes import find_axes, where_of
from swathe_drivers.suggest.display import is_power_of_ten, shown_text
from swathe_drivers.suggest.findings import Basis, OpenQuestion
from swathe_drivers.suggest.flags import Flag, judge_bits, judge_texts, lost_of
from swathe_drivers.suggest.held import find_held
from swathe_drivers.suggest.hints import Hints
from swathe_drivers.suggest.measured import amplitude_of, thickness_of
from swathe_drivers.suggest.running import Role, clock_of, quadrature_of, sequence_of
from swathe_drivers.suggest.series import Series, persistence

__all__ = ["Roles", "assign"]

_VALUES: Final = ("thickness", "time_of_flight")
_MOVING: Final = ("counts", "position", "quadrature")
_IGNORED: Final = Role("ignore", 0.0, Basis.GUESS, "the bytes do not show what it is", {})
_MATCHED: Final = 12.0
_SECOND_AXIS: Final = 0.8
_VALUED: Final = 12.0
_CLOSE: Final = 1.5
"""Two candidates whose scores differ by less are not distinguished."""


@dataclass(frozen=True, slots=True)
class Roles:
    """What was decided.

    Attributes:
        of: role of each column or field by its key.
        questions: what the bytes cannot tell.
        score: how much of a record is explained, to compare divisions of the same bytes.
    """

    of: dict[int, Role]
    questions: tuple[OpenQuestion, ...]
    score: float


def assign(series: Sequence[Series], flags: Sequence[Flag], hints: Hints) -> Roles:
    """Return the roles of all columns or fields of one kind of record."""
    roles: dict[int, Role] = {}
    runs: dict[int, Role] = {}
    steady = [one for one in series if np.unique(one.values[one.present]).size > 1]
    questions: list[OpenQuestion] = []
    for one in series:
        if one not in steady:
            value = one.values[one.present][0] if one.present.any() else np.nan
            why = f"always {value:g}: a setting, or something that stood still in this capture"
            roles[one.key] = Role("ignore", 0.0, Basis.GUESS, why, {})
    for one in steady:
        running = quadrature_of(one) or sequence_of(one) or clock_of(one)
        if running is not None:
            runs[one.key] = running
    _once(runs, roles)
    free = [one for one in steady if one.key not in roles]
    if hints.contents != "gauge":
        find_axes(free, roles, hints, questions)
    free = [one for one in free if one.key not in roles]
    value = None if hints.contents == "encoder" else _value(free, roles, hints, questions)
    free = [one for one in free if one.key not in roles]
    amplitude = _amplitude(free, roles, hints) if value is not None else None
    if value is not None:
        _status(flags, value, amplitude, roles, questions)
    elif not any(role.kind in _MOVING for role in roles.values()):
        _promoted(free, roles)
    for one in free:
        if one.key not in roles:
            good = one.good if one.good.size else one.values[one.present]
            why = f"from {good.min():g} to {good.max():g}: temperature, gain, battery or the like"
            roles[one.key] = Role("ignore", 0.0, Basis.GUESS, why, {})
    for flag in flags:
        if flag.key not in roles:
            roles[flag.key] = _unknown(flag)
    # What is a guess explains less than what the bytes show.
    axes = [role.score for role in roles.values() if role.kind in _MOVING]
    score = sum(
        max(0.0, role.score) * (0.5 if role.basis is Basis.GUESS else 1.0)
        for role in roles.values()
        if role.kind != "ignore"
    )
    if len(axes) > 1:  # few devices have a second one, and pieces of a number look like one
        score -= _SECOND_AXIS * min(axes)
    if value is not None and value.missing.any():
        # A status that shows the same as the value itself explains nothing more.
        score -= sum(0.6 * role.score for role in roles.values() if role.kind == "status")
    # A record with the measured value is worth more than one with positions only.
    fractions = {
        one.key
        for one in series
        if one.places or (one.span is None and one.good.size and float(np.median(one.good)) > 200)
    }
    score += _VALUED * any(
        role.kind in _VALUES and (role.basis is not Basis.GUESS or key in fractions)
        for key, role in roles.items()
    )
    score += _agreement(roles, hints)
    return Roles(roles, tuple(questions), score)


def _agreement(roles: dict[int, Role], hints: Hints) -> float:
    """What it is worth that the display is explained, or costs that it is not."""
    score = 0.0
    for quantities in (("thickness", "time_of_flight"), ("position",)):
        if any(shown.value for one in quantities for shown in hints.of(one)):
            several = any(len(hints.of(one)) > 1 for one in quantities)
            kinds = (*quantities, "counts") if "position" in quantities else quantities
            matched = any(
                role.shown is not None
                and (several or role.kind == "counts" or is_power_of_ten(role.shown))
                for role in roles.values()
                if role.kind in kinds
            )
            score += _MATCHED if matched else -_MATCHED
    return score


def _once(runs: dict[int, Role], roles: dict[int, Role]) -> None:
    """Of what a record can have once only, keep the surest."""
    for kind in ("device_time", "sequence"):
        same = sorted(
            (key for key in runs if runs[key].kind == kind), key=lambda key: -runs[key].score
        )
        for key in same[:1]:
            roles[key] = runs[key]
        for key in same[1:]:
            why = f"a second {kind.replace('_', ' ')}: {runs[key].why}"
            roles[key] = Role("ignore", 0.0, runs[key].basis, why, {})
    others = ("device_time", "sequence")
    roles |= {key: role for key, role in runs.items() if role.kind not in others}


def _value(
    free: Sequence[Series], roles: dict[int, Role], hints: Hints, questions: list[OpenQuestion]
) -> Series | None:
    """The measured value, and a second one to be ignored."""
    found: list[tuple[float, Series, Role]] = []
    for one in free:
        role = thickness_of(one, hints)
        if role is not None and _may_be_value(one):
            found.append((role.score, one, role))
    if not found:
        return None
    found = found if hints.shows else _paired(found, free)
    found.sort(key=lambda item: (-item[0], item[1].key))
    _, best, role = found[0]
    # A device that says of a reading that there is none does not hold the last one instead.
    held = None if best.missing.any() else find_held(best.values)
    if held is not None:
        basis = Basis.GUESS if role.basis is Basis.GUESS else Basis.LIKELY
        why = f"{role.why}; {held}"
        role = replace(role, keys={**role.keys, "held_after": held.after}, why=why, basis=basis)
    roles[best.key] = role
    for _, one, other in found[1:]:
        if other.kind != role.kind and "one goes with the other" in other.why:
            roles[one.key] = other
    wanted = [one for one in hints.of("thickness") if one.value]
    if wanted and not any(each.shown is not None for _, _, each in found):
        names = " and ".join(shown_text(one) for one in wanted)
        text = (
            f"No number here is the display's {names} by a factor that devices have: was it read at the end"
            " of the capture, and is the value in these records? Where it is sent in volts or the like, read the"
            " display on a thin and on a thick place."
        )
        questions.append(OpenQuestion(text, "--shows '12.41 mm @ 20.5 s'", "thickness"))
    if role.basis is Basis.GUESS:
        text = f"What does the display show now ({where_of(best)} ends with {best.good[-1]:g})?"
        questions.append(OpenQuestion(text, "--shows '12.41 mm'", "thickness"))
    rivals = [one for score, one, _ in found[1:] if found[0][0] - score < _CLOSE and score > 0.0]
    if rivals and role.basis is not Basis.SHOWN:
        names = ", ".join(f"{where_of(one)} ends with {one.good[-1]:g}" for one in rivals)
        text = f"Is the measured value not rather {names}?"
        questions.append(OpenQuestion(text, "--shows '12.41 mm'", "thickness"))
    return best


def _paired(
    found: list[tuple[float, Series, Role]], free: Sequence[Series]
) -> list[tuple[float, Series, Role]]:
    """Time of flight and thickness of the same wall show each other."""
    for one in free:
        for two in free:
            if one is two or one.label or two.label or one.whole or two.whole:
                continue
            both = ~one.missing & ~two.missing
            if np.count_nonzero(both) < 8:
                continue
            x, y = one.values[both], two.values[both]
            if x.std() == 0 or y.std() == 0 or np.median(y) < np.median(x):
                continue
            slope = float(y.std() / x.std())
            if 2.2 < slope < 3.6 and float(np.corrcoef(x, y)[0, 1]) > 0.97:
                why = f"one goes with the other, {slope:.2f} mm for a µs, as in metals"
                out = []
                for score, series, role in found:
                    if series is one:
                        out.append(
                            (
                                score - 1,
                                series,
                                replace(
                                    role,
                                    kind="time_of_flight",
                                    keys={"unit": "us"},
                                    why=why,
                                    basis=Basis.LIKELY,
                                ),
                            )
                        )
                    elif series is two and role.shown is None:
                        keys = {"unit": "mm"}
                        out.append(
                            (
                                score + 6,
                                series,
                                replace(
                                    role, kind="thickness", keys=keys, why=why, basis=Basis.LIKELY
                                ),
                            )
                        )
                    else:
                        out.append((score, series, role))
                return out
    return found


def _may_be_value(one: Series) -> bool:
    """What never changes is a setting, and so is a whole number that hardly ever does."""
    different = np.unique(one.good).size
    return different > (2 if one.whole else 1)


def _amplitude(free: Sequence[Series], roles: dict[int, Role], hints: Hints) -> Series | None:
    found = [
        (role.score, -one.key, one, role) for one in free if (role := amplitude_of(one, hints))
    ]
    if not found:
        return None
    _, _, best, role = max(found, key=lambda item: item[:2])
    if role.score < 0.2:
        return None
    roles[best.key] = role
    return best


def _status(
    flags: Sequence[Flag],
    value: Series,
    amplitude: Series | None,
    roles: dict[int, Role],
    questions: list[OpenQuestion],
) -> None:
    values = np.where(value.missing, np.nan, value.values)
    others: NDArray[np.float64] | None = amplitude.values if amplitude is not None else None
    verdicts = lost_of(value.missing, values, others)
    ranked: list[tuple[float, int, Flag, Role]] = []
    for flag in flags:
        if flag.key in roles and roles[flag.key].kind != "ignore":
            continue
        found = (
            judge_texts(flag, verdicts, values)
            if flag.texts
            else judge_bits(flag, verdicts, values)
        )
        if found is not None:
            role = Role("status", found.score, found.basis, found.why, found.keys)
            ranked.append((found.score, -flag.key, flag, role))
    ranked.sort(key=lambda item: item[:2], reverse=True)
    for _, _, flag, role in ranked[:1]:
        roles[flag.key] = role
        if role.basis is Basis.GUESS:
            names = ", ".join(repr(text) for text in dict.fromkeys(flag.texts))
            text = f"Which of {names} (column {flag.key + 1}) means that there is no reading?"
            questions.append(OpenQuestion(text, "lift the probe while you capture"))


def _unknown(flag: Flag) -> Role:
    if flag.texts:
        shown = ", ".join(repr(text) for text in list(dict.fromkeys(flag.texts))[:6])
        return Role("ignore", 0.0, Basis.GUESS, f"one of {shown}: its meaning is not known", {})
    numbers = np.unique(flag.numbers if flag.numbers is not None else np.empty(0, np.int64))
    shown = ", ".join(f"0x{int(number):02X}" for number in numbers[:6])
    return Role("ignore", 0.0, Basis.GUESS, f"one of {shown}: its meaning is not known", {})


def _promoted(free: Sequence[Series], roles: dict[int, Role]) -> None:
    """Without value and motion, the numbers that change most steadily may yet be an encoder."""
    best: tuple[float, Series] | None = None
    for one in free:
        if one.key in roles or not one.whole or not one.present.all() or not one.may_be("counts"):
            continue
        moving = persistence(one.values)
        if np.unique(one.values).size >= 3 and (best is None or moving > best[0]):
            best = (moving, one)
    if best is not None and best[0] >= 0.3:
        why = "hardly moved, but like an encoder; move it to and fro and capture again"
        roles[best[1].key] = Role("counts", 1.0, Basis.GUESS, why, {"axis": "scan"})
