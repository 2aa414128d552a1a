"""An evaluation as JSON for programs: lengths in mm, areas in mm², shares in per cent."""

from __future__ import annotations

import json
import math
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

from swathe.evaluation import Evaluation
from swathe.messages import Extent

__all__ = ["evaluation_json"]


def evaluation_json(found: Evaluation) -> str:
    """Return an evaluation as JSON; what is not known is null.

    What the record has of the survey is in it as there: the minimum with its place and interval, the
    uncertainty of a reading and of the places, what the beam covered, the open gaps; of several probes what is known of each, and by
    how much they differ.
    """
    document = _plain(found)
    record = found.record
    if record is not None:
        kept = record.model_dump(mode="json", by_alias=True)
        progress = {key: one for key, one in kept["progress"].items() if key.startswith("minimum")}
        document["record"] = {
            "station": record.station,
            "survey": record.survey,
            "part": record.part,
            "status": record.status,
            "target_reached": record.target_reached,
            "percent": record.progress.percent,
            **progress,
            **{
                name: kept[name]
                for name in ("minimum_interval", "uncertainty", "place", "footprint_percent")
            },
            **({"probes": kept["progress"]["probes"]} if record.progress.probes else {}),
            **({"overlaps": kept["overlaps"]} if record.overlaps else {}),
            "open_gaps": len(record.open_gaps),
            "line_profile": record.plan is not None and record.plan.profile,
        }
    return json.dumps(document, indent=1, allow_nan=False)


def _plain(value: Any) -> Any:  # noqa: ANN401  any part of an evaluation
    """Return a value as JSON knows it."""
    if isinstance(value, Extent):
        return {"from": value.low, "to": value.high}
    if is_dataclass(value):
        return {
            one.name: _plain(getattr(value, one.name))
            for one in fields(value)
            if one.name != "record"
        }
    if isinstance(value, dict):
        return {
            f"{key:g}" if isinstance(key, float) else str(key): _plain(one)
            for key, one in value.items()
        }
    if isinstance(value, np.ndarray):
        return [_plain(one) for one in value.tolist()]
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
