"""The end of a run: its picture, and files for the viewers of its page."""

from __future__ import annotations

import asyncio
import io
import zipfile
from pathlib import Path
from typing import cast

import pytest

from daemon.handmade import ended, opened, station_text
from swathe.live.handing_over import HandingOver
from swathe.page import Page
from swathe.page.result import Result, ResultFile
from swathe.pipeline import Pipeline
from swathe.station import parse_station
from swathe.store import SurveyFolder, write_derived


class PlayedPage:
    """A page with some viewers, that notes what it is given."""

    def __init__(self, viewers: int) -> None:
        self.viewers = viewers
        self.files: dict[str, ResultFile] = {}
        self.where = ""

    async def hand_over(self, files: list[ResultFile], where: str, seconds: float) -> None:
        """Note the files."""
        assert seconds <= 10
        self.files = {file.name: file for file in files}
        self.where = where


@pytest.fixture
def survey(tmp_path: Path) -> SurveyFolder:
    """Return a survey that ended."""
    text = station_text()
    pipeline = Pipeline(parse_station(text, "s.toml"))
    mark = opened(text)
    pipeline.feed(mark)
    pipeline.feed(ended(mark.time + 10**9))
    folder = SurveyFolder(tmp_path / "survey")
    folder.path.mkdir()
    write_derived(folder, pipeline)
    return folder


@pytest.mark.parametrize("viewers", [0, 2])
def test_viewers_get_picture_report_and_data(survey: SurveyFolder, viewers: int) -> None:
    """The picture is drawn in any case; files are made for viewers only."""
    page = PlayedPage(viewers)
    ending = HandingOver(survey)
    asyncio.run(ending.at_end(cast("Page", page)))
    assert (ending.picture, ending.trouble) == (survey.picture, "")
    if not viewers:
        assert page.files == {}
        return
    assert page.where == str(survey.path.resolve())
    picture, report, data = page.files.values()
    assert picture.data == survey.picture.read_bytes()
    assert "% of " in report.data.decode()
    names = set(zipfile.ZipFile(io.BytesIO(data.data)).namelist())
    assert {"survey.json", "survey.zarr/zarr.json", picture.name, report.name} <= names


def test_what_fails_at_the_end_is_a_text(survey: SurveyFolder) -> None:
    """Without a record there is no picture, and no error."""
    survey.record.unlink()
    ending = HandingOver(survey)
    asyncio.run(ending.at_end(None))
    assert ending.picture is None
    assert ending.trouble.startswith("no picture: ")


def test_server_waits_for_its_viewers_but_not_long() -> None:
    """It goes once each viewer has fetched the last file, or the time is over."""
    files = [ResultFile(name, name, "text/plain", b"x") for name in ("a.txt", "b.txt")]

    async def play() -> None:
        result = Result()
        assert result.message is None
        await result.taken(lambda: 3, 60)  # nothing is offered
        result.offer(files, "/surveys/s")
        waiting = asyncio.create_task(result.taken(lambda: 2, 60))
        for name in ("a.txt", "b.txt", "a.txt"):
            assert result.take(name).name == name
            await asyncio.sleep(0)
            assert not waiting.done()
        result.take("b.txt")
        await asyncio.wait_for(waiting, 20)
        with pytest.raises(LookupError, match="no such file"):
            result.take("../survey.json")
        await asyncio.wait_for(result.taken(lambda: 9, 0.01), 20)

    asyncio.run(play())
