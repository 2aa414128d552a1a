"""The delay between encoder and gauge, measured on a scan that passes over the same wall both ways.

A gauge whose readings come late by an unknown delay shows the wall shifted along the scan axis, one
way on lines run forth, the other way on lines run back. The delay is the one that, subtracted, makes
passes over the same or neighbouring lines agree best: `delay_search` finds it and excludes what
agrees by accident, `delay_fit` gives the 95 % interval.

The delay is the mean lateness of the readings against that of the encoder's samples. A device
without a clock is placed by arrival, and the mean of its jitter is part of the delay then.

What cannot be distinguished from a delay: backlash of the encoder, if all passes have the same speed (it
is fitted where speeds differ by half or more); features that all run obliquely in the same
direction, if there are two lines only (three degrees are part of the interval, and a third line shows
it); and a wall whose features repeat, which is reported as an interval over all delays that agree.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from swathe.pipeline.placing.delay_passes import LinePass, pair_passes

if TYPE_CHECKING:
    from swathe.pipeline.placing.delay_fit import DelayFit
    from swathe.pipeline.placing.delay_search import DelaySearch

__all__ = ["DelayEstimate", "estimate_delay"]

# The newest passes are enough: with them the interval is as narrow as jitter allows.
_MOST_PASSES = 150
# Half widths of the interval at which a delay can be applied: this share of a cell at the usual
# speed, or this long.
_SURE_CELLS = 0.25
_SURE_NS = 750_000.0
# More pairs of lines than this are no advice.
_MOST_ADVISED = 200
_BOTH_WAYS = "pass over the same or neighbouring lines in both directions"
_FEATURES = "a wall with features: scan across a step, a weld or pits in both directions"
_MORE_FEATURES = "more features, or more passes over the same ones in both directions"
_NO_REPEAT = "features that do not repeat: scan across a step, a weld or pits in both directions"
_THIRD_LINE = "a third line next to the two, run in the other direction again"


@dataclass(frozen=True, slots=True)
class DelayEstimate:
    """The delay that a scan shows in addition to the one in force, with its uncertainty.

    Attributes:
        delay: ns to subtract from the readings' times in addition to what is subtracted already.
        error: its standard error, ns; infinite where the scan shows nothing.
        low: lower end of the 95 % interval, ns; may be -inf.
        high: upper end of the 95 % interval, ns; may be inf.
        pairs: pairs of passes that were compared.
        sure: whether the interval is narrow enough to apply the delay.
        reason: why it is not sure; empty when it is.
        needs: what it takes to be sure; empty when it is.
    """

    delay: float
    error: float
    low: float
    high: float
    pairs: int
    sure: bool
    reason: str
    needs: str

    @classmethod
    def unknown(cls, pairs: int, reason: str, needs: str) -> DelayEstimate:
        """Return that nothing is known, and why.

        Args:
            pairs: pairs of passes that there were.
            reason: why nothing is known.
            needs: what it takes to know.
        """
        return cls(
            0.0, math.inf, -math.inf, math.inf, pairs, sure=False, reason=reason, needs=needs
        )


def estimate_delay(
    passes: Sequence[LinePass],
    *,
    resolution: float,
    spacing: float | None = None,
    longest_ns: float = 200e6,
) -> DelayEstimate:
    """Return the delay that makes passes over the same wall agree best, with its 95 % interval.

    Args:
        passes: of the scan, in order of time; the newest 150 are used.
        resolution: of the scan axis, mm.
        spacing: of the lines, mm; None for the resolution.
        longest_ns: delays to either side of zero that are tried.
    """
    # A run opens its ports before it imports SciPy, which takes a tenth of a second.
    from swathe.pipeline.placing.delay_fit import fit_delay
    from swathe.pipeline.placing.delay_profiles import PassReadings
    from swathe.pipeline.placing.delay_search import search_delay

    passes = passes[-_MOST_PASSES:]
    pairs = pair_passes(passes)
    count = len(pairs)
    if not count:
        reason = "no two passes over the same or neighbouring lines in opposite directions"
        return DelayEstimate.unknown(0, reason, _BOTH_WAYS)
    readings = PassReadings(passes, resolution=resolution)
    spacing = resolution if spacing is None else spacing
    search = search_delay(readings, pairs, longest_ns=longest_ns, spacing=spacing)
    if search is None:
        return DelayEstimate.unknown(count, "no two passes in pairs overlap", _BOTH_WAYS)
    fit = fit_delay(readings, pairs, search, spacing=spacing)
    if fit is None:
        reason = "the wall is too even to show a delay: passes have no features in common"
        return DelayEstimate.unknown(count, reason, _FEATURES)
    low, high = _interval(search, fit)
    limit = max(_SURE_CELLS * resolution / readings.speed, _SURE_NS)
    reason, needs = _verdict(search, fit, count, low, high, limit)
    error = fit.error if math.isfinite(high - low) else math.inf
    return DelayEstimate(
        fit.delay, error, low, high, count, sure=not reason, reason=reason, needs=needs
    )


def _interval(search: DelaySearch, fit: DelayFit) -> tuple[float, float]:
    """Return the 95 % interval: around the delay, and over all others that are not excluded."""
    agreeing = [fit.delay, *search.others.tolist()]
    low = -math.inf if search.low_open else min(agreeing) - fit.half
    high = math.inf if search.high_open else max(agreeing) + fit.half
    return low, high


def _verdict(
    search: DelaySearch, fit: DelayFit, pairs: int, low: float, high: float, limit: float
) -> tuple[str, str]:
    """Return why a delay is not sure, and what it takes; both empty when it is sure.

    Args:
        search: over the range of delays.
        fit: at the best one.
        pairs: that were compared.
        low: end of the interval, ns.
        high: end of the interval, ns.
        limit: half width of an interval that is narrow enough, ns.
    """
    if not math.isfinite(fit.half):
        return "a single feature decides, which may differ from line to line", _MORE_FEATURES
    if search.low_open or search.high_open:
        return "the wall is too even to show a delay: other delays agree as well", _FEATURES
    if search.others.size:
        reason = (
            f"passes agree as well at {search.others.size + 1} delays between {low / 1e6:.1f} and "
            f"{high / 1e6:.1f} ms"
        )
        return reason, _NO_REPEAT
    if fit.half <= limit:
        return "", ""
    reason = (
        f"the interval is {2 * fit.half / 1e6:.1f} ms wide, {2 * limit / 1e6:.1f} ms are needed"
    )
    if fit.constant >= limit:
        if fit.oblique:
            return reason, _THIRD_LINE
        return reason, "less jitter: a device clock, a running number or a steady rate of the gauge"
    # What pairs decide becomes narrower by the root of their number.
    ratio = (fit.half**2 - fit.constant**2) / (limit**2 - fit.constant**2)
    more = math.ceil(pairs * (ratio - 1))
    if more > _MOST_ADVISED:
        return reason, _FEATURES
    return reason, f"about {more} more {'pair' if more == 1 else 'pairs'} of lines at this speed"
