"""``swathe compare OLD NEW``: what a part lost between surveys."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import Exit, app, console, errors, quantity, say, warn_unverified
from swathe.cli.zone_option import zone_of
from swathe.errors import SwatheError
from swathe.object_storage import survey_path

__all__ = ["compare", "share_of"]


@app.command()
def compare(
    surveys: Annotated[
        list[Path],
        typer.Argument(
            parser=survey_path,
            metavar="SURVEYS...",
            help="Two survey folders or URLs or more of one part, the oldest first.",
        ),
    ],
    align: Annotated[
        str,
        typer.Option(help="Pair places by the 'datum', or by the 'pattern' of the wall."),
    ] = "datum",
    shift: Annotated[
        str,
        typer.Option(
            help='Add to older places for those of the newest, such as "7 mm, -3 mm" (scan, index).'
        ),
    ] = "",
    shift_uncertainty: Annotated[
        str, typer.Option(help='Standard uncertainty of that shift, such as "2 mm".')
    ] = "",
    rotation: Annotated[
        float, typer.Option(help="Degrees about the datum, from scan to index axis.")
    ] = 0.0,
    search: Annotated[
        str, typer.Option(help="How far from there the pattern is looked for.")
    ] = "25 mm",
    search_degrees: Annotated[
        float, typer.Option(min=0.0, max=45.0, help="Likewise, of the rotation.")
    ] = 3.0,
    required: Annotated[
        str, typer.Option(help='State the remaining life to this thickness, such as "8 mm".')
    ] = "",
    shared: Annotated[
        str,
        typer.Option(
            help="Standard uncertainty that all readings of a survey share, where no record has it."
        ),
    ] = "",
    level: Annotated[
        str, typer.Option(help="Share of the cells called significant that may be so by chance.")
    ] = "5 %",
    cell: Annotated[
        str,
        typer.Option(help="Side of the cells compared; those of the coarser grid, unless given."),
    ] = "",
    zone: Annotated[
        list[str] | None,
        typer.Option(
            help='Compare a zone too: "NAME: LOW to HIGH" on the scan axis, then ", LOW to HIGH" on the '
            "index axis, in the newest survey. Repeatable."
        ),
    ] = None,
    square: Annotated[
        str, typer.Option(help='Compare squares of this side too, such as "100 mm".')
    ] = "",
    places: Annotated[
        int, typer.Option(min=0, max=1000, help="Places of strongest loss to list.")
    ] = 10,
    years: Annotated[
        float | None, typer.Option(help="Years between two surveys, where a clock was wrong.")
    ] = None,
    picture: Annotated[
        Path | None, typer.Option(help="Draw the map of differences into this PNG file.")
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print JSON: mm, mm/year, years.")
    ] = False,
) -> None:
    """Print differences, rates of loss, remaining life, and which part of it is significant.

    Nothing is written but the picture. Exit code 0: compared; 3: a record is not verified.
    """
    from swathe.comparison import DatedSurvey, compare_dated
    from swathe.report.comparison_json import comparison_json
    from swathe.report.comparison_text import comparison_parts
    from swathe.store import SurveyFolder
    from swathe.units import length

    def mm(option: str, text: str) -> float | None:
        return quantity(option, text, length) if text else None

    if align not in ("datum", "pattern"):
        message = f"'--align' must be 'datum' or 'pattern' (got {align!r})"
        raise SwatheError(message)
    known = mm("--shared", shared)
    opened = [DatedSurvey.of_folder(SurveyFolder(path), shared=known) for path in surveys]
    for one in opened:
        warn_unverified(survey_path(one.name), one.unverified)
    found = compare_dated(
        opened,
        align="pattern" if align == "pattern" else "datum",
        shift=_shift(shift),
        rotation=rotation,
        shift_uncertainty=mm("--shift-uncertainty", shift_uncertainty),
        search=mm("--search", search) or 0.0,
        search_degrees=search_degrees,
        level=share_of("--level", level),
        cell=mm("--cell", cell),
        zones=[zone_of(text) for text in zone or ()],
        square=mm("--square", square),
        required=mm("--required", required),
        places=places,
        years=years,
    )
    if as_json:
        typer.echo(comparison_json(found))
    else:
        for part in comparison_parts(found):
            if isinstance(part, str):
                say(part)
            else:
                console.print(part)
    if picture is not None:
        from swathe.report.difference_picture import draw_comparison

        draw_comparison(found, picture)
        errors.print(f"picture: {picture}", soft_wrap=True, highlight=False, markup=False)
    unverified = any(one.unverified for one in opened)
    raise typer.Exit(Exit.NOT_COVERED if unverified else Exit.OK)


def share_of(option: str, text: str) -> float:
    """Return the share that an option's text gives: ``5 %`` or ``0.05``.

    Raises:
        SwatheError: it gives none.
    """
    number = text.strip().removesuffix("%").strip()
    try:
        value = float(number) / (100 if number != text.strip() else 1)
    except ValueError as error:
        message = f"'{option}' must be a share, such as '5 %' (got {text!r})"
        raise SwatheError(message) from error
    return value


def _shift(text: str) -> tuple[float, float]:
    """Return the shift on the (scan, index) axis that an option's text gives, mm.

    Raises:
        SwatheError: it gives none.
    """
    from swathe.units import length

    if not text:
        return 0.0, 0.0
    parts = text.split(",")
    if len(parts) > 2:
        message = f"'--shift' must be one length or two, such as '7 mm, -3 mm' (got {text!r})"
        raise SwatheError(message)
    values = [quantity("--shift", part, length) for part in parts]
    return values[0], values[1] if len(values) == 2 else 0.0
