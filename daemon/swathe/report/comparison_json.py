"""A comparison as JSON for programs: lengths in mm, rates in mm/year, times in years."""

from __future__ import annotations

import json
import math
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

from swathe.comparison import (
    Comparison,
    DatedSurvey,
    PairComparison,
    PartComparison,
    PartDifference,
    Registration,
    SurveyDate,
)

__all__ = ["comparison_json", "plain"]


def comparison_json(found: Comparison) -> str:
    """Return a comparison as JSON; what is not known is null, and so is an end that is not bounded.

    The maps are not in it: `Comparison.dataset` has them.
    """
    document = {
        "surveys": [plain(one) for one in found.surveys],
        "pairs": [plain(pair) for pair in found.pairs],
        "whole": plain(found.whole),
        "zones": plain(found.zones),
        "squares": plain(found.squares),
        "places": plain(found.places),
        "separation": found.separation,
        "required": found.required,
        "coverage": found.coverage,
    }
    return json.dumps(document, indent=1, allow_nan=False)


def plain(value: Any) -> Any:  # noqa: ANN401  any part of a comparison
    """Return a value as JSON knows it."""
    if isinstance(value, DatedSurvey):
        record = value.record
        return {
            "name": value.name,
            "part": None if record is None else record.part,
            "begin": value.begin.isoformat(),
            "end": value.end.isoformat(),
            "clock_notes": list(value.clock_notes),
            "unverified": value.unverified,
        }
    if isinstance(value, SurveyDate):
        return {
            "name": value.name,
            "part": value.part,
            "begin": value.begin.isoformat(),
            "end": value.end.isoformat(),
            "clock_notes": list(value.clock_notes),
            "unverified": value.unverified,
        }
    if isinstance(value, Registration):
        scan, index, turn = value.standard
        return {
            "basis": value.basis,
            "scan": value.scan,
            "index": value.index,
            "rotation_degrees": value.rotation,
            "centre": list(value.centre),
            "standard": {"scan": scan, "index": index, "rotation_degrees": turn}
            if value.stated
            else None,
        }
    if isinstance(value, PairComparison):
        return _pair(value)
    if isinstance(value, PartDifference):
        return {
            name: plain(getattr(value, name))
            for name in (
                "required", "pairs", "not_later", "not_earlier", "mean", "loss", "growth", "lowest",
            )
        }  # fmt: skip
    if isinstance(value, PartComparison):
        return {
            "name": value.area.name,
            "scan": list(value.area.scan),
            "index": list(value.area.index),
            **{
                one.name: plain(getattr(value, one.name))
                for one in fields(value)
                if one.name != "area"
            },
        }
    if is_dataclass(value):
        return {one.name: plain(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    if isinstance(value, np.ndarray):
        return [plain(one) for one in value.tolist()]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _pair(pair: PairComparison) -> dict[str, Any]:
    one = pair.differences
    sides = [one.later.scan.resolution, one.later.index.resolution]
    stated = not one.missing
    return {
        "earlier": pair.earlier,
        "later": pair.later,
        "years": pair.years,
        "registration": plain(pair.registration),
        "pattern": plain(pair.pattern),
        "cell": sides,
        "false_discovery_rate": pair.level,
        "shared_standard": float(np.nanmean(one.shared)) if stated else None,
        "cell_standard": float(np.nanmedian(one.standard)) if stated else None,
        "scatter": one.scatter,
        "joined": one.joined,
        "no_interval_because": one.missing,
        "earlier_cells_outside": pair.earlier_outside,
        "notes": list(pair.notes),
    }
