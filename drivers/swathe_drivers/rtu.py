"""Modbus RTU frames: address, function, data, and a CRC-16 with its low byte first.

By MODBUS over Serial Line, Specification and Implementation Guide V1.02, 2.5.1. The driver
`modbus` and the motion driver `registers` share it.
"""

from typing import Final

import numpy as np

from swathe_drivers.checksums import Crc, CrcParameters

EXCEPTION: Final = 0x80
"""Bit of the function code that is set in an exception response."""

_CRC_TABLE: Final[list[int]] = Crc(
    CrcParameters(width=16, poly=0x8005, reflect_in=True, reflect_out=True)
).of(np.arange(256, dtype=np.uint8)[:, np.newaxis]).tolist()  # fmt: skip
"""Of single bytes, by the catalogue parameters of CRC-16/MODBUS but for its initial value."""


def crc_of(message: bytes) -> int:
    """Return the CRC-16/MODBUS of a message."""
    register = 0xFFFF  # one short message at a time: plain numbers are quicker than arrays
    for byte in message:
        register = register >> 8 ^ _CRC_TABLE[(register ^ byte) & 0xFF]
    return register


def with_crc(message: bytes) -> bytes:
    """Return the frame of a message that begins with the address."""
    return message + crc_of(message).to_bytes(2, "little")


def crcs(frame: bytes) -> tuple[int, int]:
    """Return the CRC that a whole frame carries and the one computed from its bytes."""
    return int.from_bytes(frame[-2:], "little"), crc_of(frame[:-2])
