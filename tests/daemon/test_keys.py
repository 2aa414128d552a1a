"""What a terminal's bytes say of its keys."""

from __future__ import annotations

import pytest

from swathe.keys import keys_in


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ("q", ["q"]),
        ("\x1b[A\x1b[B", ["up", "down"]),
        ("\x1bOC", ["right"]),
        ("\t\x1b[Z", ["tab", "back"]),
        ("\x1b[15~q", ["q"]),
        ("\x1b", []),
        ("ab", ["a", "b"]),
    ],
)
def test_keys_of_a_terminal(text: str, keys: list[str]) -> None:
    """Arrows have names, unknown codes none, letters stay letters."""
    assert list(keys_in(text)) == keys
