"""What the board asks: editing a line, completing it, corrections, and questions of one key."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.text import Text

from swathe.board.prompt import KeyQuestion, LineEditor, Prompt, Question, Reply, ShownAnswer
from swathe.keys import Pasted

EDITING = ["backspace", "delete", "clear", "clear word", "left", "right", "home", "end"]


def typed(*keys: str) -> str:
    """Return the line after some keys, with the cursor as |."""
    editor = LineEditor(limit=20)
    for key in keys:
        for one in [key] if key in EDITING or isinstance(key, Pasted) else key:
            assert editor.press(one)
    return f"{editor.text[: editor.at]}|{editor.text[editor.at :]}"


@pytest.mark.parametrize(
    ("keys", "line"),
    [
        (["weld", "backspace", "k"], "welk|"),
        (["backspace"], "|"),
        (["weld 12", "clear word"], "weld |"),
        (["weld 12 ", "clear word", "x"], "weld x|"),
        (["weld", "clear word"], "|"),
        (["weld", "left", "left", "clear"], "|ld"),
        (["weld", "home", "delete", "W"], "W|eld"),
        (["weld", "home", "left", "right", "end", "right", "s"], "welds|"),
        (["ab", "left", "backspace"], "|b"),
        (["Grüße €"], "Grüße €|"),
        ([Pasted("two\nlines\x1b q")], "two lines q|"),
        (["x" * 30], "x" * 20 + "|"),
        (["ab", "left", Pasted("y" * 30)], "a" + "y" * 18 + "|b"),
    ],
)
def test_line_is_edited(keys: list[str], line: str) -> None:
    """Each key of the editor does what it is named for; pastes are one line; the limit holds."""
    assert typed(*keys) == line


def test_other_keys_are_not_the_editors() -> None:
    """A key with a name that it does not know changes nothing."""
    editor = LineEditor("a")
    assert not editor.press("up")
    assert editor.text == "a"


@given(
    st.lists(st.sampled_from(EDITING) | st.characters(codec="utf-8", categories=("L", "N", "P"))),
    st.integers(4, 40),
)
def test_shown_part_has_the_cursor_and_fits(keys: list[str], width: int) -> None:
    """Whatever was typed, wide characters too, the cursor is there and the line is not too wide."""
    editor = LineEditor()
    for key in keys:
        editor.press(key)
        assert 0 <= editor.at <= len(editor.text)
    shown = editor.shown(width)
    assert cell_len(shown.plain) <= max(width, cell_len(editor.text[editor.at :][:1]))
    under = [shown.plain[span.start : span.end] for span in shown.spans if span.style == "reverse"]
    assert under == [editor.text[editor.at :][:1] or " "]
    if cell_len(editor.text) < width:
        assert shown.plain.rstrip() == editor.text.rstrip()


def press(prompt: Prompt, *keys: str) -> ShownAnswer | None:
    """Press keys; return the last answer."""
    answer: ShownAnswer | None = None
    for key in keys:
        answer = prompt.press(key, 0.0)
    return answer


def plain(prompt: Prompt, width: int = 80) -> list[str]:
    """Return its lines as text."""
    return [line.plain for line in prompt.lines(lambda text, style: [Text(text, style)], width)]


def number(text: str) -> Reply:
    """Take a number, and ask for another after 1."""
    if not text.isdecimal():
        message = f"must be a number (got {text!r})"
        raise ValueError(message)
    return Question(label="another:", accept=number) if text == "1" else f"it is {text}"


def test_what_is_refused_stays_to_be_corrected() -> None:
    """The requirement is shown with the line; the next key takes it away; the question stays."""
    prompt = Prompt(Question(label="a number:", accept=number), 0.0)
    assert press(prompt, *"x7", "enter") is None
    assert plain(prompt)[:3] == ["a number:", "> x7 ", "must be a number (got 'x7')"]
    assert press(prompt, "home", "delete") is None
    assert plain(prompt) == ["a number:", "> 7", "Enter accepts · Esc cancels"]
    assert press(prompt, "enter") == "it is 7"


def test_one_question_after_the_other() -> None:
    """An answer may be the next question, which begins empty."""
    prompt = Prompt(Question(label="a number:", accept=number), 0.0)
    assert press(prompt, "1", "enter") is None
    assert plain(prompt)[:2] == ["another:", ">  "]
    assert press(prompt, "2", " ", "enter") == "it is 2"


def test_escape_changes_nothing() -> None:
    """Esc ends it without the action."""
    acted: list[str] = []

    def accept(text: str) -> Reply:
        acted.append(text)
        return "done"

    prompt = Prompt(Question(label="text:", accept=accept, initial="abc"), 0.0)
    assert press(prompt, "d", "escape") == "nothing is changed"
    assert acted == []


@pytest.mark.parametrize(
    ("begun", "text", "shown"),
    [
        ("w", "weld 1", "weld 1, weld 12"),
        ("WELD 12", "weld 12", ""),
        ("d", "datum", ""),
        ("x", "x", "none begins so: datum, weld 1, weld 12"),
        ("", "", "datum, weld 1, weld 12"),
    ],
)
def test_tab_completes_names(begun: str, text: str, shown: str) -> None:
    """As far as the names agree, in their own case; where several are left they are shown."""
    choices = ("datum", "weld 1", "weld 12")
    prompt = Prompt(Question(label="mark:", accept=number, choices=choices), 0.0)
    press(prompt, *begun, "tab")
    assert (prompt.editor.text, prompt.problem) == (text, shown)
    assert prompt.editor.at == len(text)


def test_a_question_of_one_key_never_acts_by_itself() -> None:
    """The key acts, in either case; any other, Enter and Esc among them, and time do not."""
    acted: list[int] = []

    def act() -> Reply:
        acted.append(1)
        return "ends"

    question = KeyQuestion(label="q again", key="q", act=act, otherwise="goes on", seconds=10.0)
    for key in ("x", "enter", "escape", " ", "up", Pasted("q")):
        assert Prompt(question, 0.0).press(key, 1.0) == "goes on"
    assert acted == []
    prompt = Prompt(question, 100.0)
    assert prompt.expired(109.9) is None
    assert prompt.expired(110.0) == "no answer in 10 s: goes on"
    assert acted == []
    assert Prompt(question, 0.0).press("Q", 1.0) == "ends"
    assert acted == [1]
