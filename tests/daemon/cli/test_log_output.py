"""Log lines: levels as syslog has them, one line each whatever is in them, and not too many."""

from __future__ import annotations

import io
import json
import logging
import sys

import pytest
from rich.console import Console

from swathe.cli.log_output import LogFormat, LogLimit, StructuredFormatter, log_handler


def record(
    text: str, *values: object, level: int = logging.WARNING, name: str = "swathe.page"
) -> logging.LogRecord:
    """Return a record."""
    return logging.LogRecord(name, level, __file__, 1, text, values, None)


@pytest.mark.parametrize(
    ("level", "priority"),
    [  # RFC 5424 table 2, as in sd-daemon(3)
        (logging.CRITICAL, 2),
        (logging.ERROR, 3),
        (logging.WARNING, 4),
        (logging.INFO, 6),
        (logging.DEBUG, 7),
    ],
)
def test_level_is_in_front(level: int, priority: int) -> None:
    """Of either form."""
    for form in (LogFormat.KEYS, LogFormat.JSON):
        line = StructuredFormatter(form).format(record("a", level=level))
        assert line.startswith(f"<{priority}>")


def test_line_of_keys() -> None:
    """Values of several words are quoted, and can be read back as JSON."""
    line = StructuredFormatter(LogFormat.KEYS).format(record("%d wrong, from %s", 3, "192.0.2.1"))
    assert line == '<4>level=warning logger=swathe.page message="3 wrong, from 192.0.2.1"'


def test_text_from_outside_makes_no_line_of_its_own() -> None:
    """Line breaks, escape sequences and quotes are escaped, tracebacks are part of the line."""
    evil = 'a"\n<0>level=critical \x1b[31m\u202e\x85'
    for form in (LogFormat.KEYS, LogFormat.JSON):
        line = StructuredFormatter(form).format(record("%s", evil))
        assert line.isprintable()
        assert line.isascii()
    fields = json.loads(line.removeprefix("<4>"))
    assert fields["message"] == evil
    try:
        raise ValueError(evil)
    except ValueError:
        failed = logging.LogRecord("a", logging.ERROR, "", 1, "ended", (), sys.exc_info())
    line = StructuredFormatter(LogFormat.KEYS).format(failed)
    assert line.isprintable()
    assert "Traceback" in line
    assert "ValueError" in line


def test_flood_of_one_kind_is_counted() -> None:
    """Ten a minute of a kind, then how many were left out; others pass meanwhile."""
    now = 0.0
    limit = LogLimit(lambda: now)
    shown = [limit.filter(record("wrong from %s", k)) for k in range(500)]
    assert sum(shown) == 10
    assert all(shown[:10])
    assert limit.filter(record("another"))
    now = 61.0
    last = record("wrong from %s", "x")
    assert limit.filter(last)
    assert last.getMessage() == "wrong from x (and 490 like it, not shown)"
    again = record("wrong from %s", "y")
    assert limit.filter(again)
    assert again.getMessage() == "wrong from y"


def test_kinds_are_bounded() -> None:
    """Memory does not depend on how many different texts there are."""
    limit = LogLimit(lambda: 0.0)
    for k in range(2000):
        limit.filter(record(f"text {k}"))
    assert len(limit._kinds) <= 256


def test_log_goes_to_what_is_standard_error_now(monkeypatch: pytest.MonkeyPatch) -> None:
    """A run replaces it, so as not to wait for whoever reads it."""
    handler = log_handler(LogFormat.KEYS, Console())
    later = io.StringIO()
    monkeypatch.setattr(sys, "stderr", later)
    handler.handle(record("ended"))
    assert later.getvalue() == "<4>level=warning logger=swathe.page message=ended\n"
