"""What the operating system asks of a process, from its first line on: to end, within a time.

`StopRequests.begin` is called before anything that takes long is imported. A thread of its own then
receives SIGTERM, Ctrl-C and SIGHUP: it acts whatever the event loop or a system call of the main
thread is held up by.

- Before `hold` nothing has begun: the process ends at once, and says so.
- After it the first signal is passed on, to end in good order. The process is abandoned where it has
  not ended 3 s after SIGTERM (``SWATHE_END_WITHIN``, seconds, allows it more), or when it is asked a
  second time: it says what is not on the disk, and exits with code 1.

A system call that holds a thread in the kernel (a disk whose driver waits) keeps even a killed process
until it returns; and while the interpreter's lock is held for good, no thread of it acts. The
service manager's own limit, or a kill, is for these.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import threading
import time
from collections.abc import Callable, Iterator, Mapping

__all__ = ["STOP_REQUESTS", "TERMINATED", "StopRequests", "end_within"]

TERMINATED = "terminated"
"""Reason of SIGTERM."""

_REASONS = {
    "SIGINT": "stopped by the user",
    "SIGTERM": TERMINATED,
    "SIGHUP": "the terminal was closed",
}
_END_WITHIN = "SWATHE_END_WITHIN"
_END_SECONDS = 3.0
# Of the time that a process may take to end, this much is for what it still says.
_SAY_SECONDS = 0.4
# A wrapper may pass on a signal that the terminal has sent already.
_TOGETHER_SECONDS = 0.3
_ERROR = 1
_OVER = b"\0"


def end_within(environment: Mapping[str, str] = os.environ) -> float:
    """Return how long a process may take to end after SIGTERM, s; at least 1."""
    try:
        return max(1.0, float(environment.get(_END_WITHIN, _END_SECONDS)))
    except ValueError:
        return _END_SECONDS


class StopRequests:
    """Receives the signals that ask a process to end; one for each process.

    Args:
        within: s from SIGTERM to the end of a process that does not end by itself.
        together: s in which a second signal counts as the first one, passed on by a wrapper.
        leave: ends the process with an exit code, at once.
        say: prints a line on standard error.

    Attributes:
        reason: of the first signal; empty before it.
        last_words: returns what to say of a process that is abandoned: what is not on the disk.
        restore: called before a process is abandoned, such as to give the terminal back.
    """

    def __init__(
        self,
        *,
        within: float | None = None,
        together: float = _TOGETHER_SECONDS,
        leave: Callable[[int], None] = os._exit,
        say: Callable[[str], None] | None = None,
    ) -> None:
        self._within = end_within() if within is None else within
        self._together = together
        self._leave = leave
        self._say = say or _print
        self._on_stop: Callable[[str], None] | None = None
        self._held = False
        self._asked = 0
        self._lock = threading.Lock()
        self._pipe: tuple[int, int] | None = None
        self._before: dict[signal.Signals, signal._HANDLER] = {}
        self._wakeup = -1
        self._thread: threading.Thread | None = None
        self.reason = ""
        self.last_words: Callable[[], str] = str
        self.restore: list[Callable[[], None]] = []

    @property
    def begun(self) -> bool:
        """Whether signals are received."""
        return self._pipe is not None

    def begin(self) -> None:
        """Receive signals from now on; does nothing a second time, and in another thread.

        A hang-up that is ignored, as under ``nohup``, stays so.
        """
        if self.begun or threading.current_thread() is not threading.main_thread():
            return
        reading, writing = self._pipe = os.pipe()
        os.set_blocking(writing, False)
        self._wakeup = signal.set_wakeup_fd(writing, warn_on_full_buffer=False)
        for name in _REASONS:
            number = getattr(signal, name, None)
            if number is None or (name == "SIGHUP" and signal.getsignal(number) is signal.SIG_IGN):
                continue
            # The number goes into the pipe before this is called; the thread acts on it.
            self._before[number] = signal.signal(number, _ignore)
        self._thread = threading.Thread(
            target=self._run, args=(reading,), name="stop requests", daemon=True
        )
        self._thread.start()

    def end(self) -> None:
        """Restore what signals did before `begin`; harmless without it and twice."""
        if self._pipe is None:
            return
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._before.clear()
        signal.set_wakeup_fd(self._wakeup)
        os.write(self._pipe[1], _OVER)
        if self._thread is not None:
            self._thread.join()
        for descriptor in self._pipe:
            os.close(descriptor)
        self._pipe = self._thread = None

    def hold(self) -> None:
        """Pass signals on from now on: something has begun that is to end in good order."""
        with self._lock:
            self._held = True

    @contextlib.contextmanager
    def passed_to(self, stop: Callable[[str], None]) -> Iterator[None]:
        """Pass the reason of the first signal to `stop`, also of one that came before.

        Args:
            stop: called once; in a thread of its own, or here.
        """
        with self._lock:
            self._held, self._on_stop = True, stop
            reason = self.reason
        if reason:
            stop(reason)
        try:
            yield
        finally:
            self._on_stop = None

    def _run(self, reading: int) -> None:
        """Receive signals until the end."""
        deadline: float | None = None
        ignored_until = 0.0
        while True:
            left = None if deadline is None else max(0.0, deadline - time.monotonic())
            if not select.select([reading], [], [], left)[0]:
                return self._abandon(f"it did not end within {self._within:g} s")
            now = time.monotonic()
            for byte in os.read(reading, 64):
                if byte == _OVER[0]:
                    return None
                name = _name(byte)
                if not name:
                    continue
                if name == "SIGTERM" and deadline is None:
                    deadline = now + self._within - _SAY_SECONDS
                if not self.reason:
                    ignored_until = now + self._together
                    if not self._pass_on(_REASONS[name]):
                        return None
                elif name != "SIGHUP" and now >= ignored_until and self._asked > 0:
                    return self._abandon("it was asked a second time")
                self._asked += name != "SIGHUP"

    def _pass_on(self, reason: str) -> bool:
        """Pass the first signal on; return False where nothing had begun and it is over."""
        with self._lock:
            self.reason = reason
            held, stop = self._held, self._on_stop
        if not held:
            self._say(f"{reason} before anything began: nothing was read, written or moved")
            self._leave(_ERROR)
            return False
        if stop is not None:
            stop(reason)
        return True

    def _abandon(self, why: str) -> None:
        """Leave whatever hangs, after saying what is lost by it."""

        def speak() -> None:
            words = ""
            with contextlib.suppress(Exception):  # what it would state is just being changed
                words = self.last_words()
            self._say(f"{self.reason}; abandoned, as {why}{'; ' * bool(words)}{words}")

        # Each may hang as well.
        acts = [*(_calmly(act) for act in self.restore), speak]
        threads = [threading.Thread(target=act, daemon=True) for act in acts]
        for thread in threads:
            thread.start()
        end = time.monotonic() + _SAY_SECONDS / 2
        for thread in threads:
            thread.join(max(0.0, end - time.monotonic()))
        self._leave(_ERROR)


def _calmly(act: Callable[[], None]) -> Callable[[], None]:
    """Return `act` without its errors: the process ends in any case."""

    def call() -> None:
        with contextlib.suppress(Exception):
            act()

    return call


def _name(number: int) -> str:
    """Return the name of a signal that asks for the end; empty for any other."""
    try:
        name = signal.Signals(number).name
    except ValueError:
        return ""
    return name if name in _REASONS else ""


def _print(text: str) -> None:
    os.write(2, f"swathe: {text}\n".encode())


def _ignore(_number: int, _frame: object) -> None:
    return None


STOP_REQUESTS = StopRequests()
"""Those of this process."""
