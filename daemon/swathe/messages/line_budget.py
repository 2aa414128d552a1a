"""A line with very many stretches in one message of bounded size: the closest stretches are joined."""

from __future__ import annotations

import numpy as np

from swathe.messages.base import Heading
from swathe.messages.models import LineMessage
from swathe.pipeline.progress.fields import Extent
from swathe.pipeline.progress.snapshots import LineSnapshot

__all__ = ["MOST_STRETCHES", "line_message"]

MOST_STRETCHES = 200
"""Stretches that a line message has at most: about 8 kB, and more than any map draws apart."""


def line_message(line: LineSnapshot, heading: Heading, *, resolution: float) -> LineMessage:
    """Return the message of a line; beyond `MOST_STRETCHES` its closest stretches are joined.

    Joined stretches have all cells that are not measured, and `joined` cells more.

    Args:
        line: with all its stretches, rising and apart.
        heading: of the message.
        resolution: width of a cell, mm.
    """
    missing = line.missing
    if len(missing) <= MOST_STRETCHES:
        return LineMessage.of(line, heading)
    ends = np.array([(one.low, one.high) for one in missing])
    between = ends[1:, 0] - ends[:-1, 1]
    # Of equal ones the first are joined, so that the same line has the same message.
    joined = np.argsort(between, kind="stable")[: len(missing) - MOST_STRETCHES]
    apart = np.ones(between.size, bool)
    apart[joined] = False
    lows = ends[np.concatenate(([True], apart)), 0]
    highs = ends[np.concatenate((apart, [True])), 1]
    stretches = tuple(
        Extent(low=low, high=high) for low, high in zip(lows.tolist(), highs.tolist(), strict=True)
    )
    cells = int(np.rint(between[joined] / resolution).sum())
    return LineMessage.of(line.model_copy(update={"missing": stretches}), heading, joined=cells)
