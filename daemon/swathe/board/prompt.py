"""What the board asks: a line to be typed, or one key."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from rich.cells import cell_len
from rich.text import Text

from swathe.keys import Pasted

__all__ = ["KeyQuestion", "LineEditor", "Prompt", "Question", "Reply", "ShownAnswer", "answer_text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """A line that is asked for.

    Attributes:
        label: what is asked.
        accept: takes the typed text without blanks around it; returns the next question, or the
            answer that ends it. It raises ValueError with the requirement to have the line
            corrected.
        choices: texts that Tab completes.
        initial: text to begin with.
    """

    label: str
    accept: Callable[[str], Reply]
    choices: tuple[str, ...] = ()
    initial: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyQuestion:
    """A question that one key answers with yes, and any other with no.

    Attributes:
        label: what is asked.
        key: that means yes.
        act: is done then; returns the answer.
        otherwise: the answer to any other key, and when time is up.
        seconds: after which time is up.
    """

    label: str
    key: str
    act: Callable[[], Reply]
    otherwise: str
    seconds: float


ShownAnswer = str | Callable[[], str]
"""A text, or what returns it each time it is drawn: what was done may be written to the disk meanwhile."""
Reply = Question | KeyQuestion | ShownAnswer


def answer_text(answer: ShownAnswer) -> str:
    """Return an answer as it is now."""
    return answer if isinstance(answer, str) else answer()


@dataclass(slots=True)
class LineEditor:
    """A line that is edited.

    Attributes:
        text: as it is.
        at: place of the cursor, from 0 to the length of the text.
        limit: longest text.
    """

    text: str = ""
    at: int = field(default=0)
    limit: int = 1000

    def __post_init__(self) -> None:
        self.at = len(self.text)

    def press(self, key: str) -> bool:
        """Change the line by a key; return whether it is a key of the editor."""
        match key:
            case Pasted():
                self.insert(" ".join(key.split()))
            case "backspace":
                self._cut(self.at - 1, self.at)
            case "delete":
                self._cut(self.at, self.at + 1)
            case "clear":
                self._cut(0, self.at)
            case "clear word":
                self._cut(self.text[: self.at].rstrip().rfind(" ") + 1, self.at)
            case "left":
                self.at = max(self.at - 1, 0)
            case "right":
                self.at = min(self.at + 1, len(self.text))
            case "home":
                self.at = 0
            case "end":
                self.at = len(self.text)
            case _ if len(key) == 1:
                self.insert(key)
            case _:
                return False
        return True

    def insert(self, text: str) -> None:
        """Insert what is printable of a text at the cursor, as far as the limit allows."""
        text = "".join(filter(str.isprintable, text))[: max(self.limit - len(self.text), 0)]
        self.text = self.text[: self.at] + text + self.text[self.at :]
        self.at += len(text)

    def _cut(self, begin: int, end: int) -> None:
        begin = max(begin, 0)
        self.text = self.text[:begin] + self.text[end:]
        self.at = begin

    def shown(self, width: int) -> Text:
        """Return the part of the line around the cursor in at most `width` columns, cursor included."""
        text, at = self.text, self.at
        begin = 0
        while cell_len(text[begin:at]) > width - 1:
            begin += 1
        end = len(text)
        while cell_len(text[begin:end]) > width - (at == len(text)) and end > at:
            end -= 1
        under = text[at:end][:1] or " "
        line = Text(text[begin:at], no_wrap=True, overflow="crop")
        line.append(under, "reverse")
        line.append(text[at + 1 : end])
        return line


class Prompt:
    """Asks until there is an answer; the board draws it and hands it every key.

    Args:
        question: the first one.
        now: monotonic seconds.
    """

    def __init__(self, question: Question | KeyQuestion, now: float) -> None:
        self._ask(question, now)

    def _ask(self, question: Question | KeyQuestion, now: float) -> None:
        self.question = question
        self.editor = LineEditor(question.initial if isinstance(question, Question) else "")
        self.problem = ""
        self._since = now

    def expired(self, now: float) -> str | None:
        """Return the answer where time is up; None while the question is open."""
        question = self.question
        if isinstance(question, KeyQuestion) and now - self._since >= question.seconds:
            return f"no answer in {question.seconds:g} s: {question.otherwise}"
        return None

    def press(self, key: str, now: float) -> ShownAnswer | None:
        """Take a key; return the answer once there is one."""
        question = self.question
        if isinstance(question, KeyQuestion):
            agreed = key.lower() == question.key and not isinstance(key, Pasted)
            reply: Reply = question.act() if agreed else question.otherwise
            return self._continue(reply, now)
        if key == "escape":
            return "nothing is changed"
        if key == "enter":
            return self._accept(question, now)
        if key == "tab":
            self._complete(question)
        elif self.editor.press(key):
            self.problem = ""
        return None

    def _accept(self, question: Question, now: float) -> ShownAnswer | None:
        try:
            reply = question.accept(self.editor.text.strip())
        except ValueError as error:
            self.problem = str(error)
            return None
        return self._continue(reply, now)

    def _continue(self, reply: Reply, now: float) -> ShownAnswer | None:
        if not isinstance(reply, Question | KeyQuestion):
            return reply
        self._ask(reply, now)
        return None

    def _complete(self, question: Question) -> None:
        """Complete what is before the cursor as far as the choices agree; show them where not."""
        editor = self.editor
        begun = editor.text[: editor.at]
        found = [one for one in question.choices if one.lower().startswith(begun.lower())]
        if not found:
            self.problem = (
                "" if not question.choices else f"none begins so: {self._names(question)}"
            )
            return
        first, last = min(found, key=str.lower).lower(), max(found, key=str.lower).lower()
        common = next(
            (k for k, letter in enumerate(first) if last[k : k + 1] != letter), len(first)
        )
        editor.text = found[0][:common] + editor.text[editor.at :]
        editor.at = common
        self.problem = "" if len(found) == 1 else ", ".join(found)

    @staticmethod
    def _names(question: Question) -> str:
        return ", ".join(question.choices)

    def lines(self, wrap: Callable[[str, str], list[Text]], width: int) -> list[Text]:
        """Return the question, the line that is typed, and what is wrong with it.

        Args:
            wrap: returns a text of a style in lines.
            width: of the board.
        """
        question = self.question
        lines = wrap(question.label, "bold reverse")
        if isinstance(question, Question):
            typed = Text("> ", style="bold", no_wrap=True)
            typed.append_text(self.editor.shown(width - 2))
            lines.append(typed)
            if self.problem:
                lines += wrap(self.problem, "bold yellow")
            tab = "Tab completes · " if question.choices else ""
            lines += wrap(f"{tab}Enter accepts · Esc cancels", "dim")
        return lines
