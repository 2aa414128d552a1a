"""The copy of a survey: what is sent, what is not sent again, what is never lost."""

from __future__ import annotations

import json
import os
import shutil
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon.surveys import write_survey
from support.daemon import wait_for
from support.storage import StorageServer
from swathe.copying import CopyProcess, CopyTarget, Uploader, compare_copy, copy_of
from swathe.copying.process import keep_copy
from swathe.object_storage import StorageError, files_of, survey_path
from swathe.object_storage.paths import PIECES, checked_copy_url
from swathe.object_storage.stores import PART_BYTES
from swathe.safe_files import SafeFolder
from swathe.store import DigestLog, SurveyFolder, read_digests, unverified_reason
from swathe.store.rebuild import write_derived
from swathe.store.replaying import replay


def survey(path: Path) -> SurveyFolder:
    """Return a survey with its derived files."""
    folder = write_survey(path)
    with folder:
        write_derived(folder, replay(folder))
    return folder


def target(folder: Path) -> CopyTarget:
    """Return a folder that stands for a bucket."""
    return CopyTarget.of(f"file://{folder}")


@pytest.mark.usefixtures("server")
def test_copy_is_equal_and_not_sent_again(tmp_path: Path) -> None:
    """A second copy sends what is new, and the digests; large files go in parts."""
    folder = survey(tmp_path / "belt")
    large = folder.path / "large.bin"
    large.write_bytes(bytes(range(256)) * (PART_BYTES // 256 * 2 + 7))
    at = CopyTarget.of("s3://surveys/twice")
    first = Uploader(folder.path, at)
    first.send_new(ended=True)
    assert first.verify().verified
    again = Uploader(folder.path, at)
    again.send_new(ended=True)
    assert again.status.sent == (folder.path / "digests.jsonl").stat().st_size
    assert again.verify().verified
    assert compare_copy(folder.path, at).equal


def test_verify_sends_what_differs_once_more(tmp_path: Path) -> None:
    """What is read back otherwise is sent again; what is only in the copy is reported and stays."""
    folder, at = survey(tmp_path / "belt"), target(tmp_path / "copy")
    uploader = Uploader(folder.path, at)
    uploader.send_new(ended=True)
    (tmp_path / "copy/survey.json").write_bytes(b"{}")
    (tmp_path / "copy/journal/0001.mcap").unlink()
    assert compare_copy(folder.path, at).changed == ("survey.json",)
    assert compare_copy(folder.path, at).missing == ("journal/0001.mcap",)
    assert uploader.verify().verified
    (tmp_path / "copy/notes.txt").write_text("somebody's")
    assert not uploader.verify().verified
    assert uploader.status.differs == ("notes.txt",)
    assert (tmp_path / "copy/notes.txt").exists()


def test_copy_with_more_of_a_journal_is_kept(tmp_path: Path) -> None:
    """A journal that a power cut shortened replaces no longer one."""
    folder, at = survey(tmp_path / "belt"), target(tmp_path / "copy")
    Uploader(folder.path, at).send_new(ended=True)
    path = folder.journal / "0002.mcap"
    whole = path.read_bytes()
    path.write_bytes(whole[:-100])
    uploader = Uploader(folder.path, at)
    uploader.send_new(ended=True)
    assert uploader.verify().differs == ("journal/0002.mcap",)
    assert not uploader.status.verified
    assert (tmp_path / "copy/journal/0002.mcap").read_bytes() == whole


def test_pieces_become_one_file(tmp_path: Path) -> None:
    """Once the next file has begun, or the run has ended, a journal file is whole and has no pieces."""
    folder, at = write_survey(tmp_path / "belt"), target(tmp_path / "copy")
    uploader = Uploader(folder.path, at)
    uploader.send_new(ended=False)
    names = {at.name(one.key) for one in at.bucket.below("")}
    assert names == {"journal/0001.mcap", f"journal/0002.mcap{PIECES}/{0:015d}"}
    resumed = Uploader(folder.path, at)
    resumed.send_new(ended=False)
    assert resumed.status.sent == 0 == resumed.status.waiting or resumed.status.sent == len(
        (folder.journal / "0001.mcap").read_bytes()
    )
    uploader.send_new(ended=True)
    assert compare_copy(folder.path, at).equal


@pytest.mark.parametrize("passes", [1, 2])
def test_piece_taken_as_the_link_was_lost_is_removed(tmp_path: Path, passes: int) -> None:
    """A piece that the storage has without having confirmed it is no part of the copy at the end."""
    folder, at = survey(tmp_path / "belt"), target(tmp_path / "copy")
    uploader = Uploader(folder.path, at)
    for _ in range(passes):
        uploader.send_new(ended=False)
    for name in ("0001", "0002"):
        size = (folder.journal / f"{name}.mcap").stat().st_size
        at.bucket.put(f"journal/{name}.mcap{PIECES}/{size - 9:015d}", b"unknown")
    uploader.send_new(ended=True)
    assert uploader.verify().verified


def test_derived_files_of_a_run_are_unfinished(tmp_path: Path) -> None:
    """While a run goes on the copy's derived files are neither final nor damaged, at its end they are good."""
    folder, at = survey(tmp_path / "belt"), target(tmp_path / "copy")
    uploader = Uploader(folder.path, at)
    uploader.send_new(ended=True)
    log = DigestLog(SafeFolder(folder.path))
    with log.writing(["survey.json"]):
        log.replace("survey.json", folder.record.read_bytes() + b"\n")
    (folder.path / "survey.json").touch()
    uploader.send_new(ended=False)
    copy = SurveyFolder(tmp_path / "copy")
    found = read_digests(files_of(copy.path))
    data = copy.record.read_bytes()
    assert data == folder.record.read_bytes()
    fault = found.fault("survey.json", data + b"x")
    assert fault is not None
    assert fault.kind == "unfinished"
    uploader.send_new(ended=True)
    assert unverified_reason(copy) == ""
    assert compare_copy(folder.path, at).equal


@pytest.mark.usefixtures("server")
def test_back_to_an_older_content_is_sent(tmp_path: Path) -> None:
    """A file that becomes what it was before the last time is sent: the tag known first is outdated."""
    folder, at = survey(tmp_path / "belt"), CopyTarget.of("s3://surveys/back")
    Uploader(folder.path, at).send_new(ended=True)
    uploader = Uploader(folder.path, at)
    before = folder.record.read_bytes()
    for data in (before[:-1] + b" ", before):
        folder.record.unlink()
        folder.record.write_bytes(data)
        uploader.send_new(ended=False)
    # This server shows an object for a moment as it was.
    wait_for(lambda: at.bucket.read("back/survey.json", limit=1 << 20) == before, 5, "the last one")


def test_removed_picture_is_removed_from_the_copy(tmp_path: Path) -> None:
    """A derived file that the survey no longer has is no part of the copy."""
    folder, at = survey(tmp_path / "belt"), target(tmp_path / "copy")
    folder.picture.write_bytes(b"drawing")
    Uploader(folder.path, at).send_new(ended=True)
    folder.picture.unlink()
    (tmp_path / "copy/notes.txt").write_text("somebody's")
    uploader = Uploader(folder.path, at)
    uploader.send_new(ended=True)
    assert uploader.verify().differs == ("notes.txt",)
    assert not (tmp_path / "copy/thickness.png").exists()
    assert (tmp_path / "copy/notes.txt").exists()


def test_copy_of_another_survey_has_another_place(tmp_path: Path) -> None:
    """The identity is part of the copy's name, so that a new survey in the folder replaces no copy."""
    folder = write_survey(tmp_path / "belt")
    identity = str(folder.first_opening().detail["survey"])[:8]
    assert copy_of(folder, "s3://surveys/site/") == f"s3://surveys/site/belt-{identity}"


def test_lost_link_is_raised_and_resumed(server: StorageServer, tmp_path: Path) -> None:
    """While the server is away nothing counts as sent; afterwards the copy becomes equal."""
    folder = survey(tmp_path / "belt")
    at = CopyTarget.of("s3://surveys/away", patient=False)
    uploader = Uploader(folder.path, at)
    server.stop()
    try:
        with pytest.raises(StorageError, match="cannot be reached"):
            uploader.send_new(ended=False)
    finally:
        server.start()
    uploader.send_new(ended=False)
    uploader.send_new(ended=True)
    assert uploader.verify().verified


@pytest.mark.parametrize("url", ["s3://", "http://a/b", "/data", "s3://KEY:SECRET@bucket/a"])
def test_copy_urls_that_are_refused(url: str) -> None:
    """A place that cannot be written, or one that would put a secret into a file, is refused."""
    with pytest.raises(ValueError, match="must"):
        checked_copy_url(url)


def test_process_ends_with_its_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Once the run has ended, the process verifies the copy and says so; secrets are in no line."""
    folder = survey(tmp_path / "belt")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "s3cr3t")
    monkeypatch.setattr("os.nice", lambda _by: 0)
    read, write = os.pipe()
    with os.fdopen(read) as stdin, os.fdopen(write, "w") as run:
        monkeypatch.setattr(sys, "stdin", stdin)
        run.write("end\n")
        run.flush()
        assert keep_copy(str(folder.path), f"file://{tmp_path / 'copies'}", 0.5, 1.0) == 0
    lines = capsys.readouterr().out
    last = json.loads(lines.splitlines()[-1])
    assert last["state"] == "verified"
    assert "s3cr3t" not in lines
    shutil.rmtree(folder.path)
    assert (survey_path(last["url"]) / "survey.json").is_file()


def test_finish_waits_no_longer_than_it_may(tmp_path: Path) -> None:
    """A run that is terminated ends the process that copies, and says that the copy is incomplete."""
    with CopyProcess(
        tmp_path / "none", f"file://{tmp_path / 'copies'}", every=60.0, patience=60.0
    ) as process:
        report = process.finish(0.05)
    assert report.state == "incomplete"
    first, second = report.lines(tmp_path / "none")
    assert "no time for the rest" in first
    assert "`swathe copy" in second


class PlayedProcess:
    """A copying process that a test ends."""

    code: int | None = None

    def poll(self) -> int | None:
        """Return its exit code, None while it runs."""
        return self.code


def test_copy_that_is_behind_for_too_long_is_an_alarm(tmp_path: Path) -> None:
    """From the last time it was whole on, with the reason; a report that it is whole again ends it."""
    now = [1000.0]
    copy = CopyProcess(
        tmp_path, f"file://{tmp_path}", every=1, patience=1, late=60, clock=lambda: now[0]
    )
    copy._process = PlayedProcess()  # type: ignore[assignment]
    begun = datetime.now(UTC)
    now[0] += 60
    assert copy.late_text() == ""
    now[0] += 1
    assert copy.late_text() == f"behind since {begun:%H:%M:%S} UTC: still sending"
    copy._take('{"state": "waiting", "text": "no route"}\n')
    assert copy.late_text().endswith("UTC: no route")
    copy._take('{"state": "copying"}\n')
    assert copy.late_text() == ""
    now[0] += 61
    copy._take("no JSON\n")
    assert copy.late_text().endswith("still sending")


def test_copying_process_that_has_ended_is_an_alarm(tmp_path: Path) -> None:
    """At once: nothing will be copied any more."""
    copy = CopyProcess(tmp_path, f"file://{tmp_path}", every=1, patience=1, late=60)
    played = PlayedProcess()
    copy._process = played  # type: ignore[assignment]
    assert copy.late_text() == ""
    played.code = -9
    assert copy.late_text().startswith("its process has ended: without a word")
    played.code = None
    copy._take('{"state": "incomplete", "text": "refused"}\n')
    assert copy.late_text().startswith("its process has ended: refused")
