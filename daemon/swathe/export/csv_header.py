"""The lines before the columns of a text file: what the survey is, and what each column is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TextIO

from swathe.export.source import ExportSource

__all__ = ["THICKNESS_DECIMALS", "write_header"]

THICKNESS_DECIMALS = {"mm": 4, "in": 6}
"""Decimals of a thickness by unit: a tenth of a micrometre or less, which no reading has."""


def write_header(
    file: TextIO,
    source: ExportSource,
    columns: Mapping[str, str],
    more: Mapping[str, str] | None = None,
) -> None:
    """Write the lines that begin with ``#``; the first one has their number.

    Args:
        file: takes them.
        source: the survey.
        columns: what each column is, by its name.
        more: what else is stated, by name.
    """
    stated = {**source.about(), **(more or {})}
    lines = [f"{name.replace('_', ' ')}: {text}" for name, text in stated.items()]
    lines += [f"column {name}: {text}" for name, text in columns.items()]
    file.writelines(
        f"# {' '.join(line.split())}\n" for line in [f"header lines: {len(lines) + 1}", *lines]
    )
