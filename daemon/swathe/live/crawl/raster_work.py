"""The raster of a crawler: line by line, and how many of them are begun."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Collection, Sequence
from dataclasses import replace
from functools import partial

from swathe.journal import MarkKind
from swathe.live.crawl.budget import FinishedError
from swathe.live.crawl.checking import CrawlCheck
from swathe.live.crawl.drive import Drive, HaltedError
from swathe.live.crawl.missing import lines_left
from swathe.live.session import Session
from swathe.motion import Move, MoveKind, Point, RasterSettings, WorkArea, plan_raster
from swathe.motion.raster.plan import Plan, line_positions
from swathe.motion.raster.stretches import Stretch
from swathe.pipeline.progress.fields import count_text

__all__ = ["RasterWork", "raster_text"]


class RasterWork:
    """Drives the lines that are left.

    Args:
        session: its pipeline knows what is measured.
        drive: the machine's port.
        settings: of the raster.
        area: returns where the machine moves.
        go: makes a move.
        say: takes progress in words.
        checking: the calibration checks after a line.

    Attributes:
        driven: lines that were driven in this run; what they left is revisited.
        line: how many lines are begun, and how many there are; None outside of the raster.
    """

    def __init__(
        self,
        session: Session,
        *,
        drive: Drive,
        settings: RasterSettings,
        area: Callable[[], WorkArea],
        go: Callable[[Move], Awaitable[None]],
        say: Callable[[str], None],
        checking: CrawlCheck,
    ) -> None:
        self._session, self._drive, self._settings = session, drive, settings
        self._area, self._go, self._say, self._checking = area, go, say, checking
        self._along = 0 if settings.along == "scan" else 1
        self.driven: set[int] = set()
        self.line: tuple[int, int] | None = None
        self._broken_off: list[Stretch] = []

    async def scan(self) -> None:
        """Drive the lines that are left, each with a check after it where one is due.

        Raises:
            HaltedError: something stopped the machine.
            FinishedError: a budget is used up, or the plan is covered.
        """
        total = len(line_positions(self._area().axes[1 - self._along], self._settings))
        wanted = lines_left(self._session.pipeline, self._along, total, self.driven)
        if not wanted:
            self._journal_plan(())  # what is left of a stretch that broke off is revisited now
            return
        report = await self._drive.fresh()
        plan = await self._planned(report.place, wanted)
        self._say(raster_text(plan, len(wanted), total))
        scans = [stretch.line for stretch in plan.stretches]
        # Of several probes a pass scans several lines, and a line may take several passes.
        lines = [frozenset(strip.line for strip in one.scanned) for one in plan.stretches]
        begun = set(range(total)) - set(wanted)
        done = 0
        # Until all of it is scanned, what is left of it is to do; also where a fault stops it meanwhile.
        # Of lines that a halt broke off the rest is to do, too, also a stretch behind a zone that was
        # not begun: it is revisited after the lines.
        rest = [each for one in self._broken_off if (each := _without_lines(one, wanted))]
        self._journal_plan([*plan.stretches, *rest])
        try:
            for move in plan.moves:
                if move.kind is MoveKind.SCAN:
                    begun |= lines[done]
                    self._session.mark(MarkKind.STRETCH_BEGUN, number=done)
                self.line = len(begun), total
                try:
                    await self._go(move)
                except HaltedError:
                    self._broken_off = [*rest, *plan.stretches[done:]]
                    raise
                if move.kind is MoveKind.SCAN:
                    done += 1
                    self.driven |= lines[done - 1] - frozenset().union(*lines[done:])
                    if move.line not in scans[done:]:
                        await self._checking.after_line()
        except FinishedError:
            self._journal_plan(())
            raise
        finally:
            self.line = None
        self._journal_plan(())
        # A line of which nothing can be reached is not asked for again and again.
        self.driven.update(wanted)

    async def _planned(self, begin: Point, wanted: Collection[int]) -> Plan:
        """Plan the lines that are left; of several probes in a thread, as it may take seconds."""
        area = self._area()
        make = partial(plan_raster, area, self._settings, begin=begin, only=wanted)
        return make() if area.carriage.is_single else await asyncio.to_thread(make)

    def _journal_plan(self, stretches: Sequence[Stretch]) -> None:
        """Journal what is to be scanned, in its order; nothing once the raster is over.

        Of each stretch three numbers a probe: position of its line, and from where to where, mm.
        """
        parts = [
            [round(each, 3) for strip in one.scanned for each in (strip.at, strip.low, strip.high)]
            for one in stretches
        ]
        self._session.mark(MarkKind.RASTER_PLANNED, along=self._settings.along, stretches=parts)


def _without_lines(stretch: Stretch, lines: Collection[int]) -> Stretch | None:
    """Return what of a stretch is on none of these lines; None if nothing is."""
    strips = tuple(strip for strip in stretch.strips if strip.line not in lines)
    if not stretch.strips:
        return None if stretch.line in lines else stretch
    return replace(stretch, strips=strips) if strips else None


def raster_text(plan: Plan, wanted: int, total: int) -> str:
    """Return what a raster is planned to do; it stays true while the raster is carried out.

    Args:
        plan: of the lines that were left as it began.
        wanted: how many those are.
        total: how many lines the area has.
    """
    if wanted == total:
        lines = count_text(total, "line")
    elif wanted == 1:
        lines = "the line that was left"
    else:
        lines = f"the {wanted:,} lines that were left"
    if plan.passes:
        lines = f"{plan.pass_count:,} pass{'es' * (plan.pass_count > 1)} over {lines}"
    return f"raster of {lines}, {plan.distance / 1000:,.1f} m, {plan.seconds:,.0f} s planned"
