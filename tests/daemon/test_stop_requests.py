"""Signals from the first line on: passed on, abandoned, or the end of a process that began nothing."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from swathe.stop_requests import StopRequests, end_within

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")

LATE = 40.0
"""Longer than any machine holds a test up; a condition ends each wait."""


class Process:
    """Receives signals with what would end this process replaced."""

    def __init__(self, *, within: float = 3600.0, together: float = 0.0) -> None:
        self.codes: list[int] = []
        self.said: list[str] = []
        self.stops: list[str] = []
        self.left = threading.Event()
        self.requests = StopRequests(
            within=within, together=together, leave=self._leave, say=self.said.append
        )

    def _leave(self, code: int) -> None:
        self.codes.append(code)
        self.left.set()


@pytest.fixture
def process(request: pytest.FixtureRequest) -> Iterator[Process]:
    """Return one that receives signals until the test is over."""
    made = Process(**getattr(request, "param", {}))
    made.requests.begin()
    yield made
    made.requests.end()


def hold(event: threading.Event) -> None:
    """Hang until the event."""
    event.wait(LATE)


def wait_for(condition: Callable[[], object]) -> None:
    """Wait until a condition holds."""
    end = time.monotonic() + LATE
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.002)


def test_signal_before_anything_began_ends_the_process_with_a_text(process: Process) -> None:
    """Nothing is to be put in order; it does not end silently."""
    signal.raise_signal(signal.SIGTERM)
    assert process.left.wait(LATE)
    assert process.codes == [1]
    assert process.said == ["terminated before anything began: nothing was read, written or moved"]


def test_signal_that_came_early_is_passed_on_later(process: Process) -> None:
    """What came between the first write and the run's loop ends the run as it begins."""
    process.requests.hold()
    signal.raise_signal(signal.SIGINT)
    wait_for(lambda: process.requests.reason)
    with process.requests.passed_to(process.stops.append):
        assert process.stops == ["stopped by the user"]
    assert process.codes == []


def test_first_signal_is_passed_on_and_ends_nothing(process: Process) -> None:
    """The run ends itself, in good order."""
    with process.requests.passed_to(process.stops.append):
        signal.raise_signal(signal.SIGTERM)
        wait_for(lambda: process.stops)
    assert process.stops == ["terminated"]
    assert process.codes == []
    assert process.said == []


@pytest.mark.parametrize("second", [signal.SIGTERM, signal.SIGINT])
def test_second_signal_abandons_it(process: Process, second: signal.Signals) -> None:
    """With what is not on the disk, and a code that claims no success."""
    restored: list[str] = []
    process.requests.restore.append(lambda: restored.append("terminal"))
    process.requests.last_words = lambda: "2 s of the journal are missing"
    with process.requests.passed_to(process.stops.append):
        signal.raise_signal(signal.SIGINT)
        wait_for(lambda: process.stops)
        signal.raise_signal(second)
        assert process.left.wait(LATE)
    assert process.codes == [1]
    assert process.said == [
        "stopped by the user; abandoned, as it was asked a second time; "
        "2 s of the journal are missing"
    ]
    assert restored == ["terminal"]


@pytest.mark.parametrize("process", [{"together": 3600.0}], indirect=True)
def test_signal_that_a_wrapper_passes_on_is_no_second_one(process: Process) -> None:
    """A terminal sends Ctrl-C to the wrapper and to what it wraps."""
    with process.requests.passed_to(process.stops.append):
        for _ in range(3):
            signal.raise_signal(signal.SIGINT)
        wait_for(lambda: process.requests._asked == 3)
    assert process.codes == []


def test_closed_terminal_and_sigterm_are_one_request(process: Process) -> None:
    """The end of a session sends both: the run still ends in good order."""
    with process.requests.passed_to(process.stops.append):
        signal.raise_signal(signal.SIGHUP)
        wait_for(lambda: process.stops)
        signal.raise_signal(signal.SIGTERM)
        wait_for(lambda: process.requests._asked == 1)
        signal.raise_signal(signal.SIGHUP)
        process.requests.end()  # after everything that came before it
    assert process.stops == ["the terminal was closed"]
    assert process.codes == []


@pytest.mark.parametrize("process", [{"within": 1.0}], indirect=True)
def test_what_hangs_is_abandoned_in_time(process: Process) -> None:
    """Whatever the main thread does, and though text and terminal hang as well."""
    hang = threading.Event()
    process.requests.last_words = lambda: str(hang.wait(LATE))
    process.requests.restore.append(lambda: hold(hang))
    with process.requests.passed_to(process.stops.append):
        signal.raise_signal(signal.SIGTERM)
        assert process.left.wait(LATE)
    hang.set()
    assert process.codes == [1]


def test_begin_leaves_an_ignored_hang_up_ignored() -> None:
    """As nohup wants it; and `end` restores what was before."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        handler, requests = signal.getsignal(signal.SIGTERM), StopRequests()
        requests.begin()
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
        assert signal.getsignal(signal.SIGTERM) is not handler
        requests.end()
        requests.end()
        assert signal.getsignal(signal.SIGTERM) is handler
        assert not requests.begun
    finally:
        signal.signal(signal.SIGHUP, before)


@pytest.mark.parametrize(
    ("text", "seconds"), [(None, 3.0), ("20", 20.0), ("0", 1.0), ("soon", 3.0)]
)
def test_end_within_is_read_from_the_environment(text: str | None, seconds: float) -> None:
    """3 s unless the environment says otherwise."""
    assert end_within({} if text is None else {"SWATHE_END_WITHIN": text}) == seconds


def test_importing_the_entry_takes_little_and_begins_nothing() -> None:
    """Signals are received before typer, rich or numpy are loaded; importing alone takes none."""
    code = (
        "import sys, signal\n"
        "before = signal.getsignal(signal.SIGTERM)\n"
        "import swathe.entry\n"
        "assert signal.getsignal(signal.SIGTERM) is before\n"
        "heavy = {'typer', 'rich', 'numpy', 'asyncio', 'pydantic'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, env=os.environ
    )
    assert done.returncode == 0, done.stderr
