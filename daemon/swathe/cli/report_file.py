"""The files that ``swathe report --out`` writes: the report as HTML and as PDF."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from swathe.cli.app import say
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe.document import ReportWishes
    from swathe.store import SurveyFolder

__all__ = ["entries_of", "wants_document", "write_document"]

_HTML = (".html", ".htm")
_PDF = ".pdf"


def wants_document(out: Path | None, *, pdf: bool, others: bool) -> bool:
    """Return whether a document is asked for.

    Args:
        out: the file that is to be written.
        pdf: whether PDF is asked for.
        others: whether an option of documents is given.

    Raises:
        SwatheError: it is, and there is no name for it.
    """
    ending = "" if out is None else out.suffix.lower()
    if ending in (*_HTML, _PDF):
        return True
    if pdf or others:
        message = "a document needs its file: give --out report.html, or --out report.pdf"
        raise SwatheError(message)
    return False


def entries_of(fill: Sequence[str]) -> dict[str, str]:
    """Return the entries of the cover that options give.

    Raises:
        SwatheError: one is none.
    """
    entries = {}
    for text in fill:
        name, sign, value = text.partition("=")
        if not sign:
            message = f"'--fill' must be NAME=TEXT, such as 'client=Example Hydro' (got {text!r})"
            raise SwatheError(message)
        entries[name.strip()] = value.strip()
    return entries


def write_document(
    folder: SurveyFolder, out: Path, wishes: ReportWishes, *, pdf: bool, paper: str
) -> bool:
    """Write the report of a survey; return whether its journal is damaged.

    Args:
        folder: the survey.
        out: file of the HTML, or of the PDF.
        wishes: what is asked of the report.
        pdf: whether to write a PDF next to the HTML.
        paper: its size, `a4` or `letter`; by the survey's unit if empty.

    Raises:
        SwatheError: the report cannot be made or written.
    """
    from swathe.document import write_report
    from swathe.store import damage_since, read_verified_record

    paths = list(dict.fromkeys([out, out.with_suffix(_PDF)] if pdf else [out]))
    write_report(folder, paths, wishes, paper=paper)
    for path in paths:
        say(f"report: {path}")
    record = read_verified_record(folder).record
    return bool(record.journal_damage or damage_since(folder, record))
