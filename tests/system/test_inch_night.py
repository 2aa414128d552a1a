"""A night of an inspector who thinks in inches, on a simulated instrument."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from support.inch_night import InchNight
from support.instrument import Instrument

pytestmark = pytest.mark.slow

# Journal, arrays and fields with the unit in their name are mm; a screen and a report are not.
_MM = re.compile(r"(?<![a-z])mm\b|millimet")


def test_night_in_inches_from_calibration_to_report(tmp_path: Path) -> None:
    """A check within the run fails, the suspect cells are scanned again, and nothing is shown in mm."""
    with Instrument() as instrument:
        night = InchNight(tmp_path, instrument)
        reason = night.run()
    assert reason == "the plan is covered", night.outputs
    outputs = night.outputs
    assert "step 0.500 in" in outputs["calibrate"]
    failed = outputs["board check failed, step 0.5 in, beyond"]
    assert "BEYOND the tolerance of 0.0040 in" in failed
    assert "PAUSED" in failed
    assert "Enter keeps the reading" in failed
    assert "calibration check, step 0.500 in" in outputs["board check failed, step 0.5 in"]
    assert "check 2 FAILED" in outputs["board after a failed check"]
    assert "SUSPECT" in outputs["board suspect cells"]
    record = json.loads((tmp_path / "survey" / "survey.json").read_text())
    assert [check["passed"] for check in record["checks"]] == [True, False, True]
    assert record["checks"][1]["suspects"] == 21
    assert record["progress"]["suspect"] == 0
    assert record["progress"]["minimum"] == pytest.approx(0.28 * 25.4, abs=0.05)
    report = outputs["report"]
    assert "check 2 (interval)" in report
    assert re.search(r"minimum thickness as read 0\.2[78]\d+ in", report), report
    for name, text in outputs.items():
        found = [line for line in text.splitlines() if _MM.search(line)]
        assert not found, f"{name}: {found}"
