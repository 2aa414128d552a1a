"""Fuzzes the page over real connections: any request gets an answer that fits, and the page lives on.

The single invariant: each connection gets only well-formed answers of status 2xx, 3xx or 4xx, never
5xx, or is closed without one; nothing is logged with a traceback; and afterwards page and commands
answer as before. The page is the real one: pipeline, session and commands behind it, with a token.

    python tests/fuzz/fuzz_page.py --examples 20000
    python tests/fuzz/fuzz_page.py --examples 500 --seed 7

Requests are made from a seed; what is found is printed with the seed and the number of the request,
and then the exit code is 1.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import re
import socket
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import cast
from urllib.parse import quote as urlquote

sys.path.insert(0, str(Path(__file__).parent.parent))

from pydantic import ValidationError

from daemon.handmade import MS, START, Motion, station_text
from support.page import PlayedSource, ServedPage
from swathe.live.commands import Commands
from swathe.live.mirror import Mirror
from swathe.live.origin import Origin
from swathe.live.page_source import PageSource
from swathe.live.session import Session
from swathe.messages import CommandMessage, ReplyMessage
from swathe.page import wrong_tokens
from swathe.station import PageSettings, parse_station
from swathe.store import SurveyFolder

__all__ = ["Findings", "main", "random_request", "run", "served_survey", "statuses_of"]

TOKEN = "four-cranes-over-the-weir"  # noqa: S105
STEPPED = '[index]\nlength = "5 mm"\nresolution = "1 mm"\nmode = "stepped"\n'
KEYS = tuple(sorted(CommandMessage.model_fields.keys() - {"version", "command", "id", "by"}))
COMMANDS = tuple(CommandMessage.model_json_schema()["properties"]["command"]["enum"])
METHODS = ("GET",) * 12 + ("POST",) * 2 + ("HEAD", "HEAD", "PUT", "OPTIONS", "BREW", "")
PATHS = (
    "/", "/setup", "/static/main.js", "/static/../access.py", "/static/%2e%2e/access.py", "/static/",
    "/events", "/cell/0/0", "/cell/{n}/{n}", "/line/{n}", "/tiles/{n}/{n}/{n}", "/affected",
    "/affected?stretch={j}", "/command", "/session", "/favicon.ico", "/{u}", "*", "",
    "http://evil.example/", "/cell/0/0?{u}", "/cell//0", "//", "/line/0/",
)  # fmt: skip
NUMBERS = (
    "0",
    "1",
    "5",
    "20",
    "-1",
    "99999999999",
    "9" * 4000,
    "9" * 5000,
    "1e3",
    "0x1",
    "٣",
    "0" * 900,
)
_STATUS_LINE = re.compile(rb"HTTP/1\.1 (\d{3}) ")


@dataclass
class Findings:
    """What came of the requests.

    Attributes:
        statuses: number of answers of each status; 0 for a connection that was closed without one.
        replies: number of commands that were executed or refused with a reason.
        problems: what does not hold, as text.
    """

    statuses: Counter[int] = field(default_factory=Counter)
    replies: int = 0
    problems: list[str] = field(default_factory=list)


class _Tracebacks(logging.Handler):
    """Notes what is logged with a traceback, or as an error."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.found: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Note a record."""
        if record.exc_info or record.levelno >= logging.ERROR:
            self.found.append(logging.Formatter("%(name)s: %(message)s").format(record)[-2000:])


class RealSource(PageSource):
    """The real daemon's source; a test waits until the page watches it."""

    @property
    def watched(self) -> bool:
        """Whether a page watches."""
        return self._on_cells is not None


@contextmanager
def served_survey() -> Iterator[ServedPage]:
    """Yield a real page of a survey with a few readings, whose commands are executed."""
    text = station_text(index=STEPPED)
    station = parse_station(text, "bench.toml")
    os.environ["PAGE_TOKEN"] = TOKEN
    now = START
    with (
        tempfile.TemporaryDirectory() as folder,
        Session(SurveyFolder(Path(folder) / "survey"), station, text, clock=lambda: now) as session,
    ):
        session.resume()
        for entry in Motion(lambda ms: (ms / 100,), lambda _: 10.0, 0, 1500).entries():
            session.enter(entry)
        now += 1600 * MS
        session.tick()
        commands = Commands(station, session, stop=lambda _: None, ending=lambda: False)

        async def execute(command: CommandMessage) -> ReplyMessage:
            return commands.execute(command, Origin.PAGE)

        source = RealSource(
            pipeline=lambda: session.pipeline,
            mirror=Mirror(),
            link=lambda: None,
            on_command=execute,
        )
        settings = PageSettings(port=0, token_variable="PAGE_TOKEN")  # noqa: S106
        with ServedPage(cast("PlayedSource", source), settings) as served:
            yield served


