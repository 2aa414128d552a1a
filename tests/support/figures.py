"""How a benchmark hands its figures to ``python -m tests.benchmarks``: one line of its output."""

from __future__ import annotations

import json

__all__ = ["MARK", "report_figures"]

MARK = "FIGURES "


def report_figures(**figures: float) -> None:
    """Print figures for the record: each a ratio within this run, of which more is worse.

    A ratio to an alternative or to a limit in the same run holds on any machine; seconds do not.
    """
    rounded = {name: float(f"{value:.4g}") for name, value in figures.items()}
    print(MARK + json.dumps(rounded), flush=True)
