"""``swathe listen`` and ``swathe ports`` as users run them."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from drivers.doubles import PtyPort
from support.daemon import swathe
from swathe_drivers.description import read_description

PROTOCOL = """
[port]
baud = 9600
[protocol]
columns = [{ is = "sequence" }, { is = "thickness", unit = "mm" }]
"""


def speak(far_end: PtyPort, stop: threading.Event) -> None:
    """Send a line every 5 ms."""
    number = 0
    while not stop.wait(0.005):
        wall = 12 + 0.001 * ((number * 7919) % 211) - 0.3 * (number % 50 == 0)
        far_end.send(b"%d,%.2f\r\n" % (number, wall))
        number += 1


def heard(tmp_path: Path, *arguments: object) -> subprocess.CompletedProcess[str]:
    """Run ``swathe listen`` at a port that speaks."""
    stop = threading.Event()
    with PtyPort(tmp_path / "gauge") as far_end:
        speaker = threading.Thread(target=speak, args=(far_end, stop))
        # A terminal that nobody reads fills up; the device begins when the listener is there.
        process = subprocess.Popen(
            [sys.executable, "-m", "swathe", "listen", str(far_end.link), *map(str, arguments)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            stdin=subprocess.DEVNULL,
            text=True,
        )
        speaker.start()
        try:
            out, err = process.communicate(timeout=60)
        finally:
            stop.set()
            speaker.join()
            process.kill()
    return subprocess.CompletedProcess(process.args, process.returncode, out, err)


@pytest.mark.slow
def test_listen_plain_captures_and_replays(tmp_path: Path) -> None:
    """Lines of bytes and of records; the capture plays again with its own description."""
    protocol = tmp_path / "gauge.toml"
    protocol.write_text(PROTOCOL, "utf-8")
    capture = tmp_path / "gauge.jsonl"
    result = heard(
        tmp_path, "--protocol", protocol, "--capture", capture, "--seconds", 2, "--plain"
    )
    assert result.returncode == 0, result.stderr
    lines = result.stdout.splitlines()
    assert any(line.startswith("port open: ") for line in lines)
    assert sum("thick mm 1" in line for line in lines) > 20
    assert "faults: none" in result.stderr or "faults: 1 " in result.stderr
    again = swathe("listen", f"capture:{capture}?pace=fast", "--plain")
    assert again.returncode == 0, again.stderr
    assert [line for line in again.stdout.splitlines() if "  record " in line] == [
        line for line in lines if "  record " in line
    ]
    assert "closed, end of the capture" in again.stdout
    refused = swathe("listen", f"capture:{capture}", "--capture", capture)
    assert refused.returncode == 1
    assert "exists already; name another file" in refused.stderr


def test_listen_suggest_gives_a_description_on_standard_output(tmp_path: Path) -> None:
    """What it prints loads as it is; the doubts stand on standard error."""
    capture = tmp_path / "gauge.jsonl"
    result = heard(tmp_path, "--seconds", 2, "--suggest", "--capture", capture, "--baud", 19200)
    assert result.returncode == 1, result.stderr
    assert "a guess, and its numbers may be wrong: column 2, thickness mm" in result.stderr
    proposed = tmp_path / "proposed.toml"
    proposed.write_text(result.stdout, "utf-8")
    found = read_description(proposed)
    assert found.port == {"baud": 19200}
    assert [column["is"] for column in found.protocol["columns"]] == ["sequence", "thickness"]
    assert "? column 2: thickness mm (guess)" in result.stderr
    assert "to be answered: What does the display show now" in result.stderr
    started = time.monotonic()
    again = swathe("listen", f"capture:{capture}", "--suggest")
    assert again.stdout == result.stdout
    assert time.monotonic() - started < 60


@pytest.mark.slow
def test_listen_mistakes_are_told_in_words(tmp_path: Path) -> None:
    """A port that is missing, a wrong description, a driver that isn't there, nothing heard."""
    missing = swathe("listen", tmp_path / "none", "--seconds", 0.5)
    assert missing.returncode == 1
    assert "does not exist; is the device plugged in and switched on?" in missing.stderr
    bad = tmp_path / "bad.toml"
    bad.write_text('[protocol]\ncolumns = [{ is = "thickness", unit = "cm" }]\n', "utf-8")
    wrong = swathe("listen", "COM3", "--protocol", bad)
    assert wrong.returncode == 1
    assert "bad.toml: 'protocol.columns[0].unit' must be 'mm', 'um', 'in' or 'thou'" in wrong.stderr
    unknown = swathe("listen", "COM3", "--driver", "none")
    assert "there is no driver 'none'; known are: " in unknown.stderr
    both = swathe("listen", "COM3", "--driver", "none", "--protocol", bad)
    assert "leave --driver out" in both.stderr
    address = swathe("listen", "http://x")
    assert "'port.url' must be a device or begin with socket://" in address.stderr


def test_ports_lists_or_says_that_there_are_none() -> None:
    """Whatever this computer has."""
    result = swathe("ports")
    if result.returncode:
        assert "no serial port is present" in result.stdout
    else:
        assert "serial number" in result.stdout
