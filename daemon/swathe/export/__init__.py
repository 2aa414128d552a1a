"""A survey as a file of an open format, and its readings as columns."""

from swathe.export.exporting import ExportFormat, export_survey
from swathe.export.reading_columns import readings_dataset
from swathe.export.readings import ReadingParts

__all__ = ["ExportFormat", "ReadingParts", "export_survey", "readings_dataset"]
