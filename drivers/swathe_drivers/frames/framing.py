"""Settings of how frames are found in the stream, and of their checksum."""

from typing import Annotated, Literal

from pydantic import ConfigDict, Field

from swathe_drivers.crc_settings import CrcTable
from swathe_drivers.frames.fields import ByteOrder
from swathe_drivers.settings import SettingProblem, SettingsTable
from swathe_drivers.sum_settings import SumTable
from swathe_drivers.units import DurationText

Byte = Annotated[int, Field(ge=0, le=255)]
Sync = Annotated[tuple[Byte, ...], Field(max_length=8)]


class FirstByte(SettingsTable):
    """What the bits under `mask` are in the first byte of a frame, and in no other."""

    mask: Annotated[int, Field(ge=1, le=255)]
    value: Byte


class Fixed(SettingsTable):
    """Frames of one length, perhaps beginning with certain bytes."""

    kind: Literal["fixed"]
    sync: Sync = ()
    first: FirstByte | None = None
    """Instead of `sync`: what distinguishes the first byte, which is part of the fields."""
    length: int = Field(ge=2, le=65536)
    """Bytes of the whole frame, with `sync` and the checksum."""
    end: Sync = ()
    """Bytes behind the checksum, which it does not cover, as an ETX."""


class LengthPrefix(SettingsTable):
    """Frames that carry their length in a field `length`, perhaps beginning with certain bytes."""

    kind: Literal["length_prefix"]
    sync: Sync = ()
    adds: int = Field(default=0, ge=-65536, le=65536)
    """What must be added to the number sent, for the bytes of the whole frame."""
    end: Sync = ()
    """Bytes behind the checksum, which it does not cover, as an ETX."""


class StartStop(SettingsTable):
    """Frames between two certain bytes, which are escaped where they occur within.

    If `start` and `stop` are the same byte, one of them may both end a frame and begin the next.
    """

    kind: Literal["start_stop"]
    start: Byte
    stop: Byte
    escape: Byte | None = None
    """The byte behind it is part of the frame."""
    xor: Byte = 0
    """What the byte behind `escape` was xored with."""
    checksum_behind: bool = False
    """The checksum is behind the stop byte, as it is, and covers that byte as well."""


class Doubled(SettingsTable):
    """Frames that begin with `byte` and `start` and end with `byte` and `stop`.

    Within, `byte` is sent twice for each one that is meant.
    """

    kind: Literal["doubled"]
    byte: Byte
    start: Byte
    stop: Byte
    checksum_behind: bool = False
    """The checksum is behind the stop byte, as it is."""
    stop_covered: bool = True
    """Whether a checksum behind the stop byte covers that byte as well, though never `byte` before it."""


class SlipFraming(SettingsTable):
    """Frames as SLIP has them (RFC 1055): 0xC0 at their ends, escaped by 0xDB within."""

    kind: Literal["slip"]


class CobsFraming(SettingsTable):
    """Frames between bytes 00, without any 00 within (consistent overhead byte stuffing)."""

    kind: Literal["cobs"]


class IdleGap(SettingsTable):
    """Frames that end with a silence."""

    kind: Literal["idle_gap"]
    gap: DurationText
    """The minimum silence."""


Framing = Annotated[
    Fixed | LengthPrefix | StartStop | Doubled | SlipFraming | CobsFraming | IdleGap,
    Field(discriminator="kind"),
]


class _Checksum(SettingsTable):
    model_config = ConfigDict(
        extra="forbid", frozen=True, serialize_by_alias=True, allow_inf_nan=False
    )

    byte_order: ByteOrder | None = None
    """That of the checksum, if not that of the fields."""
    first: int = Field(default=0, alias="from", ge=0, le=65536)
    """First byte of the frame that is covered, counted from 0; the last is the one before it."""


class SumChecksum(SumTable, _Checksum):
    """The sum or exclusive or of the bytes."""

    kind: Literal["sum8", "sum16", "xor8", "fletcher16"]


class CrcChecksum(_Checksum, CrcTable):
    """A CRC."""


Checksum = Annotated[SumChecksum | CrcChecksum, Field(discriminator="kind")]


def checksum_size(checksum: SumChecksum | CrcChecksum | None) -> int:
    """Bytes of a checksum."""
    if checksum is None:
        return 0
    if isinstance(checksum, CrcChecksum):
        return checksum.width // 8
    return 2 if checksum.kind in ("sum16", "fletcher16") else 1


def first_byte_problems(framing: Fixed | LengthPrefix) -> list[SettingProblem]:
    """Return what is wrong with the bits of a frame's first byte."""
    first = framing.first if isinstance(framing, Fixed) else None
    if first is None:
        return []
    found: list[SettingProblem] = []
    if framing.sync:
        found.append((("framing", "first"), "must be left out with 'sync'", None))
    if first.value & ~first.mask:
        path = ("framing", "first", "value")
        found.append((path, "must have no bit outside 'mask'", first.value))
    return found


def start_stop_problems(
    framing: StartStop, checksum: SumChecksum | CrcChecksum | None
) -> list[SettingProblem]:
    """Return what is wrong with the bytes at the ends of frames, and how they are escaped."""
    found = _behind_problems(framing, checksum) if framing.checksum_behind else []
    if framing.escape is None:
        if framing.xor:
            found.append((("framing", "xor"), "must be left out without 'escape'", framing.xor))
    elif framing.escape in (framing.start, framing.stop):
        requirement = "must be neither the start nor the stop byte"
        found.append((("framing", "escape"), requirement, framing.escape))
    elif framing.start == framing.stop and not framing.xor:
        requirement = "must be > 0, as the start byte is the stop byte, too"
        found.append((("framing", "xor"), requirement, framing.xor))
    return found


def doubled_problems(
    framing: Doubled, checksum: SumChecksum | CrcChecksum | None
) -> list[SettingProblem]:
    """Return what is wrong with frames between two pairs of bytes."""
    found: list[SettingProblem] = []
    if framing.byte in (framing.start, framing.stop):
        requirement = "must be neither the start nor the stop byte: sent twice, it is data"
        found.append((("framing", "byte"), requirement, framing.byte))
    if framing.start == framing.stop:
        requirement = "must differ from 'start': nothing else shows what ends a frame"
        found.append((("framing", "stop"), requirement, framing.stop))
    if framing.checksum_behind and checksum is None:
        path = ("framing", "checksum_behind")
        found.append((path, "must be left out without 'checksum'", True))
    if not framing.stop_covered and not framing.checksum_behind:
        path = ("framing", "stop_covered")
        found.append((path, "must be left out without 'checksum_behind'", False))
    return found


def _behind_problems(
    framing: StartStop, checksum: SumChecksum | CrcChecksum | None
) -> list[SettingProblem]:
    path: tuple[str | int, ...] = ("framing", "checksum_behind")
    if checksum is None:
        return [(path, "must be left out without 'checksum'", True)]
    if framing.start == framing.stop or (framing.escape is not None and not framing.xor):
        requirement = (
            "must be left out where one byte is start and stop, or where a byte behind 'escape'"
            " stands for itself: a checksum may have any bytes"
        )
        return [(path, requirement, True)]
    return []


__all__ = [
    "Checksum",
    "CobsFraming",
    "CrcChecksum",
    "Doubled",
    "FirstByte",
    "Fixed",
    "Framing",
    "IdleGap",
    "LengthPrefix",
    "SlipFraming",
    "StartStop",
    "SumChecksum",
    "checksum_size",
    "doubled_problems",
    "first_byte_problems",
    "start_stop_problems",
]
