"""The report in a browser: accessible, nothing loaded, and not wider than a phone."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.document.reports import EVERY_BLOCK
from support.browser import Browser, axe_source
from swathe.document import document_html

pytestmark = pytest.mark.slow


def test_document_is_accessible(tmp_path: Path) -> None:
    """axe-core finds no violation of any kind; the browser complains of nothing."""
    axe = axe_source()
    file = tmp_path / "report.html"
    file.write_text(document_html(EVERY_BLOCK), "utf-8")
    with Browser() as browser:
        for width in (1280, 390):
            browser.shape(width, 900)
            browser.open(file.as_uri())
            browser.run(axe)
            found = browser.run_to_end(
                "const done = arguments[arguments.length - 1];"
                "axe.run(document, {resultTypes: ['violations']}).then(done, (e) => done(String(e)))"
            )
            assert [(one["id"], one["nodes"]) for one in found["violations"]] == []
            assert browser.run("return document.documentElement.scrollWidth <= window.innerWidth")
            loaded = browser.run(
                "return performance.getEntriesByType('resource').map((e) => e.name)"
            )
            assert [name for name in loaded if not name.startswith("data:")] == []
            assert browser.complaints() == []
