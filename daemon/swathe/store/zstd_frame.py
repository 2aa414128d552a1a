"""How much a zstd frame unpacks to, from its header and blocks, before anything is unpacked.

Source: RFC 8878, sections 3.1.1 (frames) and 3.1.1.2 (blocks).
"""

from __future__ import annotations

__all__ = ["frame_content"]

_MAGIC = b"\x28\xb5\x2f\xfd"
_RLE, _RESERVED = 1, 3


def frame_content(data: bytes) -> int:
    """Return the number of bytes that the one frame in `data` states to unpack to.

    Raises:
        ValueError: it is no frame, states no content size, or is not all of `data`.
    """
    if data[:4] != _MAGIC or len(data) < 6:
        message = "is no zstd frame"
        raise ValueError(message)
    descriptor = data[4]
    single, checksum = bool(descriptor & 0x20), bool(descriptor & 0x04)
    width = (1 if single else 0, 2, 4, 8)[descriptor >> 6]
    if not width:
        message = "states no size of its contents"
        raise ValueError(message)
    at = 5 + (not single) + (0, 1, 2, 4)[descriptor & 0x03]
    content = int.from_bytes(data[at : at + width], "little") + (256 if width == 2 else 0)
    at += width
    last = False
    while not last:
        header = int.from_bytes(data[at : at + 3], "little")
        last, kind, size = bool(header & 1), header >> 1 & 3, header >> 3
        at += 3 + (1 if kind == _RLE else size)
        if at > len(data) or kind == _RESERVED:
            message = "is cut off or damaged"
            raise ValueError(message)
    if at + 4 * checksum != len(data):
        message = "is followed by more, or cut off"
        raise ValueError(message)
    return content
