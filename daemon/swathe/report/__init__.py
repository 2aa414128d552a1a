"""Pictures and tables of a survey.

Drawings are imported from their own modules (`picture`, `section`, `plan_picture`): what draws takes
a moment to import, and a run draws nothing.
"""

from swathe.report.blockmap import block_map
from swathe.report.clusters import Cluster, cluster_gaps
from swathe.report.gap_table import gaps_json, gaps_table, summary_line
from swathe.report.summary import survey_lines

__all__ = [
    "Cluster",
    "block_map",
    "cluster_gaps",
    "gaps_json",
    "gaps_table",
    "summary_line",
    "survey_lines",
]
