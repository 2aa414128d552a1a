"""Lists and runs the benchmarks of this folder: ``python -m tests.benchmarks [NAME ...]``.

Without a name they are listed. Options that follow ``--`` go to the benchmark. Figures are ratios within a
run (`support.figures`), more is worse, so that those of other machines and days compare: `RECORD` keeps
them by commit, and a run prints each next to the median of the record. ``--table`` prints the newest ones as
the guide has them; ``--record`` brings that page up to date.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path

__all__ = ["Result", "benchmarks", "compared", "main", "recorded", "run_one", "table", "with_table"]

HERE = Path(__file__).parent
RECORD = HERE / "figures.jsonl"
GUIDE = HERE.parents[1] / "daemon" / "guide" / "performance.md"
MARK = "FIGURES "
_BEGIN, _END = "<!-- figures -->\n", "<!-- end of figures -->\n"
# Of the record's median: a figure that is more is marked. Runs on a busy machine differ by less.
SLOWER = 1.25


@dataclass(frozen=True)
class Result:
    """What a benchmark's run gave.

    Attributes:
        benchmark: its name.
        met: whether it met its targets; of one without targets, whether it ended in good order.
        seconds: it took.
        figures: ratios by name, of which more is worse; empty of a benchmark that hands over none.
        commit: of the checkout, with ``+`` where files differ from it.
        date: UTC.
        cores: of the machine.
        load: over a minute, as it began.
    """

    benchmark: str
    met: bool
    seconds: float
    figures: dict[str, float] = field(default_factory=dict)
    commit: str = ""
    date: str = ""
    cores: int = 0
    load: float = 0.0


def benchmarks(folder: Path = HERE) -> dict[str, str]:
    """Return what each benchmark measures, by name: the first line of a module with a `main`."""
    found = {}
    for path in sorted(folder.glob("*.py")):
        tree = ast.parse(path.read_text("utf-8"))
        functions = {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
        if "main" in functions and not path.name.startswith("_"):
            found[path.stem] = (ast.get_docstring(tree) or "").splitlines()[0]
    return found


def figures_in(output: Iterable[str]) -> dict[str, float]:
    """Return the figures that lines of a benchmark's output hand over."""
    found: dict[str, float] = {}
    for line in output:
        if line.startswith(MARK):
            found |= {name: float(value) for name, value in json.loads(line[len(MARK) :]).items()}
    return found


def run_one(name: str, options: list[str]) -> Result:
    """Run a benchmark, print its output as it comes, and return what it gave."""
    begun, load = time.monotonic(), os.getloadavg()[0]
    lines = []
    with subprocess.Popen(
        [sys.executable, "-u", str(HERE / f"{name}.py"), *options],
        stdout=subprocess.PIPE,
        text=True,
        cwd=HERE.parents[1],
    ) as process:
        assert process.stdout is not None
        for line in process.stdout:
            lines.append(line)
            if not line.startswith(MARK):
                print(line, end="", flush=True)
    return Result(
        name,
        process.returncode == 0,
        round(time.monotonic() - begun, 1),
        figures_in(lines),
        commit(),
        f"{datetime.now(UTC):%Y-%m-%d}",
        os.cpu_count() or 0,
        round(load, 1),
    )


def commit() -> str:
    """Return the commit of the checkout; empty where there is none."""

    def git(*arguments: str) -> str:
        done = subprocess.run(
            ["git", *arguments], cwd=HERE, capture_output=True, text=True, check=False
        )
        return done.stdout.strip()

    changed = git("status", "--porcelain", "--untracked-files=no")
    return git("rev-parse", "--short=10", "HEAD") + "+" * bool(changed)


def recorded(path: Path = RECORD) -> list[Result]:
    """Return the results of the record, oldest first."""
    if not path.is_file():
        return []
    return [Result(**json.loads(line)) for line in path.read_text("utf-8").splitlines() if line]


def compared(
    result: Result, record: Iterable[Result]
) -> list[tuple[str, float, float | None, str]]:
    """Return each figure of a result with the record's median, and a word on both."""
    rows = []
    known = [one.figures for one in record if one.benchmark == result.benchmark]
    for name, value in result.figures.items():
        before = [figures[name] for figures in known if name in figures]
        median = statistics.median(before) if before else None
        word = "new" if median is None else "SLOWER" if value > SLOWER * median else "as before"
        rows.append((name, value, median, word))
    return rows


def table(record: Iterable[Result]) -> str:
    """Return the newest figures of each benchmark as a table, Markdown."""
    newest = {one.benchmark: one for one in record}
    lines = [
        "| benchmark | figure | ratio | load of the machine | commit |",
        "|---|---|---|---|---|",
    ]
    for name in sorted(newest):
        one = newest[name]
        for figure, value in one.figures.items():
            missed = " **missed**" if figure.endswith("_to_limit") and value > 1 else ""
            lines.append(
                f"| `{name}` | {figure.replace('_', ' ')} | {value:.3g}{missed} | {one.load:g} on "
                f"{one.cores} cores | {one.commit}, {one.date} |"
            )
    return "\n".join(lines) + "\n"


def with_table(text: str, record: Iterable[Result]) -> str:
    """Return the text of a page with the table of a record in the place of the one that it has.

    Raises:
        ValueError: the page has no place for it.
    """
    before, begin, rest = text.partition(_BEGIN)
    _, end, after = rest.partition(_END)
    if not (begin and end):
        message = f"a table of figures is between {_BEGIN.strip()!r} and {_END.strip()!r}"
        raise ValueError(message)
    return f"{before}{_BEGIN}\n{table(record)}\n{_END}{after}"


def main(arguments: list[str] | None = None) -> int:
    """List or run benchmarks; return 1 if one misses its target."""
    given = sys.argv[1:] if arguments is None else arguments
    own, _, rest = " ".join(given).partition(" -- ")
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("names", nargs="*", help="which to run; without one all are listed")
    parser.add_argument("--record", action="store_true", help=f"append to {RECORD.name}")
    parser.add_argument("--table", action="store_true", help="print the newest of the record")
    parser.add_argument("--json", type=Path, help="write the results into this file")
    options = parser.parse_args(own.split())
    known = benchmarks()
    if options.table:
        print(table(recorded()), end="")
        return 0
    if not options.names:
        for name, what in known.items():
            print(f"{name:18} {what}")
        return 0
    if unknown := [name for name in options.names if name not in known]:
        parser.error(f"there is no benchmark {unknown[0]!r}: name one of {', '.join(known)}")
    results = [run_one(name, rest.split()) for name in options.names]
    record = recorded()
    print(f"\n{'benchmark':18} {'figure':34} {'now':>9} {'median':>9}  of {len(record)} runs")
    for result in results:
        verdict = "targets met" if result.met else "a target MISSED"
        print(f"{result.benchmark:18} {verdict}, {result.seconds:,.0f} s, load {result.load:g}")
        for name, value, median, word in compared(result, record):
            before = "" if median is None else f"{median:9.4g}"
            print(f"{'':18} {name:34} {value:9.4g} {before:>9}  {word}")
    if options.json is not None:
        options.json.write_text(json.dumps([asdict(one) for one in results], indent=1) + "\n")
    if options.record:
        with RECORD.open("a", encoding="utf-8") as file:
            file.writelines(json.dumps(asdict(one)) + "\n" for one in results if one.figures)
        GUIDE.write_text(with_table(GUIDE.read_text("utf-8"), recorded()), "utf-8")
    return 0 if all(result.met for result in results) else 1


if __name__ == "__main__":
    sys.exit(main())
