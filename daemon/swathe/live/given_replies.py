"""Replies that were given: the same one to the same command, completed once the disk has what was done."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from swathe.live.disk import unsaved_text
from swathe.live.session import Session
from swathe.messages import CommandMessage, ReplyMessage

__all__ = ["GivenReplies"]

_SAME_SECONDS = 30.0
# By then what keeps a sync is an alarm, whose text the reply has.
_DISK_SECONDS = 3.0
# Their replies claim nothing of the journal, and somebody waits for them.
_AT_ONCE = ("stop", "alive")


@dataclass(frozen=True, slots=True)
class _Given:
    """A reply.

    Attributes:
        at: host time, s.
        plain: without a word about the disk.
        reply: as it was given.
        entries: of the journal, which the disk must have before `plain` is all there is to say; None
            where nothing was journalled.
    """

    at: float
    plain: ReplyMessage
    reply: ReplyMessage
    entries: int | None


class GivenReplies:
    """The replies of the last half minute.

    Args:
        session: whose journal has what was done.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._given: dict[CommandMessage, _Given] = {}

    def of(self, command: CommandMessage) -> ReplyMessage | None:
        """Return the reply that a command got before; None where it is new."""
        now = time.monotonic()
        self._given = {old: one for old, one in self._given.items() if now - one.at < _SAME_SECONDS}
        given = self._given.get(command)
        return None if given is None else given.reply

    def add(self, command: CommandMessage, reply: ReplyMessage, *, before: int) -> ReplyMessage:
        """Keep a reply; return it with what is wrong with the disk.

        Args:
            command: that was executed or refused.
            reply: without a word about the disk.
            before: entries of the journal before it was executed.
        """
        entries = self._session.kept.entries
        journalled = reply.accepted and entries > before and command.command not in _AT_ONCE
        shown = reply
        if reply.accepted and command.command != "alive":
            shown = _with(reply, unsaved_text(reply.detail, self._session.disk_trouble))
        given = _Given(time.monotonic(), reply, shown, entries if journalled else None)
        self._given[command] = given
        return shown

    async def saved(self, reply: ReplyMessage) -> ReplyMessage:
        """Wait until the disk has what a command journalled, 3 s at most; return what is to be replied.

        Args:
            reply: as `add` or `of` returned it; any other is returned as it is.
        """
        given = next((one for one in self._given.values() if one.reply is reply), None)
        if given is None or given.entries is None:
            return reply
        if await self._session.kept.saved(given.entries, _DISK_SECONDS):
            return given.plain
        why = self._session.disk_trouble or f"it has synced nothing for {_DISK_SECONDS:g} s"
        return _with(reply, unsaved_text(given.plain.detail, why))

    def text(self, done: str) -> Callable[[], str]:
        """Return what was done just now, as a text that says so while it is not on the disk."""
        kept, entries = self._session.kept, self._session.kept.entries

        def now() -> str:
            if kept.saved_entries >= entries:
                return done
            return (
                unsaved_text(done, self._session.disk_trouble)
                if kept.trouble
                else f"{done}; not on the disk yet"
            )

        return now


def _with(reply: ReplyMessage, detail: str) -> ReplyMessage:
    return reply if detail == reply.detail else reply.model_copy(update={"detail": detail})
