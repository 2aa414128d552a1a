"""What is logged: as text, as ``key=value`` or as JSON, a line each, and not more than can be read.

A line of ``key=value`` or JSON begins with the level as in syslog, ``<4>`` for a warning, which systemd
takes out of the line (sd-daemon(3)); text from outside is quoted as in JSON, so that it makes no line
of its own and no control character reaches a terminal.
"""

from __future__ import annotations

import json
import logging
import sys
import time
from collections.abc import Callable
from enum import StrEnum
from typing import TextIO

from rich.console import Console

__all__ = ["LogFormat", "LogLimit", "StructuredFormatter", "log_handler"]

_MOST_ALIKE = 10
_WINDOW_SECONDS = 60.0
_MOST_KINDS = 256


class LogFormat(StrEnum):
    """How a log line is written."""

    TEXT = "text"
    KEYS = "keys"
    JSON = "json"


class StructuredFormatter(logging.Formatter):
    """Writes a record as one line, with its syslog level in front.

    Args:
        form: `KEYS` or `JSON`.
    """

    def __init__(self, form: LogFormat) -> None:
        super().__init__()
        self._form = form

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        fields = {
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        if record.exc_info and record.exc_info[0] is not None:
            fields["error"] = self.formatException(record.exc_info)
        if self._form is LogFormat.JSON:
            line = json.dumps(fields)
        else:
            line = " ".join(f"{key}={_quoted(text)}" for key, text in fields.items())
        return f"<{_priority(record.levelno)}>{line}"


class LogLimit(logging.Filter):
    """Passes a few records of a kind a minute, and then how many were left out.

    Args:
        clock: monotonic seconds.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._clock = clock
        # By logger and text before its values are put in: since when, passed, and left out.
        self._kinds: dict[tuple[str, str], tuple[float, int, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Return whether a record is written."""
        now = self._clock()
        key = record.name, str(record.msg)[:200]
        since, passed, left_out = self._kinds.pop(key, (now, 0, 0))
        if now - since >= _WINDOW_SECONDS:
            if left_out:
                record.msg = f"{record.getMessage()} (and {left_out} like it, not shown)"
                record.args = None
            since, passed, left_out = now, 0, 0
        shown = passed < _MOST_ALIKE
        if len(self._kinds) >= _MOST_KINDS:
            del self._kinds[next(iter(self._kinds))]
        self._kinds[key] = since, passed + shown, left_out + (not shown)
        return shown


class _StandardErrorHandler(logging.StreamHandler[TextIO]):
    """Writes to what is standard error at the time: a run puts a thread between, so as not to wait."""

    def emit(self, record: logging.LogRecord) -> None:
        """Write a record."""
        self.stream = sys.stderr
        super().emit(record)


def log_handler(form: LogFormat, console: Console) -> logging.Handler:
    """Return what writes the log to standard error.

    Args:
        form: of its lines.
        console: of standard error, for text.
    """
    handler: logging.Handler
    if form is LogFormat.TEXT:
        from rich.logging import RichHandler

        handler = RichHandler(console=console, show_path=False, markup=False)
    else:
        handler = _StandardErrorHandler()
        handler.setFormatter(StructuredFormatter(form))
    handler.addFilter(LogLimit())
    return handler


def _quoted(text: str) -> str:
    """Return a value: plain where it is one word of ASCII, otherwise as a JSON string."""
    plain = text.isascii() and text.isprintable() and not any(c in text for c in ' "=\\')
    return text if plain and text else json.dumps(text)


def _priority(level: int) -> int:
    """Return the syslog level of a record's level, RFC 5424 table 2."""
    for lowest, priority in (
        (logging.CRITICAL, 2),
        (logging.ERROR, 3),
        (logging.WARNING, 4),
        (logging.INFO, 6),
    ):
        if level >= lowest:
            return priority
    return 7
