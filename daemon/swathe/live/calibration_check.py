"""A check of the calibration on a block, written into the survey's journal as a run of its own."""

from __future__ import annotations

import time
from collections.abc import Awaitable, Callable
from pathlib import Path

from swathe.calibration import StabilityState
from swathe.errors import SwatheError
from swathe.journal import MarkKind
from swathe.live.block_now import READINGS_OF_A_STEP
from swathe.live.block_reader import BlockReader
from swathe.live.check_steps import CheckSteps
from swathe.live.delay_estimator import DelayEstimator
from swathe.live.session import Session
from swathe.pipeline import Check, CheckPhase
from swathe.station import Station
from swathe.store import SurveyFolder

__all__ = ["override_check", "run_calibration_check"]

_TICK_NS = 50_000_000


class _Pulse:
    """Journals a tick at intervals and syncs the journal to disk."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._due = 0

    def __call__(self) -> None:
        now = time.monotonic_ns()
        if now >= self._due:
            self._due = now + _TICK_NS
            self._session.tick()
            self._session.flush()


async def run_calibration_check(
    station: Station,
    text: str,
    folder: SurveyFolder,
    *,
    phase: CheckPhase,
    by: str,
    tolerance_of_steadiness: float,
    ask: Callable[[float], Awaitable[bool]],
    show: Callable[[StabilityState], None],
    on_torn: Callable[[Path, str], None] | None = None,
) -> Check:
    """Check the calibration in force on the steps of the station file's block.

    Args:
        station: the station file, with its table ``[verification]``, and
        text: its text.
        folder: the survey, which no daemon may be writing to.
        phase: before, at an interval or after.
        by: who checks.
        tolerance_of_steadiness: greatest spread of a step's readings, in what the gauge sends.
        ask: has the probe put on a step of that thickness, mm; False gives up.
        show: receives the state of the readings.
        on_torn: called with journal files that a crash cut off.

    Raises:
        SwatheError: the survey is in use, a step did not become steady, or the user gave up: then
            no check is made, and what the gauge sent stays in the journal.
    """
    settings = station.verification
    if settings is None:
        msg = "the station file has no table [verification]: add its steps and tolerance"
        raise SwatheError(msg)
    observer = DelayEstimator(station).watch  # it keeps what a scan's run continues with
    session = Session(folder, station, text, on_torn=on_torn, observer=observer, purpose="check")
    with session:
        session.resume()
        block = BlockReader(
            station,
            window=READINGS_OF_A_STEP,
            tolerance=tolerance_of_steadiness,
            enter=session.enter,
            tick=_Pulse(session),
        )
        reason = "given up"
        try:
            async with block:
                steps = CheckSteps(settings, session, phase=phase, by=by)
                while (thickness := steps.thickness) is not None:
                    if not await ask(thickness):
                        steps.give_up(by, "")
                        msg = "the check was given up: it does not count"
                        raise SwatheError(msg)
                    steady = await block.steady(show=show)
                    block.drain()
                    steps.read(steady.begin, steady.end)
            steps.end()
            reason = "checked"
        finally:
            await session.end("incomplete", reason)
        return session.pipeline.suspect_cells.checks.checks[-1]


async def override_check(
    station: Station,
    text: str,
    folder: SurveyFolder,
    *,
    number: int,
    by: str,
    because: str,
    on_torn: Callable[[Path, str], None] | None = None,
) -> Check:
    """Write into the journal that a failed check does not count; return it.

    Raises:
        SwatheError: there is no such check, it passed, or the survey is in use.
    """
    observer = DelayEstimator(station).watch
    with Session(
        folder, station, text, on_torn=on_torn, observer=observer, purpose="check"
    ) as session:
        session.resume()
        checks = session.pipeline.suspect_cells.checks.checks
        problem = ""
        if not 1 <= number <= len(checks):
            problem = f"there is no check {number}: the survey has {len(checks)}"
        elif checks[number - 1].passed:
            problem = f"check {number} passed: there is nothing to override"
        elif checks[number - 1].overridden_by:
            problem = f"check {number} was already overridden by {checks[number - 1].overridden_by}"
        if not problem:
            session.mark(MarkKind.CHECK_OVERRIDDEN, check=number, by=by, because=because)
        await session.end("incomplete", "overridden" if not problem else "nothing overridden")
        if problem:
            raise SwatheError(problem)
        return checks[number - 1]
