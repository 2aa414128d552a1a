"""The questions of ``swathe init`` at a terminal: few, each with an example, and asked again on a bad answer."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from swathe.cli.app import say
from swathe.draft import (
    LISTEN,
    DeviceWish,
    OwnDevice,
    PlanWishes,
    PortTrial,
    encoded_axes,
    needed_scales,
    own_device,
)
from swathe.draft.wishes import (
    cell_size,
    part_text,
    positive_length,
    scale_of,
    spot_count,
    width_of,
)
from swathe.errors import SwatheError
from swathe_drivers import DriverError
from swathe_drivers.examples import example_names

if TYPE_CHECKING:
    from swathe_drivers import PortInfo

__all__ = ["InitQuestions", "PlanQuestion"]

_NONE, _OTHER = "-", "n"


@dataclass(frozen=True, slots=True)
class PlanQuestion:
    """A question of the plan.

    Attributes:
        key: of `PlanWishes`, which is the flag's name as well.
        text: what is asked for, with an example.
        default: taken for Enter, in mm and in inches; empty where there is none.
        check: raises ValueError with the requirement where an answer is none.
    """

    key: str
    text: str
    default: tuple[str, str]
    check: Callable[[str], object]


PART = PlanQuestion("part", "Part, such as Penstock 3, crown", ("unnamed part",) * 2, part_text)
NOMINAL = PlanQuestion(
    "nominal", "Nominal thickness, such as 14 mm or 0.5 in", ("14 mm", "0.5 in"), positive_length
)
SPOTS = PlanQuestion("spots", "Number of spots to read, such as 12", ("12",) * 2, spot_count)
LENGTH = PlanQuestion(
    "length",
    "Length along the probe's path, such as 900 mm or 36 in",
    ("900 mm", "36 in"),
    positive_length,
)
WIDTH = PlanQuestion(
    "width", "Width across it, such as 240 mm; 0 for a single line", ("240 mm", "10 in"), width_of
)
CELL = PlanQuestion(
    "cell",
    "Cell size, along x across, such as 4 mm x 8 mm",
    ("4 mm x 8 mm", "0.2 in x 0.4 in"),
    cell_size,
)
_SCALE = "such as 26.07 or 50 mm x 1024"
SCAN_SCALE = PlanQuestion(
    "scan_scale", f"Counts per mm along, or wheel x pulses, {_SCALE}", ("", ""), scale_of
)
INDEX_SCALE = PlanQuestion(
    "index_scale", f"Counts per mm across, or wheel x pulses, {_SCALE}", ("", ""), scale_of
)


class InitQuestions:
    """Asks for what the flags have not given.

    Args:
        read: prints a prompt and returns the line that is typed.
        trial: receives at a port.
        folder: of the station file.
        force: whether descriptions that are there are replaced.
    """

    def __init__(
        self,
        read: Callable[[str], str],
        *,
        trial: Callable[[str], PortTrial],
        folder: Path,
        force: bool = False,
    ) -> None:
        self._read = read
        self._trial = trial
        self._folder = folder
        self._force = force

    def plan(self, wishes: PlanWishes, gauge: OwnDevice, encoder: OwnDevice | None) -> PlanWishes:
        """Return the wishes with what is asked for of the plan, as the devices make it necessary."""
        axes = encoded_axes(gauge, encoder)
        questions = [LENGTH, WIDTH, CELL] if axes else [SPOTS]
        for question in [PART, *questions, NOMINAL]:
            wishes = self._wish(wishes, question)
        needed = needed_scales(axes, lines=width_of(wishes.width or "0") > 0)
        for question in (SCAN_SCALE, INDEX_SCALE):
            if question.key in needed:
                wishes = self._wish(wishes, question)
        return wishes

    def _wish(self, wishes: PlanWishes, question: PlanQuestion) -> PlanWishes:
        if getattr(wishes, question.key):
            return wishes
        metric = wishes.units == "mm"
        return replace(wishes, **{question.key: self.ask(question, metric=metric)})

    def ask(self, question: PlanQuestion, *, metric: bool = True) -> str:
        """Return the answer to a question; one that cannot be is asked for again with the reason."""
        default = question.default[0 if metric else 1]
        shown = f" [{default}]" if default else ""
        while True:
            answer = self._read(f"{question.text}{shown}: ").strip() or default
            try:
                question.check(answer)
            except ValueError as error:
                say(f"  {error} (got {answer!r})")
                continue
            return answer

    def device(
        self,
        role: str,
        ports: Sequence[PortInfo],
        *,
        port: str = "",
        source: str = "",
        default: str,
    ) -> OwnDevice | None:
        """Return the gauge or the encoder; None where there is to be no encoder.

        Args:
            role: ``gauge`` or ``encoder``.
            ports: those that were listed, by number from 1.
            port: address, where a flag gave it.
            source: of the description, likewise.
            default: number or ``-``, taken for Enter.
        """
        while True:
            wish = DeviceWish(role, port or self._port(role, ports, default), source)
            if wish.port == _NONE:
                return None
            if not source:
                found = self._source(wish)
                if found is None:
                    port = default = ""
                    continue
                wish = found
            try:
                return own_device(wish, self._folder, trial=self._trial, force=self._force)
            except (SwatheError, DriverError) as error:
                if source:
                    raise
                port = default = ""
                say(f"  {error}")

    def _port(self, role: str, ports: Sequence[PortInfo], default: str) -> str:
        what = "readings" if role == "gauge" else "positions"
        none = f"; {_NONE} for none" if role == "encoder" else ""
        number = "number above or " if ports else ""
        shown = f" [{default}]" if default else ""
        prompt = (
            f"{role.capitalize()}, for {what}: {number}address (socket://10.0.0.5:4001)"
            f"{none}{shown}: "
        )
        while True:
            answer = self._read(prompt).strip() or default
            if answer == _NONE and role == "encoder":
                return _NONE
            if answer.isdecimal() and 1 <= int(answer) <= len(ports):
                return ports[int(answer) - 1].name
            if answer and not re.fullmatch(r"[\d-]+", answer):
                return answer
            say(f"  must be a port (got {answer!r})")

    def _source(self, wish: DeviceWish) -> DeviceWish | None:
        """Listen at a port; return the wish with the source of its description, None for another port."""
        say(
            f"  reading {wish.port}: move the probe to and fro meanwhile, so that its count changes"
        )
        try:
            trial = self._trial(wish.port)
        except DriverError as error:
            say(f"  {error}")
            return None
        say(f"  {trial.summary}")
        if trial.unsure:
            say(f"  compare with the manual: {'; '.join(trial.unsure)}")
        other = "another port" if trial.text else f"read again, {_OTHER}: another port"
        takes = "take this" if trial.text else other
        rest = f"; {_OTHER}: {other}" if trial.text else ""
        say(f"  or name a description by the manual: a file, or {', '.join(example_names())}")
        answer = self._read(f"  Enter: {takes}{rest}: ").strip()
        if answer == _OTHER:
            return None
        if not answer and not trial.text:
            return self._source(wish)
        return replace(wish, source=answer or LISTEN, trial=trial)
