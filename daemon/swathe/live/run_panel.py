"""What the board of a run shows and does in addition to its messages."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from rich.text import Text

from swathe.board import KeyQuestion, Panel, Question, Reply, StationView, one_line
from swathe.board.run_state import crawler_text
from swathe.live.confirm_prompts import ask_to_confirm
from swathe.live.hand_guide import step_by_hand, words_by_hand
from swathe.live.origin import Origin
from swathe.live.service import Daemon
from swathe.live.undo_prompts import UndoPrompts, typed_line
from swathe.messages import CommandMessage
from swathe.pipeline import Grid
from swathe.pipeline.progress.fields import count_text

if TYPE_CHECKING:
    from swathe.page import Page

__all__ = ["CAUTION", "RunPanel", "page_text"]

CAUTION = (
    "Swathe measures; it does not judge fitness for service. Site rules, local codes and a "
    "licensed practitioner decide. It is no emergency stop."
)

# By whom a command is given where no name is known.
_SOMEBODY = "somebody at the terminal"
_LONGEST_NAME = 80
_STOP_SECONDS = 10.0
# Keys of a calibration check in progress, whatever they do at other times.
_CHECK_KEYS = {"enter": "check step", "r": "check redo", "s": "check skip"}


class RunPanel(Panel):
    """What only the run itself has: the next step, the crawler, the cells, keys to steer by.

    Args:
        daemon: the run.
    """

    can_acknowledge = True

    def __init__(self, daemon: Daemon) -> None:
        self._daemon = daemon
        self._name = daemon.station.survey.operator
        self._sent = 0
        self._actions: dict[str, Callable[[], Reply]] = {
            "i": self._ask_where,
            "u": self._ask_undo,
            "v": self._ask_confirm,
            "t": self._ask_note,
            " ": self._pause,
            "q": self._ask_stop,
        }
        index = daemon.station.index
        if index is not None and index.mode == "stepped":
            self._actions |= {
                "n": lambda: self._step(1),
                "p": lambda: self._step(-1),
                "l": self._ask_line,
                "x": self._block_line,
            }
        if daemon.station.verification is not None:
            self._actions["c"] = self._check
        if daemon.crawl is not None:
            self._actions["g"] = self._continue
        self.keys = tuple("space" if key == " " else key for key in self._actions)

    def head(self, views: list[StationView], now: float, wall: datetime) -> Text:  # noqa: ARG002
        """Return where the survey is stored."""
        return Text.assemble(
            ("swathe run  ", "bold"),
            (str(self._daemon.folder.path), "dim"),
            no_wrap=True,
            overflow="ellipsis",
        )

    def grid(self, view: StationView) -> Grid | None:  # noqa: ARG002
        """Return the cells."""
        return self._daemon.pipeline.grid

    def next_lines(self, width: int) -> list[str]:
        """Return what the crawler does, or where to go next by hand."""
        return [next_step(self._daemon, width)]

    def health_lines(self) -> list[Text]:
        """Return broker and page in one line."""
        daemon, parts = self._daemon, []
        if daemon.page is not None:
            viewers = (
                "" if daemon.page.trouble else f", {count_text(daemon.page.viewers, 'viewer')}"
            )
            parts.append(f"{page_text(daemon.page)}{viewers}")
        if (link := daemon.link) is not None:
            detail = f": {link.detail}" if link.detail else ""
            parts.append(f"broker {link.address} {link.state}{detail}")
        lost = (daemon.page is not None and bool(daemon.page.trouble)) or (
            daemon.link is not None and daemon.link.state != "connected"
        )
        return [one_line(" · ".join(parts), "bold yellow" if lost else "")] if parts else []

    def foot_lines(self) -> list[str]:
        """Return the caution."""
        return [CAUTION]

    def press(self, key: str) -> Reply | None:
        """Act on a key that steers the run, or the calibration check in progress."""
        if self._daemon.checks.active and (check := _CHECK_KEYS.get(key)) is not None:
            return self._by_name(lambda by: self._send({"command": check}, by))
        action = self._actions.get(key)
        return None if action is None else action()

    def acknowledge(self, view: StationView) -> Reply:
        """Acknowledge every new alarm in the operator's name."""

        def act(by: str) -> str:
            alarms = view.new_alarms
            for alarm in alarms:
                self._daemon.commands.acknowledge(alarm.number, by)
            return f"{count_text(len(alarms), 'alarm')} acknowledged by {by}"

        return self._by_name(act)

    def may_not_stop(self) -> str:
        """Return why Ctrl-Z must not stop the process; empty where it may."""
        if self._daemon.crawl is None:
            return ""
        return "Ctrl-Z is refused: the crawler would not be watched; q ends the run"

    def on_continued(self, seconds: float) -> str:
        """Note that the process stood still for so long, and return what the board answers."""
        text = f"stopped by Ctrl-Z, and continued after {seconds:.1f} s"
        self._daemon.commands.note(text, self._name or _SOMEBODY)
        return (
            f"the run stood still for {seconds:.1f} s: what the devices sent meanwhile is lost or "
            "has no known time, and may count for no cell"
        )

    def _by_name(self, act: Callable[[str], Reply]) -> Reply:
        """Act in the operator's name, which is asked for once where it is not known."""
        if self._name:
            return act(self._name)

        def accept(text: str) -> Reply:
            if not 1 <= len(text) <= _LONGEST_NAME:
                message = f"a name of 1 to {_LONGEST_NAME} characters is needed"
                raise ValueError(message)
            self._name = text
            return act(text)

        return Question(label="your name, recorded with what you do in this run:", accept=accept)

    def _send(self, fields: Mapping[str, Any], by: str) -> str:
        """Execute a command as the page and the broker send it; return the reply."""
        self._sent += 1
        command = CommandMessage.model_validate({**fields, "id": f"key-{self._sent}", "by": by})
        return self._daemon.commands.execute(command, Origin.TERMINAL).detail

    def _ask_where(self) -> Reply:
        """Ask where the probe rests: a mark, or a position on each encoded axis."""
        names = tuple(mark.name for mark in self._daemon.station.mark)
        one_of_them = "a mark's name (Tab), " if names else ""
        units = self._daemon.station.display

        def ask(by: str) -> Reply:
            def accept(text: str) -> Reply:
                if mark := next((one for one in names if one.casefold() == text.casefold()), None):
                    return self._send({"command": "reference", "mark": mark}, by)
                try:
                    scan = units.read_length(text)
                except ValueError as error:
                    known = f"must be {', '.join(names)}; or it " if names else ""
                    message = f"{known}{error} (got {text!r})"
                    raise ValueError(message) from error
                return self._ask_index(scan, by)

            unit = units.length_name
            label = f"the probe rests at: {one_of_them}a number in {unit}, or one with its unit"
            return Question(label=label, accept=accept, choices=names)

        return self._by_name(ask)

    def _ask_index(self, scan: float, by: str) -> Reply:
        """Ask for the position on an encoded index axis, and set the reference."""
        units = self._daemon.station.display

        def accept(text: str) -> Reply:
            index = {"index": units.read_length(text)} if text else {}
            return self._send({"command": "reference", "scan": scan, **index}, by)

        if not self._daemon.station.index_encoded:
            return accept("")
        label = (
            f"scan {units.stated_text(scan)}, and on the index axis: likewise; "
            "Enter alone leaves that as it is"
        )
        return Question(label=label, accept=accept)

    def _check(self) -> Reply:
        """Begin a calibration check; of one in progress ask whether it is given up."""
        if not self._daemon.checks.active:
            return self._by_name(lambda by: self._send({"command": "check"}, by))
        return KeyQuestion(
            label=" c again gives the calibration check up: it does not count ",
            key="c",
            act=lambda: self._send({"command": "check give up"}, self._name or _SOMEBODY),
            otherwise="the check continues",
            seconds=_STOP_SECONDS,
        )

    def _ask_undo(self) -> Reply:
        pressed = datetime.now(UTC)
        return self._by_name(
            lambda by: UndoPrompts(
                self._daemon, lambda fields: self._send(fields, by), pressed
            ).ask()
        )

    def _ask_confirm(self) -> Reply:
        return self._by_name(
            lambda by: ask_to_confirm(self._daemon.pipeline, lambda fields: self._send(fields, by))
        )

    def _block_line(self) -> Reply:
        return self._by_name(lambda by: self._send({"command": "line blocked"}, by))

    def _ask_note(self) -> Reply:
        def ask(by: str) -> Reply:
            def accept(text: str) -> Reply:
                if not text:
                    message = "a note needs a text"
                    raise ValueError(message)
                commands = self._daemon.commands
                return commands.replies.text(commands.note(text, by))

            return Question(label="note for the survey:", accept=accept)

        return self._by_name(ask)

    def _ask_line(self) -> Reply:
        last = self._daemon.station.index_axis.cells - 1

        def accept(text: str) -> Reply:
            line = typed_line(self._daemon, text)
            return self._daemon.commands.set_line(line, self._name or _SOMEBODY)

        return Question(label=f"go to line (0 to {last}):", accept=accept)

    def _pause(self) -> str:
        commands, by = self._daemon.commands, self._name or _SOMEBODY
        if self._daemon.pipeline.pauses.active:
            return commands.resume(by)
        return commands.pause(by, "")

    def _step(self, step: int) -> str:
        commands, by = self._daemon.commands, self._name or _SOMEBODY
        return commands.next_line(by) if step > 0 else commands.previous_line(by)

    def _continue(self) -> Reply:
        crawl = self._daemon.crawl
        return "" if crawl is None else self._by_name(crawl.resuming.go_on)

    def _ask_stop(self) -> Reply:
        def stop() -> Reply:
            self._daemon.stop("stopped by the user")
            return "stopping"

        # A crawler that moves is stopped at once.
        if self._daemon.crawl is not None and self._daemon.crawl.machine.may_move:
            return stop()
        return KeyQuestion(
            label=" q again ends the run; any other key continues ",
            key="q",
            act=stop,
            otherwise="the run continues",
            seconds=_STOP_SECONDS,
        )


def next_step(daemon: Daemon, width: int = 80) -> str:
    """Return what the crawler does, or the next step by hand in two lines of `width` at most."""
    if daemon.crawl is not None:
        crawl = daemon.crawl
        doing = crawl.view.facts.doing or "begins"
        return crawler_text(str(crawl.machine.state), doing, crawl.raster.line)
    # Imported here: nobody asks before the ports are open.
    from swathe.motion import fitted

    step = step_by_hand(daemon.pipeline, daemon.pipeline.position)
    return fitted(f"next: {words_by_hand(daemon.pipeline, step)}", width)


def page_text(page: Page, *, logged: bool = False) -> str:
    """Return the address of the page, or why it is not served; without its token where it is logged."""
    return page.address_text(logged=logged)
