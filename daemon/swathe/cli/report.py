"""``swathe report SURVEY...``: surveys as text, and drawings of a line or a cell."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import Exit, app, console, quantity, say, warn_unverified
from swathe.cli.evaluation_options import (
    ApartOption,
    CornersOption,
    ExtremesOption,
    LevelOption,
    LowestOption,
    NotScannedOption,
    SquareOption,
    ZoneOption,
    evaluation_wishes,
)
from swathe.errors import SwatheError
from swathe.object_storage import survey_path

if TYPE_CHECKING:
    from swathe.store import SurveyFolder

__all__ = ["report"]

_LOWEST = 10


@app.command()
def report(
    survey: Annotated[
        list[Path],
        typer.Argument(
            parser=survey_path,
            metavar="SURVEY...",
            help="Survey folders or URLs, or folders with surveys below them.",
        ),
    ],
    line: Annotated[
        list[str] | None,
        typer.Option(
            help='Draw the line at this index position, such as "48 mm"; in a document, repeatable.'
        ),
    ] = None,
    cell: Annotated[
        str, typer.Option(help='Draw the A-scan of the cell at "SCAN, INDEX", or of the spot NAME.')
    ] = "",
    out: Annotated[
        Path | None,
        typer.Option(help="File of the drawing; or of the report as a document, .html or .pdf."),
    ] = None,
    pdf: Annotated[
        bool,
        typer.Option("--pdf", help="Write the document as PDF too, next to the HTML of --out."),
    ] = False,
    fill: Annotated[
        list[str] | None,
        typer.Option(
            help='Fill in an entry of the cover, such as "client=Example Hydro"; instead of the station '
            "file's [report]. Repeatable."
        ),
    ] = None,
    level: LevelOption = None,
    lowest: LowestOption = _LOWEST,
    apart: ApartOption = "",
    square: SquareOption = "",
    zone: ZoneOption = None,
    corners: CornersOption = False,
    extremes: ExtremesOption = False,
    not_scanned: NotScannedOption = "",
    paper: Annotated[
        str, typer.Option(help="Of the PDF: a4 or letter; by the survey's unit unless given.")
    ] = "",
) -> None:
    """Print coverage, calibration, checks and the minimum thickness with its uncertainty.

    With --out FILE.html or FILE.pdf, write the whole report as a document, which evaluates the cells
    as `swathe evaluate` does; the alert level is the level unless one is given. Of several surveys, a
    list comes first. Exit code 5: a journal is damaged.
    """
    from swathe.cli.report_file import entries_of, wants_document, write_document
    from swathe.report.cell_picture import draw_cell
    from swathe.report.section import draw_line
    from swathe.store import read_verified_record, unverified_reason
    from swathe.units import length

    folders = _surveys(survey)
    folder = folders[0]
    asked = fill, paper, level, apart, square, zone, corners, extremes, not_scanned
    others = any(asked) or lowest != _LOWEST
    document = wants_document(out, pdf=pdf, others=others)
    if (line or cell or document) and len(folders) > 1:
        message = "a drawing or a document is of one survey: name its folder"
        raise SwatheError(message)
    lines = [quantity("--line", text, length) for text in line or ()]
    if line and cell:
        message = "draw one of --line and --cell at a time"
        raise SwatheError(message)
    for one in folders:
        warn_unverified(one.path, unverified_reason(one))
    if document and out is not None:
        from swathe.document import ReportWishes

        if cell:
            message = "--cell draws one cell: a document has the A-scans of the lowest places"
            raise SwatheError(message)
        evaluation = evaluation_wishes(
            level=level, lowest=lowest, apart=apart, square=square, zone=zone, corners=corners,
            extremes=extremes, not_scanned=not_scanned,
        )  # fmt: skip
        wishes = ReportWishes(fill=entries_of(fill or ()), evaluation=evaluation, lines=lines)
        damaged = write_document(folder, out, wishes, pdf=pdf, paper=paper)
        raise typer.Exit(Exit.JOURNAL_DAMAGED if damaged else Exit.OK)
    if len(lines) > 1:
        message = "draw one --line at a time; a document, as in --out report.html, takes several"
        raise SwatheError(message)
    if lines:
        drawn = draw_line(folder, lines[0], out)
    elif cell:
        spots = {spot.name: spot.number for spot in read_verified_record(folder).record.spots}
        scan, comma, index = cell.partition(",")
        if not comma:
            index = "0 mm"  # a line profile has one line
        if (number := spots.get(cell)) is not None:
            position = (float(number), 0.0)
        else:
            position = (quantity("--cell", scan, length), quantity("--cell", index, length))
        drawn = draw_cell(folder, *position, out)
    else:
        damaged = _print(folders, survey[0])
        raise typer.Exit(Exit.JOURNAL_DAMAGED if damaged else Exit.OK)
    say(f"drawing: {drawn}")


def _surveys(paths: list[Path]) -> list[SurveyFolder]:
    """Return the surveys that are meant: each folder, or those below it if it is none.

    Raises:
        SurveyError: a path leads to no survey.
    """
    from swathe.store import SurveyFolder, surveys_below

    found: list[SurveyFolder] = []
    for path in paths:
        folder = SurveyFolder(path)
        below = [] if folder.begun or not path.is_dir() else list(surveys_below(path))
        if not below:
            folder.require()
        found += below or [folder]
    return found


def _print(folders: list[SurveyFolder], below: Path) -> bool:
    """Print one survey, or a list of several and then each; return whether a journal is damaged."""
    from swathe.report.survey_list import set_line, survey_rows, surveys_table

    if len(folders) == 1:
        return _print_one(folders[0])
    rows = survey_rows(folders, below)
    console.print(surveys_table(rows))
    say(set_line(rows))
    damaged = False
    for folder, row in zip(folders, rows, strict=True):
        say(f"\n{row.folder}", style="bold")
        if row.problem:
            say(row.problem)
            continue
        damaged |= _print_one(folder)
    return damaged


def _print_one(folder: SurveyFolder) -> bool:
    """Print a survey; return whether its journal is damaged."""
    from swathe.report import survey_lines
    from swathe.store import damage_since, ending_text, read_verified_record

    record = read_verified_record(folder).record
    for text in survey_lines(record):
        say(text)
    if text := ending_text(folder, record):
        say(text)
    unlisted = damage_since(folder, record)
    for text in unlisted:
        say(text, style="bold")
    return bool(record.journal_damage or unlisted)
