"""The report as PDF: the same HTML, printed by WeasyPrint."""

from __future__ import annotations

from swathe.errors import SwatheError

__all__ = ["print_pdf"]


def print_pdf(html: str) -> bytes:
    """Return a report's HTML as PDF; nothing outside the document is loaded.

    Raises:
        SwatheError: WeasyPrint or a library that it needs is not installed.
    """
    try:
        from weasyprint import HTML
        from weasyprint.urls import URLFetcher
    except (ImportError, OSError) as error:
        message = (
            f"PDF is not possible here: {_reason(error)}. Install the extra: `pip install "
            "'swathe[pdf]'`, with the system's pango (Debian: libpango-1.0-0, libpangoft2-1.0-0); or "
            "open the HTML in a browser and print it to PDF"
        )
        raise SwatheError(message) from error
    # Pictures are within the document; anything else that a text could name is not loaded.
    fetcher = URLFetcher(allowed_protocols=("data",))
    return bytes(HTML(string=html, url_fetcher=fetcher).write_pdf())


def _reason(error: ImportError | OSError) -> str:
    if isinstance(error, ImportError):
        return "WeasyPrint is not installed"
    return f"a library of the system is missing ({str(error).splitlines()[0]})"
