"""Damages the journal of a small survey at random, and looks for readings in wrong cells.

The single invariant: each reading that is placed is in the cell in which the undamaged journal has
it, and where readings are missing, something is reported. What is found is printed with its seed;
then the exit code is 1.

    python tests/fuzz/fuzz_journal.py --examples 2000
    python tests/fuzz/fuzz_journal.py --examples 1 --seed 1234
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parent.parent))

from daemon.journal.damaging import Result, damage_at_random, result_of, write_survey
from swathe.store import SurveyFolder

__all__ = ["examine", "main"]


def examine(whole: SurveyFolder, other: SurveyFolder, truth: Result, seed: int) -> str:
    """Return what is wrong after the damage of a seed; empty when nothing is."""
    copy = whole.path.with_name("copy")
    shutil.rmtree(copy, ignore_errors=True)
    shutil.copytree(whole.path, copy)
    folder = SurveyFolder(copy)
    ways = damage_at_random(folder, other, Random(seed))
    try:
        found = result_of(folder)
    except Exception as error:  # noqa: BLE001  whatever it is, it is printed with its seed
        return f"seed {seed}, {ways}: {error!r}"
    wrong = {key: cell for key, cell in found.cells.items() if truth.cells.get(key) != cell}
    if wrong:
        return f"seed {seed}, {ways}: {len(wrong)} readings in wrong cells"
    if len(found.cells) < len(truth.cells) and not (found.damage or found.reports or found.error):
        return f"seed {seed}, {ways}: readings are missing, and nothing is reported"
    return ""


def main(arguments: list[str] | None = None) -> int:
    """Print what was found; return 1 if something was."""
    parser = argparse.ArgumentParser(description="Damage journals at random.")
    parser.add_argument("--examples", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    begin, failed = time.monotonic(), 0
    with tempfile.TemporaryDirectory() as name:
        whole = write_survey(Path(name) / "whole")
        other = write_survey(Path(name) / "other", 7)
        truth = result_of(whole)
        for seed in range(options.seed, options.seed + options.examples):
            if text := examine(whole, other, truth, seed):
                failed += 1
                print(text, flush=True)
    print(f"{options.examples} journals in {time.monotonic() - begin:.0f} s, {failed} wrong")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
