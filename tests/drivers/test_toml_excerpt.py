"""The line of a TOML text that its parser refused."""

from __future__ import annotations

import tomllib

import pytest

from swathe_drivers import toml_excerpt


def excerpt(text: str) -> str:
    """Return the excerpt of a text that is no TOML."""
    with pytest.raises(tomllib.TOMLDecodeError) as caught:
        tomllib.loads(text)
    return toml_excerpt(text, caught.value)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("a = 1\nb = \nc = 2\n", "2 | b =\n  |     ^"),
        ("a = 1\r\nb = \r\n", "2 | b =\n  |     ^"),
        ("a = 1\na = 2\n", "2 | a = 2\n  |      ^"),
        ("\n" * 11 + "[scan", "12 | [scan\n   |      ^"),
        ("a = [1,\n\n\n", "1 | a = [1,\n  |        ^"),
        ("x\t= 'é\n", "1 | x = 'é\n  |       ^"),
        ("x = '管' y", "1 | x = '管' y\n  |          ^"),
        ("", ""),
    ],
)
def test_line_and_caret(text: str, shown: str) -> None:
    """The caret is below the character at which the parser stopped, or behind the text's end."""
    if not text:
        text, shown = "a", "1 | a\n  |  ^"
    assert excerpt(text) == shown


@pytest.mark.parametrize(
    ("line", "value"),
    [
        ("length = 900 mm", "900 mm"),
        ("survey.folder = penstock three  # of the year", "penstock three"),
        ('"part" = crown', "crown"),
    ],
)
def test_a_value_without_quotes_is_shown_with_them(line: str, value: str) -> None:
    """What is proposed is valid."""
    last = excerpt(f"a = 1\n{line}\n").splitlines()[-1]
    assert last == f'  | texts, and numbers with a unit, are in quotes: "{value}"'
    assert tomllib.loads(f'x = "{value}"') == {"x": value}


@pytest.mark.parametrize("line", ["a = 1", "b = [1 2]", "b = 'x", "b = {", "[a", "b = c\\d"])
def test_no_remedy_that_may_be_wrong(line: str) -> None:
    """Where quotes are not what is missing, none are proposed."""
    assert len(excerpt(f"a = 1\n{line}\n").splitlines()) == 2


def test_a_long_line_is_cut_around_the_fault() -> None:
    """It fits a terminal of 80 columns, and the caret is below the fault."""
    line, caret = excerpt(f"x = [{'1, ' * 100}oops, {'2, ' * 100}]").splitlines()
    assert len(line) <= 72
    assert line[caret.index("^") :].startswith("oops")
    assert line.startswith("1 | …")
    assert line.endswith("…")
