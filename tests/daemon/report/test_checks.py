"""Which check of the calibration is due, and what a failed one forbids."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from daemon.motion_model import with_probes
from support.crawl import crawl_station
from swathe.cli.arming import may_move
from swathe.errors import SwatheError
from swathe.messages import CheckMessage
from swathe.report import due_after, due_before, failed_in_force
from swathe.station import Station, parse_station

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
VERIFICATION = '[verification]\nsteps = ["12.7 mm"]\ntolerance = "0.1 mm"\n'


def station(rest: str = VERIFICATION) -> Station:
    """Return a station that asks for checks."""
    return parse_station(crawl_station(Path("p"), rest=rest), "x")


def check(
    number: int, *, passed: bool, hours_ago: float = 1.0, overridden: str = "", probe: str = ""
) -> CheckMessage:
    """Return a check that was made some hours ago."""
    ended = NOW - timedelta(hours=hours_ago)
    return CheckMessage.model_validate(
        {
            "station": "penstock-belt",
            "survey": "s",
            "time": ended,
            "number": number,
            "phase": "before",
            "by": "A. Kern",
            "block": "B-7",
            "ended": ended,
            "tolerance": 0.1,
            "steps": [],
            "passed": passed,
            "suspects": 0,
            "overridden_by": overridden,
            "overridden_because": "",
            "probe": probe,
        }
    )


def test_nothing_is_due_where_none_is_asked_for() -> None:
    """Without a table [verification] no word is said."""
    plain = station("")
    assert due_before(plain, [], NOW) == ""
    assert due_after(plain, []) == ""


def test_check_before_is_due_until_one_passed() -> None:
    """None yet, and one that failed, are told with what to do; a failed one that was overridden not."""
    asked = station()
    assert due_before(asked, [], NOW).startswith("check due: none has passed in this survey yet; ")
    assert "--phase before" in due_before(asked, [], NOW)
    failed = [check(1, passed=True), check(2, passed=False)]
    assert due_before(asked, failed, NOW).startswith("check due: check 2 failed; ")
    assert failed_in_force(failed) == [failed[1]]
    overridden = [check(1, passed=True), check(2, passed=False, overridden="B. Lang")]
    assert due_before(asked, overridden, NOW) == ""
    assert failed_in_force(overridden) == []


def test_check_is_due_again_after_the_interval() -> None:
    """Four hours after the last one passed another is due, and since when is told."""
    asked = station(VERIFICATION + 'interval = "4 h"\n')
    assert due_before(asked, [check(1, passed=True, hours_ago=3.9)], NOW) == ""
    told = due_before(asked, [check(1, passed=True, hours_ago=5)], NOW)
    assert told.startswith("check due since 2026-03-02 11:00 UTC; ")


def test_checks_are_due_by_probe() -> None:
    """None yet, failed and overdue name the probe; the pass of another one is none of it."""
    text = VERIFICATION + 'interval = "4 h"\n'
    asked = with_probes(station(text), (0.0, 0.0), (0.0, 10.0))
    first = check(1, passed=True, probe="p0")
    assert due_before(asked, [], NOW).startswith("check due: none of probes p0, p1 has passed")
    assert due_before(asked, [first], NOW).startswith("check due: none of probe p1 has passed")
    assert ", and none of probe p1 was made before the run; " in due_after(asked, [first])
    failed = [check(2, passed=False, probe="p1"), check(3, passed=True, probe="p0")]
    assert due_before(asked, failed, NOW) == (
        "check due: check 2 of probe p1 failed; its readings are suspect until one passes"
    )
    assert failed_in_force(failed) == failed[:1]
    late = [check(4, passed=True, hours_ago=5, probe="p1"), first]
    assert due_before(asked, late, NOW).startswith("check of probe p1 due since 2026-03-02 11:00")
    both = [first, check(5, passed=True, probe="p1")]
    assert due_before(asked, both, NOW) == ""
    assert "none" not in due_after(asked, both)


def test_crawler_scans_with_the_probes_that_are_left(capsys: pytest.CaptureFixture[str]) -> None:
    """One failed of two is said, and no reason not to arm; with both failed nothing moves."""
    two = with_probes(station(), (0.0, 0.0), (0.0, 10.0))
    failed = [check(1, passed=False, probe="p0")]
    assert may_move(two, failed, given=True)
    assert "check 1 of probe p0 of the calibration failed: its readings" in capsys.readouterr().out
    failed.append(check(2, passed=False, probe="p1"))
    with pytest.raises(SwatheError, match="all that the crawler would read is suspect"):
        may_move(two, failed, given=True)


def test_check_after_is_due_at_the_end_of_each_run() -> None:
    """What was read is proven by a check behind it; that there was none before is told too."""
    asked = station()
    assert "--phase after" in due_after(asked, [check(1, passed=True)])
    assert "none was made before" not in due_after(asked, [check(1, passed=True)])
    assert "and none was made before the run" in due_after(asked, [])


def test_crawler_is_not_armed_under_a_failed_check(capsys: pytest.CaptureFixture[str]) -> None:
    """With --arm it is an error that names the mend; without it, it is told and nothing moves."""
    checks = [check(3, passed=False)]
    with pytest.raises(SwatheError, match=r"check 3 of the calibration failed.*pass a check first"):
        may_move(station(), checks, given=True)
    assert not may_move(station(), checks, given=False)
    assert "the crawler is not armed: check 3" in capsys.readouterr().out
    assert may_move(station(), [check(4, passed=True)], given=True)
