"""Many surveys: one after another and on dask's schedulers, with the same figures and flat memory."""

from __future__ import annotations

import gc
import sys
import weakref
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import swathe
from daemon.cli.test_compare import YEAR, write
from daemon.handmade import UTC
from swathe.comparison import CellDifferences, TrendPoint, fit_trend

LOSS = {-9: 0.0, -6: 0.31, -3: 0.6, 0: 0.9}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with four surveys three years apart, one with a hole."""
    path = tmp_path_factory.mktemp("many")
    for number, (years, loss) in enumerate(LOSS.items()):
        name = f"{9 - number}/penstock-3"
        write(path / name, utc=UTC + years * YEAR, loss=loss, seed=number, hole=years == -6)
    return path


def read_cells(square: float, path: Path) -> tuple[int, float]:
    """Return cells and mean of a survey, by the function of this module that processes import."""
    found = swathe.open_survey(path).evaluate(square=square)
    assert found.survey.statistics is not None
    return found.survey.measured, found.survey.statistics.mean


def fails(path: Path) -> None:
    """Fail as a task does."""
    swathe.open_survey(path / "absent")


@pytest.mark.parametrize("scheduler", ["synchronous", "threads"])
def test_figures_are_those_without_dask(folder: Path, scheduler: str) -> None:
    """Evaluation and trend, each in the order of the surveys."""
    paths = sorted(folder.glob("*/penstock-3"))
    task = partial(read_cells, 5.0)
    plain = list(swathe.over_surveys(task, paths))
    assert plain == [task(path) for path in paths]
    assert list(swathe.over_surveys(task, paths, scheduler=scheduler)) == plain
    zone = swathe.Zone("inlet", scan=(0, 6))
    one, other = (
        swathe.survey_trend([folder], zones=[zone], square=5.0, scheduler=each)
        for each in (None, scheduler)
    )
    assert one.whole.points == other.whole.points
    assert [each.rate for each in one.zones] == [each.rate for each in other.zones]
    assert len(one.zones) == 1 + 5


def test_what_tasks_take_and_return_can_be_sent(folder: Path) -> None:
    """To processes and clusters: here what they are sent, as bytes, to one that is this process."""
    executor: Any = import_module("dask.local").SynchronousExecutor()
    sent: list[int] = []

    class Counted:
        _max_workers = 1

        def submit(self, *arguments: Any, **options: Any) -> Any:
            """Count what is sent."""
            sent.append(len(arguments))
            return executor.submit(*arguments, **options)

    scheduler = partial(import_module("dask.multiprocessing").get, pool=Counted())
    one, other = (swathe.survey_trend([folder], scheduler=each) for each in (None, scheduler))
    assert one.whole.points == other.whole.points
    assert sent  # a scheduler of one's own is taken


@pytest.mark.slow
def test_processes_give_the_same(folder: Path) -> None:
    """Each of them imports what it needs."""
    one, other = (swathe.survey_trend([folder], scheduler=each) for each in (None, "processes"))
    assert one.whole.points == other.whole.points
    assert one.pairs[0].notes == other.pairs[0].notes


def test_means_are_of_the_cells_that_all_measured(folder: Path) -> None:
    """They are those of plain comparisons, cut to the common cells, and so is the line through them."""
    paths = sorted(folder.glob("*/penstock-3"), reverse=True)  # the oldest first
    found = swathe.compare_surveys(paths)
    common = np.logical_and.reduce([pair.differences.pairs for pair in found.pairs])
    trend = swathe.survey_trend([folder])
    assert trend.whole.cells == np.count_nonzero(common) == 19
    means = [float(pair.differences.before[common].mean()) for pair in found.pairs]
    means.append(float(found.latest.differences.later.mean[common].mean()))
    points: tuple[TrendPoint, ...] = trend.whole.points
    assert [point.mean for point in points] == pytest.approx(means, abs=1e-12)
    standard = np.array([point.standard for point in points], np.float64)
    line = fit_trend(-np.array([point.years for point in points]), np.array(means), standard)
    assert trend.whole.rate is not None
    assert trend.whole.rate.value == pytest.approx(-line.slope.value, abs=1e-9)


def test_no_arrays_of_earlier_surveys_are_kept(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Memory does not grow with the surveys: at most two pairs are there at a time."""
    alive: list[weakref.ref[Any]] = []
    most = 0
    before: Any = vars(CellDifferences)["pairs"].fget

    def counted(self: CellDifferences) -> Any:
        nonlocal most
        gc.collect()
        if not any(one() is self.values for one in alive):
            alive.append(weakref.ref(self.values))
        most = max(most, sum(one() is not None for one in alive))
        return before(self)

    monkeypatch.setattr(CellDifferences, "pairs", property(counted))
    swathe.survey_trend([folder])
    assert len(alive) >= 3  # or nothing was looked at
    assert most <= 2


def test_errors_are_those_of_the_task_and_of_the_scheduler(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A survey that is missing; a scheduler that is none; no dask."""
    with pytest.raises(swathe.SwatheError, match="absent"):
        list(swathe.over_surveys(fails, [folder], scheduler="synchronous"))
    with pytest.raises(swathe.SwatheError, match="must be one that dask knows"):
        list(swathe.over_surveys(fails, [folder], scheduler="sequential"))
    monkeypatch.setitem(sys.modules, "dask", None)
    with pytest.raises(swathe.SwatheError, match=r"pip install 'swathe\[dask\]'"):
        list(swathe.over_surveys(fails, [folder], scheduler="synchronous"))


def test_arrays_are_the_same_whether_dask_is_installed(folder: Path) -> None:
    """A script that prints a value prints it; reading is lazy by itself."""
    assert import_module("dask")
    arrays = swathe.open_survey(next(folder.glob("9/*"))).arrays()
    assert arrays.thickness.chunks is None
    assert f"{arrays.thickness.min():.1f}" == f"{float(arrays.thickness.min()):.1f}"
