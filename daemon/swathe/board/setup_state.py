"""What the set-up view shows, on the terminal and in the browser."""

from __future__ import annotations

from dataclasses import dataclass, field

from swathe.display_units import DisplayUnits
from swathe.errors import StationError, SwatheError
from swathe.pipeline.gauge_state import GaugeState

__all__ = ["GateRow", "SetupState", "refusal_text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GateRow:
    """A gate of the draft.

    Attributes:
        name: its name.
        values: of each key that can be changed, as written in the station file.
        changed: keys that differ from the file.
    """

    name: str
    values: dict[str, str]
    changed: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupState:
    """The state of a set-up.

    Attributes:
        station: its name.
        file: path of the station file.
        display: the unit of lengths that is read.
        gauge: the newest reading.
        gates: of the draft.
        choices: values of a gate's key, where there are only so many.
        locked: why the gates cannot be changed; empty where they can.
        unsaved: changes that are not in the file, as text.
        calibration: which calibration the thickness is of, in words.
        refused: what keeps the calibration record from being used; empty where nothing does.
        reference: the reference echo that is to be checked, in words; empty without one.
        sensitivity: the newest check, in words; empty without one.
        passed: whether it passed; None without one.
        checking: what the check in progress waits for; empty while there is none.
        page: where the view is in a browser, in words; empty where it is not served.
    """

    station: str
    file: str
    display: DisplayUnits
    gauge: GaugeState
    gates: tuple[GateRow, ...] = ()
    choices: dict[str, tuple[str, ...]] = field(default_factory=dict)
    locked: str = ""
    unsaved: tuple[str, ...] = ()
    calibration: str = ""
    refused: tuple[str, ...] = ()
    reference: str = ""
    sensitivity: str = ""
    passed: bool | None = None
    checking: str = ""
    page: str = ""


def refusal_text(error: SwatheError) -> str:
    """Return why a change was refused: its first problem, as others may only follow from it."""
    if not isinstance(error, StationError):
        return str(error)
    problem = error.problems[0]
    got = "" if isinstance(problem.got, dict | list) else f" (got {problem.got!r})"
    remedy = f": {problem.remedy}" if problem.remedy else ""
    requirement = problem.requirement.removeprefix("must be valid: ")
    return f"'{problem.key}' {requirement}{got}{remedy}"
