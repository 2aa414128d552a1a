"""Cuts the journals of all scenes at random, and compares the results bit for bit.

The single invariant: the same journal has the same result, wherever ticks, chunks and batches fall.
The long run of `tests/daemon/pipeline/test_cuts.py`; what it finds is printed with its scene, seed
and cut; then the exit code is 1.

    python tests/fuzz/fuzz_cuts.py --examples 5000
    python tests/fuzz/fuzz_cuts.py --examples 200 --seed 7 --scene "all at once"
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parent.parent))

from daemon.pipeline.cutting import Cut, differences, state_after
from daemon.pipeline.scene_list import SCENES
from daemon.pipeline.scenes import text_of
from swathe.station import parse_station

__all__ = ["examine", "main", "random_cut"]

_MOST_SHOWN = 6


def random_cut(rng: Random) -> Cut:
    """Return a cut of any kind."""

    def share() -> float:
        return rng.choice((0.0, 0.0, 0.01, 0.1, 0.5, 1.0))

    return Cut(
        seed=rng.randrange(1_000_000),
        added=share() / 2,
        removed=share(),
        joined=share(),
        divided=share(),
        advance=rng.choice((None, 0.0, 0.003, 0.05, 0.4)),
    )


def examine(name: str, seed: int, cuts: list[Cut]) -> list[str]:
    """Return what differs in a scene after each of these cuts; empty when nothing does."""
    scene = SCENES[name]
    station, journal = (
        parse_station(text_of(scene), "bench.toml", record=scene.record),
        scene.journal(seed),
    )
    plain = state_after(station, journal, Cut())
    found = []
    for cut in cuts:
        other = state_after(station, journal, cut)
        if different := list(differences(plain, other)):
            shown = "\n    ".join(different[:_MOST_SHOWN])
            found.append(f"scene {name!r}, seed {seed}, {cut}\n    {shown}")
    return found


def main(arguments: list[str] | None = None) -> int:
    """Print what was found; return 1 if something was."""
    parser = argparse.ArgumentParser(description="Cut journals at random.")
    parser.add_argument("--examples", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cuts", type=int, default=4, help="of each journal")
    parser.add_argument("--scene", choices=SCENES, nargs="+", default=list(SCENES))
    options = parser.parse_args(arguments)
    rng = Random(options.seed)
    begin, done, failed = time.monotonic(), 0, 0
    while done < options.examples:
        name = rng.choice(options.scene)
        cuts = [random_cut(rng) for _ in range(options.cuts)]
        for text in examine(name, rng.randrange(1_000_000), cuts):
            failed += 1
            print(text, flush=True)
        done += len(cuts)
    print(f"{done} cuts in {time.monotonic() - begin:.0f} s, {failed} changed a result")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
