"""Settings of lines whose columns are between separators."""

from pydantic import Field, field_validator

from swathe_drivers.delimited.columns import AnyColumn
from swathe_drivers.delimited.settings import TextLineSettings, check_latin
from swathe_drivers.kinds import MOST_KINDS
from swathe_drivers.settings import SettingProblem, problem
from swathe_drivers.talk.settings import KindOfRecord


class DelimitedRecord(KindOfRecord):
    """One kind of lines among others."""

    columns: tuple[AnyColumn, ...] = Field(min_length=1, max_length=64)


class DelimitedSettings(TextLineSettings):
    """A line of text with columns between separators."""

    separator: str = Field(default=",", min_length=1, max_length=1)
    columns: tuple[AnyColumn, ...] = Field(default=(), max_length=64)
    record: tuple[DelimitedRecord, ...] = Field(default=(), max_length=MOST_KINDS)

    @field_validator("separator")
    @classmethod
    def _check_separator(cls, text: str) -> str:
        if text.isalnum() or text in "+-.":
            raise problem("must be a character that is not part of a number or word")
        return check_latin(text)

    @property
    def every(self) -> tuple[AnyColumn, ...]:
        """What is in a line, with the columns of all gates."""
        return self.columns

    def takes_all_of(self, other: TextLineSettings) -> bool:
        """Whether each line of another kind fits this one."""
        return len(self.every) == len(other.every) and super().takes_all_of(other)

    def _line_problems(self) -> list[SettingProblem]:
        found: list[SettingProblem] = []
        if self.separator in self.terminator:
            found.append((("separator",), "must not be part of the terminator", self.separator))
        if self.separator == self.decimal:
            requirement = "must not be the decimal point, too; what separates the columns?"
            found.append((("separator",), requirement, self.separator))
        return found

    def _delimiters(self) -> dict[str, str]:
        return {"separator": self.separator, "terminator": self.terminator}
