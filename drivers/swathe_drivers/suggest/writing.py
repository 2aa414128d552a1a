"""A proposed description as TOML text, with what is unsure as comments."""

import json
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from swathe_drivers.suggest.findings import Basis, ColumnGuess, Finding

_WIDTH: Final = 98
_AS_HEX: Final = frozenset(
    {
        "poly",
        "init",
        "xorout",
        "start",
        "stop",
        "byte",
        "escape",
        "xor",
        "mask",
        "valid_when",
        "value",
    }
)

HEAD: Final = (
    "Proposed from captured bytes: compare it with the manual before you rely on it. What each line"
    " rests on is above it; what is marked '?' is a guess."
)


def text_of(value: object) -> str:
    """A TOML value."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return "".join(map(_visible, json.dumps(value, ensure_ascii=False)))
    if isinstance(value, Mapping):
        inner = ", ".join(f"{key} = {_value_of(key, item)}" for key, item in value.items())
        return f"{{ {inner} }}"
    if isinstance(value, Sequence):
        return f"[{', '.join(text_of(item) for item in value)}]"
    return repr(value)


def _value_of(key: object, item: object) -> str:
    """The value of a key; bytes, masks and parameters of a CRC as manuals print them."""
    if key in _AS_HEX and isinstance(item, int) and not isinstance(item, bool):
        return f"0x{item:02X}"
    if key == "sync" and isinstance(item, Sequence):
        return f"[{', '.join(f'0x{byte:02X}' for byte in item)}]"
    return text_of(item)


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
    """What it rests on; a guess is marked."""
    mark = "" if finding.basis is Basis.SHOWN else "? "
    return f"{mark}{finding.basis}: {finding.why}"


@dataclass(frozen=True, slots=True)
class RecordGuess:
    """One of several kinds of records.

    Attributes:
        note: what it is, for a comment.
        settings: key and value of each of its own.
        list_name: key of the list of columns or fields.
        items: what is in it.
    """

    note: str
    settings: tuple[tuple[str, object], ...]
    list_name: str
    items: Sequence[ColumnGuess] | Mapping[str, ColumnGuess]


def write(
    *,
    driver: str,
    port: Mapping[str, Any],
    settings: Sequence[tuple[str, object, Finding | None]],
    list_name: str,
    items: Sequence[ColumnGuess] | Mapping[str, ColumnGuess],
    remarks: Sequence[Finding],
    records: Sequence[RecordGuess] = (),
) -> str:
    """Put a description together.

    Args:
        driver: its name.
        port: what goes under `[port]`.
        settings: key, value and finding of each setting of the driver.
        list_name: key of the list of columns or fields.
        items: what is in the list, or in the table by their keys.
        remarks: findings without a setting.
        records: instead of items: each kind of records.
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
    for record in records:
        out += ["", "[[protocol.record]]", *comment(record.note)]
        out += [f"{key} = {text_of(value)}" for key, value in record.settings]
        out += _listed(record.items, record.list_name, "protocol.record")
    if not records:
        out += _listed(items, list_name, "protocol")
    return "\n".join([*out, ""])


def with_talk(text: str, talk: Mapping[str, Any]) -> str:
    """Return a description with what was sent to the device while its bytes were captured.

    Args:
        text: the description.
        talk: what is under `[talk]`.
    """
    lines = comment("what was sent while these bytes were captured")
    lines += ["[talk]", *(f"{key} = {text_of(value)}" for key, value in talk.items())]
    before, head, behind = text.partition("\n[protocol]\n")
    return "\n".join([before, *lines, ""]) + head + behind


def _listed(
    items: Sequence[ColumnGuess] | Mapping[str, ColumnGuess], name: str, table: str
) -> list[str]:
    """Columns or fields: a list, or a table by their keys."""
    out: list[str] = []
    if isinstance(items, Mapping):
        out += ["", f"[{table}.{name}]"]
        for key, item in items.items():
            out += comment(unsure_note(item))
            out.append(f"{text_of(key)} = {text_of(item.table)}")
        return out
    out.append(f"{name} = [")
    for number, item in enumerate(items, 1):
        out += comment(f"{number}: {unsure_note(item)}", "  ")
        out.append(f"  {text_of(item.table)},")
    return [*out, "]"]
