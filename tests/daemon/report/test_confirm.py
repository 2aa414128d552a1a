"""Doubtful thicknesses in texts: board, report, and the raw minimum next to the confirmed one."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from swathe.board.confirm_list import confirm_lines
from swathe.board.stations import StationView
from swathe.display_units import INCHES, MILLIMETRES
from swathe.messages import ConfirmMessage, ConfirmSnapshot, Heading
from swathe.pipeline import Grid
from swathe.pipeline.progress.confirm_snapshot import Where, confirm_snapshot, confirm_text
from swathe.pipeline.spurious.register import PlaceState, PlaceToConfirm
from swathe.reading_flags import ReadingFlag
from swathe.station import Axis, CellRule

AT = datetime(2026, 5, 4, 10, 30, tzinfo=UTC)
OF: Heading = {"station": "bench", "survey": "s", "time": AT}


def place(number: int = 3, **other: object) -> ConfirmSnapshot:
    """Return a lone low value of 5 mm among 10 mm."""
    fields: dict[str, object] = {
        "status": "to confirm",
        "flags": ("halved", "lone_low"),
        "thickness": 5.0,
        "wall": 10.0,
        "other": None,
        "others": 0,
        "scan": 25.4,
        "index": 50.8,
        "opened": AT,
        "changed": AT,
    }
    return ConfirmSnapshot.model_validate({"number": number, **fields, **other})


@pytest.mark.parametrize(
    ("found", "units", "where", "text"),
    [
        (
            place(),
            MILLIMETRES,
            Where(1.0, 1.0),
            "5.00 mm at scan 25.4 mm, index 50.8 mm: halved, lone low; around it 10.00 mm",
        ),
        (
            place(other=9.98, others=1),
            MILLIMETRES,
            Where(1.0, profile=True),
            "5.00 mm at scan 25.4 mm: halved, lone low; around it 10.00 mm; 1 other pass read 9.98 mm "
            "or more",
        ),
        (
            place(other=9.98, others=2, status="rejected", by="K", reason="grease"),
            INCHES,
            Where(1.27, 2.54),
            "0.197 in at scan 1.00 in, index 2.00 in: halved, lone low; around it 0.394 in; 2 other "
            "passes read 0.393 in or more; rejected by K: grease",
        ),
        (
            place(status="confirmed", reason="read again at another pass", wall=None, scan=4),
            MILLIMETRES,
            Where(spots=True),
            "5.00 mm at spot 4: halved, lone low; confirmed: read again at another pass",
        ),
    ],
)
def test_place_is_one_line_with_all_that_is_known(
    found: ConfirmSnapshot, units: object, where: Where, text: str
) -> None:
    """Value, place, why, the wall around it, what other passes read, and what became of it."""
    assert confirm_text(found, units, where) == text  # type: ignore[arg-type]


def test_board_lists_the_first_places_and_counts_the_rest() -> None:
    """In the order of the message, which is that of danger."""
    view = StationView("bench")
    assert confirm_lines(view, 3) == []
    view.confirm = ConfirmMessage.of_places([place(n) for n in (7, 2, 9)], OF)
    first, second = confirm_lines(view, 2)
    assert first.startswith("to confirm #7: 5.00 mm at scan")
    assert second.startswith("to confirm #2: ")
    assert second.endswith(" (and 1 more)")


def test_snapshots_sort_as_the_register_does() -> None:
    """By a message's reader as by its writer: open before rejected, low before high, thin first."""
    grid = Grid(
        scan=Axis(name="scan", start=0.0, resolution=1.0, cells=9),
        index=Axis(name="index", start=0.0, resolution=1.0, cells=1),
        rule=CellRule.MINIMUM,
    )
    rng = np.random.default_rng(3)
    flags = [ReadingFlag.LONE_LOW, ReadingFlag.DOUBLED, ReadingFlag.CYCLE_SKIP]
    places = [
        PlaceToConfirm(
            number=number + 1,
            cell=number,
            flags=int(flags[number % 3]),
            value=float(rng.integers(3, 20)),
            wall=10.0,
            other=None,
            others=0,
            opened=0,
            state=PlaceState.REJECTED if number % 4 == 0 else PlaceState.OPEN,
        )
        for number in range(9)
    ]
    by_register = [one.number for one in sorted(places, key=lambda one: one.danger)]
    snapshots = [confirm_snapshot(one, grid) for one in places]
    assert [one.number for one in sorted(snapshots, key=lambda one: one.danger)] == by_register
