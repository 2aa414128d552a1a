"""A package that an outside driver would be installed as, whose code fails when it is meant to."""

from __future__ import annotations

import sys
from pathlib import Path

__all__ = ["FOLDER", "install_failing_driver"]

FOLDER = Path(__file__).parent
"""To be on Python's path, so that the driver `invented_failing` is found by its entry point."""


def install_failing_driver() -> None:
    """Make the driver known in this process."""
    if str(FOLDER) not in sys.path:
        sys.path.append(str(FOLDER))
