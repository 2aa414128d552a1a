"""The framer that the settings ask for."""

from typing import Final

from swathe_drivers.frames.checker import Checker
from swathe_drivers.frames.cobs import CobsFramer
from swathe_drivers.frames.doubled import DoubledFramer
from swathe_drivers.frames.fields import LengthField, dtype_of, size_of
from swathe_drivers.frames.framer import Framer
from swathe_drivers.frames.framing import (
    CobsFraming,
    Doubled,
    Fixed,
    LengthPrefix,
    SlipFraming,
    StartStop,
)
from swathe_drivers.frames.idle import IdleGapFramer
from swathe_drivers.frames.settings import FramesSettings
from swathe_drivers.frames.start_stop import StartStopFramer
from swathe_drivers.frames.synced import LengthLocation, SyncedFramer
from swathe_drivers.units import nanoseconds

SLIP_END: Final = 0xC0
SLIP_ESCAPE: Final = 0xDB
SLIP_REPLACED: Final = {0xDC: SLIP_END, 0xDD: SLIP_ESCAPE}
"""What the byte behind the escape byte stands for; this and the two above by RFC 1055."""


def make_framer(
    settings: FramesSettings, checker: Checker | None, ns_per_byte: int
) -> tuple[Framer, bool]:
    """A framer, and whether the frames that it finds have been checked by `checker`."""
    framing, most = settings.framing, settings.max_length
    if isinstance(framing, Fixed | LengthPrefix):
        length = framing.length if isinstance(framing, Fixed) else _length(settings, framing)
        return SyncedFramer(
            sync=settings.sync,
            length=length,
            first=settings.first_byte,
            checker=checker,
            max_length=most,
            ns_per_byte=ns_per_byte,
        ), True
    if isinstance(framing, StartStop):
        return StartStopFramer(
            start=framing.start,
            stop=framing.stop,
            escape=framing.escape,
            xor=framing.xor,
            tail=checker.size if checker is not None and framing.checksum_behind else 0,
            max_length=most,
            ns_per_byte=ns_per_byte,
        ), False
    if isinstance(framing, Doubled):
        return DoubledFramer(
            byte=framing.byte,
            start=framing.start,
            stop=framing.stop,
            tail=checker.size if checker is not None and framing.checksum_behind else 0,
            stop_covered=framing.stop_covered,
            max_length=most,
            ns_per_byte=ns_per_byte,
        ), False
    if isinstance(framing, SlipFraming):
        return StartStopFramer(
            start=SLIP_END,
            stop=SLIP_END,
            escape=SLIP_ESCAPE,
            replaced=SLIP_REPLACED,
            max_length=most,
            ns_per_byte=ns_per_byte,
        ), False
    if isinstance(framing, CobsFraming):
        return CobsFramer(max_length=most, ns_per_byte=ns_per_byte), False
    return IdleGapFramer(
        gap_ns=max(1, round(nanoseconds(framing.gap))),
        length=settings.size,
        max_length=most,
        ns_per_byte=ns_per_byte,
    ), False


def _length(settings: FramesSettings, framing: LengthPrefix) -> LengthLocation:
    at = len(settings.sync)
    for field in settings.kinds[0].in_order:
        if isinstance(field, LengthField):
            return LengthLocation(
                at=at, dtype=dtype_of(field, settings.byte_order), adds=framing.adds
            )
        at += size_of(field) or 0
    raise AssertionError  # pragma: no cover - the settings have such a field
