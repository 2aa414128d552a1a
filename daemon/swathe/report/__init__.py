"""Pictures and tables of a survey.

Drawings are imported from their own modules (`picture`, `section`, `plan_picture`): what draws takes
a moment to import, and a run draws nothing.
"""

from swathe.report.checks import due_after, due_before, failed_in_force
from swathe.report.damage import damage_lines
from swathe.report.gap_table import gaps_json, gaps_table, summary_line
from swathe.report.spots import spots_table
from swathe.report.styles import MOTION_CAUTION
from swathe.report.summary import survey_lines, times

__all__ = [
    "MOTION_CAUTION",
    "damage_lines",
    "due_after",
    "due_before",
    "failed_in_force",
    "gaps_json",
    "gaps_table",
    "spots_table",
    "summary_line",
    "survey_lines",
    "times",
]
