"""What the probe's beam has covered, as lines of a report."""

from __future__ import annotations

from swathe.station.probe import beam_text
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
        lines.append(beam_text(plan.beam_width, record.display))
    if plan is not None:
        lines += [f"WARNING: {warning}" for warning in plan.warnings]
    return lines
