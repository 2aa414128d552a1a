"""Checksums and escapes for the invented devices, bit by bit; shares no code with the drivers."""

from __future__ import annotations


def xor(data: bytes) -> int:
    """Exclusive or of all bytes."""
    out = 0
    for byte in data:
        out ^= byte
    return out


def crc(
    data: bytes, *, width: int, poly: int, init: int = 0, reflect: bool = False, xorout: int = 0
) -> int:
    """A CRC by long division, one bit of the message after the other."""
    register = init
    top = 1 << (width - 1)
    for byte in data:
        for bit in range(8):
            taken = byte >> (bit if reflect else 7 - bit) & 1
            high = bool(register & top) ^ bool(taken)
            register = register << 1 & (1 << width) - 1
            if high:
                register ^= poly
    if reflect:
        register = int(f"{register:0{width}b}"[::-1], 2)
    return register ^ xorout


def escaped(data: bytes, *, special: bytes, escape: int, mask: int) -> bytes:
    """Each special byte behind an escape byte, xored."""
    out = bytearray()
    for byte in data:
        if byte in special:
            out += bytes([escape, byte ^ mask])
        else:
            out.append(byte)
    return bytes(out)
