"""Fixed-length binary: how long a frame is, and by which bytes its beginning is known."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.suggest.findings import Finding, Suggestion

_LONGEST: Final = 1024
_SHORTEST: Final = 3
_FEWEST_FRAMES: Final = 12
_SAME: Final = 0.95


def suggest_binary(chunks: Sequence[tuple[int, bytes]], *, port: Mapping[str, Any]) -> Suggestion:  # noqa: ARG001
    """Find the period of frames of equal length; see `swathe_drivers.suggest.suggest`."""
    block = np.frombuffer(b"".join(data for _, data in chunks), np.uint8)
    found = find_period(block)
    if found is None:
        why = (
            "no bytes come again and again at equal distances: other lengths, or a wrong baud rate"
        )
        return Suggestion("", (Finding("frames", "not found", 0.6, why),))
    length, start, sync, frames = found
    rows = _rows(block, length, start)
    why = f"{frames} frames, in which the bytes {sync.hex(' ')} are always the same"
    findings = [
        Finding("frame length", f"{length} bytes", 0.9, why),
        Finding(
            "sync",
            sync.hex(" "),
            0.7,
            "bytes that never change; the frame may begin with any of them",
        ),
    ]
    return Suggestion("", (*findings, *_bytes_of(rows)))


def find_period(block: NDArray[np.uint8]) -> tuple[int, int, bytes, int] | None:
    """Length of a frame, index of the first one, its sync bytes and the number of frames."""
    best: tuple[float, int] | None = None
    for length in range(_SHORTEST, min(_LONGEST, block.size // _FEWEST_FRAMES) + 1):
        rows = block[: block.size // length * length].reshape(-1, length)
        steady = (rows == np.median(rows, axis=0).astype(np.uint8)).mean(axis=0) >= _SAME
        share = float(steady.mean())
        # A multiple of the length is as steady as the length itself: the shortest one wins.
        multiple = best is not None and length % best[1] == 0
        if steady.any() and not multiple and (best is None or share > 1.15 * best[0] + 0.02):
            best = (share, length)
    if best is None:
        return None
    length = best[1]
    rows = block[: block.size // length * length].reshape(-1, length)
    usual = np.median(rows, axis=0).astype(np.uint8)
    steady = (rows == usual).mean(axis=0) >= _SAME
    start = _start(block, steady, length)
    rolled = np.roll(steady, -start)
    width = int(rolled.argmin()) if not rolled.all() else length
    sync = bytes(np.roll(usual, -start)[: min(width, 4)])
    return length, start, sync, rows.shape[0]


def _start(block: NDArray[np.uint8], steady: NDArray[np.bool_], length: int) -> int:
    """Where a frame begins: where steady bytes begin that are not 0; the longest such run."""
    runs: list[tuple[int, int]] = []
    for at in range(length):
        if not steady[at] or steady[at - 1]:
            continue
        width = 0
        while width < length and steady[(at + width) % length]:
            width += 1
        first = int(block[at])
        runs.append((width + (4 if first not in (0, 0xFF) else 0), at))
    if not runs:
        return 0
    return max(runs, key=lambda run: (run[0], -run[1]))[1]


def _rows(block: NDArray[np.uint8], length: int, start: int) -> NDArray[np.uint8]:
    usable = block[start:]
    return usable[: usable.size // length * length].reshape(-1, length)


def _bytes_of(rows: NDArray[np.uint8]) -> list[Finding]:
    """What each byte of a frame does."""
    found: list[Finding] = []
    for at in range(rows.shape[1]):
        column = rows[:, at].astype(np.int64)
        if np.unique(column).size == 1:
            continue
        steps = Counter((np.diff(column) & 0xFF).tolist())
        step, count = steps.most_common(1)[0]
        if step and count > 0.9 * len(column):
            what, why = "counts", f"goes up by {step} from frame to frame"
        elif len(set(column.tolist())) <= 4:
            what, why = (
                "few values",
                ", ".join(f"0x{value:02x}" for value in sorted(set(column.tolist()))),
            )
        else:
            what = "changes"
            why = (
                f"0x{column.min():02x} to 0x{column.max():02x}, {len(set(column.tolist()))} values"
            )
        found.append(Finding(f"byte {at}", what, 0.6, why))
    return found
