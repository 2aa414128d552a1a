"""Commands with values in braces, such as `"MOVE {scan:.2f} {speed:.1f}"`; they come from settings files."""

import re
from collections.abc import Mapping
from string import Formatter
from typing import Final

# A width is memory: one of nine digits takes a gigabyte.
_FORMAT: Final = re.compile(r"[<>=^]?[+\- ]?#?0?[0-9]{0,2}(?:\.[0-9]{1,2})?[efgEFG]?")


def names_in(template: str) -> set[str]:
    """Return the names in the braces of a valid template."""
    return {name for _, name, _, _ in Formatter().parse(template) if name is not None}


def template_problem(template: str, values: Mapping[str, float | str]) -> str | None:
    """Return the requirement that a template breaks; None if it breaks none.

    Args:
        template: the command.
        values: an example of each value that it may hold.
    """
    try:
        parts = list(Formatter().parse(template))
        if {name for _, name, _, _ in parts if name is not None} - values.keys():
            allowed = ", ".join(sorted(values)) or "none"
            return f"must hold only known values in braces: {allowed}"
        for _, name, format_spec, conversion in parts:
            if name is not None and (conversion or not _FORMAT.fullmatch(format_spec or "")):
                return (
                    f"must be a valid template: '{format_spec}' is not a format such as .2f or 08.3f,"
                    " at most 99 characters wide"
                )
        template.format(**values)
    except (KeyError, IndexError, ValueError, AttributeError) as error:
        return f"must be a valid template: {error}"
    return None


__all__ = ["names_in", "template_problem"]
