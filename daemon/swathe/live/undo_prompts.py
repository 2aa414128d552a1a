"""What the key for undoing asks: which readings, where they belong, why, and whether it is meant."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any

from swathe.board import KeyQuestion, Question, Reply
from swathe.display_units import DisplayUnits
from swathe.live.service import Daemon
from swathe.live.stretches import affected_cells, resolve_stretch
from swathe.messages import RevisionsMessage, StretchSnapshot, Topics
from swathe.pipeline.lifts import Doubt
from swathe.pipeline.progress.fields import count_text, moment

__all__ = ["UndoPrompts", "typed_line"]

_CONFIRM_SECONDS = 60.0

Do = Callable[[Mapping[str, Any]], str]


class UndoPrompts:
    """Asks step by step, and sends the command that undoes.

    Args:
        daemon: the run.
        send: sends the fields of a command in the operator's name; returns the reply.
        now: when the key was pressed; times are counted from it, however long the answers take.
    """

    def __init__(self, daemon: Daemon, send: Do, now: datetime) -> None:
        self._daemon = daemon
        self._send = send
        self._now = now
        stretch = "a stretch of a line" if self._has_lines else "a stretch"
        self._kinds: list[tuple[str, Callable[[], Reply]]] = [
            ("the last seconds", self._ask_seconds),
            (stretch, lambda: self._ask_line_then(self._ask_stretch)),
            ("between two notes", self._ask_notes),
            ("restore what was undone", self._ask_revision),
        ]
        if self._has_lines:
            self._kinds[1:1] = [
                ("this line", lambda: self._ask_reason_of_line(self._row or 0)),
                ("another line", lambda: self._ask_line_then(self._ask_reason_of_line)),
            ]
            self._kinds.insert(-1, ("move readings to their line", self._ask_move))

        if (doubt := self._daemon.pipeline.lifts.doubt) is not None:
            self._kinds.insert(-1, ("since a lift, before its place", lambda: self._ask_of(doubt)))

    @property
    def _units(self) -> DisplayUnits:
        return self._daemon.station.display

    @property
    def _has_lines(self) -> bool:
        return self._daemon.station.index is not None

    @property
    def _row(self) -> int | None:
        """The line in force, or under the probe."""
        index = self._daemon.station.index
        if index is not None and index.mode == "stepped":
            return self._daemon.pipeline.line
        at = self._daemon.pipeline.position[1]
        if at is None:
            return None
        axis = self._daemon.station.index_axis
        row = round((at - axis.start) / axis.resolution)
        return row if 0 <= row < axis.cells else None

    def ask(self) -> Reply:
        """Return the first question."""
        kinds = [f"{number} {name}" for number, (name, _) in enumerate(self._kinds, 1)]
        listed = "\n".join(" · ".join(kinds[k : k + 4]) for k in (0, 4) if kinds[k:])

        def accept(text: str) -> Reply:
            return self._kinds[_number(text, 1, len(self._kinds)) - 1][1]()

        return Question(label=f"undo: {listed}", accept=accept)

    def _ask_seconds(self) -> Reply:
        def accept(text: str) -> Reply:
            stretch, since = self._since(text)
            return self._ask_reason(
                {"command": "discard", "stretch": stretch}, f"discard what was read {since}"
            )

        return Question(label="how many seconds before now?", accept=accept)

    def _since(self, text: str) -> tuple[dict[str, str], str]:
        """Return the stretch of so many seconds before the key was pressed, and its words.

        Raises:
            ValueError: no such number; the text is the requirement.
        """
        try:
            seconds = float(text.removesuffix("s").strip().replace(",", "."))
            begin = self._now - timedelta(seconds=seconds)
        except (ValueError, OverflowError):
            seconds = 0.0
        if not seconds > 0:
            message = f"must be a number of seconds > 0, such as 20 (got {text!r})"
            raise ValueError(message)
        at = begin.astimezone().strftime("%H:%M:%S")
        stretch = {"begin": begin.isoformat(), "end": self._now.isoformat()}
        return stretch, f"in {seconds:g} s, since {at}"

    def _ask_of(self, doubt: Doubt) -> Reply:
        begin, end = (moment(time) for time in doubt.stretch)
        stretch = {"begin": begin.isoformat(), "end": end.isoformat()}
        since = begin.astimezone().strftime("%H:%M:%S")
        seconds = (end - begin).total_seconds()
        return self._ask_reason(
            {"command": "discard", "stretch": stretch},
            f"discard what was read in {seconds:.1f} s, since {since}, after a lift",
        )

    def _ask_line_then(self, then: Callable[[int], Reply]) -> Reply:
        if not self._has_lines:
            return then(0)
        return Question(
            label=f"which line ({self._range})?",
            accept=lambda text: then(typed_line(self._daemon, text)),
            initial="" if self._row is None else str(self._row),
        )

    @property
    def _range(self) -> str:
        return f"0 to {self._daemon.station.index_axis.cells - 1}"

    def _ask_reason_of_line(self, line: int) -> Reply:
        return self._ask_reason(
            {"command": "discard", "stretch": {"line": line}},
            f"discard line {line} so far",
        )

    def _affected(self, stretch: Mapping[str, Any]) -> str:
        """Return what a stretch may affect.

        Raises:
            ValueError: there is no such stretch; the text is the requirement.
        """
        pipeline = self._daemon.pipeline
        meant = StretchSnapshot.model_validate(stretch)
        times = resolve_stretch(
            meant,
            now=time.time_ns(),
            opened=pipeline.opened,
            notes=pipeline.notes,
            scan=pipeline.grid.scan,
            index=pipeline.grid.index,
            units=self._units,
        )
        found = affected_cells(meant, times, pipeline)
        cells, hits = count_text(found.cells, "cell"), count_text(found.hits, "reading")
        waiting = f", {found.waiting:,} in no cell so far" if found.waiting else ""
        return f"at most {hits} in {cells}{waiting}"

    def _ask_stretch(self, line: int) -> Reply:
        def stretch(begin: float, end: float) -> Reply:
            scan = min(begin, end), max(begin, end)
            where = f"line {line}, " if self._has_lines else ""
            of_line = {"line": line} if self._has_lines else {}
            return self._ask_reason(
                {
                    "command": "discard",
                    "stretch": {**of_line, "scan": {"from": scan[0], "to": scan[1]}},
                },
                f"discard {where}{self._units.stated_number(scan[0])} to "
                f"{self._units.stated_text(scan[1])}",
            )

        return self._ask_from_to(stretch)

    def _ask_from_to(self, then: Callable[[float, float], Reply]) -> Reply:
        units = self._units
        example = f"in {units.length_name}, or such as {units.example}"

        def ask_end(begin: float) -> Reply:
            return Question(
                label=f"from {units.stated_text(begin)} to where on the scan axis ({example})?",
                accept=lambda text: then(begin, units.read_length(text)),
            )

        return Question(
            label=f"from where on the scan axis ({example})?",
            accept=lambda text: ask_end(units.read_length(text)),
        )

    def _ask_notes(self) -> Reply:
        notes = tuple(text for _, text in self._daemon.pipeline.notes)

        def ask_end(begin: str) -> Reply:
            return Question(
                label="to which note? Enter alone: to now",
                accept=lambda end: reason(begin, end and _one_of(end, notes)),
                choices=notes,
            )

        def reason(begin: str, end: str) -> Reply:
            first, last = repr(begin) if begin else "the first reading", repr(end) if end else "now"
            return self._ask_reason(
                {
                    "command": "discard",
                    "stretch": {"begin": begin or None, "end": end or self._now.isoformat()},
                },
                f"discard what was read from {first} to {last}",
            )

        if not notes:
            return "there is no note in this survey: t takes one"
        return Question(
            label="from which note? Enter alone: from the first reading; Tab lists the notes",
            accept=lambda begin: ask_end(begin and _one_of(begin, notes)),
            choices=notes,
        )

    def _ask_move(self) -> Reply:
        def ask_since(line: int) -> Reply:
            return Question(
                label="what was read in how many seconds before now? Enter alone: all of the line",
                accept=lambda text: ask_target(line, text),
            )

        def ask_target(line: int, seconds: str) -> Reply:
            stretch, since = self._since(seconds) if seconds else ({}, "so far")

            def accept(text: str) -> Reply:
                target = typed_line(self._daemon, text)
                if target == line:
                    message = f"must be another line than {line}"
                    raise ValueError(message)
                return self._ask_reason(
                    {"command": "move", "stretch": {"line": line, **stretch}, "line": target},
                    f"move what was read as line {line} {since} to line {target}",
                )

            label = f"and on which line was it ({self._range})?"
            return Question(label=label, accept=accept)

        return Question(
            label=f"what was read as which line ({self._range})?",
            accept=lambda text: ask_since(typed_line(self._daemon, text)),
            initial="" if self._row is None else str(self._row),
        )

    def _ask_revision(self) -> Reply:
        message = self._daemon.mirror.messages.get(Topics(self._daemon.station.name).revisions)
        revisions = message.revisions if isinstance(message, RevisionsMessage) else ()
        undone = {one.number: one for one in revisions if not one.restored_by}
        if not undone:
            return "nothing is discarded or moved in this survey"
        listed = " · ".join(f"{k} {one.kind} ({one.because})" for k, one in undone.items())

        def accept(text: str) -> Reply:
            number = int(text) if text.isascii() and text.isdecimal() else 0
            if number not in undone:
                problem = f"must be one of {', '.join(map(str, undone))} (got {text!r})"
                raise ValueError(problem)
            one = undone[number]
            return self._ask_reason(
                {"command": "restore", "revision": number},
                f"take back {one.kind} {number} of {one.by} ({one.because})",
            )

        return Question(label=f"restore which? {listed}", accept=accept)

    def _ask_reason(self, command: Mapping[str, Any], what: str) -> Reply:
        """Ask why, then whether it is meant.

        Raises:
            ValueError: there is no such stretch; the text is the requirement.
        """
        if "stretch" in command:
            what += f": {self._affected(command['stretch'])}"

        def accept(reason: str) -> Reply:
            if not reason:
                message = "a reason is needed: it is kept with the survey"
                raise ValueError(message)
            return KeyQuestion(
                label=f"{what}; because: {reason}. y does it, any other key leaves all as it is",
                key="y",
                act=lambda: self._send({**command, "text": reason}),
                otherwise="nothing is changed",
                seconds=_CONFIRM_SECONDS,
            )

        return Question(label=f"{what}. Why?", accept=accept)


def typed_line(daemon: Daemon, text: str) -> int:
    """Return a typed line of the plan.

    Raises:
        ValueError: it is none; the text is the requirement.
    """
    return _number(text, 0, daemon.station.index_axis.cells - 1)


def _number(text: str, low: int, high: int) -> int:
    # No longer than any number of lines, so that reading it takes no time.
    if text.isascii() and text.isdecimal() and len(text) < 12 and low <= int(text) <= high:
        return int(text)
    message = f"must be a number from {low} to {high} (got {text!r})"
    raise ValueError(message)


def _one_of(text: str, notes: tuple[str, ...]) -> str:
    if text in notes:
        return text
    message = f"no note has this text (got {text!r}); Tab completes it"
    raise ValueError(message)
