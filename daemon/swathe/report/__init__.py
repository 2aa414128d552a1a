"""Pictures and tables of a survey."""

from swathe.report.blockmap import block_map
from swathe.report.clusters import Cluster, cluster_gaps
from swathe.report.gap_table import gaps_json, gaps_table, summary_line
from swathe.report.picture import draw_survey
from swathe.report.summary import survey_lines

__all__ = [
    "Cluster",
    "block_map",
    "cluster_gaps",
    "draw_survey",
    "gaps_json",
    "gaps_table",
    "summary_line",
    "survey_lines",
]
