"""The register of checks: which readings belong to a step, and what without a check is ignored."""

from __future__ import annotations

import math

import pytest

from daemon.strategies import readings
from swathe.pipeline.checks.register import CheckRegister

DETAIL = {"phase": "interval", "by": "A. Kern", "block": "B-7", "tolerance": 0.1}


def test_without_a_check_readings_steps_and_ends_are_ignored() -> None:
    """Before a check begins, after it ended and after it was abandoned nothing is added to one."""
    register = CheckRegister()
    step = {"thickness": 10.0, "begin": 0, "end": 100}
    for _ in range(3):
        register.add_readings(readings([1, 2]))
        register.add_step(step)
        assert register.end(5) is None
        register.begin(DETAIL)
        register.abandon()
    assert register.checks == []
    register.begin(DETAIL)
    register.add_step(step)
    check = register.end(7)
    assert check is not None
    assert [found.readings for found in check.steps] == [0]
    assert (check.number, check.time, check.passed) == (1, 7, False)


def test_step_has_the_readings_with_an_echo_from_its_begin_to_its_end() -> None:
    """Readings at both ends of a step belong to it; those around it and without an echo do not."""
    register = CheckRegister()
    register.begin(DETAIL)
    register.add_readings(readings([]))
    register.add_readings(readings([99, 100, 150], [1.0, 9.9, 5.0], valid=[True, True, False]))
    register.add_readings(readings([200, 201], [10.1, 20.0]))
    register.add_step({"thickness": 10.0, "begin": 100, "end": 200})
    register.add_step({"thickness": 20.0, "begin": 201, "end": 300})
    check = register.end(400)
    assert check is not None
    first, second = check.steps
    assert (first.readings, second.readings) == (2, 1)
    assert first.measured == pytest.approx(10.0)
    assert first.spread == pytest.approx(math.sqrt(0.02))
    assert (second.measured, second.deviation) == (20.0, 0.0)
    assert math.isnan(second.spread)
    assert check.passed


@pytest.mark.parametrize(
    ("deviation", "passed"), [(-0.1, True), (0.1, True), (-0.11, False), (0.11, False)]
)
def test_tolerance_holds_to_both_sides(deviation: float, passed: bool) -> None:
    """A deviation of the tolerance passes, a greater one fails, too thick or too thin."""
    register = CheckRegister()
    register.begin(DETAIL)
    register.add_readings(readings([1], [10.0 + deviation]))
    register.add_step({"thickness": 10.0, "begin": 0, "end": 2})
    check = register.end(3)
    assert check is not None
    assert check.worst == pytest.approx(deviation)
    assert check.passed is passed
    assert (register.last_passes, register.failed) == (({0: 3}, {}) if passed else ({}, {0: check}))


def test_check_is_due_an_interval_after_the_last_pass() -> None:
    """Without a pass or an interval none is due; a failed check does not move it."""
    register = CheckRegister()
    assert register.due(100) is None
    for time, thickness in ((10, 10.0), (50, 12.0)):
        register.begin(DETAIL)
        register.add_readings(readings([1], [thickness]))
        register.add_step({"thickness": 10.0, "begin": 0, "end": 2})
        register.end(time)
    assert (register.due(100), register.due(None)) == (110, None)


@pytest.mark.parametrize("number", [0, 1, 3])
def test_only_a_failed_check_is_overridden(number: int) -> None:
    """Neither a number that no check has nor a check that passed is overridden."""
    register = CheckRegister()
    for thickness in (10.0, 12.0):
        register.begin(DETAIL)
        register.add_readings(readings([1], [thickness]))
        register.add_step({"thickness": 10.0, "begin": 0, "end": 2})
        register.end(5)
    assert register.override(number, by="B. Rot", because="x") is None
    assert [check.overridden_by for check in register.checks] == ["", ""]
    assert register.failed[0] is register.checks[1]
    register.override(2, by="B. Rot", because="x")
    assert not register.failed


def test_carriage_stays_off_the_part_between_the_checks_of_a_round() -> None:
    """From the end of one probe's check to the begin of the next one's; not after the last one."""
    register = CheckRegister()
    off = {**DETAIL, "off_part": True}
    register.begin(off)
    register.end(5, stays_off=True)
    assert (register.in_progress, register.off_part) == (False, True)
    register.begin(off)
    register.abandon(stays_off=True)
    assert register.off_part
    register.begin(DETAIL)
    assert not register.off_part
    register.end(6)
    assert not register.off_part
