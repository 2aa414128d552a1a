"""The runner of benchmarks: what it lists, hands over, records and calls slower."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import pytest

from benchmarks import __main__ as runner
from benchmarks.__main__ import (
    GUIDE,
    Result,
    benchmarks,
    compared,
    figures_in,
    recorded,
    table,
    with_table,
)
from support.figures import MARK, report_figures

DEVELOPERS = Path(__file__).parents[1] / "DEVELOPERS.md"


def test_listed_are_those_of_the_guide() -> None:
    """Every benchmark with a `main` states what it measures, and is in the developers' table."""
    found = benchmarks()
    assert {"cost", "many_gaps", "live_cost"} <= found.keys()
    assert "journals" not in found
    text = DEVELOPERS.read_text("utf-8")
    for name, what in found.items():
        assert what.endswith("."), name
        assert f"`{name}.py" in text, f"{name}: no row in DEVELOPERS.md"


def test_figures_pass_by_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    """What a benchmark reports is what the runner finds among all that it prints."""
    assert MARK == runner.MARK
    print("cost 12 %")
    report_figures(cost_ratio=1.23456, share=0.0)
    assert figures_in(capsys.readouterr().out.splitlines()) == {"cost_ratio": 1.235, "share": 0.0}


def test_slower_than_the_median_of_the_record(tmp_path: Path) -> None:
    """A figure is compared with those of the same name and benchmark; a quarter more is slower."""
    lines = [
        Result("a", met=True, seconds=1.0, figures={"ratio": ratio}) for ratio in (1.0, 2.0, 9.0)
    ]
    lines.append(Result("b", met=True, seconds=1.0, figures={"ratio": 100.0}))
    path = tmp_path / "figures.jsonl"
    path.write_text("".join(json.dumps(asdict(one)) + "\n" for one in lines))
    record = recorded(path)
    assert record == lines

    def word(value: float, name: str = "ratio") -> tuple[float | None, str]:
        now = Result("a", met=True, seconds=1.0, figures={name: value})
        ((_, _, median, said),) = compared(now, record)
        return median, said

    assert word(2.5) == (2.0, "as before")
    assert word(2.6) == (2.0, "SLOWER")
    assert word(2.6, "other") == (None, "new")


def test_record_of_the_repository_can_be_read() -> None:
    """Each line is a result with figures and the commit that it is of."""
    for result in recorded():
        assert result.figures
        assert result.commit
        assert result.benchmark in benchmarks()


def test_table_has_the_newest_figures_and_names_missed_targets() -> None:
    """Of each benchmark its last run; a ratio to a limit above 1 is a target that was missed."""
    record = [
        Result("b", met=True, seconds=1.0, figures={"cost": 3.0}, commit="c1", cores=2),
        Result("a", met=False, seconds=1.0, figures={"lag_to_limit": 1.5, "lag": 1.5}, load=9.4),
        Result("b", met=True, seconds=1.0, figures={"cost": 2.0}, commit="c2", date="2026-01-02"),
    ]
    rows = table(record).splitlines()[2:]
    assert rows == [
        "| `a` | lag to limit | 1.5 **missed** | 9.4 on 0 cores | ,  |",
        "| `a` | lag | 1.5 | 9.4 on 0 cores | ,  |",
        "| `b` | cost | 2 | 0 on 0 cores | c2, 2026-01-02 |",
    ]


def test_the_guide_has_the_record() -> None:
    """`--record` writes the table again; whoever adds a line by hand does so, too."""
    text = GUIDE.read_text("utf-8")
    assert with_table(text, recorded()) == text
    with pytest.raises(ValueError, match="between"):
        with_table("# Performance", recorded())
