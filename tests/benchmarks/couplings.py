"""How often the intervals of a calibration hold the truth: 1,000 simulated calibrations for each row.

    python tests/benchmarks/couplings.py [--runs 1000]

Velocity, zero offset and a single reading on the part, at 95 %, for couplant errors of 0, 2, 5 and
10 ns (standard deviation, another one for each coupling, and another one for the reading on the
part), 3 to 6 steps, three rounds; and for one round where the true couplant error is stated. The last
rows are what was claimed before: one coupling per step, twice the standard uncertainty. No level is claimed
for these today. Seeded; 10 minutes.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from daemon.calibration.coupled_trials import Trial, shares_held

COUPLANT_NS = (0.0, 2.0, 5.0, 10.0)
BLOCKS = {
    3: (5.0, 10.0, 20.0),
    4: (5.08, 7.62, 10.16, 12.7),
    5: (2.5, 5.0, 10.0, 15.0, 20.0),
    6: (2.5, 5.0, 7.5, 10.0, 15.0, 20.0),
}
SEED = 2026


def row(name: str, trial: Trial, runs: int) -> str:
    """Return the shares for each couplant error, %: velocity, zero offset, reading on the part."""
    cells = []
    for couplant in COUPLANT_NS:
        held = shares_held(trial, couplant_ns=couplant, runs=runs, seed=SEED)
        refused = f" ({held.refused} refused)" if held.refused else ""
        cells.append(
            f"{held.velocity * 100:5.1f} {held.zero * 100:5.1f} {held.thickness * 100:5.1f} "
            f"±{held.width * 1000:5.1f}{refused}"
        )
    return f"{name:<44} | " + " | ".join(cells)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1000)
    runs = parser.parse_args().runs
    begun = time.monotonic()
    print(f"{runs} runs each: velocity, zero offset, reading on the part (%), ± velocity (m/s)")
    print(f"{'':<44} | " + " | ".join(f"couplant {ns:4.0f} ns{'':<13}" for ns in COUPLANT_NS))
    for rounds, stated in ((3, False), (1, True)):
        for count, steps in BLOCKS.items():
            for digit in (0.0, 1.0, 10.0):
                for noise in (4.0, 1.0) if digit else (4.0,):
                    name = f"{count} steps, {rounds} round{'s' if rounds > 1 else ''}"
                    name += ", stated" if stated else ""
                    name += f", digit {digit:g} ns, noise {noise:g} ns"
                    trial = Trial(
                        steps=steps,
                        rounds=rounds,
                        stated=stated,
                        resolution_ns=digit,
                        noise_ns=noise,
                    )
                    print(row(name, trial, runs), flush=True)
    for count, steps in BLOCKS.items():
        trial = Trial(steps=steps, rounds=1, two_sigma=True)
        print(row(f"{count} steps, 1 round, couplant not covered", trial, runs), flush=True)
    print(f"{time.monotonic() - begun:.0f} s")


if __name__ == "__main__":
    main()
