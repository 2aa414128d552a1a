"""The spot that is to be read, as text for the board."""

from __future__ import annotations

from swathe.display_units import MILLIMETRES, DisplayUnits
from swathe.pipeline import SpotNowSnapshot
from swathe.pipeline.progress.fields import number_text

__all__ = ["spot_lines"]

_BAR = 10


def spot_lines(
    now: SpotNowSnapshot, *, keys: bool = True, units: DisplayUnits = MILLIMETRES
) -> list[str]:
    """Return the next spot, what the gauge reads, and what is done, a line each.

    Args:
        now: the spot and the gauge.
        keys: whether the reading is taken by a key of this board.
        units: in which thicknesses are written.
    """
    if now.spot is None:
        head = "no spot is left to read"
    else:
        head = f"next: {now.spot} (spot {now.number} of {now.spots})"
        head += f" · {now.place}" if now.place else ""
        if now.nominal is not None:
            head += f" · nominal {units.with_unit(number_text(now, 'nominal', units))}"
        if now.couplings > 1:
            head += f" · {now.counted} of {now.couplings} readings"
    done = [f"{now.done} of {now.spots} done"]
    done += [f"{now.jumpy} jumpy"] if now.jumpy else []
    done += [f"{now.closed} closed"] if now.closed else []
    return [head, _gauge_line(now, units, keys=keys), " · ".join(done)]


def _gauge_line(now: SpotNowSnapshot, units: DisplayUnits, *, keys: bool) -> str:
    """Return what the gauge reads, how far it spreads, and what to do."""
    if now.value is None:
        return f"gauge: – · {now.reason}"
    filled = _BAR
    if now.spread is not None:
        filled = max(0, min(_BAR, round(_BAR * (1 - now.spread / (2 * now.limit)))))
    bar = "█" * filled + "░" * (_BAR - filled)
    spread, limit = (number_text(now, name, units) for name in ("spread", "limit"))
    spread = f"spread {spread} of {units.with_unit(limit)}"
    if not now.lifted:
        state = "lift the probe: this place was read already"
    elif not now.enough:
        state = now.reason
    elif now.steady:
        state = "STEADY: Enter takes it" if keys else "steady"
    else:
        state = "NOT STEADY: wait; Enter keeps it as jumpy" if keys else "not steady"
    value = units.with_unit(number_text(now, "value", units))
    return f"gauge: {value} {bar} {spread} · {state}"
