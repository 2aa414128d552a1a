"""The console of every subcommand: control characters in texts are printed as escapes."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

from swathe.printable import printable

__all__ = ["SafeConsole"]


class SafeConsole(Console):
    r"""A console on which no text commands the terminal.

    Notes, names, bytes of devices and messages come from outside: an escape sequence in one of them
    is printed as ``\x1b[...``. What the console itself sends (colours, cursor) is not text.
    """

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """Yield the segments of a renderable, their texts printable."""
        if isinstance(renderable, Text) and printable(renderable.plain) != renderable.plain:
            # Before it is laid out, so that its width is that of what is printed.
            safe = renderable.blank_copy(printable(renderable.plain))
            yield from super().render(safe, options)
            return
        if isinstance(renderable, str):
            renderable = printable(renderable)
        for segment in super().render(renderable, options):
            yield segment if segment.control else Segment(printable(segment.text), segment.style)
