"""The PDF of a report, read back by another library; and what there is without WeasyPrint."""

from __future__ import annotations

import base64
import io
import os
import shlex
import sys
from pathlib import Path

import pytest
from pypdf import PdfReader
from typer.testing import CliRunner

from daemon.document.reports import EVERY_BLOCK, ROWS
from support.documents import Commands
from swathe.cli import main as _registered  # noqa: F401
from swathe.cli.app import app
from swathe.document import document_html, print_pdf
from swathe.document.sheet import new_sheet, sheet_png
from swathe.errors import SwatheError

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def pango() -> None:
    """Skip (fail under CI) where the system lacks what WeasyPrint needs."""
    try:
        import weasyprint  # noqa: F401
    except OSError as error:
        message = f"no pango ({error}); install Debian's libpango-1.0-0 and libpangoft2-1.0-0"
        if os.environ.get("SWATHE_REQUIRE_ALL") == "1":
            pytest.fail(message)
        pytest.skip(message)


@pytest.mark.usefixtures("pango")
@pytest.mark.parametrize(("paper", "points"), [("A4", (595, 842)), ("letter", (612, 792))])
def test_pdf_is_read_back(paper: str, points: tuple[int, int]) -> None:
    """Size of the paper, running title, page numbers, and a table whose heads are on each page."""
    pdf = PdfReader(io.BytesIO(print_pdf(document_html(EVERY_BLOCK, paper=paper))))
    pages = [page.extract_text() for page in pdf.pages]
    size = pdf.pages[0].mediabox
    assert (round(size.width), round(size.height)) == points
    assert len(pages) >= 4
    for number, page in enumerate(pages, 1):
        assert f"Page {number} of {len(pages)}" in page
        assert ("Penstock <3> · R-17" in page) is (number > 1)
    assert "Example Hydro" in pages[0]
    assert "JOURNAL DAMAGED in one place" in pages[0]
    assert all(f"{value}" in "\n".join(pages) for _, value in ROWS)
    assert len([page for page in pages if "9." in page and "mm" in page.split()]) >= 2


@pytest.mark.usefixtures("pango")
def test_nothing_outside_the_document_is_loaded(tmp_path: Path) -> None:
    """A picture of the same contents is in the PDF when it is in the HTML, not when it is a file."""
    png = sheet_png(new_sheet(20.0))
    (tmp_path / "secret.png").write_bytes(png)
    for source, count in (
        (f"data:image/png;base64,{base64.b64encode(png).decode()}", 1),
        ((tmp_path / "secret.png").as_uri(), 0),
    ):
        pdf = PdfReader(io.BytesIO(print_pdf(f'<p>x</p><img alt="x" src="{source}">')))
        assert len(pdf.pages[0].images) == count


def test_without_weasyprint_both_ways_out_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Install the extra, or print the HTML from a browser."""
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(
        SwatheError, match=r"not installed.*swathe\[pdf\].*pango.*open the HTML in a b"
    ):
        print_pdf("<p>x</p>")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--pdf"], "give --out report.html"),
        (["--fill", "client=x", "--out", "a.png"], "give --out report.html"),
        (["--fill", "client", "--out", "a.html"], "'--fill' must be NAME=TEXT"),
        (["--paper", "a7", "--out", "a.pdf"], "paper must be one of a4, letter (got 'a7')"),
        (["--line", "0 mm", "--line", "1 mm", "--out", "a.png"], "draw one --line at a time"),
        (["--cell", "0 mm", "--out", "a.html"], "--cell draws one cell"),
    ],
)
def test_options_that_make_no_document(
    survey: Path, tmp_path: Path, options: list[str], words: str
) -> None:
    """Each ends in an error that names the way out, and no file is written."""
    done = CliRunner().invoke(app, ["report", str(survey), *options])
    assert done.exit_code == 1
    assert words in str(done.exception), done.output
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("pango")
def test_the_guides_command_writes_both_files(
    survey: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """HTML and PDF next to each other; the survey's folder is as it was."""
    before = {path: path.stat().st_mtime_ns for path in survey.rglob("*")}
    monkeypatch.chdir(tmp_path)
    commands = Commands("daemon/guide/report.md")
    words = shlex.split(commands.take("swathe"))
    assert commands.left == []
    done = CliRunner().invoke(app, [str(survey) if word == survey.name else word for word in words])
    assert done.exit_code == 0, done.output
    html = Path("report.html").read_text("utf-8")
    assert "Example Hydro" in html
    assert "below 80 % of nominal (9.60 mm): 0 cells" in html
    assert "Example Hydro" in PdfReader("report.pdf").pages[0].extract_text()
    assert {path: path.stat().st_mtime_ns for path in survey.rglob("*")} == before
    missing = tmp_path / "none" / "report.html"
    done = CliRunner().invoke(app, ["report", str(survey), "--out", str(missing)])
    assert "cannot be written: No such file" in str(done.exception)
