"""What the operating system asks of a run: to end in good order."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Iterator

from swathe.stop_requests import STOP_REQUESTS, StopRequests

__all__ = ["stop_signals"]


@contextlib.contextmanager
def stop_signals(
    stop: Callable[[str], None],
    *,
    unsaved: Callable[[], str] = str,
    requests: StopRequests = STOP_REQUESTS,
) -> Iterator[None]:
    """Let Ctrl-C, SIGTERM and SIGHUP end the run properly, also one that came before.

    A broken link to the machine must not end it during a move; under ``nohup`` it continues.

    Args:
        stop: called in the loop with the reason.
        unsaved: returns what is not on the disk, for a run that is abandoned.
        requests: of this process.
    """
    loop = asyncio.get_running_loop()

    def pass_on(reason: str) -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed
            loop.call_soon_threadsafe(stop, reason)

    mine = not requests.begun
    requests.begin()
    requests.last_words = unsaved
    try:
        with requests.passed_to(pass_on):
            yield
    finally:
        if mine:
            requests.end()
