"""What a look at captured bytes gave: each finding with how sure it is, and why."""

from dataclasses import dataclass
from typing import Any

SURE = 0.9
"""From here on a finding needs no warning."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found out.

    Attributes:
        about: what of, such as `terminator` or `column 3`.
        what: what it is taken for.
        sure: from 0, a guess, to 1, certain; our own estimate, not a measured frequency.
        why: what speaks for it, and what else it may be.
    """

    about: str
    what: str
    sure: float
    why: str

    def __str__(self) -> str:
        return f"{self.about}: {self.what} ({self.sure * 100:.0f} % sure): {self.why}"


@dataclass(frozen=True, slots=True)
class ColumnGuess:
    """What a column is taken for.

    Attributes:
        table: the column's table in the description.
        sure: as of a finding.
        why: as of a finding.
    """

    table: dict[str, Any]
    sure: float
    why: str


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A proposed description.

    Attributes:
        text: TOML text of the description, what is unsure as comments; empty when the bytes don't
            suffice for one.
        findings: all that was found, in the order of the description.
    """

    text: str
    findings: tuple[Finding, ...]

    @property
    def unsure(self) -> tuple[Finding, ...]:
        """The findings to compare with the manual."""
        return tuple(finding for finding in self.findings if finding.sure < SURE)
