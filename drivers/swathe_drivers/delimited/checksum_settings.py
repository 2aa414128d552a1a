"""Settings of the checksum of a line: what is summed up, how, and where the sum is."""

from typing import Annotated, Final, Literal

from pydantic import ConfigDict, Field

from swathe_drivers.crc_settings import CrcTable
from swathe_drivers.settings import SettingProblem, SettingsTable
from swathe_drivers.sum_settings import SumTable

_DECIMALS: Final = {1: 3, 2: 5, 4: 10}


class _LineChecksum(SettingsTable):
    model_config = ConfigDict(
        extra="forbid", frozen=True, serialize_by_alias=True, allow_inf_nan=False
    )

    after: Annotated[str, Field(max_length=4)] = ""
    """The text before the checksum; it is not itself summed up."""
    after_counts: bool = False
    """Whether that text, or the terminator with `behind_terminator`, is summed up as well."""
    first: int = Field(default=0, alias="from", ge=0, le=64)
    """First byte of the line that is summed up, counted from 0."""
    written: Literal["hex", "decimal", "bytes"] = "hex"
    """Two hexadecimal digits for each byte, decimal digits with leading zeros, or the bytes."""
    byte_order: Literal["big", "little"] = "big"
    """Of a checksum of several bytes."""
    over: Literal["text", "hex"] = "text"
    """Whether the characters are summed up, or the bytes that pairs of hexadecimal digits stand for."""
    behind_terminator: bool = False
    """Whether the checksum is behind the terminator, as it is behind an ETX."""


class LineSum(SumTable, _LineChecksum):
    """The sum or exclusive or of the bytes."""

    kind: Literal["xor", "sum8", "sum16", "fletcher16"]


class LineCrc(_LineChecksum, CrcTable):
    """A CRC."""


LineChecksum = Annotated[LineSum | LineCrc, Field(discriminator="kind")]


def sum_bytes(settings: LineSum | LineCrc) -> int:
    """Return how many bytes the number has."""
    if isinstance(settings, LineCrc):
        return settings.width // 8
    return 2 if settings.kind in ("sum16", "fletcher16") else 1


def sum_length(settings: LineSum | LineCrc) -> int:
    """Return how many characters the checksum takes in the line."""
    size = sum_bytes(settings)
    if (
        settings.written == "decimal"
        and isinstance(settings, LineSum)
        and settings.modulo
        and settings.kind != "fletcher16"
    ):
        return len(str(settings.modulo - 1))
    return {"bytes": size, "hex": 2 * size, "decimal": _DECIMALS[size]}[settings.written]


def checksum_problems(settings: LineSum | LineCrc, terminator: str) -> list[SettingProblem]:
    """Return what is wrong with the checksum of lines that end with `terminator`."""
    found: list[SettingProblem] = []
    if terminator in settings.after:
        found.append((("after",), "must not hold the terminator", settings.after))
    if settings.behind_terminator and settings.after:
        requirement = "must be left out with 'behind_terminator'"
        found.append((("after",), requirement, settings.after))
    if settings.written == "decimal" and settings.byte_order == "little":
        requirement = "must be 'big' or left out for a decimal number"
        found.append((("byte_order",), requirement, "little"))
    if settings.over == "hex" and settings.after_counts:
        requirement = "must be false where pairs of hexadecimal digits are summed up"
        found.append((("after_counts",), requirement, True))
    if isinstance(settings, LineCrc):
        found += settings.width_problems()
    else:
        found += settings.sum_problems(settings.kind, sum_bytes(settings))
    return found
