"""Baud rates tried at a pseudo-terminal whose far end sends sense at one of them only."""

from __future__ import annotations

import os
import termios
import time
from pathlib import Path
from threading import Event, Thread

import pytest

from drivers.doubles import PtyPort
from swathe.cli.listen_rates import print_rates
from swathe.errors import SwatheError
from swathe.listen import rates
from swathe_drivers import PortSettings, parse_description

LINE = b"TH;12.41;80\r\n"
TEXT = """
[protocol]
separator = ";"
columns = [{ is = "constant", text = "TH" }, { is = "thickness", unit = "mm" }, { is = "amplitude" }]
"""


def _send(port: PtyPort, over: Event) -> None:
    """Send lines at 9600 baud; at any other rate bytes as a port reads them then."""
    while not over.is_set():
        right = termios.tcgetattr(port._master)[5] == termios.B9600
        os.write(port._master, LINE if right else bytes(byte ^ 0xB5 for byte in LINE))
        time.sleep(0.01)


@pytest.mark.parametrize("described", [True, False])
def test_rate_at_which_bytes_make_sense_is_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, described: bool
) -> None:
    """By its records where there is a description, else as what is readable."""
    monkeypatch.setattr(rates, "RATES", (4800, 9600, 19200))
    description = parse_description(TEXT, "gauge.toml") if described else None
    over = Event()
    with PtyPort(tmp_path / "gauge") as far:
        settings = PortSettings(url=str(far.link))
        sender = Thread(target=_send, args=(far, over))
        sender.start()
        try:
            found = list(rates.try_rates(settings, description, 1.0))
        finally:
            over.set()
            sender.join()
    assert [trial.good for trial in found] == [False, True, False]
    assert all(trial.bytes for trial in found)


def test_port_without_a_rate_is_refused() -> None:
    """A TCP stream has none."""
    with pytest.raises(SwatheError, match="--rates needs a serial port"):
        print_rates(PortSettings(url="socket://127.0.0.1:9"), None, 0.1)