def _text(rng: Random, most: int = 30) -> str:
    """Return characters of every kind, half of surrogate pairs too."""
    kinds = (
        "abc XYZ09",
        "\x00\x01\x07\x1b\x7f",
        "äß€漢",
        "\ud800\udfff",
        "\\\"'{}[]%&?#/",
        "\u202e\u2028",
    )
    return "".join(rng.choice(rng.choice(kinds)) for _ in range(rng.randrange(most)))


def _value(rng: Random, depth: int = 0) -> object:
    match rng.randrange(10 if depth < 4 else 8):
        case 0:
            return None
        case 1:
            return rng.choice((True, False))
        case 2:
            return rng.randrange(-3, 9)
        case 3:
            return rng.choice((10**30, -(10**400), 2**63, 1.5, float("nan"), float("inf"), -1e308))
        case 4:
            return rng.choice(
                ("2026-05-04T10:30:00Z", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z")
            )
        case 5 | 6 | 7:
            return _text(rng)
        case 8:
            return [_value(rng, depth + 1) for _ in range(rng.randrange(4))]
        case _:
            return {_text(rng, 8): _value(rng, depth + 1) for _ in range(rng.randrange(4))}


def _plausible(rng: Random, key: str) -> object:
    """Return a value for a key of a command."""
    values = {
        "text": "why", "stretch": _stretch(rng), "phase": "interval", "mark": "datum", "spot": "P1",
        "reply_to": "a/b", "zone": {"name": "lug", "scan": {"from": 1, "to": 3}, "index": None},
    }  # fmt: skip
    return values.get(key, rng.randrange(-1, 8))


def _command(rng: Random) -> object:
    """Return a command, or nearly one: with what it requires, and now and then with more."""
    command: dict[str, object] = {
        "command": rng.choice(COMMANDS), "id": f"f-{rng.randrange(10**9)}", "by": "crew"
    }  # fmt: skip
    for _ in range(4):
        try:
            CommandMessage.model_validate(command)
        except ValidationError as error:
            for key in re.findall(r"must have '(\w+)'", str(error)):
                command[key] = _plausible(rng, key)
    for key in rng.sample(KEYS, rng.choice((0, 0, 0, 1, 3))):
        command[key] = _value(rng) if rng.random() < 0.3 else _plausible(rng, key)
    if rng.random() < 0.1:
        command[rng.choice(("command", "id", "by", "z"))] = _value(rng)
    return command


def _stretch(rng: Random) -> dict[str, object]:
    stretch: dict[str, object] = {}
    for _ in range(rng.randrange(4)):
        key = rng.choice(("line", "last", "begin", "end", "scan"))
        plausible = {"scan": {"from": 2, "to": rng.randrange(9)}, "begin": "why", "end": "why"}
        others = (_value(rng), {"from": _value(rng), "to": _value(rng)}, 1e300, 10**12)
        stretch[key] = plausible.get(key, 1) if rng.random() < 0.6 else rng.choice(others)
    return stretch


def _body(rng: Random) -> bytes:
    match rng.randrange(14):
        case 0:
            return rng.choice((b"[", b'{"a":', b"[{", b'"')) * rng.choice((5, 900, 2000, 4096))
        case 1:
            return rng.randbytes(rng.randrange(300))
        case 2:
            return b" " * rng.choice((4096, 4097, 9000, 70_000))
        case 3:
            return json.dumps({"token": _value(rng)}).encode()
        case 4:
            return json.dumps(_value(rng)).encode("utf-8", "surrogatepass")[:4096]
        case 5:
            return json.dumps(_command(rng)).encode(rng.choice(("utf-16", "utf-32", "utf-8")))
        case _:
            return json.dumps(_command(rng), ensure_ascii=rng.random() < 0.5).encode(
                "utf-8", "surrogatepass"
            )


def _headers(rng: Random, port: int) -> list[bytes]:
    """Return header lines; most requests get past the rules of access."""
    found = [b"Host: 127.0.0.1:%d" % port]
    found += [b"Authorization: Bearer " + TOKEN.encode(), b"Content-Type: application/json"]
    changes = (
        b"Host: evil.example", b"Host: \xff\xfe", b"Host: [::1", b"Host:", b"X: \x00", b"X: \xe4\xff",
        b"Cookie: " + b"swathe=a; " * 50, b'Cookie: a="\x01; ;;=', b"Origin: null", b"X" * 300 + b": a",
        b"Authorization: Bearer wrong", b"Authorization: \xc3", b"Content-Type: text/plain",
        b"Accept-Encoding: gzip", b"Connection: close", b"Connection: upgrade\r\nUpgrade: websocket",
        b"Expect: 100-continue", b"Sec-Fetch-Site: cross-site", b"Range: bytes=0-1,5-", b": a", b" folded",
        b"If-None-Match: *", b"If-Modified-Since: never", b"Transfer-Encoding: gzip", b"Content-Length: -1",
        b"Content-Length: 99999999999999999999", b"Y: " + b"y" * rng.choice((100, 9000, 20_000)),
    )  # fmt: skip
    while rng.random() < 0.12:
        change = rng.choice(changes)
        if rng.random() < 0.4:
            del found[rng.randrange(len(found)) :]
        found.insert(rng.randrange(len(found) + 1), change)
    return found


def _chunked(rng: Random, body: bytes) -> bytes:
    """Return a body in chunks, now and then a broken one."""
    parts = []
    while body:
        size = rng.randrange(1, 400)
        length = b"%x" % len(body[:size])
        if rng.random() < 0.03:
            length = rng.choice((b"", b"-1", b"zz", b"ffffffffff", b"0", b"5;" + b"x" * 300))
        parts.append(length + b"\r\n" + body[:size] + rng.choice((b"\r\n",) * 30 + (b"", b"\n")))
        body = body[size:]
    return b"".join(parts) + rng.choice((b"0\r\n\r\n",) * 9 + (b"", b"0\r\nT: a\r\n\r\n"))


def random_request(rng: Random, port: int) -> bytes:
    """Return the bytes of a request, or of several, or of none."""
    if rng.random() < 0.04:
        return rng.randbytes(rng.randrange(1, 2000))
    path = rng.choice(PATHS) if rng.random() < 0.8 else "/command"
    while "{n}" in path:
        path = path.replace("{n}", rng.choice(NUMBERS), 1)
    quote = json.dumps(_stretch(rng) if rng.random() < 0.7 else _value(rng)).replace(" ", "%20")
    word = _text(rng).replace(" ", "+")
    if rng.random() < 0.7:
        word, quote = (urlquote(text.encode("utf-8", "surrogatepass")) for text in (word, quote))
    path = path.replace("{j}", quote).replace("{u}", word)
    version = rng.choice((b"HTTP/1.1",) * 12 + (b"HTTP/1.0", b"HTTP/9", b"", b"http/1.1"))
    method = rng.choice(METHODS).encode()
    if path.startswith(("/command", "/session")) and rng.random() < 0.9:
        method = b"POST"
    start = method + b" " + path.encode("utf-8", "surrogatepass") + b" " + version
    headers = _headers(rng, port)
    body = b""
    if method == b"POST" or rng.random() < 0.05:
        body = _body(rng)
        if rng.random() < 0.3:
            headers.append(b"Transfer-Encoding: chunked")
            body = _chunked(rng, body)
        else:
            wrong = rng.random() < 0.05
            headers.append(b"Content-Length: %d" % (rng.randrange(10_000) if wrong else len(body)))
    request = b"\r\n".join([start, *headers, b"", b""]) + body
    if rng.random() < 0.05:  # bytes that the network, or somebody, changed
        at = rng.randrange(len(request))
        request = request[:at] + rng.randbytes(rng.randrange(4)) + request[at + rng.randrange(4) :]
    return request


def statuses_of(received: bytes) -> list[int]:
    """Return the statuses of the answers in what a connection gave."""
    return [int(status) for status in _STATUS_LINE.findall(received)]


def _exchange(port: int, request: bytes, most_seconds: float) -> bytes:
    """Send a request, in one go, and return what comes until the page closes.

    Raises:
        TimeoutError: it answers no more, or without an end.
    """
    received, end = b"", time.monotonic() + most_seconds
    with socket.create_connection(("127.0.0.1", port), timeout=most_seconds) as connection:
        try:
            connection.sendall(request)
            connection.shutdown(socket.SHUT_WR)
        except OSError:
            pass  # closed meanwhile: an answer may be there all the same
        try:
            # The end of a stream of events is not waited for.
            while b"text/event-stream" not in received:
                connection.settimeout(max(0.001, end - time.monotonic()))
                if not (data := connection.recv(65_536)):
                    break
                received += data
        except ConnectionError:
            pass
    return received


def run(
    examples: int, seed: int, *, most_seconds: float = 600.0, patience: float = 20.0
) -> Findings:
    """Send so many random requests; return what came of them.

    Args:
        examples: number of requests.
        seed: of the random numbers.
        most_seconds: after which no more are sent. Next to busy loops each hand-over between this thread
            and the page's takes as long as they let it wait, and a request has several.
        patience: after which a request without an answer, or with one that has no end, is a problem, s.
    """
    findings, handler = Findings(), _Tracebacks()
    logging.getLogger().addHandler(handler)
    wrong_tokens._ANSWER_SECONDS = 0.0
    begun = time.monotonic()
    try:
        with served_survey() as served:
            for number in range(examples):
                if time.monotonic() - begun > most_seconds:
                    break
                rng = Random(f"{seed}/{number}")
                request = random_request(rng, served.port)
                try:
                    received = _exchange(served.port, request, patience)
                except TimeoutError:
                    findings.problems.append(
                        f"{number}: no end after {patience:g} s to {request[:300]!r}"
                    )
                    break
                findings.replies += received.count(b'"message":"reply"')
                statuses = statuses_of(received) or [0]
                findings.statuses.update(statuses)
                if bad := [one for one in statuses if one >= 500]:
                    findings.problems.append(f"{number}: status {bad} to {request[:300]!r}")
                for text in handler.found:
                    findings.problems.append(f"{number}: logged {text} after {request[:300]!r}")
                handler.found.clear()
            findings.problems += _alive(served)
    finally:
        wrong_tokens._ANSWER_SECONDS = 1.0
        logging.getLogger().removeHandler(handler)
    return findings


def _alive(served: ServedPage) -> list[str]:
    """Return what the page no longer does."""
    bearer = {"Authorization": f"Bearer {TOKEN}", "Content_Type": "application/json"}
    note = json.dumps({"command": "note", "text": "all well", "id": "last", "by": "crew"}).encode()
    viewer = served.view(Authorization=bearer["Authorization"])
    wanted = {
        "page": served.ask("/")[0] == 200,
        "cell": served.ask("/cell/0/0", Authorization=bearer["Authorization"])[0] == 200,
        "command": served.ask("/command", method="POST", body=note, **bearer)[0] == 200,
        "events": bool(viewer.until(lambda name, _: name == "beat")),
    }
    viewer.close()
    return [f"afterwards: no {what}" for what, answered in wanted.items() if not answered]


def main(arguments: list[str] | None = None) -> int:
    """Print what was found; return 1 if something was."""
    parser = argparse.ArgumentParser(description="Send random requests to the page.")
    parser.add_argument("--examples", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--seconds", type=float, default=600.0, help="no more requests after so long"
    )
    options = parser.parse_args(arguments)
    begun = time.monotonic()
    logging.getLogger("uvicorn.error").setLevel(logging.ERROR)
    findings = run(options.examples, options.seed, most_seconds=options.seconds)
    for problem in findings.problems:
        print(f"seed {options.seed}, request {problem}", flush=True)
    counts = ", ".join(f"{n:,} × {status}" for status, n in sorted(findings.statuses.items()))
    print(f"{findings.statuses.total():,} answers in {time.monotonic() - begun:.0f} s: {counts}")
    print(f"{findings.replies:,} replies to commands, {len(findings.problems)} problems")
    return int(bool(findings.problems))


if __name__ == "__main__":
    sys.exit(main())
