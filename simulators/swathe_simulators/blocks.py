"""The blocks that a simulated instrument sends its A-scans in: binary, with a CRC.

    offset  bytes  content
    0       2      A5 5A, in this order
    2       2      length: bytes from the clock to the last sample, 7 + samples · bits / 8
    4       4      clock, unsigned µs, rolls over
    8       2      sequence, unsigned, one more in every block, rolls over
    10      1      status: bit 0 is set while sound gets into the wall, all others are 0
    11      …      samples, signed (two's complement), 8 or 16 bits each
    then    2      CRC-16 of all bytes before it, the two of the beginning included

All numbers are in the block's byte order, the CRC too. It is CRC-16/IBM-3740: polynomial
0x1021, initial value 0xFFFF, not reflected; the text 123456789 gives 0x29B1 (CRC RevEng
catalogue; from memory).
"""

from __future__ import annotations

from binascii import crc_hqx

import numpy as np
import numpy.typing as npt

from swathe_simulators.device_models import WaveformModel

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
