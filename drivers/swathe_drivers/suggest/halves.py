"""Numbers that may be the lower half of a longer one."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.encodings import Encoded
from swathe_drivers.suggest.findings import Basis, OpenQuestion
from swathe_drivers.suggest.roles import Roles

__all__ = ["without_halves"]

_PLACES: Final = frozenset({"counts", "position"})


def without_halves(fields: Sequence[Encoded], rows: NDArray[np.uint8], roles: Roles) -> Roles:
    """Return roles in which a position is not shown where the bytes next to it may be its upper half.

    Args:
        fields: into which the frames are divided.
        rows: frames without their checksum, shape (n, length).
        roles: of the fields.
    """
    changed = dict(roles.of)
    questions = list(roles.questions)
    for key, role in roles.of.items():
        one = fields[key]
        if role.kind not in _PLACES or one.kind not in ("u1", "i1", "u2", "i2"):
            continue
        for first in (one.first + one.size, one.first - one.size):
            if first < 0 or first + one.size > rows.shape[1]:
                continue
            taken = [
                at
                for at, other in enumerate(fields)
                if other.first < first + one.size and first < other.first + other.size
            ]
            if any(roles.of[at].kind != "ignore" for at in taken if at in roles.of):
                continue
            if taken and _is_upper(one, rows[:, first : first + one.size]):
                why = (
                    f"{role.why}; bytes {first} to {first + one.size - 1} may be its upper half: the capture"
                    " cannot tell, move it further than this number holds or see the manual"
                )
                basis = role.basis if role.basis is Basis.GUESS else Basis.LIKELY
                changed[key] = replace(role, basis=basis, why=why)
                text = f"Is the {role.kind} in bytes {one.first} to {one.first + one.size - 1} half of a longer number?"
                questions.append(OpenQuestion(text, "see the manual"))
    return replace(roles, of=changed, questions=tuple(questions))


def _is_upper(one: Encoded, upper: NDArray[np.uint8]) -> bool:
    """They are the sign of the number, or change exactly where it starts again."""
    lower = one.values
    zeros, ones = (upper == 0).all(axis=1), (upper == 0xFF).all(axis=1)
    if bool(ones.any()) and bool(np.array_equal(ones, lower < 0) and (zeros | ones).all()):
        return True
    span = 1 << 8 * one.size
    turned = np.abs(np.diff(lower % span)) > span / 2
    stepped = (np.diff(upper.astype(np.int16), axis=0) != 0).any(axis=1)
    return bool(turned.any()) and bool(np.array_equal(turned, stepped))
