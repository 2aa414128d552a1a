"""Texts from outside on a terminal: no control character reaches it."""

from __future__ import annotations

import io
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from swathe.cli.safe_console import SafeConsole
from swathe.printable import printable

BIDI = ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI")


@given(st.text())
def test_printable_has_no_control_character(text: str) -> None:
    """None of the Unicode category Cc but newline and tab, no surrogate, no change of direction."""
    safe = printable(text)
    for one in safe:
        assert one in "\n\t" or unicodedata.category(one) not in ("Cc", "Cs", "Zl", "Zp")
        assert unicodedata.bidirectional(one) not in BIDI
    assert printable(safe) == safe


def test_printable_leaves_text_as_it_is() -> None:
    """Letters of every language stay; an escape sequence is shown as what it is."""
    assert printable("Prüfer 王\t½\n") == "Prüfer 王\t½\n"
    assert printable("\x1b]0;title\x07\x9b31m") == r"\x1b]0;title\x07\x9b31m"


HOSTILE = "note \x1b[2J\x1b]52;c;AAAA\x07\x9b5n \u202egnp.exe"


def _table() -> Table:
    table = Table("name")
    table.add_row(HOSTILE)
    return table


@pytest.mark.parametrize(
    "renderable", [HOSTILE, Text(HOSTILE, "bold"), Panel(HOSTILE), _table(), Text.assemble(HOSTILE)]
)
@pytest.mark.parametrize("terminal", [False, True])
def test_console_prints_escapes_as_text(renderable: object, terminal: bool) -> None:
    """However it is laid out, the sequence does not reach the terminal; the console's own may."""
    file = io.StringIO()
    console = SafeConsole(file=file, force_terminal=terminal, width=200, color_system=None)
    console.print(renderable, markup=False)
    printed = file.getvalue()
    assert r"\x1b[2J" in printed
    for raw in ("\x1b[2J", "\x1b]", "\x07", "\x9b", "\u202e"):
        assert raw not in printed
