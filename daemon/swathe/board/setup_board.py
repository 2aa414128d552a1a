"""The set-up view on the terminal: the newest A-scan or the last minute's values, and the gates.

Nothing but the console's size is read here; what is done is done by `SetupActions`.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Protocol

from rich.console import Console, Group, RenderableType
from rich.text import Text

from swathe.board.ascan_drawing import draw_ascan
from swathe.board.panel import one_line
from swathe.board.prompt import KeyQuestion, Prompt, Question, Reply, answer_text
from swathe.board.setup_state import GateRow, SetupState, refusal_text
from swathe.board.texts import age_text
from swathe.board.value_strip import draw_strip
from swathe.errors import SwatheError
from swathe.keys import Pasted
from swathe.pipeline.gauge_state import GaugeState
from swathe.station.editing import GATE_KEYS

__all__ = ["SetupActions", "SetupBoard", "age_of_reading", "figures_of"]

_ANSWER_SECONDS = 30.0
_LONGEST_NAME = 80
_QUIT_SECONDS = 10.0
# A reading that is older is no picture of the probe as it is now.
_OLD_SECONDS = 1.0
_MIN_DRAWING = 5
_WIDTHS = {"start": 10, "width": 10, "threshold": 10, "measure": 15, "polarity": 10, "after": 9}
_KEYS = (
    ("arrows", "pick"),
    ("+-", "step"),
    ("Enter", "type"),
    ("w", "write"),
    ("z", "undo"),
    ("e", "echo"),
    ("v", "all"),
    ("q", "quit"),
)


class SetupActions(Protocol):
    """What the set-up view acts on. Where it is refused, `SwatheError` gives the reason."""

    def state(self) -> SetupState:
        """Return what is shown now."""
        ...

    def change(self, gate: str, key: str, value: str) -> str:
        """Change a key of a gate; return what was done."""
        ...

    def step(self, gate: str, key: str, direction: int) -> str:
        """Change a key by a step; return what was done."""
        ...

    def revert(self) -> str:
        """Undo what is not in the file; return what was done."""
        ...

    def save(self, by: str) -> str:
        """Write the gates into the station file; return what was done."""
        ...


class SetupBoard:
    """Draws a set-up; keys change its gates.

    Args:
        console: where it is drawn; only its size is read here.
        actions: the set-up.
        caution: for the end of the board.
        check: begins a sensitivity check in somebody's name.
        quit_: ends the view.
        by: who sets up; asked for where it is empty.
    """

    def __init__(
        self,
        console: Console,
        actions: SetupActions,
        *,
        caution: str,
        check: Callable[[str], None],
        quit_: Callable[[], None],
        by: str = "",
    ) -> None:
        self._console = console
        self._actions = actions
        self._caution = caution
        self._check, self._quit = check, quit_
        self._by = by
        self._gate, self._key = 0, 0
        self._whole = False
        self._answer, self._answered, self._is_bad = "", 0.0, False
        self._prompt: Prompt | None = None

    def ring_for_new(self) -> None:
        """Ring for nothing."""

    def show(self, reply: Reply, *, bad: bool = False) -> None:
        """Show an answer, or ask."""
        if isinstance(reply, Question | KeyQuestion):
            self._prompt, self._answer = Prompt(reply, time.monotonic()), ""
        else:
            self._prompt, self._answer, self._is_bad = None, answer_text(reply), bad
            self._answered = time.monotonic()

    def press(self, key: str) -> None:
        """Act on a key, which is text while a line is asked for; in either case otherwise."""
        if self._prompt is not None:
            if (answer := self._prompt.press(key, time.monotonic())) is not None:
                self.show(answer)
            return
        if isinstance(key, Pasted):  # the letters of a text are no keys
            self.show("a text was pasted, but nothing is asked for", bad=True)
            return
        try:
            if (reply := self._act(key.lower())) is not None:
                self.show(reply)
        except SwatheError as error:
            self.show(refusal_text(error), bad=True)

    def _act(self, key: str) -> Reply | None:
        state = self._actions.state()
        match key:
            case "up" | "down":
                self._gate += 1 if key == "down" else -1
            case "left" | "right" | "tab" | "back":
                self._key = (self._key + (1 if key in ("right", "tab") else -1)) % len(GATE_KEYS)
            case "+" | "=" | "-":
                return self._step(state, -1 if key == "-" else 1)
            case "enter":
                return self._type(state)
            case "w":
                return (
                    self._by_name(self._actions.save) if state.unsaved else self._actions.save("")
                )
            case "z":
                return self._actions.revert()
            case "e":
                return self._by_name(self._begin_check)
            case "v":
                self._whole = not self._whole
            case "q":
                return self._ask_quit(state)
        return None

    def _chosen(self, state: SetupState) -> GateRow | None:
        if not state.gates:
            return None
        self._gate = min(max(self._gate, 0), len(state.gates) - 1)
        return state.gates[self._gate]

    def _step(self, state: SetupState, direction: int) -> Reply:
        if (gate := self._chosen(state)) is None:
            return state.locked
        return self._actions.step(gate.name, GATE_KEYS[self._key], direction)

    def _type(self, state: SetupState) -> Reply:
        gate, key = self._chosen(state), GATE_KEYS[self._key]
        if gate is None:
            return state.locked
        choices = state.choices.get(key, ())

        def accept(text: str) -> str:
            try:
                return self._actions.change(gate.name, key, text)
            except SwatheError as error:
                raise ValueError(refusal_text(error)) from error

        options = f" ({', '.join(choices)})" if choices else ""
        label = f"{gate.name}: {key}{options}"
        return Question(label=label, accept=accept, choices=choices, initial=gate.values[key])

    def _begin_check(self, by: str) -> str:
        self._check(by)
        return "the reference echo is read: hold the probe still"

    def _by_name(self, act: Callable[[str], str]) -> Reply:
        """Act in somebody's name, which is asked for once where it is not known."""
        if self._by:
            return act(self._by)

        def accept(text: str) -> str:
            if not 1 <= len(text) <= _LONGEST_NAME:
                message = f"a name of 1 to {_LONGEST_NAME} characters is needed"
                raise ValueError(message)
            self._by = text
            try:
                return act(text)
            except SwatheError as error:
                return refusal_text(error)

        return Question(label="your name, recorded with what you do here:", accept=accept)

    def _ask_quit(self, state: SetupState) -> Reply | None:
        if not state.unsaved:
            self._quit()
            return None

        def leave() -> str:
            self._quit()
            return "the changes are not in the file"

        count = len(state.unsaved)
        return KeyQuestion(
            label=f" {count} change{'s' * (count != 1)} not written: q again leaves without; any other key stays ",
            key="q",
            act=leave,
            otherwise="w writes the changes into the station file",
            seconds=_QUIT_SECONDS,
        )

    def render(self) -> RenderableType:
        """Return the view, for the console as it is now."""
        state = self._actions.state()
        width, height = self._console.width, self._console.height
        head = self._head(state)
        foot = self._gate_lines(state) + self._state_lines(state) + self._foot(state, width)
        space = max(height - len(head) - len(foot), _MIN_DRAWING)
        drawing = self._drawing(state, width, space)
        drawing += [Text("")] * (space - len(drawing))
        return Group(*head, *drawing[:space], *foot)

    def _head(self, state: SetupState) -> list[Text]:
        gauge = state.gauge
        title = Text.assemble(("swathe setup  ", "bold"), (state.file, "dim"))
        title.no_wrap, title.overflow = True, "ellipsis"
        old = gauge.age is None or gauge.age > _OLD_SECONDS or gauge.port != "open"
        rate = "" if gauge.rate is None else f" · {gauge.rate:.1f} readings/s"
        port = f"{gauge.device}: {gauge.port}{rate} · {age_of_reading(gauge)}"
        last = "last: " if old and gauge.age is not None else ""
        figures = one_line(f"{last}{figures_of(state)}", "dim" if old else "bold")
        problem = one_line(gauge.problem, "bold yellow")
        return [title, one_line(port, "bold reverse" if old else ""), figures, problem]

    def _drawing(self, state: SetupState, width: int, height: int) -> list[Text]:
        gauge = state.gauge
        if gauge.ascan is not None:
            return draw_ascan(gauge.ascan, width=width, height=height, whole=self._whole)
        return draw_strip(
            gauge.strip, unit=gauge.strip_unit, display=state.display, width=width, height=height
        )

    def _gate_lines(self, state: SetupState) -> list[Text]:
        """Return a line for each gate under a heading; the chosen key is in brackets."""
        chosen = self._chosen(state)
        if chosen is None:
            return []
        names = min(max(4, *(len(gate.name) for gate in state.gates)), 12)
        heading = f"    {'gate':<{names}} " + "".join(
            f" {key:<{wide - 1}}" for key, wide in _WIDTHS.items()
        )
        lines = [one_line(heading, "dim")]
        for number, gate in enumerate(state.gates, 1):
            line = Text(no_wrap=True, overflow="ellipsis")
            line.append("▸ " if gate is chosen else "  ", "bold")
            line.append(f"{number} {gate.name[:names]:<{names}} ", "bold")
            for key, wide in _WIDTHS.items():
                value = gate.values[key].replace("_", " ")
                value = f"{value}*" if key in gate.changed else value
                picked = gate is chosen and key == GATE_KEYS[self._key]
                text = f"[{value}]" if picked else f" {value} "
                style = "bold reverse" if picked else "bold yellow" if key in gate.changed else ""
                line.append(text, style)
                line.append(" " * max(wide - len(text), 0))
            lines.append(line)
        return lines

    def _state_lines(self, state: SetupState) -> list[Text]:
        lines = []
        if state.unsaved:
            count = len(state.unsaved)
            text = f"* {count} change{'s' * (count != 1)} in force here, not in the file: w writes, z undoes"
            lines.append(one_line(text, "bold yellow"))
        elif state.locked and state.gates:
            lines.append(one_line(f"gates are not changed here: {state.locked}", "dim"))
        if state.refused:
            lines += self._wrapped(f"CALIBRATION REFUSED: {state.refused[0]}", "bold yellow")[:2]
        else:
            lines.append(one_line(f"calibration: {state.calibration}", ""))
        if state.checking:
            lines.append(one_line(f"reference echo: {state.checking}", "bold"))
        elif state.sensitivity:
            style = "bold" if state.passed else "bold yellow"
            lines += self._wrapped(state.sensitivity, style)[:2]
        elif state.reference:
            lines.append(one_line(f"reference echo: {state.reference}: not checked yet", ""))
        return lines

    def _foot(self, state: SetupState, width: int) -> list[Text]:
        now = time.monotonic()
        if self._prompt is not None:
            if (answer := self._prompt.expired(now)) is None:
                return self._prompt.lines(self._wrapped, width)
            self.show(answer)
        lines: list[Text] = []
        if self._answer and now - self._answered <= _ANSWER_SECONDS:
            style = "bold yellow" if self._is_bad else "bold"
            lines += self._wrapped(self._answer, style)[:3]
        if state.page:
            lines.append(one_line(state.page, "dim"))
        keys = [one for one in _KEYS if state.gates or one[0] in ("e", "q")]
        keys = [one for one in keys if state.reference or one[0] != "e"]
        lines.append(one_line(self._caution, "dim"))
        lines.append(one_line(" · ".join(f"{key} {what}" for key, what in keys), "dim"))
        return lines

    def _wrapped(self, text: str, style: str) -> list[Text]:
        return list(Text(text, style=style).wrap(self._console, self._console.width))


def figures_of(state: SetupState) -> str:
    """Return thickness, time of flight and amplitude of the newest reading, as text."""
    gauge = state.gauge
    parts = [f"thickness {state.display.thickness_text(gauge.thickness)}"]
    if gauge.time_of_flight is not None:
        parts.append(f"time of flight {gauge.time_of_flight:.3f} µs")
    if gauge.amplitude is not None:
        parts.append(f"amplitude {gauge.amplitude:.0f} %")
    return "   ".join(parts)


def age_of_reading(gauge: GaugeState) -> str:
    """Return how old the newest reading is, as text."""
    if gauge.age is None:
        return "no reading yet"
    if gauge.age <= _OLD_SECONDS:
        return f"newest reading {gauge.age:.1f} s ago"
    return f"NO READING FOR {age_text(gauge.age) if gauge.age >= 10 else f'{gauge.age:.1f} s'}"
