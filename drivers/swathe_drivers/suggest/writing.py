"""A proposed description as TOML text, with what is unsure as comments."""

import json
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any, Final

from swathe_drivers.suggest.findings import SURE, ColumnGuess, Finding

_WIDTH: Final = 98

HEAD: Final = (
    "Proposed from captured bytes: compare it with the manual before you rely on it. How sure each"
    " line is follows it; what is marked '?' is a guess."
)


def text_of(value: object) -> str:
    """A TOML value."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return "".join(map(_visible, json.dumps(value, ensure_ascii=False)))
    if isinstance(value, Mapping):
        inner = ", ".join(f"{key} = {text_of(item)}" for key, item in value.items())
        return f"{{ {inner} }}"
    if isinstance(value, Sequence):
        return f"[{', '.join(text_of(item) for item in value)}]"
    return repr(value)


def _visible(character: str) -> str:
    """A character of a TOML text, escaped where it is not printed as itself."""
    if character.isprintable():
        return character
    code = ord(character)
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def comment(text: str, indent: str = "") -> list[str]:
    """A comment, broken into lines."""
    return textwrap.wrap(
        text, _WIDTH, initial_indent=f"{indent}# ", subsequent_indent=f"{indent}#   "
    )


def unsure_note(finding: Finding | ColumnGuess) -> str:
    """How sure, and why; a guess is marked."""
    mark = "" if finding.sure >= SURE else "? "
    return f"{mark}{finding.sure * 100:.0f} %: {finding.why}"


def write(
    *,
    driver: str,
    port: Mapping[str, Any],
    settings: Sequence[tuple[str, object, Finding | None]],
    list_name: str,
    items: Sequence[ColumnGuess],
    remarks: Sequence[Finding],
) -> str:
    """Put a description together.

    Args:
        driver: its name.
        port: what goes under `[port]`.
        settings: key, value and finding of each setting of the driver.
        list_name: key of the list of columns or fields.
        items: what is in the list.
        remarks: findings without a setting.
    """
    out = comment(HEAD)
    for remark in remarks:
        out += comment(f"{remark.about}: {remark.what}. {unsure_note(remark)}")
    out += ["", f"driver = {text_of(driver)}"]
    if port:
        out += ["", "[port]", *(f"{key} = {text_of(value)}" for key, value in port.items())]
    out += ["", "[protocol]"]
    for key, value, finding in settings:
        if finding is not None:
            out += comment(unsure_note(finding))
        out.append(f"{key} = {text_of(value)}")
    out.append(f"{list_name} = [")
    for number, item in enumerate(items, 1):
        out += comment(f"{number}: {unsure_note(item)}", "  ")
        out.append(f"  {text_of(item.table)},")
    out += ["]", ""]
    return "\n".join(out)
