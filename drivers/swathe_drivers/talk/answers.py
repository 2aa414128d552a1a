"""What shows that the answer to a request is complete; no input or output, no clock."""

from typing import Final, Protocol

UNKNOWN_QUIET_NS: Final = 20_000_000
"""Silence that ends an answer of unknown end, ns: longer than a USB adapter holds bytes back (16 ms
unless set otherwise, common practice)."""


class AnswerFinder(Protocol):
    """Watches the bytes behind a request for the end of its answer."""

    def begin(self, request: bytes) -> None:
        """A request was sent; what came before belongs to none."""
        ...

    def feed(self, data: bytes, time_ns: int) -> bool:
        """Take the next bytes and return whether the answer is complete with them."""
        ...

    @property
    def settles_at(self) -> int | None:
        """When the answer is complete if nothing comes until then, ns; None if time does not matter."""
        ...


class EndsWith:
    """An answer that ends with certain bytes."""

    settles_at: int | None = None

    def __init__(self, ends: bytes) -> None:
        self._ends = ends
        self._tail = b""

    def begin(self, request: bytes) -> None:  # noqa: ARG002  any answer ends alike
        """Forget what came before."""
        self._tail = b""

    def feed(self, data: bytes, time_ns: int) -> bool:  # noqa: ARG002
        """Look for the end, also across chunks."""
        seen = self._tail + data
        self._tail = seen[max(0, len(seen) - len(self._ends) + 1) :]
        return self._ends in seen


class SoMany:
    """An answer of so many bytes."""

    settles_at: int | None = None

    def __init__(self, count: int) -> None:
        self._count = count
        self._seen = 0

    def begin(self, request: bytes) -> None:  # noqa: ARG002
        """Start counting again."""
        self._seen = 0

    def feed(self, data: bytes, time_ns: int) -> bool:  # noqa: ARG002
        """Count."""
        self._seen += len(data)
        return self._seen >= self._count


class Quiet:
    """An answer with a silence behind it."""

    def __init__(self, quiet_ns: int) -> None:
        self._quiet = quiet_ns
        self.settles_at: int | None = None

    def begin(self, request: bytes) -> None:  # noqa: ARG002
        """Nothing has come yet."""
        self.settles_at = None

    def feed(self, data: bytes, time_ns: int) -> bool:
        """The silence begins again."""
        if data:
            self.settles_at = time_ns + self._quiet
        return False
