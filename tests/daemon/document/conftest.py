"""A small survey for the tests of documents."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.handmade import MS, START, Motion, ended, opened, station_text
from daemon.surveys import write_run
from swathe.store import SurveyFolder, replay, write_derived


@pytest.fixture(scope="session")
def survey(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a line profile of 21 cells."""
    folder = SurveyFolder(tmp_path_factory.mktemp("document") / "penstock-3")
    motion = Motion(lambda ms: (ms / 50 - 1,), lambda _: 10.0, 0, 1200)
    text = station_text(survey='nominal_thickness = "12 mm"')
    with folder:
        write_run(folder, [opened(text), *motion.entries(), ended(START + 1300 * MS)])
        write_derived(folder, replay(folder))
    return folder.path
