"""An A-scan and a strip of values in characters."""

from __future__ import annotations

import numpy as np
import pytest
from rich.cells import cell_len

from daemon.echo_model import scans, settings
from swathe.board.ascan_drawing import ascan_window, dots_of, draw_ascan
from swathe.board.value_strip import draw_strip
from swathe.display_units import INCHES, MILLIMETRES
from swathe.echo import AscanView, EchoSettings, view_ascan
from swathe.pipeline.gauge_state import StripColumn

ENTRY = {"name": "entry", "start": "0.2 us", "width": "1.6 us", "threshold": 50}
WALL = {"name": "wall", "start": "1 us", "width": "4 us", "threshold": 40, "after": "entry"}


def viewed(asked: EchoSettings, *echoes: tuple[float, float], rectified: bool = False) -> AscanView:
    """Return the view of an A-scan of 512 samples at 50 MS/s."""
    wave = scans([list(echoes)])[0]
    return view_ascan(
        np.abs(wave) if rectified else wave, interval_us=0.02, start_us=0.0, settings=asked
    )


def plain(view: AscanView, **size: int) -> list[str]:
    """Return the lines of a drawing without their colours."""
    return [line.plain for line in draw_ascan(view, **size)]  # type: ignore[arg-type]


@pytest.mark.parametrize(("width", "height"), [(80, 14), (80, 8), (120, 40), (40, 6), (20, 5)])
@pytest.mark.parametrize("rectified", [False, True])
def test_drawing_fits_its_space(width: int, height: int, rectified: bool) -> None:
    """No line is wider, and there are no more lines, than there is space for."""
    asked = settings({"measure": "peak"}, rectified=rectified)
    lines = plain(viewed(asked, (3.0, 80.0), rectified=rectified), width=width, height=height)
    assert height - 1 <= len(lines) <= height
    assert max(cell_len(line) for line in lines) <= width


def test_every_sample_is_in_its_column() -> None:
    """A spike of one sample is drawn to its height wherever it is: no peak is lost between columns."""
    for at in range(500):
        values = np.zeros(500)
        values[at] = 1.0
        dots = dots_of(values, low=0.0, high=1.0, across=60, down=16)
        assert dots[0].any(), at
        assert dots[:, dots[0]].all(axis=0).any()  # down to the base line, without a break
        assert dots[-1].sum() >= 58


def test_curve_is_continuous() -> None:
    """Neighbouring columns meet, as the straight line between samples does."""
    values = np.sin(np.linspace(0, 20, 37))
    dots = dots_of(values, low=-1.0, high=1.0, across=150, down=24)
    top = dots.argmax(axis=0)
    bottom = dots.shape[0] - 1 - dots[::-1].argmax(axis=0)
    assert np.all(top[1:] <= bottom[:-1] + 1)
    assert np.all(bottom[1:] >= top[:-1] - 1)


def column(text: str, character: str) -> list[int]:
    """Return where a character is in a line."""
    return [at for at, one in enumerate(text) if one == character]


def test_gates_are_bars_at_their_threshold_with_their_number() -> None:
    """Shapes alone show each gate, from where to where and how high; its point is on the trace."""
    asked = settings(ENTRY, WALL, interface="entry", time_of_flight="wall")
    view = viewed(asked, (1.0, 90.0), (3.5, 70.0))
    lines = plain(view, width=85, height=23)
    begin, end = ascan_window(view, whole=False)
    assert begin == 0.0
    # 80 columns over the window, 21 rows from 100 % down to -100 %.

    def across(time: float) -> int:
        return 5 + int((time - begin) / (end - begin) * 80)

    for number, gate in enumerate(view.gates, 1):
        assert gate.begin is not None
        assert gate.end is not None
        row = int((100 - gate.settings.threshold) / 200 * 21)
        assert lines[row][across(gate.begin)] == "╞"
        assert lines[row][across(gate.begin) - 1] == str(number)
        assert abs(column(lines[row], "╡")[0] - across(gate.end)) <= 1
        assert "═" in lines[row]
        assert gate.time is not None
        assert abs(across(gate.time) - 5 - column(lines[21][5:], "▲")[number - 1]) <= 1
    assert lines[10].count("◆") == 2  # both zero crossings are on the level 0
    assert lines[0].startswith(" 100┤")
    assert lines[10].startswith("   0┤")
    assert lines[20].startswith("-100┤")


