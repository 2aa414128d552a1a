"""What bytes that make no sense look like: parity bits taken for data, or another baud rate."""

from typing import Final

import numpy as np

__all__ = ["RATES", "is_readable", "line_doubt"]

RATES: Final = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600)
"""Baud rates in use (common practice, no source)."""

_FEW: Final = 24
"""Fewer bytes show nothing."""

_READABLE: Final = 0.95
_ALL: Final = 0.99

_TEXT: Final = np.zeros(256, np.bool_)
_TEXT[0x20:0x7F] = True
_TEXT[[0x02, 0x03, 0x09, 0x0A, 0x0D]] = True
_ODD: Final = np.array([(byte & 0x7F).bit_count() % 2 for byte in range(256)], np.bool_)


def is_readable(data: bytes) -> bool:
    """Whether bytes are text: enough of them, with spaces between words, or ends of lines."""
    block = np.frombuffer(data, np.uint8)
    return block.size >= _FEW and float(_TEXT[block].mean()) >= _READABLE and len(set(data)) > 2


def line_doubt(data: bytes) -> str:
    """Return which setting of a serial line these bytes contradict; empty where they show nothing.

    A device that sends seven bits with a parity, read as eight bits: the lower seven are text, and the
    highest is the parity of the others in each byte.
    """
    block = np.frombuffer(data, np.uint8)
    if block.size < _FEW or is_readable(data) or not is_readable((block & 0x7F).tobytes()):
        return ""
    high = block >= 0x80
    for name, wanted in (("even", _ODD[block]), ("odd", ~_ODD[block]), ("mark", high | True)):
        if float((high == wanted).mean()) >= _ALL:
            return f'these are 7 bits with {name} parity: set bytesize = 7 and parity = "{name}"'
    return ""
