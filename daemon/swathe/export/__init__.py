"""A survey as a file of an open format."""

from swathe.export.exporting import ExportFormat, export_survey

__all__ = ["ExportFormat", "export_survey"]
