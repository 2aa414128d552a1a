"""What code that is not ours raised, in words."""

import re
import traceback
from pathlib import Path
from typing import Final

__all__ = ["failure_text"]

_MOST_TEXT: Final = 160
_ADDRESS: Final = re.compile(r"\b0x[0-9a-fA-F]{6,}\b")


def failure_text(error: BaseException) -> str:
    """Return what was raised and where, in one line that is the same in each run."""
    try:
        text = " ".join(str(error).split())
    except Exception:  # noqa: BLE001  of code that is not ours
        text = ""
    text = "".join(sign if sign.isprintable() else "?" for sign in _ADDRESS.sub("0x…", text))
    if len(text) > _MOST_TEXT:
        text = text[:_MOST_TEXT] + "…"
    frames = traceback.extract_tb(error.__traceback__)
    place = f" ({Path(frames[-1].filename).name}, line {frames[-1].lineno})" if frames else ""
    return f"raised {type(error).__name__}{': ' if text else ''}{text}{place}"
