"""How soon STOP is answered while others hold the page's connections, in a process of their own.

Idle connections without a byte, with half a request, and with a whole request and nothing more; and
guesses of the token. Each is from the operator's own address. STOP comes over a new connection; the
first one is shown apart: it is sent as soon as all of them are opened, of which many are not accepted
yet. Storms, which open connections as fast as the machine allows, are shown apart, too: a connection
for which the kernel's queue has no room is opened only at the client's next attempt, a second later.

    python tests/benchmarks/idle.py --idle 400 4000

It ends with exit code 1 if an answer to STOP took longer than 200 ms, storms and first ones apart.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import socket
import statistics
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.synchronize import Event
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.idle import Idlers, raise_file_limit, timed_command
from support.page import PlayedSource, ServedPage
from swathe.station import PageSettings

__all__ = ["main"]

TOKEN = "four-cranes-over-the-weir"  # noqa: S105
STOP = json.dumps({"command": "stop", "id": "s", "by": "crew"}).encode()
STOPS = 40
MOST_SECONDS = 0.2
HALF = b"POST /command HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Le"
WHOLE = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"


def hold(port: int, count: int, first: bytes, ready: Event, over: Event) -> None:
    """Hold connections until it is over."""
    raise_file_limit(count + 200)
    with Idlers(port, count, first):
        ready.set()
        over.wait()


def storm(port: int, count: int, first: bytes, ready: Event, over: Event) -> None:
    """Open connections as fast as possible, `count` at a time, until it is over."""
    raise_file_limit(count + 200)
    opened: list[socket.socket] = []
    begun, total = time.monotonic(), 0
    while not over.is_set():
        with suppress(OSError):
            opened.append(socket.create_connection(("127.0.0.1", port), timeout=5))
            opened[-1].sendall(first)
            total += 1
        if len(opened) > count:
            opened.pop(0).close()
        if total > 200:
            ready.set()
    print(f"      {total / (time.monotonic() - begun):,.0f} connections/s were opened")
    for one in opened:
        one.close()


def guess(port: int, count: int, first: bytes, ready: Event, over: Event) -> None:
    """Guess as fast as possible, without waiting for slow answers, until it is over."""
    del first
    begun, total = time.monotonic(), 0
    while not over.is_set():
        with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=5) as one:
            one.sendall(
                f"GET /cell/0/0 HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {total}\r\n\r\n".encode()
            )
            one.settimeout(0.05)
            with suppress(TimeoutError):
                one.recv(1000)
            total += 1
        if total > count:
            ready.set()
    print(f"      {total / (time.monotonic() - begun):,.0f} guesses/s were sent")


def guess_and_wait(port: int, count: int, first: bytes, ready: Event, over: Event) -> None:
    """Guess and read each answer, over one connection after the other, until it is over."""
    del first, count
    begun, total = time.monotonic(), 0
    while not over.is_set():
        with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=5) as one:
            one.sendall(
                f"GET /cell/0/0 HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {total}\r\n\r\n".encode()
            )
            while one.recv(1000):
                pass
            total += 1
        ready.set()
    print(f"      {total / (time.monotonic() - begun):,.1f} guesses/s were answered")


def measure(
    name: str, port: int, work: Callable[..., None], count: int, first: bytes = b""
) -> float:
    """Print and return how long answers to STOP took in the worst case, s."""
    ready, over = multiprocessing.Event(), multiprocessing.Event()
    other = multiprocessing.Process(target=work, args=(port, count, first, ready, over))
    other.start()
    try:
        assert ready.wait(60), "not ready"
        # The first one waits behind what was opened and not accepted yet.
        first_one = timed_command(port, STOP, token=TOKEN)
        times = []
        for _ in range(STOPS):
            times.append(timed_command(port, STOP, token=TOKEN))
            time.sleep(0.05)
    finally:
        over.set()
        other.join()
    median, worst = statistics.median(times) * 1e3, max(times) * 1e3
    print(
        f"{name:36} STOP: median {median:6.1f} ms, worst {worst:6.1f} ms"
        f" (the first, while they open: {first_one * 1e3:.0f} ms)",
        flush=True,
    )
    return worst / 1e3


def main() -> int:
    """Print each measurement; return 1 if one is too slow."""
    parser = argparse.ArgumentParser(description="Time STOP while others hold connections.")
    parser.add_argument("--idle", type=int, nargs="+", default=[400, 4000])
    options = parser.parse_args()
    os.environ["PAGE_TOKEN"] = TOKEN
    settings = PageSettings(port=0, token_variable="PAGE_TOKEN")  # noqa: S106
    worst = []
    with ServedPage(PlayedSource(), settings) as served:
        port = served.port
        for count in options.idle:
            worst += [
                measure(f"{count} idle connections", port, hold, count),
                measure(f"{count} with half a request", port, hold, count, HALF),
                measure(f"{count} with one request", port, hold, count, WHOLE),
            ]
            measure(f"a storm, {count} at a time", port, storm, count)
        worst.append(measure("guesses that do not wait", port, guess, 100))
        worst.append(measure("guesses that wait for their answer", port, guess_and_wait, 1))
    return int(max(worst) > MOST_SECONDS)


if __name__ == "__main__":
    multiprocessing.set_start_method("spawn")
    sys.exit(main())
