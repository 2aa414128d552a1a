"""The number of the input that a reading is of, where a device has several probes."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.findings import Basis
from swathe_drivers.suggest.roles import Roles
from swathe_drivers.suggest.running import Role
from swathe_drivers.suggest.series import Series

__all__ = ["with_inputs"]

_VALUES: Final = frozenset({"thickness", "time_of_flight"})
_OTHERS: Final = frozenset({"ignore", "status", "amplitude", "counts"})
_MOST: Final = 16
_HIGHEST: Final = 32
_FEWEST: Final = 8
_ALTERNATES: Final = 0.8
"""Of the changes that numbers in random order make, those that an input's make at least: a status stays."""
_SMOOTHER: Final = 0.6
_IN_TURN: Final = 0.9


def with_inputs(roles: Roles, series: Sequence[Series]) -> Roles:
    """Return the roles with that of the input's number, where a column or field looks like one."""
    values = next((one for one in series if _kind(roles, one) in _VALUES), None)
    if values is None:
        return roles
    for one in series:
        role = roles.of.get(one.key)
        if one is values or (
            role is not None
            and (role.kind not in _OTHERS or role.basis is Basis.SHOWN or role.shown is not None)
        ):
            continue
        found = _input_of(one, np.where(values.missing, np.nan, values.values))
        if found is not None:
            return replace(roles, of={**roles.of, one.key: found}, score=roles.score + found.score)
    return roles


def _kind(roles: Roles, one: Series) -> str:
    role = roles.of.get(one.key)
    return "" if role is None else role.kind


def _input_of(one: Series, values: NDArray[np.float64]) -> Role | None:
    """What speaks for a column of few numbers being the input's; None if nothing does."""
    numbers = one.values
    if not one.whole or one.missing.any() or numbers.size != values.size:
        return None
    names, counts = np.unique(numbers, return_counts=True)
    if not 2 <= names.size <= _MOST or names[0] < 0 or names[-1] > _HIGHEST:
        return None
    shares = counts / counts.sum()
    changes = float(np.mean(numbers[1:] != numbers[:-1]))
    if counts.min() < _FEWEST or changes < _ALTERNATES * (1.0 - float((shares**2).sum())):
        return None
    inputs = [int(name) for name in names]
    listed = ", ".join(map(str, inputs))
    own = [np.abs(np.diff(values[numbers == name])) for name in names]
    step = float(np.nanmedian(np.concatenate(own)))
    between = np.abs(np.diff(values))[numbers[1:] != numbers[:-1]]
    usual = float(np.nanmedian(between)) if np.isfinite(between).any() else 0.0
    keys = {"inputs": inputs}
    if step < _SMOOTHER * usual:
        why = (
            f"{listed}: values with the same number go on from each other, with another they differ"
        )
        return Role("probe", 2.0, Basis.LIKELY, why, keys)
    if names[0] == 1 and _turns(numbers) > _IN_TURN:
        why = f"{listed} in turn: the input of each reading, or a running number"
        return Role("probe", 1.0, Basis.LIKELY, why, keys)
    return None


def _turns(numbers: NDArray[np.float64]) -> float:
    """The share of records behind which the number comes that usually comes then."""
    pairs = Counter(pairwise(numbers.tolist()))
    best: Counter[float] = Counter()
    for (name, _), count in pairs.items():
        best[name] = max(best[name], count)
    return sum(best.values()) / max(1, numbers.size - 1)
