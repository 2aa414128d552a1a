"""Texts in the lines of a terminal: what belongs together is never parted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.cells import cell_len

__all__ = ["fitted_parts", "joined_lines"]

_BETWEEN = " · "


def joined_lines(parts: Sequence[str], width: int) -> list[str]:
    """Return parts in as few lines as they take; each line ends between two of them.

    Args:
        parts: in their order; one that is wider than a line has a line of its own.
        width: of a line.
    """
    lines: list[str] = []
    for part in parts:
        if lines and cell_len(lines[-1]) + len(_BETWEEN) + cell_len(part) <= width:
            lines[-1] += f"{_BETWEEN}{part}"
        else:
            lines.append(part)
    return lines


def fitted_parts(parts: Iterable[str], width: int, *, last: str = "") -> str:
    """Return as many of the first parts as a line has space for, and always the first.

    Args:
        parts: what matters most comes first.
        width: of the line.
        last: a part that is there in any case, at the end.
    """
    shown: list[str] = []
    end = [last] if last else []
    for part in parts:
        if shown and cell_len(_BETWEEN.join([*shown, part, *end])) > width:
            break
        shown.append(part)
    return _BETWEEN.join([*shown, *end])
