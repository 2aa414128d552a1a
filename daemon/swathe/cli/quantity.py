"""Quantities that an option takes."""

from __future__ import annotations

from collections.abc import Callable

from swathe.errors import SwatheError

__all__ = ["quantity"]


def quantity(option: str, text: str, convert: Callable[[object], float]) -> float:
    """Return what `convert` makes of an option's text.

    Raises:
        SwatheError: it makes nothing of it; names the option and the text.
    """
    try:
        return float(convert(text))
    except ValueError as error:
        message = f"'{option}' {error} (got {text!r})"
        raise SwatheError(message) from error
