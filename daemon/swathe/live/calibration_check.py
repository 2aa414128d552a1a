"""A check of the calibration on a block, written into the survey's journal as a run of its own."""

from __future__ import annotations

import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from swathe.calibration import StabilityState
from swathe.errors import SwatheError
from swathe.journal import MarkKind
from swathe.live.block_now import READINGS_OF_A_STEP
from swathe.live.block_reader import BlockReader, NotSteadyError
from swathe.live.check_round import CheckRound, probes_to_check
from swathe.live.delay_estimator import DelayEstimator
from swathe.live.session import Session
from swathe.messages import CheckResult
from swathe.pipeline import Check, CheckPhase
from swathe.station import CarriageProbe, Station, station_of_probe
from swathe.store import SurveyFolder

__all__ = ["RoundOutcome", "StepAnswer", "override_check", "run_calibration_check"]

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


class StepAnswer(StrEnum):
    """What a person answers when a step is to be read."""

    READY = "ready"
    AGAIN = "again"
    """Read the step before again, or check the probe before again."""
    SKIP = "skip"
    """Leave this probe out."""
    GIVE_UP = "give up"


@dataclass(frozen=True, slots=True)
class RoundOutcome:
    """What came of a round.

    Attributes:
        checks: the newest one of each probe that was checked, in their order.
        skipped: names of the probes that were left out.
    """

    checks: list[Check]
    skipped: list[str]


async def run_calibration_check(
    station: Station,
    text: str,
    folder: SurveyFolder,
    *,
    phase: CheckPhase,
    by: str,
    probe: str = "",
    tolerance_of_steadiness: Callable[[CarriageProbe], float],
    ask: Callable[[CheckRound], Awaitable[StepAnswer]],
    show: Callable[[CarriageProbe, StabilityState], None],
    refused: Callable[[str], None],
    made: Callable[[Check], None],
    on_torn: Callable[[Path, str], None] | None = None,
) -> RoundOutcome:
    """Check the calibration in force of each probe on the steps of the station file's block.

    Args:
        station: the station file, with its table ``[verification]``, and
        text: its text.
        folder: the survey, which no daemon may be writing to.
        phase: before, at an interval or after.
        by: who checks.
        probe: name of the only one of several to check; by default all in turn.
        tolerance_of_steadiness: returns the greatest spread of a step's readings of a probe, in what
            its gauge sends.
        ask: has the probe put on the step that is to be read.
        show: receives the state of the readings.
        refused: receives why a step of one of several probes is not read, before it is asked for again.
        made: receives each check as it ends.
        on_torn: called with journal files that a crash cut off.

    Raises:
        SwatheError: the survey is in use, there is no such probe, the step of an only probe did not
            become steady, or the user gave up: then its check does not count, and what the gauge sent
            stays in the journal.
    """
    settings = station.verification
    if settings is None:
        msg = "the station file has no table [verification]: add its steps and tolerance"
        raise SwatheError(msg)
    if isinstance(probes := probes_to_check(station, probe), str):
        raise SwatheError(probes)
    named = len(station.probes) > 1
    observer = DelayEstimator(station).watch  # it keeps what a scan's run continues with
    session = Session(folder, station, text, on_torn=on_torn, observer=observer, purpose="check")
    with session:
        session.resume()
        pulse, reason = _Pulse(session), "given up"

        def reader(at: CarriageProbe) -> BlockReader:
            return BlockReader(
                station_of_probe(station, at.number),
                window=READINGS_OF_A_STEP,
                tolerance=tolerance_of_steadiness(at),
                enter=session.enter,
                tick=pulse,
                probe=at if named else None,
            )

        try:
            around, found = None, dict[int, Check]()
            while True:
                at = probes[0] if around is None else around.probe
                async with reader(at) as block:
                    if around is None:
                        around = CheckRound(
                            settings, session, probes, named=named, phase=phase, by=by
                        )
                    result = await _check_probe(block, around, by, ask, show, refused)
                if result is None:
                    continue  # with the probe before
                if result is StepAnswer.READY:
                    around.end()
                    check = found[at.number] = session.pipeline.suspect_cells.checks.checks[-1]
                    made(check)
                    came = CheckResult.PASSED if check.passed else CheckResult.FAILED
                else:
                    around.skip(by, "")
                    came = CheckResult.SKIPPED
                if not around.continue_after(came):
                    break
            reason = "checked"
        finally:
            await session.end("incomplete", reason)
        results = zip(around.probes, around.results, strict=True)
        return RoundOutcome(
            checks=[found[one.number] for one in probes if one.number in found],
            skipped=[one.name for one, result in results if result is CheckResult.SKIPPED],
        )


async def _check_probe(
    block: BlockReader,
    around: CheckRound,
    by: str,
    ask: Callable[[CheckRound], Awaitable[StepAnswer]],
    show: Callable[[CarriageProbe, StabilityState], None],
    refused: Callable[[str], None],
) -> StepAnswer | None:
    """Read the steps of a probe; return whether they are all read, or it is left out.

    None where the probe before is checked again.
    """
    probe = around.probe
    while around.steps.thickness is not None:
        match await ask(around):
            case StepAnswer.GIVE_UP:
                around.steps.give_up(by, "")
                msg = "the check was given up: it does not count"
                raise SwatheError(msg)
            case StepAnswer.SKIP if around.name:
                return StepAnswer.SKIP
            case StepAnswer.AGAIN if around.steps.number > 1:
                around.steps.back()
                continue
            case StepAnswer.AGAIN:
                if around.back():
                    return None
                refused("no step has been read yet")
                continue
        try:
            steady = await block.steady(show=lambda state: show(probe, state))
        except NotSteadyError as error:
            if not around.name:
                raise
            refused(str(error))
            continue
        block.drain()
        around.steps.read(steady.begin, steady.end)
    return StepAnswer.READY


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
