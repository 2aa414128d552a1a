"""The text of an evaluation: what it rests on, what is lower and does not count, tables by axis."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from rich.console import Console
from rich.table import Table

from daemon.evaluation.walls import UNCONFIRMED, arrays_of
from swathe.evaluation import Extremes, evaluate_arrays
from swathe.pipeline import CellState
from swathe.report.evaluation_text import evaluation_parts


def wall() -> Any:
    """Return a pipe of 10 mm, 30 cells of 1 mm round and 20 lines 2 mm apart, with two pits on the seam."""
    thickness = np.full((20, 30), 10.0)
    thickness[3:5, [29, 0]] = 7.0
    thickness[12, 10:14] = 7.5
    quality = np.zeros(thickness.shape, int)
    thickness[17, 20], quality[17, 20] = 5.0, UNCONFIRMED
    state = np.full(thickness.shape, CellState.MEASURED)
    state[12, 14] = CellState.SUSPECT
    state[0, :5] = CellState.EXCLUDED
    thickness[19, 0], state[19, 0] = np.nan, CellState.SKIPPED
    return arrays_of(thickness, quality=quality, state=state, wrapped=(False, True), nominal=10.0)


def text_of(**asked: Any) -> list[str]:
    """Return the lines of the wall's evaluation."""
    console = Console(width=200, record=True)
    with console.capture() as printed:
        for part in evaluation_parts(evaluate_arrays(wall(), **asked)):
            console.print(part, soft_wrap=not isinstance(part, Table), highlight=False)
    return [line.rstrip() for line in printed.get().splitlines()]


def test_what_does_not_count_is_counted_and_warned_of() -> None:
    """Of 600 cells five are excluded; one was skipped, one is suspect, one to confirm and the lowest."""
    lines = text_of()
    assert lines[0] == (
        "figures rest on 592 of 595 required cells, 99.49 % of 1,190 mm²; not in them: 1 skipped, "
        "1 suspect, 1 to confirm; 5 excluded"
    )
    assert lines[1] == (
        "WARNING: the lowest value, 5.000 mm at 20.0 / 34.0 mm, is of a suspect or unconfirmed cell: "
        "it is in no figure below"
    )
    at = lines.index("lowest places of suspect or unconfirmed cells, at least 6.0 mm apart:")
    assert lines[at + 2].split() == ["1", "5.000", "20.0", "34.0"]
    assert lines[at + 3].split() == ["2", "10.000", "14.0", "24.0"]


def test_thin_areas_over_the_seam_are_one() -> None:
    """From 28.5 to 30.5 mm, beyond a turn; the other pit is next to a suspect cell."""
    lines = text_of(levels=["80 %"], lowest=5)
    assert "below 80 % of nominal (8.00 mm): 8 cells, 16 mm², 1.35 % of what was measured; " in (
        "".join(line + " " for line in lines)
    )
    at = next(k for k, line in enumerate(lines) if line.startswith("2 thin areas below"))
    assert lines[at].endswith("(cells that share a side); 1 next to cells that were not seen")
    assert lines[at + 2].split() == [
        "7.000", "1.000", "0.0", "/", "6.0", "28.5…30.5", "5…9", "8", "7.000"
    ]  # fmt: skip
    assert lines[at + 3].split()[-2:] == ["not", "seen"]
    assert "a side or a corner" in "".join(text_of(levels=["80 %"], corners=True))


def test_squares_have_a_row_each_and_round_up_what_was_not_seen() -> None:
    """Three columns and four rows of 10 by 5 cells, by their middles; one cell of 50 is 2 %."""
    lines = text_of(square=10.0)
    at = lines.index("12 squares of 10.0 mm (scan) by 10.0 mm (index), by their middle:")
    rows = lines[at + 2 : -1]
    assert len(rows) == 3 * 4
    assert rows[0].split()[:7] == ["4.5", "4.0", "7.000", "0.0", "6.0", "9.867", "0.625"]
    assert [row.split()[-1] for row in rows].count("2.00") == 3
    assert all("." in row.split()[-1] for row in rows)


def test_of_many_squares_those_with_the_lowest_minima_are_shown() -> None:
    """Of 75 squares 40, the pits first; JSON has all."""
    lines = text_of(square=4.0)
    at = next(k for k, line in enumerate(lines) if line.startswith("80 squares of 4.0 mm (scan)"))
    assert [line.split()[2] for line in lines[at + 2 : at + 8]] == 4 * ["7.000"] + 2 * ["7.500"]
    assert lines[-2] == "    these have the lowest minima; `swathe evaluate --json` has all 80"
    assert len(lines) - 2 - (at + 2) == 40


@pytest.mark.parametrize("refused", [(), ("the minima do not follow a Gumbel distribution",)])
def test_extremes_are_stated_or_the_reason(refused: tuple[str, ...]) -> None:
    """What was assumed is said with them, what they rest on too."""
    extremes = Extremes(
        refused, 40, 3, 100.0, 1e6, 1e4, scale=0.2, tests={"fit of the distribution": 0.5}
    )
    if not refused:
        extremes = replace(
            extremes, median=5.0, median_low=4.5, median_high=5.5, minimum_low=4.0, minimum_high=6.0
        )
    found = replace(evaluate_arrays(wall()), extremes=extremes)
    text = "\n".join(part for part in evaluation_parts(found) if isinstance(part, str))
    if refused:
        assert (
            "probable minimum of 1,000,000 mm² not scanned: not stated\n    the minima do" in text
        )
        assert "as often below" not in text
    else:
        assert (
            "not scanned, if that area is like the one scanned: 4.00 mm to 6.00 mm (95%)\n"
            "    as often below as above 5.00 mm, itself between 4.50 mm and 5.50 mm (95%)\n"
            "    from the minima of 40 squares of 100 mm²" in text
        )
        assert "3 left out for cells that were not seen" in text