def test_a_gate_for_both_half_cycles_has_two_bars() -> None:
    """The threshold applies above and below zero."""
    lines = plain(
        viewed(settings({"measure": "peak", "polarity": "either", "threshold": 50})),
        width=60,
        height=13,
    )
    assert [at for at, line in enumerate(lines) if "╞" in line] == [2, 8]


def test_negative_polarity_is_below_zero() -> None:
    """A gate that looks at negative half cycles is drawn there."""
    lines = plain(viewed(settings({"polarity": "negative", "threshold": 50})), width=60, height=13)
    assert [at for at, line in enumerate(lines) if "╞" in line] == [8]


def test_rectified_has_no_lower_half() -> None:
    """A rectified A-scan is drawn from 0 up."""
    asked = settings({"measure": "peak"}, rectified=True)
    lines = plain(viewed(asked, (3.0, 80.0), rectified=True), width=60, height=13)
    assert not any(line.startswith("-100") for line in lines)
    assert any("0┤" in line for line in lines[8:])


def test_whole_record_or_the_gates() -> None:
    """Drawn is a little more than the gates, or all."""
    view = viewed(settings({"width": "2 us"}))
    assert ascan_window(view, whole=True) == pytest.approx((0.0, 511 * 0.02))
    assert ascan_window(view, whole=False) == pytest.approx((0.0, 3 / 0.85))
    assert "4" not in plain(view, width=80, height=10)[-1]
    assert "8" in draw_ascan(view, width=80, height=10, whole=True)[-1].plain


Column = tuple[float | None, float | None, int]


def strip(*columns: Column | None) -> list[StripColumn | None]:
    """Return a strip of a minute that ends with these columns."""
    made = [None if one is None else StripColumn(*one) for one in columns]
    return [None] * (120 - len(made)) + made


def test_strip_shows_values_silence_and_readings_without_echo() -> None:
    """Values are dots between their named limits; no echo is a sign, silence is nothing."""
    echo, none, thick = (6.0, 6.1, 0), (None, None, 3), (7.0, 7.0, 0)
    made = strip(*[echo] * 20, *[None] * 20, *[none] * 4, *[thick] * 6)
    lines = [
        one.plain for one in draw_strip(made, unit="mm", display=MILLIMETRES, width=69, height=8)
    ]
    assert len(lines) == 8
    assert max(map(len, lines)) <= 69
    assert lines[0].startswith(" 7.00 mm┤")
    assert lines[5].startswith(" 6.00 mm┤")
    assert lines[6] == " no echo│" + " " * 55 + "××" + " " * 3
    assert lines[7].endswith("now")
    body = [line[9:] for line in lines[:6]]
    assert all(row[:35].strip() == row[45:57].strip() == "" for row in body)
    assert body[5][35:45].strip()
    assert body[0][57:].strip()


def test_strip_of_a_steady_value_is_a_flat_line_in_the_middle() -> None:
    """Noise of a hundredth is not drawn as if it were a wall that changes."""
    made = strip(*[(10.0, 10.01, 0)] * 100)
    lines = [one.plain for one in draw_strip(made, unit="mm", display=INCHES, width=69, height=9)]
    assert lines[0].startswith("0.398 in┤")
    assert [row for row in range(7) if lines[row][20:].strip()] == [3]


def test_strip_without_a_value() -> None:
    """Before any reading the strip is empty, and says so by its axis alone."""
    lines = [
        one.plain for one in draw_strip(strip(), unit="mm", display=MILLIMETRES, width=80, height=6)
    ]
    assert lines[0] == "        │" + " " * 60
