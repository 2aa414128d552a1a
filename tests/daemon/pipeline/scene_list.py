"""The scenes on which results must not depend on ticks, chunks and batches; one entry each."""

from __future__ import annotations

from typing import Any

from daemon.pipeline.scene_devices import Clock, Encoder, Gauge
from daemon.pipeline.scene_polled import PolledGauge
from daemon.pipeline.scene_record import scene_record
from daemon.pipeline.scene_spots import SpotScene
from daemon.pipeline.scenes import (
    UTC,
    Restart,
    Scene,
    around,
    by_hand,
    check,
    check_in_run,
    dithering,
    halves,
    mark,
    passes,
    rested,
    returning,
    serpentine,
    slow,
)
from daemon.polled import Faults
from support.failing_driver import install_failing_driver
from swathe.journal import MarkKind

__all__ = ["SCENES"]

install_failing_driver()

_HOLE = (8.0, 14.0, -3.0, 7.5)
_TWO_HOLES = (((6.0, 9.0, -3.0, 30.0), 99.0), ((20.0, 31.0, 4.0, 12.0), 99.0))
_BINARY = Encoder(form="binary")
_TROUBLE = Faults(late=0.02, lost=0.02, doubled=0.05, foreign=0.05)
_THIN = 'alert_below = "5 mm"'
_PROBE = '[probe]\ndiameter = "6 mm"\nfrequency = "5 MHz"\n'
_PIT = {"scan": 21.0, "index": 5.0, "thickness": 1.9}


def _motion(at: float, state: str, event: str) -> tuple[float, MarkKind, dict[str, str]]:
    return mark(at, MarkKind.MOTION, state=state, event=event, text=f"{state} by {event}")


def _planned(
    at: float, *stretches: tuple[int, float, float]
) -> tuple[float, MarkKind, dict[str, Any]]:
    parts = [[5.0 * line, low, high] for line, low, high in stretches]
    return mark(at, MarkKind.RASTER_PLANNED, along="scan", stretches=parts)


def _delay(low: float | None, high: float | None) -> dict[str, Any]:
    """Return the detail of a delay that is between two ends, ms."""
    low_ns, high_ns = (None if end is None else round(end * 1e6) for end in (low, high))
    return {"device": "gauge", "delay_ns": 0, "low_ns": low_ns, "high_ns": high_ns, "pairs": 4}


def _estimate(
    at: float, low: float | None, high: float | None
) -> tuple[float, MarkKind, dict[str, Any]]:
    return mark(at, MarkKind.DELAY_ESTIMATED, **_delay(low, high), reason="flat", needs="lines")


def _stretch(number: int, begin: float | None, end: float, **conditions: Any) -> dict[str, Any]:
    """Return the detail of revision `number`, of the readings between two times, s."""
    begin_ns, end_ns = (None if at is None else UTC + round(at * 1e9) for at in (begin, end))
    where = {"this_run": False, "line": None, "scan": None, **conditions}
    return {"revision": number, "begin": begin_ns, "end": end_ns, **where, **_WHY}


def _health(at: float, about: str, of: str, text: str) -> tuple[float, MarkKind, dict[str, Any]]:
    return mark(at, MarkKind.HEALTH, about=about, of=of, holds=bool(text), detail=text)


_WHY = {"by": "K", "because": "slip"}

_SENSITIVITY = {
    "by": "K",
    "measured": 71.0,
    "reference": 80.0,
    "tolerance": 2.0,
    "spread": 0.4,
    "readings": 20,
    "block": "B-7",
    "step": 10.0,
}

