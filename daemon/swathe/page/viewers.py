"""The viewers of a page: a mailbox each, as many as are allowed."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from swathe.page.mailbox import Mailbox, refuse_more_than_most

__all__ = ["Viewers"]


class Viewers:
    """Mailboxes of those who look at a page now."""

    def __init__(self) -> None:
        self._mailboxes: set[Mailbox] = set()

    def __len__(self) -> int:
        return len(self._mailboxes)

    def __iter__(self) -> Iterator[Mailbox]:
        return iter(self._mailboxes)

    @contextmanager
    def join(self) -> Iterator[Mailbox]:
        """Yield a mailbox for a new viewer.

        Raises:
            TooManyViewersError: the viewer must come back later.
        """
        refuse_more_than_most(len(self))
        mailbox = Mailbox()
        self._mailboxes.add(mailbox)
        try:
            yield mailbox
        finally:
            self._mailboxes.discard(mailbox)

    def put_message(self, topic: str, payload: bytes) -> None:
        """Put a topic's newest message, JSON, into every mailbox in place of an older one."""
        for mailbox in self._mailboxes:
            mailbox.put_message(topic, payload)

    def close(self) -> None:
        """End every viewer's stream once it has the pending events."""
        for mailbox in self._mailboxes:
            mailbox.close()
