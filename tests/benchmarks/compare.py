"""How often comparing two surveys of one wall holds the truth: shift, rotation, rate, significance.

``python tests/benchmarks/compare.py [--pairs 500]``: two surveys a year apart are simulated, the second with
its datum off by 7 mm and -3 mm and turned by 1 degree, on another grid and with gaps; they are registered by the
wall's pattern and compared. Walls that carry no registration must be refused.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from daemon.comparison.simulated_pairs import Setup, Trial, trial

_SETUPS = {
    "0.2 mm lost, 0.6 mm at a place": Setup(),
    "the same, readings without shared errors": Setup(velocity=0.0, offset=0.0),
    "the same, lines that are off by 0.03 mm each": Setup(velocity=0.0, offset=0.0, line=0.03),
    "noisy readings, 0.15 mm": Setup(repeatability=0.15),
    "nothing lost": Setup(loss=0.0),
    "nothing lost, no shared errors": Setup(loss=0.0, velocity=0.0, offset=0.0),
}
_NONE_CARRIED = ("flat", "plane", "grooves", "repeating")


def _line(name: str, trials: list[Trial], seconds: float) -> str:
    done = [one for one in trials if one.pair is not None and one.off is not None]
    refused = len(trials) - len(done)
    if not done:
        return f"{name}: all of {len(trials)} refused, {seconds:.0f} s"
    off = np.array([one.off for one in done])
    held = np.array([one.held for one in done]).mean(axis=0)
    cells = np.array([2.0, 2.5])
    within = np.all(np.abs(off[:, :2]) <= cells / 2, axis=1).mean()
    loss, growth = (
        np.mean([getattr(one.pair, kind).any() for one in done]) for kind in ("loss", "growth")
    )
    share = np.mean(
        [one.pair.loss.sum() / one.pair.differences.pairs.sum() for one in done if one.pair]
    )
    return (
        f"{name}: {refused} of {len(trials)} refused; shift within half a cell {within:.1%}, at most "
        f"{np.abs(off[:, 0]).max():.2f} / {np.abs(off[:, 1]).max():.2f} mm, "
        f"{np.abs(off[:, 2]).max():.2f} degrees off; "
        f"their 95 % intervals hold {held[0]:.1%} / {held[1]:.1%} / {held[2]:.1%}; "
        f"that of the rate holds {np.mean([one.rate_held for one in done]):.1%}; any cell marked: loss "
        f"{loss:.1%}, growth {growth:.1%}; cells marked as lost {share:.1%}, {seconds:.0f} s"
    )


def main() -> None:
    """Print a line for each kind of pair."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=500)
    pairs = parser.parse_args().pairs
    for name, setup in _SETUPS.items():
        begin = time.monotonic()
        trials = [trial(seed, setup) for seed in range(pairs)]
        print(_line(name, trials, time.monotonic() - begin), flush=True)
    for kind in _NONE_CARRIED:
        begin = time.monotonic()
        trials = [trial(seed, Setup(kind=kind)) for seed in range(pairs // 5)]  # type: ignore[arg-type]
        print(_line(f"wall of kind {kind}", trials, time.monotonic() - begin), flush=True)


if __name__ == "__main__":
    main()
