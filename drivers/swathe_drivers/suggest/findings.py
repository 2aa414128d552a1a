"""What a look at captured bytes gave: each finding with what it rests on."""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

_NUMBERS: Final = frozenset({"thickness", "time_of_flight", "counts", "position"})


class Basis(StrEnum):
    """What a finding rests on."""

    SHOWN = "shown"
    """The bytes of the capture show it; only for a checksum is a chance computed that they do by accident."""
    LIKELY = "likely"
    """Something in the bytes speaks for it, and nothing else fits as well."""
    GUESS = "guess"
    """A custom of such devices; the bytes do not show it."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found out.

    Attributes:
        about: what of, such as `terminator` or `column 3`.
        what: what it is taken for.
        basis: what it rests on.
        why: what speaks for it, and what else it may be.
    """

    about: str
    what: str
    basis: Basis
    why: str

    def __str__(self) -> str:
        return f"{self.about}: {self.what} ({self.basis}): {self.why}"


@dataclass(frozen=True, slots=True)
class ColumnGuess:
    """What a column or field is taken for.

    Attributes:
        table: its table in the description.
        basis: as of a finding.
        why: as of a finding.
    """

    table: dict[str, Any]
    basis: Basis
    why: str


@dataclass(frozen=True, slots=True)
class OpenQuestion:
    """What the bytes cannot tell.

    Attributes:
        text: the question.
        option: of the command that answers it, with an example.
        quantity: what its answer is a value of; empty: the answer is the option's own.
    """

    text: str
    option: str
    quantity: str = ""

    def __str__(self) -> str:
        return f"{self.text} ({self.option})"


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A proposed description.

    Attributes:
        text: TOML text of the description, what is unsure as comments; empty when the bytes don't
            suffice for one.
        findings: all that was found, in the order of the description.
        questions: what the bytes cannot tell.
        others: other descriptions that decode the bytes, the next best first.
        good: readings and values of the trial are plausible, and next to nothing is a fault.
        trouble: faults of the trial, for each record.
        rank: by which descriptions are compared: the higher, the more they explain.
        unmet: what was asked for or read off the display and is not in it, in sentences.
        readings: how many with a value the trial gave.
    """

    text: str
    findings: tuple[Finding, ...]
    questions: tuple[OpenQuestion, ...] = ()
    others: tuple["Suggestion", ...] = field(default=())
    rank: float = 0.0
    good: bool = False
    trouble: float = 0.0
    unmet: tuple[str, ...] = ()
    readings: int = 0

    @property
    def guessed(self) -> tuple[Finding, ...]:
        """The findings that give numbers and which the bytes do not show: readings and positions that may be wrong."""
        return tuple(
            finding
            for finding in self.findings
            if finding.basis is Basis.GUESS and _NUMBERS & set(finding.what.split())
        )

    @property
    def unsure(self) -> tuple[Finding, ...]:
        """The findings to compare with the manual."""
        return tuple(finding for finding in self.findings if finding.basis is not Basis.SHOWN)
