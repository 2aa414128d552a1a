r"""What the simulated devices send: lines of text, and blocks of A-scans.

Lines are plain ASCII, comma separated:

    P,<clock us>,<scan counts>[,<index counts>]*HH\r\n
    R,<clock us>,<value>,<amplitude %>,<E|N>*HH\r\n
    C,<clock us>,<scan counts>[,<index counts>],<value>,<amplitude %>,<E|N>*HH\r\n

The value is a time of flight in µs (4 decimals) or a thickness in mm (3 decimals); E
means that there was an echo, N that there was none. HH is the exclusive or of all bytes
before the star, as two upper-case hex digits. The clock column may be left out.

Of several probes each line has behind the clock the input's number, or a running number that starts
again at 65536 and by which the probes take turns; or value, amplitude and flag come once for each
probe, in their order. With a heading its counts are behind those of the axes.

Blocks are binary, one for each A-scan, with a CRC:

    offset  bytes  content
    0       2      A5 5A, in this order
    2       2      length: bytes from the clock to the last sample, 7 + samples · bits / 8
    4       4      clock, unsigned µs, rolls over
    8       2      sequence, unsigned, one more in every block, rolls over
    10      1      status: bit 0 is set while sound gets into the wall, all others are 0
    11      …      samples, signed (two's complement), 8 or 16 bits each
    then    2      CRC-16 of all bytes before it, the two of the beginning included

Frames are binary, with the readings of all probes at one time; numbers are big endian:

    offset  bytes  content
    0       2      A5 5B, in this order
    2       2      length: bytes from the clock to the last reading
    4       4      clock, unsigned µs, rolls over
    8       2      sequence, unsigned, one more in every frame, rolls over
    10      4 c    c counts, signed: of a combined instrument, in the order of a line
    then    7 n    for each of n probes: input (1), flags (1, bit 0 is set where there is an echo),
                   time of flight in 0.1 ns or thickness in µm (4), amplitude in % (1)
    then    2      CRC-16 of all bytes before it, as of a block

All numbers of a block are in its byte order, the CRC too. It is CRC-16/IBM-3740: polynomial
0x1021, initial value 0xFFFF, not reflected; the text 123456789 gives 0x29B1 (CRC RevEng
catalogue; from memory).
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from swathe_simulators.device_models import WaveformModel

KIND_LETTER = {"encoder": "P", "gauge": "R", "combined": "C"}


def line_format(
    kind: str, *, clock: bool, axes: int, value: str | None, number: bool = False, probes: int = 1
) -> str:
    """Return the printf format of a line's body, the part before the star.

    Args:
        kind: encoder, gauge or combined.
        clock: whether there is a clock column.
        axes: number of columns of counts.
        value: time_of_flight or thickness, None for an encoder.
        number: whether there is the number of an input, or a running one.
        probes: whose values are in a line.
    """
    fields = [KIND_LETTER[kind]] + ["%d"] * (int(clock) + int(number) + axes)
    if value is not None:
        fields += ["%.4f" if value == "time_of_flight" else "%.3f", "%.1f", "%s"] * probes
    return ",".join(fields)


def encode_lines(form: str, columns: Sequence[npt.NDArray[np.generic]]) -> list[bytes]:
    """Write columns of shape (n,) as n whole lines with their checksums."""
    rows = zip(*(column.tolist() for column in columns), strict=True)
    bodies = [(form % row).encode("ascii") for row in rows]
    if not bodies:
        return []
    # Padding with NUL changes no exclusive or, so that one call does a whole batch.
    padded = np.array(bodies, dtype=np.bytes_)
    grid = padded.view(np.uint8).reshape(len(bodies), -1)
    sums = np.bitwise_xor.reduce(grid, axis=1).tolist()
    return [b"%s*%02X\r\n" % pair for pair in zip(bodies, sums, strict=True)]


SYNC = b"\xa5\x5a"
COUPLED = 1
"""The bit of the status that is set while sound gets into the wall."""

HEAD_BYTES = 11
_CRC_BYTES = 2


def crc16(data: bytes) -> int:
    """Return the CRC-16/IBM-3740 of some bytes."""
    return crc_hqx(data, 0xFFFF)


def block_size(model: WaveformModel) -> int:
    """Return the bytes of a whole block."""
    return HEAD_BYTES + model.samples * model.bits // 8 + _CRC_BYTES


FRAME_SYNC = b"\xa5\x5b"
_FRAME_HEAD = 10
_FRAME_READING = 7
_PER_UNIT = {"time_of_flight": 10_000.0, "thickness": 1000.0}
"""Steps of a frame's value in its unit, µs or mm."""


