"""The picture of an A-scan shows what was measured: trace, gates, thresholds and points."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from daemon.echo_model import scans, settings
from swathe.echo import EchoSettings, envelope, view_ascan
from swathe.report.ascan_picture import plot_ascan


def drawn(echoes: list[tuple[float, float]], asked: EchoSettings, start_us: float = 0.0) -> Axes:
    """Return the axes with an A-scan at 50 MS/s drawn on them."""
    (wave,) = scans([echoes])
    view = view_ascan(wave, interval_us=0.02, start_us=start_us, settings=asked)
    axes = Figure().subplots()
    plot_ascan(axes, view, wave, envelope(wave[None])[0])
    return axes


def line(axes: Axes, label: str) -> tuple[Any, Any]:
    """Return x and y of the line whose label begins so."""
    (found,) = [one for one in axes.lines if str(one.get_label()).startswith(label)]
    return np.asarray(found.get_xdata()), np.asarray(found.get_ydata())


def test_echo_to_echo_is_between_its_two_points() -> None:
    """Both points are drawn, and the time of flight between them, not from time zero."""
    asked = settings(
        {"width": "2 us"},
        {"name": "B", "after": "A", "start": "0.5 us", "width": "3 us", "measure": "peak"},
        mode="echo to echo",
        time_of_flight=["A", "B"],
        band={"centre": "5 MHz"},
    )
    axes = drawn([(2.0, 90.0), (4.0, 60.0)], asked)
    x, y = line(axes, "zero crossing in 'A'")
    assert (*x, *y) == pytest.approx((2.05, 0.0), abs=1e-3)
    x, y = line(axes, "peak in 'B'")
    assert (*x, *y) == pytest.approx((4.0, 53.5), abs=1.0)
    x, y = line(axes, "gate 'B', 20 %")
    assert x == pytest.approx([2.55, 5.55], abs=2e-3)
    assert y.tolist() == [20.0, 20.0]
    (arrow, text) = axes.texts
    assert (arrow.xy[0], arrow.xyann[0]) == pytest.approx((4.0, 2.05), abs=1e-3)  # type: ignore[attr-defined]
    assert text.get_text() == "time of flight 1.9500 µs"
    _, trace = line(axes, "measured: band-passed")
    assert trace.max() == pytest.approx(80.0, abs=1.0)  # as sent it is 90 %
    assert line(axes, "as sent")[1].max() == pytest.approx(90.0, abs=0.1)


def test_flank_interface_and_other_echo_are_drawn() -> None:
    """A flank is on the rise at its level, the threshold on the side of its polarity."""
    asked = settings(
        {"name": "front", "start": "0.5 us", "width": "2 us", "polarity": "negative"},
        {
            "after": "interface",
            "start": "0.8 us",
            "width": "5 us",
            "measure": "flank",
            "flank_level": 50,
        },
        interface="front",
    )
    axes = drawn([(1.5, -80.0), (3.5, 60.0), (4.5, 45.0)], asked)
    assert line(axes, "gate 'front'")[1].tolist() == [-20.0, -20.0]
    x, y = line(axes, "flank in 'A'")
    assert y[0] == pytest.approx(30.0, abs=0.5)
    assert 3.4 < x[0] < 3.5
    other = line(axes, "other echo in 'A'")[0][0]
    assert other - x[0] == pytest.approx(1.0, abs=0.02)
    (arrow, _) = axes.texts
    assert (arrow.xy[0], arrow.xyann[0]) == pytest.approx((x[0], 1.55), abs=1e-3)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("start", "left", "words"), [(0.5, 0.0, ""), (100.0, 100.0, ", from 0 µs")]
)
def test_time_of_flight_stays_in_the_picture(start: float, left: float, words: str) -> None:
    """The axis reaches time zero where it is near; where it is far the arrow comes from the edge."""
    asked = settings({"start": f"{start + 1} us", "width": "8 us", "measure": "peak"})
    axes = drawn([(3.0, 80.0)], asked, start)
    (arrow, text) = axes.texts
    assert axes.get_xlim()[0] == left
    assert arrow.xyann[0] == left  # type: ignore[attr-defined]
    assert arrow.xy[0] == pytest.approx(start + 3.0, abs=2e-3)  # type: ignore[attr-defined]
    assert text.get_text().endswith(f" µs{words}")
    assert float(text.get_text().split()[3]) == pytest.approx(start + 3.0, abs=2e-3)


def test_no_echo_has_no_point() -> None:
    """Gate and trace are drawn, and no time of flight."""
    axes = drawn([(3.0, 12.0)], settings())
    assert not axes.texts
    assert not [one for one in axes.lines if " in 'A'" in str(one.get_label())]
    assert line(axes, "gate 'A'")[0].tolist() == [1.0, 9.0]
