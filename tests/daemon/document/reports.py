"""A survey for the tests of its report, and the report's HTML as a strict reader sees it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

from daemon.handmade import INDEX_STEPPED, MS, START, Motion, ended, opened, station_text
from daemon.pipeline.checks.test_suspect_cells import check
from daemon.surveys import write_run
from swathe.document.model import (
    DataTable,
    DrawnPicture,
    FactList,
    Paragraph,
    ReportDocument,
    ReportSection,
    SignatureLines,
    TextLines,
)
from swathe.document.sheet import new_sheet, sheet_png
from swathe.journal import Entry, Mark, MarkKind
from swathe.store import SurveyFolder, replay, write_derived

__all__ = [
    "EVERY_BLOCK",
    "HOSTILE",
    "REPORT",
    "ROWS",
    "ReadReport",
    "entries_of",
    "hostile_text",
    "write_report_survey",
]

HOSTILE = '<script>alert(1)</script>"; } @import url(http://x/); \x1b[31m$x^2$ & </style>'
"""What a stranger may have written wherever a survey has text."""

REPORT = """
[report]
number = "R-17"
client = "Example Hydro"
procedure = "UT-4 rev. 2"
"""

ROWS = tuple((str(number), f"{10 - number / 100:.3f}") for number in range(1, 91))
"""Of a table that is longer than a page."""

EVERY_BLOCK = ReportDocument(
    title="Ultrasonic thickness survey",
    subject="Penstock <3>",
    running="Penstock <3> · R-17",
    warnings=("JOURNAL DAMAGED in one place",),
    cover=FactList((("Client", "Example Hydro"), ("Site", ""))),
    cautions=("Acceptance is for the responsible engineer.",),
    sections=(
        ReportSection(
            "Summary",
            (
                Paragraph("Nothing was seen."),
                Paragraph("Take care.", "caution"),
                Paragraph("In small letters.", "note"),
                TextLines(("one", "    of one", "two")),
                FactList((("Minimum", "7.000 mm"), ("By hand", ""))),
                DrawnPicture(
                    sheet_png(new_sheet(40.0)), 170.0, 40.0, "A picture.", "Nothing drawn"
                ),
            ),
        ),
        ReportSection("Places", (DataTable("Lowest places", ("no.", "mm"), ROWS, (True, False)),)),
        ReportSection("Signatures", (SignatureLines((("Examiner", "A. Kern"), ("Reviewer", ""))),)),
    ),
)
"""A document with every kind of block."""

_VOID = frozenset({"meta", "img", "br", "link"})


def hostile_text(more: str = REPORT) -> str:
    """Return a station file with two lines, an excluded zone and a mark, and hostile names."""
    name = HOSTILE.replace("\\", "\\\\").replace('"', '\\"').replace("\x1b", "\\u001b")[:80]
    zone = f'[[exclude]]\nname = "{name}"\nscan = ["14 mm", "16 mm"]\nindex = ["0 mm", "1 mm"]\n'
    mark = f'[[mark]]\nname = "{name}"\nscan = "2 mm"\n'
    survey = (
        f'part = "{name}"\noperator = "{name}"\nnominal_thickness = "12 mm"\nalert_below = "8 mm"'
    )
    index = INDEX_STEPPED.format(length=1, advance="command")
    return station_text(scan_length=20, survey=survey, index=index, exclude=zone + mark) + more


def entries_of(text: str) -> Iterator[Entry]:
    """Yield two lines: a pit and a silence on the first, a failed check behind the second."""

    def wall(ms: int) -> float | str:
        if 500 <= ms < 700:
            return "N"
        return 7.0 if 900 <= ms < 960 else 12.0 - ms / 10_000

    yield opened(text)
    yield from Motion(lambda ms: (ms / 70,), wall, 1, 1400, reading_ms=10).entries()
    yield Mark(START + 1401 * MS, MarkKind.NOTE, {"text": HOSTILE, "by": HOSTILE})
    yield Mark(START + 1402 * MS, MarkKind.LINE, {"line": 1, "by": "crew"})
    yield from check(1403, {12.0: 12.01, 5.0: 5.02})
    second = Motion(lambda ms: ((ms - 1650) / 20,), lambda ms: 11.5 + ms % 7 / 100, 1650, 2050)
    yield from second.entries()
    yield from check(2060, {12.0: 12.4, 5.0: 5.02})
    yield ended(START + 3000 * MS)


def write_report_survey(path: Path, text: str) -> SurveyFolder:
    """Write a survey with its derived files and return it."""
    folder = SurveyFolder(path)
    with folder:
        write_run(folder, entries_of(text))
        write_derived(folder, replay(folder))
    return folder


@dataclass
class ReadReport(HTMLParser):
    """A report's HTML: every element is closed in its order, and nothing is loaded or run.

    Attributes:
        texts: what a person reads, element by element.
        rows: cells of each table row.
        elements: names of all elements with their attributes.
    """

    texts: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    elements: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    _open: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        HTMLParser.__init__(self)

    @classmethod
    def of(cls, html: str) -> ReadReport:
        """Return the report in a text."""
        report = cls()
        report.feed(html)
        report.close()
        assert report._open == []
        return report

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take the begin of an element."""
        self.elements.append((tag, dict(attrs)))
        if tag not in _VOID:
            self._open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        """Take the end of an element."""
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        """Take text."""
        if not self._open or self._open[-1] == "style":
            return
        if data.strip():
            self.texts.append(data.strip())
        if self._open[-1] in ("td", "th"):
            self.rows[-1][-1] += data.strip()

    @property
    def text(self) -> str:
        """All texts."""
        return "\n".join(self.texts)
