"""A report as one HTML document: nothing is loaded, nothing is run, and all texts are escaped."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from html import escape
from importlib import resources

from swathe.document.model import (
    DataTable,
    DrawnPicture,
    FactList,
    Paragraph,
    ReportBlock,
    ReportDocument,
    ReportSection,
    SignatureLines,
    TextLines,
)
from swathe.printable import printable

__all__ = ["document_html"]

# Nothing but pictures within the document: a text that was not escaped could still do nothing.
_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
# A table with so many rows or fewer is kept on one page.
_KEPT_TOGETHER = 14
# Below a longer cover there is no room for the contents on its page: they are on the next one.
_MOST_COVER_LINES = 18
# A longer word of a table is broken where its column ends, instead of making the column wider.
_LONGEST_WORD = 24


def document_html(document: ReportDocument, *, paper: str = "") -> str:
    """Return a report as HTML.

    Args:
        document: the report.
        paper: size of the pages, such as ``A4``, ``letter``; that of the printer unless given.
    """
    style = resources.files("swathe.document").joinpath("style.css").read_text("utf-8")
    style = style.replace('"RUNNING"', _css_text(document.running))
    size = f"@page {{ size: {paper}; }}\n" if paper else ""
    parts = [
        "<!doctype html>",
        '<html lang="en">',
        "<head>",
        '<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{escape(_POLICY)}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<meta name="generator" content="swathe">',
        f"<title>{_text(f'{document.title}: {document.subject}')}</title>",
        f"<style>\n{size}{style}</style>",
        "</head>",
        "<body>",
        *_cover(document),
        "<main>",
        *(_contents(document) if _cover_lines(document) > _MOST_COVER_LINES else ()),
        *(
            part
            for number, one in enumerate(document.sections, 1)
            for part in _section(number, one)
        ),
        "</main>",
        "</body>",
        "</html>",
    ]
    return "\n".join(parts) + "\n"


def _text(text: str) -> str:
    """Return a text for HTML: control characters shown as escapes, markup as text."""
    return escape(printable(text))


def _css_text(text: str) -> str:
    """Return a text as a string of CSS, in which every character but plain letters is escaped."""
    return '"{}"'.format(
        "".join(
            letter if letter.isascii() and letter.isalnum() else f"\\{ord(letter):06x} "
            for letter in printable(text)
        )
    )


def _cover(document: ReportDocument) -> Iterator[str]:
    yield '<header class="cover">'
    yield f'<p class="kind">{_text(document.title)}</p>'
    yield f"<h1>{_text(document.subject)}</h1>"
    if document.warnings:
        yield '<div class="state"><p class="head">State of the data</p><ul>'
        yield from (f"<li>{_text(text)}</li>" for text in document.warnings)
        yield "</ul></div>"
    yield _facts(document.cover)
    yield from (f'<p class="caution">{_text(text)}</p>' for text in document.cautions)
    if _cover_lines(document) <= _MOST_COVER_LINES:
        yield from _contents(document)
    yield "</header>"


def _cover_lines(document: ReportDocument) -> int:
    """Return about how many lines the cover has, in the letters of its entries."""
    entries = sum(-(-len(value) // 62) or 1 for _, value in document.cover.facts)
    warnings = sum(-(-len(text) // 80) for text in document.warnings)
    return entries + warnings + 2 * (len(document.subject) // 36)


def _contents(document: ReportDocument) -> Iterator[str]:
    yield '<nav class="contents" aria-label="Contents"><h2>Contents</h2><ol>'
    for number, section in enumerate(document.sections, 1):
        yield f'<li><a href="#s{number}">{_text(section.title)}</a></li>'
    yield "</ol></nav>"


def _section(number: int, section: ReportSection) -> Iterator[str]:
    yield f'<section aria-labelledby="s{number}">'
    yield f'<h2 id="s{number}"><span class="number">{number}</span> {_text(section.title)}</h2>'
    for block in section.blocks:
        yield _block(block)
    yield "</section>"


def _block(block: ReportBlock) -> str:
    match block:
        case Paragraph():
            name = "" if block.kind == "plain" else f' class="{block.kind}"'
            return f"<p{name}>{_text(block.text)}</p>"
        case TextLines():
            return "\n".join(("<ul>", *_items(block), "</ul>"))
        case FactList():
            return _facts(block)
        case DataTable():
            return "\n".join(_table(block))
        case DrawnPicture():
            return _picture(block)
        case SignatureLines():
            return "\n".join(_signatures(block))


def _items(block: TextLines) -> Iterator[str]:
    for line in block.lines:
        name = ' class="below"' if line.startswith("    ") else ""
        yield f"<li{name}>{_text(line.strip())}</li>"


def _facts(block: FactList) -> str:
    rows = "\n".join(
        f'<tr><th scope="row">{_text(name)}</th>'
        + (f"<td>{_text(value)}</td></tr>" if value else '<td class="fill">&nbsp;</td></tr>')
        for name, value in block.facts
    )
    return f'<table class="facts">\n{rows}\n</table>'


def _table(table: DataTable) -> Iterator[str]:
    kept = " kept" if len(table.rows) <= _KEPT_TOGETHER else ""
    yield f'<div class="wide" role="group" tabindex="0" aria-label="{_text(table.caption)}">'
    yield f'<table class="data{kept}"><caption>{_text(table.caption)}</caption>'
    heads = "".join(
        f'<th scope="col"{_words(words)}>{_text(head)}</th>'
        for head, words in zip(table.heads, table.words, strict=True)
    )
    yield f"<thead><tr>{heads}</tr></thead><tbody>"
    for row in table.rows:
        cells = "".join(
            f"<td{_words(words, cell)}>{_text(cell)}</td>"
            for cell, words in zip(row, table.words, strict=True)
        )
        yield f"<tr>{cells}</tr>"
    yield "</tbody></table></div>"


def _words(words: bool, text: str = "") -> str:
    """Return the attribute of a cell: whether it holds words, and whether one has to be broken."""
    long = any(len(word) > _LONGEST_WORD for word in text.split())
    names = ["words"] * words + ["long"] * long
    return f' class="{" ".join(names)}"' if names else ""


def _picture(picture: DrawnPicture) -> str:
    data = base64.b64encode(picture.png).decode()
    return (
        f'<figure><img alt="{_text(picture.alternative)}" src="data:image/png;base64,{data}" '
        f'style="width: {picture.width:.2f}mm">'
        f"<figcaption>{_text(picture.caption)}</figcaption></figure>"
    )


def _signatures(block: SignatureLines) -> Iterator[str]:
    yield '<table class="signatures"><thead><tr>'
    yield from (f'<th scope="col">{head}</th>' for head in ("Role", "Name", "Date", "Signature"))
    yield "</tr></thead><tbody>"
    for role, name in block.roles:
        shown = _text(name) or "&nbsp;"
        yield f'<tr><th scope="row">{_text(role)}</th><td>{shown}</td><td>&nbsp;</td><td>&nbsp;</td></tr>'
    yield "</tbody></table>"
