"""A night in inches on a simulated instrument, whose outputs are left to be looked at.

``python tests/benchmarks/inch_night.py FOLDER`` plays `support.inch_night`: calibrate in rounds, check, scan, a
check within the run that fails, another one that passes, and the suspect cells scanned again. FOLDER then has
what the operator saw, a text file for each, and the survey with its picture.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.daemon import swathe
from support.inch_night import InchNight
from support.instrument import Instrument


def main(folder: Path) -> None:
    """Play the night and write what was seen."""
    folder.mkdir(parents=True, exist_ok=True)
    with Instrument() as instrument:
        night = InchNight(folder, instrument)
        reason = night.run()
    night.outputs["rebuild"] = swathe("rebuild", folder / "survey").stdout
    for number, (name, text) in enumerate(night.outputs.items(), 1):
        (folder / f"{number:02d} {name.replace(',', '')}.txt").write_text(text)
    print(f"{reason}; {len(night.outputs)} outputs in {folder}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