_LIST = (
    Scene(name="serpentine"),
    SpotScene(name="spots"),
    SpotScene(name="spots, coupled twice, mean", couplings=2, rule="mean"),
    SpotScene(name="spots, A-scans", ascans=True),
    Scene(name="serpentine, binary", encoder=_BINARY, gauge=Gauge(form="binary", sequence=True)),
    Scene(
        name="set-up before and sensitivity within",
        marks=(
            mark(0.05, MarkKind.GATES_CHANGED, by="K", changes=["a: 1 -> 2"], made=UTC, id="a"),
            mark(0.05, MarkKind.SENSITIVITY, **_SENSITIVITY, made=UTC + 1, id="b"),
            mark(1.3, MarkKind.SENSITIVITY, **_SENSITIVITY),
        ),
    ),
    Scene(name="coarse ticks", tick_ms=(150, 700), holes=_TWO_HOLES),
    Scene(name="fine ticks", tick_ms=(1, 9), holes=_TWO_HOLES),
    Scene(name="line profile", index="none", motion=serpentine(lines=1)),
    Scene(name="by hand", motion=dithering(), holes=_TWO_HOLES, tick_ms=(20, 60)),
    Scene(name="returns, stepped", index="return", motion=returning(), delivery={"encoder": "cut"}),
    Scene(
        name="returns and line marks",
        index="return",
        motion=returning(lines=3),
        marks=(
            mark(0.7, MarkKind.LINE, line=2, by="operator"),
            mark(2.1, MarkKind.LINE, line=0, by="operator"),
        ),
        delivery={"gauge": "bunched"},
    ),
    Scene(name="line marks", index="command", holes=_TWO_HOLES),
    Scene(
        name="line marks by hand, with stands, late",
        index="command",
        motion=by_hand(),
        encoder=Encoder(clock=None),
        holes=_TWO_HOLES,
        delivery={"encoder": "late", "gauge": "bunched"},
        restarts=(Restart(3.1, None),),
    ),
    Scene(
        name="either end, on change, blocked, a pause",
        index="either end",
        motion=by_hand(),
        encoder=Encoder(on_change=True),
        marks=(
            mark(1.2, MarkKind.LINE_BLOCKED, line=1, by="K"),
            mark(2.4, MarkKind.PAUSED, by="K", because="couplant"),
            mark(2.7, MarkKind.RESUMED, by="K"),
            mark(3.0, MarkKind.LINE, line=3, by="K"),
            mark(3.05, MarkKind.LINE, line=2, by="K"),
        ),
        tick_ms=(20, 200),
    ),
    Scene(
        name="returns, blocked, position set",
        index="return",
        motion=returning(),
        marks=(
            mark(0.5, MarkKind.LINE_BLOCKED, line=None, by="K"),
            mark(2.0, MarkKind.REFERENCED, scan=0.0, by="operator"),
        ),
        delivery={"gauge": "late"},
    ),
    Scene(name="wrapped scan axis", scan='mode = "wrapped"', motion=around()),
    Scene(name="wrapped index axis", index="wrapped", motion=dithering(4.0)),
    Scene(
        name="slip",
        encoder=Encoder(wheel_slip=4.0),
        second=Encoder(period=7_000),
        delivery={"second": "bunched"},
    ),
    Scene(
        name="slip of both axes, then a reference",
        motion=dithering(6.0),
        encoder=Encoder(wheel_slip=4.0, clock=None),
        second=Encoder(period=7_000),
        second_index=True,
        checks=(check(4.0, 0.5, override_at=4.6),),
        marks=(
            mark(3.6, MarkKind.ALARM_ACKNOWLEDGED, alarm=2, by="K"),
            mark(3.5, MarkKind.REFERENCED, scan=7.0, by="operator"),
            mark(4.9, MarkKind.REFERENCED, index=2.0, by="operator"),
            mark(5.2, MarkKind.ZONE_EXCLUDED, name="lug", scan=[5.0, 11.0], index=None, by="K"),
        ),
        delivery={"encoder": "late", "second": "bunched"},
        tick_ms=(20, 200),
    ),
    Scene(
        name="what the daemon notices, run killed",
        motion=serpentine(lines=7, rest=1.0),
        marks=(
            _health(0.71, "wrong tokens", "", "3 guesses"),
            _health(1.02, "wrong tokens", "", "9 guesses"),
            _health(1.1, "wrong tokens", "10.1.2.3", "1 guess"),
            _health(1.93, "wrong tokens", "", ""),
            _health(3.4, "wrong tokens", "", "2 guesses"),
        ),
        restarts=(Restart(2.9, None),),
        tick_ms=(20, 200),
    ),
    Scene(
        name="slip, index mark, run killed",
        encoder=Encoder(wheel_slip=3.0, mark_at=10.0, on_change=True),
        second=Encoder(period=7_000),
        scan='index_mark_at = "10 mm"',
        motion=serpentine(lines=7, rest=1.0),
        restarts=(Restart(2.9, None),),
        delivery={"gauge": "late", "second": "cut"},
    ),
    Scene(
        name="slips, one after the other, late",
        motion=dithering(),
        encoder=Encoder(wheel_slip=3.0, period=9_000),
        second=Encoder(form="binary", clock=None, period=4_000),
        delivery={"encoder": "late"},
    ),
    Scene(
        name="index mark",
        encoder=Encoder(mark_at=10.0),
        scan='index_mark_at = "11 mm"',
        motion=serpentine(lines=3),
    ),
    Scene(name="backlash", scan='backlash = "0.6 mm"', motion=dithering()),
    Scene(name="on change", encoder=Encoder(on_change=True), motion=dithering()),
    Scene(
        name="on change, coarse ticks, late",
        encoder=Encoder(on_change=True, clock=None),
        motion=dithering(),
        tick_ms=(60, 300),
        delivery={"encoder": "late", "gauge": "bunched"},
    ),
    Scene(
        name="glitches",
        encoder=Encoder(glitches=0.03),
        scan='max_speed = "400 mm/s"\nmax_acceleration = "8000 mm/s^2"',
        index_lines='max_speed = "400 mm/s"',
    ),
    Scene(
        name="glitches, cut",
        encoder=Encoder(form="binary", glitches=0.05),
        scan='max_speed = "300 mm/s"',
        motion=dithering(),
        delivery={"encoder": "cut"},
    ),
    Scene(name="roll-over", encoder=Encoder(bits=8), delivery={"encoder": "cut"}),
    Scene(
        name="pulse number",
        gauge=Gauge(clock=None, sequence=True),
        encoder=Encoder(clock=None),
        delivery={"gauge": "late", "encoder": "late"},
        holes=_TWO_HOLES,
    ),
    Scene(
        name="pulse number, bunched, coarse ticks",
        gauge=Gauge(form="binary", clock=None, sequence=True, period=4_000),
        tick_ms=(150, 700),
        delivery={"gauge": "bunched"},
    ),
    Scene(
        name="triggered",
        gauge=Gauge(clock=None, on_port="triggered = true"),
        encoder=Encoder(clock=None, port="ports/encoder"),
        delivery={"gauge": "late"},
    ),
    Scene(name="no clocks", encoder=Encoder(clock=None), gauge=Gauge(clock=None)),
    Scene(
        name="no clocks, bunched",
        encoder=Encoder(clock=None),
        gauge=Gauge(clock=None),
        delivery={"encoder": "bunched", "gauge": "bunched"},
    ),
    Scene(
        name="serial, no clocks, cut",
        encoder=Encoder(clock=None, port="ports/encoder"),
        gauge=Gauge(clock=None, port="ports/gauge"),
        delivery={"encoder": "cut", "gauge": "cut"},
    ),
    Scene(
        name="skew",
        encoder=Encoder(clock=Clock(ppm=900.0)),
        gauge=Gauge(clock=Clock(ppm=-1200.0)),
        delivery={"encoder": "late", "gauge": "late"},
    ),
    Scene(
        name="device restarts",
        encoder=Encoder(clock=Clock(restart=1_500_000)),
        gauge=Gauge(clock=Clock(ppm=50.0, restart=900_000), sequence=True),
        delivery={"gauge": "bunched"},
    ),
    Scene(
        name="clock set back",
        gauge=Gauge(clock=Clock(restart=600_000, back=800_000)),
        motion=serpentine(rest=2.5),
        delivery={"gauge": "bunched"},
    ),
    Scene(
        name="late and cut",
        delivery={"encoder": "late", "gauge": "cut"},
        gauge=Gauge(sequence=True, amplitude=True),
        tick_ms=(10, 130),
    ),
    Scene(
        name="bunched, binary",
        encoder=_BINARY,
        gauge=Gauge(form="binary", sequence=True),
        delivery={"encoder": "bunched", "gauge": "bunched"},
    ),
    Scene(
        name="faults and losses",
        gauge=Gauge(sequence=True),
        corrupt=0.05,
        dropped=0.1,
        unanswered=(0.61, 0.9, 1.7, 1.71),
        delivery={"encoder": "cut", "gauge": "cut"},
    ),
    Scene(name="gauge falls silent", silent=(("gauge", 0.6, 1.1), ("gauge", 2.0, 2.06)), holes=()),
    Scene(
        name="no echo yet",
        holes=(((-9.0, 90.0, -9.0, 90.0), 1.0),),
        silent=(("gauge", 0.0, 0.35), ("gauge", 1.6, 2.0)),
        marks=(
            mark(0.8, MarkKind.PAUSED, by="K", because="couplant"),
            mark(0.9, MarkKind.RESUMED, by="K"),
        ),
        delivery={"gauge": "cut"},
    ),
    Scene(
        name="lifted, and set down elsewhere",
        motion=slow(12.0),
        index="return",
        encoder=Encoder(period=20_000),
        gauge=Gauge(period=20_000),
        holes=(((-9.0, 90.0, -9.0, 90.0), 0.6), ((10.0, 30.0, -9.0, 90.0), 4.2)),
        silent=(("gauge", 7.6, 9.1),),
        lost=(("gauge", 5.3, 6.7),),
        marks=(
            mark(5.0, MarkKind.REFERENCED, scan=3.0, by="K", mark="datum"),
            mark(10.5, MarkKind.REFERENCED, scan=30.0, by="K"),
        ),
        delivery={"gauge": "cut", "encoder": "bunched"},
    ),
    Scene(
        name="devices silent, then without echo or position",
        holes=(((-9.0, 90.0, -9.0, 90.0), 0.6),),
        silent=(("gauge", 0.0, 0.35), ("encoder", 0.9, 1.4), ("gauge", 1.6, 2.3)),
        lost=(("gauge", 1.7, 1.9),),
        tables='silent = "150 ms"',
        delivery={"gauge": "cut", "encoder": "bunched"},
        tick_ms=(20, 200),
    ),
    Scene(
        name="encoder stuck, then silent",
        encoder=Encoder(stuck=0.7, period=20_000),
        gauge=Gauge(period=20_000),
        motion=passes(24.0),
        silent=(("encoder", 16.0, 20.0),),
        lost=(("encoder", 19.0, 19.2),),
        delivery={"gauge": "bunched"},
        tick_ms=(50, 400),
    ),
    Scene(
        name="held values",
        gauge=Gauge(holds=True, held_after=4),
        holes=_TWO_HOLES,
        lost=(("gauge", 1.3, 1.5),),
        checks=(check(1.9, 0.0),),
        delivery={"gauge": "cut"},
    ),
    Scene(
        name="values held, found by their noise",
        gauge=Gauge(holds=True, period=8_000),
        encoder=Encoder(period=20_000),
        holes=(((8.0, 38.0, -3.0, 7.5), 99.0),),
        motion=rested(4.5, 6.0),
        lost=(("gauge", 8.0, 8.2),),
        delivery={"gauge": "bunched"},
        tick_ms=(40, 300),
    ),
    Scene(
        name="held values, slow, no clock",
        gauge=Gauge(holds=True, held_after=3, period=60_000, clock=None, sequence=True),
        holes=(((6.0, 30.0, -3.0, 12.0), 3.0),),
        motion=slow(12.0),
        silent=(("gauge", 4.0, 8.0),),
        delivery={"gauge": "late"},
        tick_ms=(40, 300),
    ),
    Scene(
        name="held values in combined records",
        gauge=Gauge(form="combined", holds=True, held_after=6),
        holes=_TWO_HOLES,
        restarts=(Restart(1.4), Restart(2.2, None)),
    ),
    Scene(
        name="clock of the gauge stops",
        gauge=Gauge(clock=Clock(stopped=(900_000, 2_100_000))),
        delivery={"gauge": "cut"},
        silent=(("gauge", 1.3, 1.5),),
        holes=(),
    ),
    Scene(
        name="clocks stop",
        encoder=Encoder(clock=Clock(stopped=(600_000, 1_400_000))),
        gauge=Gauge(clock=Clock(stopped=(2_000_000, 2_300_000)), holds=True, held_after=5),
        delivery={"gauge": "bunched", "encoder": "late"},
        lost=(("encoder", 1.2, 1.25),),
        restarts=(Restart(2.9, None),),
    ),
    Scene(name="encoder falls silent", silent=(("encoder", 0.5, 1.0), ("encoder", 1.6, 1.8))),
    Scene(
        name="ports lost and opened again",
        lost=(("gauge", 0.5, 0.9), ("encoder", 1.3, 1.75)),
        delivery={"encoder": "cut", "gauge": "cut"},
    ),
    Scene(
        name="on change, port lost",
        encoder=Encoder(on_change=True),
        motion=dithering(),
        lost=(("encoder", 0.9, 1.4), ("gauge", 2.0, 2.5)),
    ),
    Scene(name="slow gauge", gauge=Gauge(period=45_000), motion=serpentine(80.0)),
    Scene(
        name="too fast",
        motion=serpentine(300.0, lines=5, rest=2.6),
        gauge=Gauge(period=20_000),
        survey="hits_per_cell = 2.0",
    ),
    Scene(
        name="times uncertain",
        motion=serpentine(120.0, rest=1.0),
        gauge=Gauge(clock=None, on_port="triggered = true", period=20_000),
        silent=(("gauge", 0.6, 1.1),),
        delivery={"gauge": "bunched"},
        holes=_TWO_HOLES,
    ),
    Scene(name="thin areas", survey=_THIN, thin=((12.0, 18.0, -3.0, 7.5), (30.0, 33.0, 8.0, 17.0))),
    Scene(
        name="thin areas, checks, zone",
        survey=_THIN,
        thin=((12.0, 18.0, -3.0, 7.5), (20.0, 33.0, 2.0, 30.0)),
        checks=(check(1.0, 0.4, override_at=2.2),),
        marks=(
            mark(1.9, MarkKind.ZONE_EXCLUDED, name="lug", scan=[14.0, 22.0], index=None, by="K"),
        ),
    ),
    *(
        Scene(
            name=f"rule {rule}",
            survey=f'cell_rule = "{rule}"',
            gauge=Gauge(period=2_000, amplitude=True),
            motion=dithering(2.0),
            delivery={"gauge": "late"},
        )
        for rule in ("minimum", "mean", "first", "last", "strongest")
    ),
    Scene(name="check passed", checks=(check(0.4, 0.0), check(2.6, 0.03))),
    Scene(
        name="check failed",
        checks=(check(0.3, 0.0), check(1.6, 0.5), check(2.8, 0.0)),
        tables=_PROBE,
    ),
    Scene(
        name="check failed and overridden",
        checks=(check(1.2, 0.5, override_at=2.4), check(2.9, 0.6, override_at=3.3)),
        delivery={"gauge": "late"},
    ),
    Scene(
        name="outside the calibrated range",
        record=scene_record(),
        thin=((12.0, 18.0, -3.0, 7.5), (30.0, 33.0, 8.0, 17.0)),
        restarts=(Restart(1.2, None),),
    ),
    Scene(name="check overdue", checks=(check(0.3, 0.0),), motion=serpentine(rest=2.0)),
    Scene(
        name="pauses",
        marks=(
            mark(0.8, MarkKind.PAUSED, by="K", because="couplant"),
            mark(1.1, MarkKind.RESUMED, by="K"),
            mark(1.9, MarkKind.PAUSED, by="K", because="ladder"),
            mark(2.0, MarkKind.PAUSED, by="L", because="lunch"),
            mark(2.5, MarkKind.RESUMED, by="L"),
        ),
        delivery={"encoder": "late", "gauge": "bunched"},
    ),
    Scene(
        name="stretches discarded",
        marks=(
            mark(1.2, MarkKind.DISCARDED, **_stretch(1, 0.4, 0.7)),
            mark(1.3, MarkKind.DISCARDED, **_stretch(2, None, 1.25, scan=[20.0, 26.4])),
            mark(2.4, MarkKind.DISCARDED, **_stretch(3, 0.9, 2.4, line=2)),
            mark(2.6, MarkKind.DISCARDED, **_stretch(4, 1.8, 2.2)),
            mark(2.8, MarkKind.RESTORED, revision=4, by="L", because="it was right"),
        ),
        delivery={"encoder": "late", "gauge": "bunched"},
        restarts=(Restart(2.0, None),),
    ),
    Scene(
        name="lines discarded and moved",
        index="command",
        holes=_TWO_HOLES,
        marks=(
            mark(0.8, MarkKind.LINE, line=1, by="K"),
            mark(1.5, MarkKind.LINE, line=3, by="K"),
            mark(1.9, MarkKind.MOVED, **_stretch(1, None, 1.9, line=3), to_line=2),
            mark(1.9, MarkKind.LINE, line=2, by="K"),
            mark(2.3, MarkKind.DISCARDED, **_stretch(2, None, 2.25, line=1, scan=[9.5, 22.0])),
            mark(2.4, MarkKind.MOVED, **_stretch(3, 1.7, 2.4), to_line=4),
        ),
        delivery={"gauge": "bunched"},
        tick_ms=(30, 200),
    ),
    Scene(
        name="turns discarded and moved",
        index="command",
        scan='mode = "wrapped"',
        motion=around(),
        marks=(
            mark(0.9, MarkKind.LINE, line=2, by="K"),
            mark(1.4, MarkKind.DISCARDED, **_stretch(1, 0.3, 1.3, scan=[36.0, 43.0])),
            mark(2.1, MarkKind.MOVED, **_stretch(2, 1.1, 2.0, scan=[30.0, 45.5]), to_line=3),
        ),
    ),
    Scene(
        name="paused from the start",
        marks=(
            mark(0.01, MarkKind.PAUSED, by="K", because="not yet", from_start=True),
            mark(0.6, MarkKind.RESUMED, by="K"),
        ),
    ),
    Scene(
        name="zones excluded",
        tables='[[exclude]]\nname = "nozzle"\nscan = ["30 mm", "34 mm"]\nindex = ["3 mm", "12 mm"]',
        marks=(
            mark(1.0, MarkKind.ZONE_EXCLUDED, name="lug", scan=[5.0, 11.0], index=[0, 5], by="K"),
            mark(
                1.9,
                MarkKind.ZONE_EXCLUDED,
                name="weld",
                scan=None,
                index=[9.0, 11.0],
                by="K",
                because="no access",
            ),
        ),
    ),
    Scene(
        name="gaps requested, notes",
        holes=((_HOLE, 2.0), ((25.0, 28.0, 2.0, 30.0), 99.0)),
        motion=dithering(5.0),
        marks=(
            mark(1.0, MarkKind.GAP_REQUESTED, gap=1, by="K"),
            mark(1.5, MarkKind.GAP_REQUESTED, gap=3, by="K"),
            mark(1.6, MarkKind.NOTE, text="rust", by="K"),
            mark(2.5, MarkKind.GAP_REQUESTED, gap=2, by="L"),
        ),
    ),
    Scene(
        name="alarms acknowledged",
        survey=_THIN,
        thin=((12.0, 18.0, -3.0, 7.5),),
        holes=_TWO_HOLES,
        silent=(("gauge", 0.8, 1.2),),
        motion=serpentine(rest=2.5),
        marks=tuple(
            mark(0.9 + 0.4 * k, MarkKind.ALARM_ACKNOWLEDGED, alarm=k, by="K") for k in range(1, 6)
        ),
    ),
    Scene(
        name="delay estimated, and measured",
        motion=serpentine(rest=2.5),
        marks=(
            _estimate(0.9, None, None),
            _estimate(1.4, -2.0, 95.0),
            _estimate(2.0, -8.4, 2.0),  # near half a cell at the usual speed
            _estimate(2.6, -9.0, 9.0),
            mark(3.1, MarkKind.DELAY, **_delay(-1.0, 1.0)),
            _estimate(3.3, None, 1.0),
        ),
        restarts=(Restart(3.5),),
    ),
    Scene(
        name="crawler",
        marks=(
            _motion(0.1, "armed", "armed"),
            _motion(0.2, "moving", "move"),
            mark(0.25, MarkKind.REFERENCED, scan=0.0, index=0.0, by="crawler"),
            # As at a first move: nothing counts until it was compared.
            mark(0.3, MarkKind.PAUSED, by="crawler", because="first move"),
            mark(0.9, MarkKind.FIRST_MOVE, sound=True, text="first move: scan"),
            mark(0.9, MarkKind.RESUMED, by="crawler"),
            _motion(1.4, "stopping", "operator"),
            mark(1.6, MarkKind.REFERENCED, scan=10.0, by="crawler"),
            _motion(1.7, "armed", "armed"),
            mark(2.4, MarkKind.REFERENCED, index=5.0, by="crawler"),
        ),
        delivery={"encoder": "bunched"},
    ),
    Scene(
        name="raster planned round a zone",
        motion=halves(),
        tables='[[exclude]]\nname = "nozzle"\nscan = ["20 mm", "24 mm"]\nindex = ["-1 mm", "20 mm"]',
        holes=(((8.0, 14.0, -3.0, 7.5), 99.0), ((30.0, 35.0, 4.0, 12.0), 99.0)),
        marks=(
            _planned(
                0.15,
                *((line, -1.0, 20.0) for line in range(4)),
                *((line, 24.0, 41.0) for line in range(4)),
            ),
            *(mark(0.3 + 0.55 * k, MarkKind.STRETCH_BEGUN, number=k) for k in range(6)),
            _planned(4.1, (2, 24.0, 41.0)),
            mark(4.2, MarkKind.STRETCH_BEGUN, number=0),
            _planned(4.8),
        ),
        delivery={"gauge": "late"},
    ),
    Scene(
        name="reference, glitches, second source",
        encoder=Encoder(glitches=0.03, wheel_slip=3.0),
        second=Encoder(),
        scan='max_speed = "400 mm/s"',
        marks=(mark(1.2, MarkKind.REFERENCED, scan=7.0, index=1.0, by="crawler"),),
        delivery={"encoder": "late"},
    ),
    Scene(
        name="reference, index mark and backlash",
        encoder=Encoder(mark_at=10.0),
        scan='index_mark_at = "10 mm"\nbacklash = "0.4 mm"',
        motion=serpentine(lines=3),
        marks=(mark(1.1, MarkKind.REFERENCED, scan=15.0, by="crawler"),),
    ),
    Scene(
        name="reference round a pipe",
        encoder=Encoder(form="lengths"),
        scan='mode = "wrapped"',
        index="none",
        motion=around(),
        marks=(mark(1.4, MarkKind.REFERENCED, scan=3.0, by="crawler"),),
        delivery={"encoder": "cut"},
    ),
    Scene(name="runs", restarts=(Restart(1.1), Restart(2.2, "complete"))),
    Scene(
        name="run killed",
        restarts=(Restart(1.3, None),),
        delivery={"encoder": "late", "gauge": "bunched"},
        holes=_TWO_HOLES,
    ),
    Scene(
        name="run killed in a pause, host rebooted",
        restarts=(Restart(1.3, None, rebooted=True), Restart(2.3, None)),
        marks=(
            mark(1.2, MarkKind.PAUSED, by="K", because="break"),
            mark(2.1, MarkKind.RESUMED, by="K"),
        ),
        ended=False,
    ),
    Scene(
        name="run that only checks",
        restarts=(Restart(1.3, purpose="check"), Restart(2.4)),
        checks=(check(2.0, 0.3, override_at=3.0),),
        motion=serpentine(rest=1.0),
    ),
    Scene(
        name="survey without an end",
        ended=False,
        delivery={"encoder": "cut", "gauge": "late"},
        tick_ms=(30, 90),
    ),
    Scene(name="combined records", gauge=Gauge(form="combined", sequence=True), holes=_TWO_HOLES),
    Scene(
        name="combined records, checks in the run",
        gauge=Gauge(form="combined"),
        encoder=Encoder(glitches=0.02),
        motion=dithering(4.0),
        checks=(check_in_run(0.8, 0.0), check_in_run(2.2, 0.3)),
        marks=(mark(1.3, MarkKind.REFERENCED, scan=7.0, index=5.0, by="K"),),
        delivery={"gauge": "cut"},
    ),
    Scene(
        name="combined records, stepped",
        gauge=Gauge(form="combined", clock=None),
        index="return",
        motion=returning(),
        delivery={"gauge": "cut"},
    ),
    Scene(
        name="combined records, glitches",
        encoder=Encoder(glitches=0.03),
        gauge=Gauge(form="combined"),
        scan='max_speed = "200 mm/s"\nmode = "wrapped"',
        motion=around(),
        corrupt=0.04,
    ),
    Scene(
        name="A-scans",
        gauge=Gauge(form="ascan"),
        tables="[store]\nwaveforms = true",
        motion=dithering(2.5),
        delivery={"gauge": "cut"},
    ),
    Scene(
        name="A-scans, not kept, late",
        gauge=Gauge(form="ascan", clock=None),
        survey='cell_rule = "strongest"',
        delivery={"gauge": "late"},
    ),
    Scene(
        name="lengths round a pipe",
        encoder=Encoder(form="lengths"),
        scan='mode = "wrapped"',
        index="none",
        motion=around(),
    ),
    Scene(
        name="lasting jump",
        encoder=Encoder(wheel_slip=25.0, glitches=0.01),
        scan='max_speed = "400 mm/s"',
        delivery={"encoder": "bunched"},
    ),
    Scene(
        name="position lost, and set by a reference",
        encoder=Encoder(wheel_slip=25.0, glitches=0.01),
        marks=(mark(2.7, MarkKind.REFERENCED, scan=3.0, index=5.0, by="K"),),
        lost=(("encoder", 3.0, 3.1),),
        delivery={"encoder": "cut"},
    ),
    Scene(
        name="long and slow",
        motion=slow(126.0),
        encoder=Encoder(period=220_000, clock=Clock(ppm=40.0)),
        gauge=Gauge(period=95_000, clock=Clock(ppm=-60.0, bits=23)),
        delivery={"gauge": "late"},
        tick_ms=(100, 500),
    ),
    Scene(
        name="clocks roll over",
        encoder=Encoder(clock=Clock(bits=19)),
        gauge=Gauge(clock=Clock(bits=20, ppm=30.0)),
        delivery={"encoder": "cut"},
    ),
    Scene(
        name="strongest without amplitude",
        survey='cell_rule = "strongest"',
        motion=dithering(2.0),
    ),
    Scene(
        name="thin area acknowledged, then deeper, then excluded",
        survey=_THIN,
        thin=((12.0, 18.0, -3.0, 30.0),),
        holes=(),
        marks=(
            mark(0.65, MarkKind.ALARM_ACKNOWLEDGED, alarm=1, by="K"),
            mark(1.6, MarkKind.ALARM_ACKNOWLEDGED, alarm=2, by="K"),
            mark(2.6, MarkKind.ZONE_EXCLUDED, name="weld", scan=[11.0, 19.0], index=None, by="K"),
        ),
    ),
    Scene(
        name="gaps one after the other, acknowledged",
        holes=tuple(
            ((3.0 + 7.0 * k, 6.0 + 7.0 * k, 5.0 * line - 2.5, 5.0 * line + 2.4), 99.0)
            for line in range(5)
            for k in range(line % 2, 5, 2)
        ),
        marks=tuple(
            mark(0.7 + 0.4 * k, MarkKind.ALARM_ACKNOWLEDGED, alarm=1 + k // 2, by="K")
            for k in range(6)
        ),
    ),
    Scene(
        name="checks in a run, by hand",
        motion=dithering(4.5),
        index="command",
        checks=(
            check_in_run(0.5, 0.0),
            check_in_run(1.6, 0.3, given_up=True),
            check_in_run(2.4, 0.3),
            check_in_run(3.4, 0.0),
        ),
        marks=tuple(
            mark(at, MarkKind.REFERENCED, scan=place, by="K")
            for at, place in ((0.9, 12.0), (2.1, 5.0), (2.9, 20.0))
        ),
        restarts=(Restart(3.55, None, away=0.1),),
        delivery={"gauge": "late", "encoder": "cut"},
    ),
    Scene(
        name="check in a run, with two sources of a position",
        motion=dithering(4.0),
        encoder=Encoder(wheel_slip=4.0),
        second=Encoder(period=7_000),
        checks=(check_in_run(1.2, 0.0), check_in_run(2.8, 0.2)),
        marks=(mark(1.7, MarkKind.REFERENCED, scan=7.0, index=5.0, by="K"),),
        delivery={"encoder": "late", "second": "bunched"},
        tick_ms=(20, 200),
    ),
    Scene(
        name="checks failed one after the other, and broken off",
        checks=(check(0.4, 0.3, override_at=1.6), check(1.1, 0.4), check(2.2, -0.3, 3.2)),
        restarts=(Restart(2.35, None, away=0.2),),
        silent=(("gauge", 1.2, 1.4),),
        marks=(mark(3.3, MarkKind.CHECK_OVERRIDDEN, check=9, by="B", because="none such"),),
    ),
    Scene(
        name="gaps merge",
        motion=serpentine(120.0, lines=3),
        index="wrapped",
        holes=(((6.0, 9.0, -3.0, 3.0), 99.0), ((6.0, 9.0, 8.0, 30.0), 99.0)),
        silent=(("gauge", 0.65, 0.78),),
        marks=(
            mark(0.6, MarkKind.GAP_REQUESTED, gap=1, by="K"),
            mark(0.9, MarkKind.GAP_REQUESTED, gap=2, by="K"),
            mark(1.0, MarkKind.GAP_REQUESTED, gap=3, by="K"),
        ),
        restarts=(Restart(0.9, away=0.2), Restart(1.5, away=0.1)),
    ),
    Scene(name="polled gauge", gauge=PolledGauge(), holes=_TWO_HOLES),
    Scene(
        name="polled gauge, answers late, lost, doubled and foreign",
        gauge=PolledGauge(faults=_TROUBLE, cut=0.3),
        lost=(("gauge", 1.4, 1.7),),
        restarts=(Restart(1.0, None), Restart(2.2, away=0.2, rebooted=True)),
        tick_ms=(3, 70),
    ),
    Scene(
        name="polled gauge that answers seldom",
        gauge=PolledGauge(faults=Faults(lost=0.7, late=0.1), every=10),
        tables='silent = "90 ms"',
        lost=(("gauge", 1.4, 1.6),),
        tick_ms=(20, 150),
    ),
    Scene(
        name="polled gauge, Modbus RTU",
        gauge=PolledGauge(kind="rtu", faults=_TROUBLE, talk='taken_at = "answer"'),
        marks=(
            mark(0.7, MarkKind.PAUSED, by="K", because="couplant"),
            mark(0.9, MarkKind.RESUMED, by="K"),
        ),
        checks=(check(2.2, 0.4, override_at=3.0),),
        tick_ms=(20, 60),
    ),
    Scene(
        name="polled gauge, Modbus TCP",
        gauge=PolledGauge(kind="tcp", faults=_TROUBLE, cut=0.3, talk='taken_at = "request"'),
        delivery={"encoder": "bunched"},
        lost=(("gauge", 1.4, 1.7),),
        restarts=(Restart(1.0, None),),
    ),
    Scene(
        name="spurious readings, a pit confirmed and rejected",
        gauge=Gauge(period=12_000),
        survey=f'{_THIN}\nnominal_thickness = "9 mm"',
        tables='[probe]\ndiameter = "6 mm"\nfrequency = "5 MHz"',
        spurious=0.03,
        thin=((20.6, 21.3, 4.0, 6.0),),
        motion=serpentine(lines=4, rest=1.5),
        marks=(
            mark(2.6, MarkKind.CONFIRMED, place=1, by="K", text="seen", **_PIT),
            mark(3.2, MarkKind.REJECTED, place=1, by="L", text="grease", **_PIT),
        ),
        restarts=(Restart(4.0, None),),
    ),
    Scene(
        name="spurious readings round a pipe, the last ones count",
        gauge=Gauge(period=9_000, sequence=True),
        scan='mode = "wrapped"',
        survey='cell_rule = "last"\nthickness_limits = ["1 mm", "30 mm"]',
        spurious=0.05,
        motion=around(),
        restarts=(Restart(1.3),),
    ),
    Scene(
        name="spurious readings to and fro",
        gauge=Gauge(period=12_000),
        survey='cell_rule = "mean"',
        spurious=0.05,
        motion=passes(7.0),
    ),
    Scene(
        name="all at once",
        encoder=Encoder(clock=Clock(ppm=200.0), glitches=0.02, on_change=True),
        gauge=Gauge(sequence=True, amplitude=True, period=3_000),
        second=Encoder(form="binary", clock=None, period=8_000),
        scan='max_speed = "600 mm/s"\nbacklash = "0.2 mm"',
        survey=_THIN,
        thin=((20.0, 25.0, 0.0, 12.0),),
        holes=_TWO_HOLES,
        corrupt=0.02,
        dropped=0.03,
        lost=(("gauge", 1.6, 1.8),),
        checks=(check(2.2, 0.4, override_at=3.0),),
        restarts=(Restart(1.3, None),),
        marks=(
            mark(0.7, MarkKind.PAUSED, by="K", because="couplant"),
            mark(0.9, MarkKind.RESUMED, by="K"),
            mark(2.0, MarkKind.ZONE_EXCLUDED, name="lug", scan=[5.0, 9.0], index=None, by="K"),
        ),
        delivery={"encoder": "late", "gauge": "cut", "second": "bunched"},
        tick_ms=(10, 90),
    ),
    Scene(
        name="driver that fails, run killed",
        motion=serpentine(lines=7, rest=1.0),
        gauge=Gauge(fails_on="33"),
        delivery={"gauge": "bunched"},
        restarts=(Restart(2.9, None),),
    ),
    Scene(name="driver that fails, cut", gauge=Gauge(fails_on="3,E"), delivery={"gauge": "cut"}),
)

SCENES = {scene.name: scene for scene in _LIST}
