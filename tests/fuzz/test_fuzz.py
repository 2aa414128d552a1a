"""The fuzz targets run a little with every test run, and they can fail."""

from __future__ import annotations

import random
import socket
import threading
import time
from contextlib import ExitStack, nullcontext, suppress
from types import SimpleNamespace
from typing import Any

import pytest

from fuzz import fuzz_page
from fuzz.fuzz_decoders import Tally, Target, at_random, targets


def test_mutated_streams_give_only_records_and_faults() -> None:
    """Of every invented device; the long run is `python tests/fuzz/fuzz_decoders.py`."""
    tally = at_random(1, lambda so_far: so_far.runs >= 600)
    assert tally.records > 1000
    assert len(tally.faults) >= 8
    assert tally.bytes > 100_000


def test_decoder_that_loses_bytes_is_found() -> None:
    """The invariant is no empty one."""
    good = targets()[0][0]

    def make(ns_per_byte: int) -> Any:
        decoder = good.make(ns_per_byte)
        feed = decoder.feed_chunks
        decoder.feed_chunks = lambda chunks: feed([(time, data[:-1]) for time, data in chunks])
        return decoder

    with pytest.raises(AssertionError, match="bytes are not told"):
        Target("forgetful", make, good.limit).feed(b"abc\r\ndef", random.Random(1), Tally())


def test_random_requests_get_answers_that_fit_and_the_page_lives_on() -> None:
    """The long run is `python tests/fuzz/fuzz_page.py`."""
    findings = fuzz_page.run(300, 1, most_seconds=60.0)
    assert findings.problems == []
    assert findings.replies > 5
    assert {0, 200, 307, 400, 401, 404, 405, 413, 415, 421} <= set(findings.statuses)


def test_page_that_fails_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """The invariant is no empty one."""
    broken = "swathe.page.app.cell_reading"
    monkeypatch.setattr(broken, lambda *_: 1 / 0)
    monkeypatch.setattr(fuzz_page, "PATHS", ("/cell/0/0",))
    monkeypatch.setattr(fuzz_page, "_alive", lambda _: [])
    found = "\n".join(fuzz_page.run(40, 1).problems)
    assert "status [500]" in found
    assert "ZeroDivisionError" in found


@pytest.mark.parametrize("answer", [b"", b"x"])
def test_page_without_an_end_is_found(monkeypatch: pytest.MonkeyPatch, answer: bytes) -> None:
    """No answer, or one without an end, is a problem with the request's number; the run ends there."""
    with socket.create_server(("127.0.0.1", 0)) as server, ExitStack() as opened:

        def serve() -> None:
            connection = opened.enter_context(server.accept()[0])
            with suppress(OSError):
                for _ in range(100):  # until the other side closes, which it does after 0.1 s
                    connection.sendall(answer)
                    time.sleep(0.02)
            if answer:
                connection.close()

        thread = threading.Thread(target=serve)
        thread.start()
        page = nullcontext(SimpleNamespace(port=server.getsockname()[1]))
        monkeypatch.setattr(fuzz_page, "served_survey", lambda: page)
        monkeypatch.setattr(fuzz_page, "_alive", lambda _: [])
        (problem,) = fuzz_page.run(40, 1, patience=0.1).problems
        thread.join()
    assert problem.startswith("0: no end after 0.1 s to ")
