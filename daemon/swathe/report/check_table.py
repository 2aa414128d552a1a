"""A check of the calibration as a table."""

from __future__ import annotations

import math

from rich.table import Table

from swathe.pipeline import Check

__all__ = ["check_table"]


def check_table(check: Check) -> Table:
    """Return what a check read on each step, mm."""
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("step mm", "read mm", "deviation mm", "spread mm", "readings"):
        table.add_column(heading, justify="right")
    table.add_column("")
    for step in check.steps:
        good = abs(step.deviation) <= check.tolerance
        table.add_row(
            f"{step.thickness:.3f}",
            _number(step.found, ".3f"),
            _number(step.deviation, "+.3f"),
            _number(step.spread, ".3f"),
            str(step.readings),
            "" if good else f"beyond {check.tolerance:g} mm",
        )
    return table


def _number(value: float, form: str) -> str:
    return "–" if math.isnan(value) else format(value, form)
