"""The simulated world: what a survey makes of each kind of time, against the truth.

Run ``python tests/benchmarks/world.py`` for the table: per layout and kind of time of the gauge, over
50 seeds, the false and missed gaps, false causes and position errors; exit code 1 if a target is
missed. One run by itself, with its figures::

    python tests/benchmarks/world.py --layout raster --time number --seed 3 [--losses] [--variant NAME]
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import get_args

sys.path.insert(0, str(Path(__file__).parent.parent))

import numpy as np
from rich.console import Console
from rich.table import Table

from support.world.devices import Time
from support.world.judge import Verdict, judge
from support.world.variants import VARIANTS
from support.world.worlds import Layout, Scene, make_world, standard_scene

__all__ = ["main"]

SEEDS = 50


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--layout", choices=get_args(Layout), action="append")
    parser.add_argument("--time", choices=get_args(Time), action="append")
    parser.add_argument("--seed", type=int, help="one seed, with its figures")
    parser.add_argument("--seeds", type=int, default=SEEDS)
    parser.add_argument("--speed", type=float, help="mm/s, instead of a range")
    parser.add_argument("--losses", action="store_true", help="lost and doubled frames, a restart")
    parser.add_argument("--variant", choices=VARIANTS, action="append", help="of the scene")
    return parser.parse_args()


def _scene(options: argparse.Namespace, layout: Layout, time: Time) -> Scene:
    speed = (options.speed, options.speed) if options.speed else None
    scene = standard_scene(layout, time, speed=speed, losses=options.losses)
    for name in options.variant or ():
        scene = VARIANTS[name](scene)
    return scene


def main() -> int:
    """Print the table or one run; return 1 if a target is missed."""
    options = _arguments()
    layouts: list[Layout] = options.layout or list(get_args(Layout))
    times: list[Time] = options.time or list(get_args(Time))
    seeds = range(options.seeds) if options.seed is None else [options.seed]
    table = Table("layout", "time", "truly %", "measured %", box=None, pad_edge=False)
    for name in (
        "gaps",
        "false",
        "strict",
        "claimed",
        "missed",
        "causes",
        "RMS",
        "worst",
        "unplaced",
    ):
        table.add_column(name, justify="right")
    good = True
    for layout in layouts:
        for time in times:
            found: list[Verdict] = []
            for seed in seeds:
                found.append(judge(make_world(_scene(options, layout, time), seed)))
                if options.seed is not None:
                    print(layout, time, seed, found[-1])
            good &= _is_good(found, time)
            rms = np.array([one.rms for one in found])
            table.add_row(
                layout,
                time,
                f"{np.mean([100 * one.truly / one.cells for one in found]):.1f}",
                f"{np.mean([100 * one.measured / one.cells for one in found]):.1f}",
                *(
                    str(sum(getattr(one, name) for one in found))
                    for name in (
                        "gaps", "false_gaps", "false_strict", "false_claims", "missed_gaps",
                        "false_causes",
                    )
                ),
                f"{np.sqrt(np.mean(rms**2)):.3f}",
                f"{rms.max():.3f}",
                str(sum(one.unplaced for one in found)),
            )  # fmt: skip
    if options.seed is None:
        Console(width=140).print(table)
        print("target met" if good else "target MISSED")
    return 0 if good else 1


def _is_good(found: list[Verdict], time: Time) -> bool:
    if time == "irregular":
        return all(one.false_causes == 0 for one in found)
    return all(one.false_gaps == one.missed_gaps == one.false_claims == 0 for one in found)


if __name__ == "__main__":
    sys.exit(main())
