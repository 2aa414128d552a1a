"""A finished survey on the page: what it shows, what it refuses, how it ends."""

from __future__ import annotations

import asyncio
import json
import shutil
import signal
from functools import partial
from http.client import HTTPConnection
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from daemon.exports import MAP, MAP_TEXT, write_map, write_survey_of
from daemon.handmade import UTC, opened
from swathe.cli.view import difference_picture
from swathe.errors import MisuseError, SwatheError
from swathe.journal import JournalWriter
from swathe.live.viewing import SurveySource, ended_how, serve_survey
from swathe.messages import CommandMessage, StretchSnapshot, moment
from swathe.pipeline import Pipeline
from swathe.station import PageSettings
from swathe.store import SurveyFolder, read_verified_record, replay, write_derived


@pytest.fixture(scope="module")
def survey(tmp_path_factory: pytest.TempPathFactory) -> SurveyFolder:
    """Return the survey of a map."""
    return write_map(tmp_path_factory.mktemp("view") / "penstock-3")


@pytest.fixture(scope="module")
def pipeline(survey: SurveyFolder) -> Pipeline:
    """Return a replay of it."""
    return replay(survey)


@pytest.fixture
def source(pipeline: Pipeline) -> SurveySource:
    """Return it for the page, as ended in good order."""
    return SurveySource(pipeline, reason="", last=moment(pipeline.time))


def asked(url: str, path: str, *, body: bytes | None = None, **headers: str) -> tuple[int, bytes]:
    """Return status and body of an answer."""
    place = urlsplit(url)
    connection = HTTPConnection(place.hostname or "", place.port, timeout=20)
    try:
        connection.request("GET" if body is None else "POST", path, body, headers)
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


def test_messages_are_the_record(survey: SurveyFolder, source: SurveySource) -> None:
    """Figures, gaps and devices are those of the record, with the same digits."""
    record = read_verified_record(survey).record
    newest = {topic: json.loads(payload) for topic, payload in source.newest().items()}
    for name in ("percent", "measured", "required", "minimum", "minimum_scan", "readings"):
        assert newest["progress"][name] == getattr(record.progress, name), name
    gaps = {topic for topic in newest if topic.startswith("gap/")}
    assert gaps == {f"gap/{gap.number}" for gap in record.gaps}
    assert {"port/encoder", "port/gauge"} <= newest.keys()
    state = newest["state"]
    assert (state["state"], state["reason"]) == ("incomplete", "")
    assert state["since"].startswith("2027-01-15T08:00:03.1")
    assert state["plan"]["lines"] == 6


def test_there_is_nothing_to_command(source: SurveySource) -> None:
    """No probe, no gauge, no broker, no next step; a command is a bug."""
    assert source.position() == (None, None)
    assert source.gauge() is None
    assert source.broker is None
    assert source.next_step() is None
    assert source.opening is None
    command = CommandMessage(id="1", command="stop", by="A. Kern")
    with pytest.raises(MisuseError):
        asyncio.run(source.execute(command))
    with pytest.raises(MisuseError):
        source.affected(StretchSnapshot(line=1))


async def test_page_has_readings_and_no_commands(source: SurveySource) -> None:
    """Cells, lines, tiles and events are served; commands have no route; SIGINT ends it."""
    url: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    served = asyncio.create_task(serve_survey(source, PageSettings(port=0), on_open=url.set_result))
    address = (await url).rstrip("/")

    async def ask(path: str, **given: Any) -> tuple[int, bytes]:
        return await asyncio.to_thread(asked, address, path, **given)

    status, body = await ask("/")
    assert status == 200
    assert body.count(b"<html data-view ") == 1
    status, body = await ask("/cell/0/3")
    cell = json.loads(body)
    assert (status, cell["state"], cell["thickness"]) == (200, "measured", 10.104)
    status, body = await ask("/line/0")
    assert len(json.loads(body)["thickness"]) == 21
    assert (await ask("/tiles/0/0/0"))[0] == 200
    stop = json.dumps({"command": "stop", "by": "A. Kern"}).encode()
    own = {"Origin": address, "Content-Type": "application/json"}
    assert (await ask("/command", body=stop, **own))[0] == 404
    assert (await ask("/affected?stretch={}"))[0] == 404
    assert (await ask("/cell/0/3", Host="other.example"))[0] == 421
    signal.raise_signal(signal.SIGINT)
    await asyncio.wait_for(served, 10)
    with pytest.raises(OSError, match="refused"):
        await ask("/")


