"""Large arrays that were freed go back to the system, so that hours of a run take no more memory than one."""

from __future__ import annotations

import ctypes
import sys

__all__ = ["return_freed_memory"]

_MMAP_THRESHOLD = -3  # M_MMAP_THRESHOLD of malloc.h
_LARGE_BYTES = 256 << 10


def return_freed_memory() -> bool:
    """Have the C library take memory of 256 kB and more from the system each time; return whether it does.

    glibc raises that limit by itself with each larger array that is freed, up to 32 MB. Later ones then leave
    holes: an estimate of the delay, whose arrays are a little larger each time, adds some MB an hour
    (``mallopt(3)``, M_MMAP_THRESHOLD: "adjusted dynamically", unless it is set).
    """
    if not sys.platform.startswith("linux"):
        return False
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)  # not in musl
    return mallopt is not None and bool(mallopt(_MMAP_THRESHOLD, _LARGE_BYTES))
