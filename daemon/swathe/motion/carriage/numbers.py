"""Line numbers in few words."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

__all__ = ["numbers_text"]

_FEWEST_IN_STEPS = 3


def numbers_text(numbers: Sequence[int]) -> str:
    """Return rising line numbers in few words: ``lines 0 to 3 and 8``, ``lines 0 to 12 in steps of 4``."""
    if len(numbers) == 1:
        return f"line {numbers[0]}"
    step = numbers[1] - numbers[0]
    steps = {after - before for before, after in pairwise(numbers)}
    if step > 1 and steps == {step} and len(numbers) >= _FEWEST_IN_STEPS:
        return f"lines {numbers[0]} to {numbers[-1]} in steps of {step}"
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    parts = [str(first) if first == last else f"{first} to {last}" for first, last in runs]
    return "lines " + (parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}")
