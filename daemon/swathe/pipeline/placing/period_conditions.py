"""Whether the records of a device come with the period that the station file has."""

from __future__ import annotations

from collections.abc import Sequence

from swathe.pipeline.placing.conditions import Condition
from swathe.pipeline.placing.pulses import PulseTimes
from swathe.pipeline.placing.timing import TimeBase
from swathe.station import AlarmKind

__all__ = ["period_conditions"]


def period_conditions(
    bases: Sequence[TimeBase | None], given: float | None, name: str
) -> list[Condition]:
    """Return the changes since the last call: where the period of the records is another one.

    Args:
        bases: time bases of the device; what they report is taken from them.
        given: period that the station file has, ns; None if it has none.
        name: of the device.
    """
    found: list[Condition] = []
    for base in bases:
        if not isinstance(base, PulseTimes) or given is None:
            continue
        for known, period in base.contradictions:
            detail = ""
            if period is not None:
                detail = (
                    f"{name}: a record every {period / 1e6:.4f} ms, "
                    f"not every {given / 1e6:g} ms as the station file has it"
                )
            found.append(Condition(AlarmKind.PERIOD, name, known, period is not None, detail))
        base.contradictions.clear()
    return found
