"""A driver whose code fails, in live runs on pseudo-terminals: the runs continue, and the next ones, too."""

from __future__ import annotations

import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from daemon.handmade import line, station_text
from drivers.doubles import PtyPort
from support.daemon import DaemonProcess, swathe, wait_for
from support.failing_driver import FOLDER
from swathe.journal import Chunk, PortChange, read_journal
from swathe.store import read_survey_record

pytestmark = pytest.mark.slow

Start = Callable[..., DaemonProcess]

GAUGE = '[device.gauge]\nport = "ports/gauge"\n[device.gauge.protocol]\n'
FAILING = (
    '[device.gauge]\nport = "ports/gauge"\ndriver = "invented_failing"\n'
    '[device.gauge.protocol]\non = "66,E"\n[device.gauge.protocol.protocol]\n'
)


def received(survey: Path, port: str) -> bytes:
    """Return the bytes of a port in the journal, of all runs."""
    entries = read_journal(survey / "journal")
    return b"".join(e.data for e in entries if isinstance(e, Chunk) and e.port == port)


def test_driver_that_fails_ends_no_run(
    daemon: Start,
    ports: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """All bytes journalled, faults counted, an alarm; the next run begins; a rebuild is the same."""
    monkeypatch.setenv("PYTHONPATH", str(FOLDER))
    text = station_text().replace(GAUGE, FAILING)
    station = tmp_path / "station.toml"
    station.write_text(text.replace('"ports/', f'"{ports}/'))
    survey = tmp_path / "bench"
    sent = b""
    with PtyPort(ports / "encoder") as encoder, PtyPort(ports / "gauge") as gauge:
        for run in range(2):
            process = daemon(station)
            wait_for(lambda: _opened(survey) == 2 * (run + 1), 60, "both ports")  # noqa: B023
            # Each line by itself: with a line that fails, what came in the same chunk is lost.
            for k in range(8):
                encoder.send(line(f"P,{1000 * run + 50 * k},{5 * k}"))
                reading = line(f"R,{1000 * run + 50 * k},4.{60 + k},E")
                gauge.send(reading)
                sent += reading
                wait_for(lambda: received(survey, "gauge") == sent, 60, "the reading")  # noqa: B023
            process.signal(signal.SIGTERM)
            code, output = process.finish()
            assert code == 3, output
            assert "Traceback" not in output
            live = (survey / "survey.json").read_bytes()
            result = swathe("rebuild", survey, "--no-picture")
            assert result.returncode == 0, result.stderr
            # A run that is stopped while it resumes the earlier one leaves the record to a rebuild.
            if not run:
                assert (survey / "survey.json").read_bytes() == live
    record = read_survey_record(survey / "survey.json")
    (tally,) = (port for port in record.ports if port.device == "gauge")
    assert tally.faults == {"driver": 2}
    assert tally.readings == 14
    assert received(survey, "gauge") == sent
    alarms = [alarm for alarm in record.alarms if str(alarm.kind) == "driver fails"]
    assert [alarm.device for alarm in alarms] == ["gauge"] * 2
    assert "driver 'invented_failing' r" in alarms[0].detail


def _opened(survey: Path) -> int:
    if not (survey / "survey.json").exists():
        return 0
    entries = read_journal(survey / "journal")
    return sum(isinstance(e, PortChange) and e.state == "open" for e in entries)
