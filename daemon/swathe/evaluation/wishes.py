"""What is asked of an evaluation, as those who pass it on hold it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypedDict

from swathe.evaluation.zones import Zone

__all__ = ["EvaluationWishes"]


class EvaluationWishes(TypedDict, total=False):
    """Arguments of `evaluate_arrays`, which explains each; those not given have its defaults."""

    levels: Sequence[float | str]
    lowest: int
    separation: float | None
    zones: Sequence[Zone]
    square: float | None
    corners: bool
    extremes: bool
    not_scanned: float | None
