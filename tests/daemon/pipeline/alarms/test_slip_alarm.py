"""The alarm of slips: raised with position and size, acknowledged, over."""

from __future__ import annotations

from swathe.pipeline.alarms.register import Alarm, AlarmRegister
from swathe.pipeline.alarms.slip_alarm import SlipAlarm
from swathe.pipeline.cells.coverage import Coverage
from swathe.pipeline.cells.grid import Grid
from swathe.pipeline.checks.slipped_cells import SlippedCells
from swathe.pipeline.placing.slip import Slip
from swathe.station import AlarmKind, AlarmSettings, Axis, CellRule


class Bench:
    """Slips of a plan of ten cells, and their alarm."""

    def __init__(self, **settings: tuple[AlarmKind, ...]) -> None:
        scan = Axis(name="scan", start=0.0, resolution=1.0, cells=10)
        grid = Grid(scan=scan, index=scan, rule=CellRule.MINIMUM)
        self.slipped = SlippedCells(grid, Coverage(grid, stepped=True))
        self.register = AlarmRegister(AlarmSettings(**settings))
        self.alarm = SlipAlarm(self.slipped, self.register)

    def slip(self, time: int, distance: float = -4.0, axis: str = "scan") -> None:
        """Let an axis slip at 10 mm."""
        self.slipped.take(Slip(axis, time - 5, time, time, 10.0, distance), 0, time)

    def at(self, time: int) -> list[Alarm]:
        """Evaluate; return all alarms."""
        self.alarm.evaluate(time)
        return self.register.alarms


def test_slip_is_an_alarm_with_position_and_size() -> None:
    """It is about the axis that slipped, and has the cells that it made suspect."""
    bench = Bench()
    assert bench.at(10) == []
    bench.slip(20)
    (alarm,) = bench.at(50)
    assert (alarm.kind, alarm.since, alarm.until) == (AlarmKind.SLIP, 20, None)
    assert (alarm.scan, alarm.index) == ((10.0, 10.0), None)
    assert alarm.detail == (
        "scan is 4.0 mm behind its second source; 0 cells since both agreed are suspect, "
        "and readings until it is set to a position"
    )
    bench.slip(60, 2.5, "index")
    assert bench.at(100) == [alarm]
    assert (alarm.scan, alarm.index) == (None, (10.0, 10.0))
    assert alarm.detail.startswith("2 slips, the last: index is 2.5 mm ahead of its second source;")


def test_alarm_lasts_while_positions_are_unsound_and_until_it_is_acknowledged() -> None:
    """Neither alone ends it."""
    bench = Bench()
    bench.slip(20)
    bench.at(50)
    bench.register.acknowledge(1, "A. Kern", 60)
    assert bench.at(100)[0].until is None
    bench.slipped.set_position("scan", 110)
    assert bench.at(150)[0].until == 150
    bench.slip(160)
    bench.at(200)
    bench.slipped.set_position("scan", 210)
    assert bench.at(250)[1].until is None
    bench.register.acknowledge(2, "A. Kern", 260)
    assert [alarm.until for alarm in bench.at(300)] == [150, 300]


def test_slip_after_an_acknowledged_one_is_another_alarm() -> None:
    """What was acknowledged is not what has happened since."""
    bench = Bench()
    bench.slip(20)
    bench.at(50)
    bench.register.acknowledge(1, "A. Kern", 60)
    bench.slip(70)
    first, second = bench.at(100)
    assert (first.until, second.since, second.acknowledged_by) == (100, 70, "")
    assert not second.detail.startswith("2 slips")


def test_run_ends_the_alarm_and_a_killed_one_continues_it() -> None:
    """The run after a killed one raises it again: its positions are as unsound."""
    bench = Bench()
    bench.slip(20)
    bench.at(50)
    bench.alarm.end(60)
    bench.alarm.end(61)
    assert bench.register.alarms[0].until == 60
    bench.slipped.open_run()
    assert [alarm.until for alarm in bench.at(100)] == [60, None]
    bench.alarm.end(110)
    bench.slipped.end_run()
    assert [alarm.until for alarm in bench.at(150)] == [60, 110]


def test_alarm_that_is_off_is_not_raised() -> None:
    """Nor is it raised later for what happened meanwhile."""
    bench = Bench(off=(AlarmKind.SLIP,))
    bench.slip(20)
    assert bench.at(50) == []
