"""What the operating system asks of a run: to end in good order."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import Callable, Iterator

__all__ = ["stop_signals"]


@contextlib.contextmanager
def stop_signals(stop: Callable[[str], None]) -> Iterator[None]:
    """Let Ctrl-C, SIGTERM and SIGHUP end the run properly, where the loop handles signals."""
    loop = asyncio.get_running_loop()
    taken: list[signal.Signals] = []
    reasons = {signal.SIGINT: "stopped by the user", signal.SIGTERM: "terminated"}
    # A broken link to the machine must not end it during a move; under nohup it continues.
    hangup = getattr(signal, "SIGHUP", None)
    if hangup is not None and signal.getsignal(hangup) is not signal.SIG_IGN:
        reasons[hangup] = "the terminal was closed"
    for number, reason in reasons.items():
        with contextlib.suppress(NotImplementedError, ValueError, RuntimeError):
            loop.add_signal_handler(number, stop, reason)
            taken.append(number)
    try:
        yield
    finally:
        for number in taken:
            loop.remove_signal_handler(number)
