"""Options on what is evaluated, which ``swathe evaluate`` and ``swathe report`` share."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import quantity
from swathe.cli.zone_option import zone_of
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe.evaluation import EvaluationWishes

__all__ = [
    "ApartOption",
    "CornersOption",
    "ExtremesOption",
    "LevelOption",
    "LowestOption",
    "NotScannedOption",
    "SquareOption",
    "ZoneOption",
    "evaluation_wishes",
]

LevelOption = Annotated[
    list[str] | None,
    typer.Option(
        help='Count areas below this level: "8 mm", or "80 %" of the nominal thickness. Repeatable.'
    ),
]
LowestOption = Annotated[
    int, typer.Option(min=0, max=1000, help="Low places, and thin areas a level, to list.")
]
ApartOption = Annotated[
    str, typer.Option(help='Least distance between two low places, such as "25 mm".')
]
SquareOption = Annotated[
    str, typer.Option(help='Evaluate squares of this side too, such as "100 mm".')
]
ZoneOption = Annotated[
    list[str] | None,
    typer.Option(
        help='Evaluate a zone too: "NAME: LOW to HIGH" on the scan axis, then ", LOW to HIGH" on the '
        "index axis. Repeatable."
    ),
]
CornersOption = Annotated[
    bool, typer.Option("--corners", help="Join thin areas at corners of cells too.")
]
ExtremesOption = Annotated[
    bool,
    typer.Option(
        "--extremes", help="Estimate the minimum of the area not scanned, by the squares' minima."
    ),
]
NotScannedOption = Annotated[
    str, typer.Option(help='That area, such as "3 m x 2 m"; what the plan lacks, unless given.')
]


def evaluation_wishes(
    *,
    level: Sequence[str] | None,
    lowest: int,
    apart: str,
    square: str,
    zone: Sequence[str] | None,
    corners: bool,
    extremes: bool,
    not_scanned: str,
) -> EvaluationWishes:
    """Return what the options ask for.

    Raises:
        SwatheError: the text of one is no length, area or zone.
    """
    from swathe.units import length

    return {
        "levels": level or (),
        "lowest": lowest,
        "separation": quantity("--apart", apart, length) if apart else None,
        "square": quantity("--square", square, length) if square else None,
        "zones": [zone_of(text) for text in zone or ()],
        "corners": corners,
        "extremes": extremes,
        "not_scanned": _area(not_scanned) if not_scanned else None,
    }


def _area(text: str) -> float:
    """Return the area that an option's text gives, mm².

    Raises:
        SwatheError: it gives none.
    """
    from swathe.units import length

    sides = text.split("x")
    if len(sides) != 2:
        message = f"'--not-scanned' must be two sides, such as '3 m x 2 m' (got {text!r})"
        raise SwatheError(message)
    one, other = (quantity("--not-scanned", side, length) for side in sides)
    return one * other