def frame_size(probes: int, counts: int) -> int:
    """Return the bytes of a whole frame with so many readings and counts."""
    return _FRAME_HEAD + 4 * counts + _FRAME_READING * probes + _CRC_BYTES


def encode_frames(
    *,
    clock: npt.NDArray[np.uint64],
    sequence: npt.NDArray[np.int64],
    counts: Sequence[npt.NDArray[np.int64]],
    inputs: npt.NDArray[np.int64],
    quantity: str,
    value: npt.NDArray[np.float64],
    amplitude: npt.NDArray[np.float64],
    valid: npt.NDArray[np.bool_],
) -> list[bytes]:
    """Write the readings of n times as n whole frames.

    Args:
        clock: µs, shape (n,); rolls over at 32 bits.
        sequence: shape (n,); rolls over at 16 bits.
        counts: of each axis, shape (n,).
        inputs: shape (n, probes).
        quantity: time_of_flight or thickness.
        value: µs or mm, shape (n, probes).
        amplitude: percent, shape (n, probes).
        valid: whether there was an echo, shape (n, probes).
    """
    reading = np.dtype([("input", "u1"), ("flags", "u1"), ("value", ">u4"), ("amplitude", "u1")])
    kind = np.dtype(
        [
            ("sync", "S2"),
            ("length", ">u2"),
            ("clock", ">u4"),
            ("sequence", ">u2"),
            ("counts", ">i4", (len(counts),)),
            ("readings", reading, (inputs.shape[1],)),
        ]
    )
    frames = np.zeros(len(clock), dtype=kind)
    frames["sync"] = FRAME_SYNC
    frames["length"] = kind.itemsize - 4
    frames["clock"] = clock & np.uint64(0xFFFFFFFF)
    frames["sequence"] = sequence & 0xFFFF
    for number, column in enumerate(counts):
        frames["counts"][:, number] = column
    readings = frames["readings"]
    readings["input"], readings["flags"] = inputs, np.where(valid, COUPLED, 0)
    readings["value"] = np.rint(np.where(valid, value, 0.0) * _PER_UNIT[quantity])
    readings["amplitude"] = np.rint(np.clip(amplitude, 0.0, 255.0))
    data, size = frames.tobytes(), kind.itemsize
    bodies = [data[at : at + size] for at in range(0, len(data), size)]
    return [body + crc16(body).to_bytes(_CRC_BYTES, "big") for body in bodies]


def columns(model: WaveformModel) -> list[str]:
    """Return the names and units of a block's fields, in order."""
    return [
        "A5 5A",
        "length (bytes, 16 bits)",
        "clock (us, 32 bits)",
        "sequence (16 bits)",
        "status (8 bits, bit 0: coupled)",
        f"{model.samples} samples ({model.bits} bits, signed, {model.byte_order} endian)",
        "CRC-16/IBM-3740",
    ]


def encode_blocks(
    model: WaveformModel,
    *,
    clock: npt.NDArray[np.uint64],
    sequence: npt.NDArray[np.int64],
    coupled: npt.NDArray[np.bool_],
    codes: npt.NDArray[np.int8] | npt.NDArray[np.int16],
) -> list[bytes]:
    """Write n A-scans as n whole blocks.

    Args:
        model: of the instrument; decides width, number of samples, byte order.
        clock: µs, shape (n,); rolls over at 32 bits.
        sequence: shape (n,); rolls over at 16 bits.
        coupled: shape (n,).
        codes: shape (n, samples).
    """
    order = ">" if model.byte_order == "big" else "<"
    kind = np.dtype(
        [
            ("sync", "S2"),
            ("length", f"{order}u2"),
            ("clock", f"{order}u4"),
            ("sequence", f"{order}u2"),
            ("status", "u1"),
            ("samples", f"{order}i{model.bits // 8}", (model.samples,)),
        ]
    )
    blocks = np.zeros(len(clock), dtype=kind)
    blocks["sync"] = SYNC
    blocks["length"] = kind.itemsize - 4
    blocks["clock"] = clock & np.uint64(0xFFFFFFFF)
    blocks["sequence"] = sequence & 0xFFFF
    blocks["status"] = np.where(coupled, COUPLED, 0)
    blocks["samples"] = codes
    data, size = blocks.tobytes(), kind.itemsize
    bodies = [data[at : at + size] for at in range(0, len(data), size)]
    return [body + crc16(body).to_bytes(_CRC_BYTES, model.byte_order) for body in bodies]
