"""Copies of surveys on object storage: made while a run goes on, verified, compared."""

from swathe.copying.comparing import CopyComparison, compare_copy
from swathe.copying.supervising import CopyProcess
from swathe.copying.target import CopyTarget, copy_of
from swathe.copying.uploading import CopyStatus, Uploader

__all__ = [
    "CopyComparison",
    "CopyProcess",
    "CopyStatus",
    "CopyTarget",
    "Uploader",
    "compare_copy",
    "copy_of",
]
