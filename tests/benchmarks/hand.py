"""Shifts of a simulated hand that slips: what the record claims, against the truth.

Run ``python tests/benchmarks/hand.py`` for the table of 300 shifts; exit code 1 if a target is missed.
One shift by itself, with its alarms and the replies to its commands::

    python tests/benchmarks/hand.py --kind "key forgotten" --seed 3
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from multiprocessing import Pool
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from rich.console import Console
from rich.table import Table

from support.hand.judge import Verdict, judge
from support.hand.slips import KINDS

__all__ = ["main"]

SHIFTS = 300


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", choices=KINDS, action="append")
    parser.add_argument("--seed", type=int, help="one seed, with its figures")
    parser.add_argument("--shifts", type=int, default=SHIFTS, help="of all kinds together")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    return parser.parse_args()


def _play(kind_and_seed: tuple[str, int]) -> tuple[str, int, Verdict, list[str], float]:
    kind, seed = kind_and_seed
    shift = KINDS[kind](seed)
    bench = shift.hand.bench
    return kind, seed, judge(shift.hand, shift.expected), bench.replies, bench.now


def _show(kind: str, seed: int, verdict: Verdict, replies: Iterable[str]) -> None:
    print(f"{kind!r} --seed {seed}: {verdict}")
    for alarm in verdict.alarms:
        print(f"    {alarm}")
    for reply in replies:
        print(f"    > {reply}")


def main() -> int:
    """Print the table or one shift; return 1 if a target is missed."""
    options = _arguments()
    kinds = options.kind or list(KINDS)
    if options.seed is not None:
        played = [_play((kind, options.seed)) for kind in kinds]
        for kind, seed, verdict, replies, _ in played:
            _show(kind, seed, verdict, replies)
        return 0 if all(verdict.is_true for _, _, verdict, _, _ in played) else 1
    asked = [(kinds[number % len(kinds)], number // len(kinds)) for number in range(options.shifts)]
    with Pool(options.jobs) as pool:
        played = pool.map(_play, asked, chunksize=4)
    table = Table("shift", "n", "covered", "missing", box=None, pad_edge=False)
    for name in (
        "wrong cells", "unfounded", "unreported", "differs", "too fast in air", "not raised",
        "bad advice", "refused", "true",
    ):  # fmt: skip
        table.add_column(name, justify="right")
    for kind in kinds:
        some = [one for one in played if one[0] == kind]
        table.add_row(kind, *_row([(verdict, replies) for _, _, verdict, replies, _ in some]))
    table.add_row("all", *_row([(verdict, replies) for _, _, verdict, replies, _ in played]))
    Console(width=150).print(table)
    false = [(kind, seed) for kind, seed, verdict, _, _ in played if not verdict.is_true]
    hours = sum(seconds for *_, seconds in played) / 3600
    print(f"{len(played)} shifts, {hours:.1f} h of scanning: ", end="")
    print(f"target MISSED in {len(false)}: {false[:12]}" if false else "target met")
    return 1 if false else 0


def _row(some: list[tuple[Verdict, list[str]]]) -> list[str]:
    verdicts = [verdict for verdict, _ in some]
    refused = sum(reply.startswith("refused") for _, replies in some for reply in replies)
    return [
        str(len(some)),
        str(sum(not one.missing for one in verdicts)),
        str(sum(one.missing for one in verdicts)),
        str(sum(one.wrong for one in verdicts)),
        str(sum(one.unfounded for one in verdicts)),
        str(sum(one.unreported for one in verdicts)),
        str(sum(one.differs for one in verdicts)),
        str(sum(one.in_air for one in verdicts)),
        str(sum(len(one.unraised) for one in verdicts)),
        str(sum(len(one.faults) for one in verdicts)),
        str(refused),
        str(sum(one.is_true for one in verdicts)),
    ]


if __name__ == "__main__":
    sys.exit(main())
