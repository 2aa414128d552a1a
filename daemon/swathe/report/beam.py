"""What the probe's beam has covered, as lines of a report."""

from __future__ import annotations

from swathe.store import SurveyRecord

__all__ = ["beam_lines"]


def beam_lines(record: SurveyRecord) -> list[str]:
    """Return the share that the beam has covered and what it may have missed; none where unknown."""
    lines, plan = [], record.plan
    if record.footprint_percent is not None:
        lines.append(
            f"covered by the beam round the readings (-6 dB on the back wall): "
            f"{record.footprint_percent:,.2f} % of the required area"
        )
    if plan is not None and plan.beam_width is not None:
        units = record.display
        width = units.with_unit(units.number(plan.beam_width, 2, 3))
        lines.append(f"beam on the back wall: {width} wide (-6 dB); a smaller pit may be missed")
    if plan is not None:
        lines += [f"WARNING: {warning}" for warning in plan.warnings]
    return lines
