"""The commands of a calibration check within a run, and those that it refuses."""

from __future__ import annotations

from swathe.live.check_work import CheckWork
from swathe.live.reviser import REFUSED
from swathe.messages import CommandMessage

__all__ = ["CHECK_COMMANDS", "execute_check", "why_blocked"]

CHECK_COMMANDS = ("check", "check step", "check redo", "check skip", "check give up")
"""Commands that begin a check, read a step, read it again, leave a probe out, and give the check up."""
# What would take the probe, the pause or the lines out of the hands of a check.
_BLOCKED = (
    "pause",
    "resume",
    "reference",
    "line",
    "next line",
    "previous line",
    "line blocked",
    "take",
)


def why_blocked(work: CheckWork, command: str) -> str:
    """Return why a command is refused during a check; empty if it is not.

    None is while a crawler makes it: a pause has to stop that.
    """
    if not work.active or work.by_crawler or command not in _BLOCKED:
        return ""
    return f"{REFUSED}a calibration check is in progress: finish it, or give it up"


def execute_check(work: CheckWork, command: CommandMessage) -> str:
    """Execute one of `CHECK_COMMANDS`; return what was done or why not."""
    work.show_soon()
    if command.command == "check":
        return work.begin(command.by, command.phase, command.probe)
    if not work.active:
        return f"{REFUSED}no calibration check is in progress: 'check' begins one"
    if work.by_crawler and command.command != "check give up":
        return f"{REFUSED}the crawler makes this check by itself"
    match command.command:
        case "check step":
            return work.take()
        case "check redo":
            return work.redo()
        case "check skip":
            return work.skip(command.by, command.text)
        case _:
            return work.give_up(command.by, command.text)
