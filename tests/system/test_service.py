"""A run under a service manager that a test plays: readiness, end, and where no secret may be."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from http.client import HTTPConnection
from pathlib import Path

from support.daemon import station_text, wait_for
from support.page import reachable
from swathe.cli.app import Exit
from swathe.journal import Mark, read_journal

PAGE = "four-cranes-over-the-weir"
BROKER = "nine-herons-at-the-sluice"
TABLES = """
[page]
port = 0
token_variable = "PAGE_TOKEN"
[broker]
host = "127.0.0.1"
port = {port}
username = "swathe"
password_variable = "BROKER_PASSWORD"
"""


def status_with(port: int, token: str) -> int:
    """Return the status of the answer to a request with a token."""
    connection = HTTPConnection("127.0.0.1", port, timeout=20)
    try:
        connection.request("GET", "/cell/0/0", headers={"Authorization": f"Bearer {token}"})
        return connection.getresponse().status
    finally:
        connection.close()


def test_service_is_watched_and_keeps_its_secrets(tmp_path: Path) -> None:
    """Ready, alive, alarm of wrong tokens, ended in order; no output has a secret of it."""
    with socket.socket() as unused:  # a broker that is not there
        unused.bind(("127.0.0.1", 0))
        text = station_text("profile", tmp_path) + TABLES.format(port=unused.getsockname()[1])
        station = tmp_path / "station.toml"
        station.write_text(text)
        credentials = tmp_path / "credentials"
        credentials.mkdir()
        (credentials / "PAGE_TOKEN").write_text(f"{PAGE}\n")
        (credentials / "BROKER_PASSWORD").write_text(BROKER)
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
            manager.bind(str(tmp_path / "notify"))
            manager.settimeout(60)
            environment = {
                **os.environ,
                "NOTIFY_SOCKET": str(tmp_path / "notify"),
                "WATCHDOG_USEC": "1000000",
                "CREDENTIALS_DIRECTORY": str(credentials),
                "PYTHONUNBUFFERED": "1",
                "XDG_CACHE_HOME": str(tmp_path / "cache"),
            }
            process = subprocess.Popen(
                [
                    sys.executable,
                    "-m",
                    "swathe",
                    "--verbose",
                    "--log",
                    "keys",
                    "run",
                    "--no-picture",
                    str(station),
                ],
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                stdin=subprocess.DEVNULL,
                env=environment,
                text=True,
            )
            try:
                sent = [manager.recv(65_536).decode()]
                said = ""
                assert process.stdout is not None
                while "page: " not in said:
                    said += process.stdout.readline()
                url = said.partition("page: ")[2].split()[0]
                port = int(url.rpartition(":")[2].rstrip("/"))
                wait_for(lambda: reachable(port), 60, "the page")
                assert status_with(port, PAGE) == 200
                guessers = [
                    threading.Thread(target=status_with, args=(port, f"no-{k}")) for k in range(6)
                ]
                for guesser in guessers:
                    guesser.start()
                for guesser in guessers:
                    guesser.join(60)

                def is_raised() -> bool:
                    marks = (
                        one for one in read_journal(folder / "journal") if isinstance(one, Mark)
                    )
                    return any(one.detail.get("about") == "wrong tokens" for one in marks)

                folder = next(path.parent for path in tmp_path.rglob("journal"))
                wait_for(is_raised, 60, "the alarm")
                while (
                    "STATUS=0.00 % of the plan, 0 gaps open" not in sent
                    or sent.count("WATCHDOG=1") < 3
                ):
                    sent.append(manager.recv(65_536).decode())
                process.send_signal(signal.SIGTERM)
                out, err = process.communicate(timeout=60)
                manager.setblocking(False)
                try:
                    while True:
                        sent.append(manager.recv(65_536).decode())
                except BlockingIOError:
                    pass
            finally:
                if process.poll() is None:
                    process.kill()
                    process.communicate()
    assert process.returncode == Exit.NOT_COVERED
    assert sent[0].startswith("READY=1\nSTATUS=")
    assert sent.count("STOPPING=1\nSTATUS=ending: terminated") == 1
    assert not [
        text
        for text in sent[sent.index("STOPPING=1\nSTATUS=ending: terminated") :]
        if "READY" in text
    ]
    for line in err.splitlines():
        assert line[0] == "<"
        assert "level=" in line
    assert "wrong tokens at the page" in err
    record = json.loads((folder / "survey.json").read_text("utf-8"))
    assert "wrong tokens" in {alarm["kind"] for alarm in record["alarms"]}
    outputs = {"stdout": said + out, "stderr": err, "manager": "\n".join(sent)}
    found = [name for name, output in outputs.items() if PAGE in output or BROKER in output]
    files = [p for p in tmp_path.rglob("*") if p.is_file() and credentials not in p.parents]
    assert len(files) > 5
    for path in files:
        data = path.read_bytes()
        found += [str(path) for secret in (PAGE, BROKER) if secret.encode() in data]
    # The journal's chunks are compressed.
    entries = repr(list(read_journal(folder / "journal")))
    assert "BROKER_PASSWORD" in entries
    found += [f"journal: {secret}" for secret in (PAGE, BROKER) if secret in entries]
    assert found == []
