"""A survey's report as files, HTML and PDF by their names."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from swathe.document.build import survey_document
from swathe.document.html import document_html
from swathe.document.material import ReportWishes
from swathe.document.printing import print_pdf
from swathe.errors import SwatheError
from swathe.store import SurveyFolder, read_verified_record

__all__ = ["write_report"]

_HTML = (".html", ".htm")
_PDF = ".pdf"
_PAPERS = {"a4": "A4", "letter": "letter"}


def write_report(
    folder: SurveyFolder, paths: Sequence[Path], wishes: ReportWishes, *, paper: str = ""
) -> None:
    """Write the report of a survey into files; one that is there is replaced.

    Args:
        folder: the survey.
        paths: of files whose names end in ``.html``, ``.htm`` or ``.pdf``.
        wishes: what is asked of the report.
        paper: of the PDF: ``a4`` or ``letter``; by the survey's unit if empty.

    Raises:
        SurveyError: the record is missing or is not the one that was written, or a line that is
            asked for is outside the survey.
        SwatheError: a wish is none, there is no such paper, a name ends otherwise, or a file cannot
            be written.
    """
    for path in paths:
        if path.suffix.lower() not in (*_HTML, _PDF):
            message = f"a report is .html or .pdf, by the name of its file (got '{path}')"
            raise SwatheError(message)
    metric = read_verified_record(folder).record.display.is_metric
    size = _PAPERS.get(paper.lower() or ("a4" if metric else "letter"))
    if size is None:
        message = f"paper must be one of {', '.join(_PAPERS)} (got {paper!r})"
        raise SwatheError(message)
    document = survey_document(folder, wishes)
    for path in paths:
        if path.suffix.lower() == _PDF:
            data = print_pdf(document_html(document, paper=size))
        else:
            data = document_html(document).encode()
        try:
            path.write_bytes(data)
        except OSError as error:
            message = f"{path} cannot be written: {error.strerror}"
            raise SwatheError(message) from error
