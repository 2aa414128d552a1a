"""A survey's report as one HTML document that prints well, and as PDF."""

from swathe.document.build import survey_document
from swathe.document.files import write_report
from swathe.document.html import document_html
from swathe.document.material import ReportWishes
from swathe.document.printing import print_pdf

__all__ = ["ReportWishes", "document_html", "print_pdf", "survey_document", "write_report"]
