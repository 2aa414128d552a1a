"""What is wrong with several kinds of frames taken together."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from swathe_drivers.frames.fields import AnyField, ConstantField, LengthField, size_of
from swathe_drivers.held_axes import held_problems, leading
from swathe_drivers.kinds import together_problems
from swathe_drivers.settings import SettingProblem

if TYPE_CHECKING:
    from swathe_drivers.frames.settings import FramesSettings


def frame_kinds_problems(kinds: "Sequence[FramesSettings]") -> list[SettingProblem]:
    """Return what is wrong with several kinds of frames together; paths begin with a number."""
    each, held = [kind.abilities() for kind in kinds], kinds[0].held_axes
    found = held_problems(each, [one for kind in kinds for one in kind.in_order], held)
    found += together_problems(leading(each, held), kinds[0].numbers)
    for number, kind in enumerate(kinds):
        length = _places(kind, LengthField)
        if length != _places(kinds[0], LengthField):
            requirement = "must have the field 'length' where record[0] has it"
            found.append(((number, "fields"), requirement, None))
        for before in range(number):
            both = kind.answered, kinds[before].answered
            if _takes_all_of(kinds[before], kind) and (None in both or both[0] == both[1]):
                requirement = (
                    f"must differ from record[{before}] in a 'constant' at the same place, in its"
                    " length, or in the poll that each 'answers': nothing shows which of both a frame is"
                )
                if not _takes_all_of(kind, kinds[before]):
                    requirement = (
                        f"must be before record[{before}], which all of its frames fit as well: the"
                        " first one counts"
                    )
                found.append(((number, "fields"), requirement, None))
    return found


def _places(kind: "FramesSettings", of: type[Any]) -> dict[tuple[int, str], AnyField]:
    """Return the fields of one class by where they are and their type."""
    found: dict[tuple[int, str], AnyField] = {}
    at = 0
    for field in kind.in_order:
        if isinstance(field, of):
            found[at, getattr(field, "type", "")] = field
        at += size_of(field) or 0
    return found


def _takes_all_of(one: "FramesSettings", other: "FramesSettings") -> bool:
    """Whether each frame of another kind fits one, by its length and its constant fields."""
    if one.size is None:
        if other.min_size < one.min_size:
            return False
    elif one.size != other.size:
        return False
    own, others = _places(one, ConstantField), _places(other, ConstantField)
    return all(others.get(place) == field for place, field in own.items())
