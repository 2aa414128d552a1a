"""What `calibrate delay` prints: always what it found, sure or not."""

from __future__ import annotations

import math

import pytest

from swathe.cli.calibrate import delay_text
from swathe.pipeline import DelayEstimate


@pytest.mark.parametrize(
    ("low", "high", "pairs", "text"),
    [
        (
            -5.0,
            13.0,
            1,
            "43.00 ms, 95 % interval 33.00 ms to 51.00 ms; 38 ms are in force (1 pair of",
        ),
        (
            -math.inf,
            13.0,
            3,
            "43.00 ms, 95 % interval unknown to 51.00 ms; 38 ms are in force (3 pairs",
        ),
        (
            -5.0,
            math.inf,
            3,
            "43.00 ms, 95 % interval 33.00 ms to unknown; 38 ms are in force (3 pairs",
        ),
        (-math.inf, math.inf, 3, "43.00 ms agrees best, any other may be right (3 pairs of lines)"),
    ],
)
@pytest.mark.parametrize("sure", [True, False])
def test_delay_is_printed_with_its_interval_whether_sure_or_not(
    low: float, high: float, pairs: int, text: str, sure: bool
) -> None:
    """The whole delay, not what is added to the one in force."""
    found = DelayEstimate(5e6, 1e6, low * 1e6, high * 1e6, pairs, sure=sure, reason="", needs="")
    assert delay_text("gauge", found, 38.0).startswith(f"delay of gauge: {text}")


def test_nothing_found_is_printed_too() -> None:
    """Without passes both ways there is no delay that agrees best."""
    found = DelayEstimate.unknown(0, "one way only", "both ways")
    assert delay_text("gauge", found, 38.0) == "delay of gauge: unknown (0 pairs of lines)"