async def test_other_addresses_require_a_token(source: SurveySource) -> None:
    """The rules are those of the page of a run."""
    url: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    settings = PageSettings(host="0.0.0.0", port=0)  # noqa: S104  behind a token
    served = asyncio.create_task(serve_survey(source, settings, on_open=url.set_result))
    address, _, token = (await url).partition("#token=")
    local = address.replace("0.0.0.0", "127.0.0.1")  # noqa: S104
    assert (await asyncio.to_thread(asked, local, "/cell/0/3"))[0] == 401
    bearer: dict[str, Any] = {"Authorization": f"Bearer {token}"}
    assert (await asyncio.to_thread(partial(asked, local, "/cell/0/3", **bearer)))[0] == 200
    signal.raise_signal(signal.SIGTERM)
    await asyncio.wait_for(served, 10)


async def test_a_port_that_is_taken_is_an_error(source: SurveySource) -> None:
    """Nothing waits for a page that is not there."""
    server = await asyncio.start_server(lambda *_: None, "127.0.0.1", 0)
    taken = int(server.sockets[0].getsockname()[1])
    with pytest.raises(SwatheError, match=f"port {taken} cannot be used"):
        await serve_survey(source, PageSettings(port=taken), on_open=lambda _: None)
    server.close()
    await server.wait_closed()


@pytest.fixture
def copy(survey: SurveyFolder, tmp_path: Path) -> SurveyFolder:
    """Return a copy of the survey."""
    shutil.copytree(survey.path, tmp_path / "copy")
    return SurveyFolder(tmp_path / "copy")


def how(folder: SurveyFolder) -> tuple[str, Any]:
    """Return what is to be said of a survey, and when it ended."""
    record, unverified = read_verified_record(folder)
    return ended_how(folder, record, replay(folder), unverified)


def test_a_run_that_ended_needs_no_words(copy: SurveyFolder) -> None:
    """The time is that of the journal's end."""
    assert how(copy) == ("", moment(UTC + 3_100_000_000))


def test_a_killed_run_has_no_end(copy: SurveyFolder) -> None:
    """What is known is its last entry; it is no cause for what is not covered."""
    later = [opened(MAP_TEXT, utc=UTC + 60_000_000_000), *MAP.entries()]
    with JournalWriter(copy.journal, wall_clock=lambda: UTC) as journal:
        for entry in later:
            journal.write(entry)
    text, last = how(copy)
    assert text.startswith("the last run ended without a word at 2027-01-15 08:01:03 UTC")
    assert last is None


def test_a_run_that_writes_now_is_named(copy: SurveyFolder) -> None:
    """Its page would be another one."""
    record, unverified = read_verified_record(copy)
    scanning = record.model_copy(update={"status": "scanning"})
    with copy:
        text, last = ended_how(copy, scanning, replay(copy), unverified)
    assert text.startswith("a run writes to this survey now")
    assert last is None


def test_other_files_are_named(copy: SurveyFolder) -> None:
    """The page shows the journal: where the files are another state of it, that is stated."""
    with copy:
        write_derived(copy, replay(copy), options="--delay 'gauge=5 ms'")
    text, last = how(copy)
    assert (
        text == "its files were rebuilt with --delay 'gauge=5 ms'; shown is the survey without that"
    )
    assert last is not None
    (copy.path / "digests.jsonl").unlink()
    assert "NOT VERIFIED" in how(copy)[0]


async def test_difference_to_an_earlier_survey_is_shown(
    survey: SurveyFolder, source: SurveySource, tmp_path: Path
) -> None:
    """Its picture is a file of the page, as `swathe compare` draws it; other pairings are refused."""
    year = 365 * 86_400 * 1_000_000_000
    old = write_survey_of(tmp_path / "old", MAP_TEXT, MAP, utc=UTC - year).path
    file = difference_picture(old, survey.path, "datum")
    assert (file.name, file.title) == ("difference.png", "Difference to old, paired by the datum")
    assert file.data.startswith(b"\x89PNG")
    with pytest.raises(SwatheError, match="'--align' must be"):
        difference_picture(old, survey.path, "sideways")
    url: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    served = asyncio.create_task(
        serve_survey(
            source, PageSettings(port=0), on_open=url.set_result, files=[file], where="here"
        )
    )
    address = (await url).rstrip("/")
    status, body = await asyncio.to_thread(asked, address, "/result/difference.png")
    assert (status, body) == (200, file.data)
    signal.raise_signal(signal.SIGINT)
    await asyncio.wait_for(served, 10)
