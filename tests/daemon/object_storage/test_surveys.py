"""A survey on object storage is read as the folder of which it is a copy."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import swathe
from daemon.surveys import assert_same, write_survey
from swathe.api.survey import open_survey
from swathe.copying import CopyTarget, Uploader
from swathe.errors import SurveyError, SwatheError
from swathe.object_storage import ObjectPath, StorageError, files_of, survey_path
from swathe.object_storage.paths import PIECES
from swathe.object_storage.settings import s3_settings
from swathe.store import LastRun, SurveyFolder, check_survey, last_run, surveys_below
from swathe.store.rebuild import write_derived
from swathe.store.replaying import replay


def survey(path: Path) -> SurveyFolder:
    """Return a survey with its derived files."""
    folder = write_survey(path)
    with folder:
        write_derived(folder, replay(folder))
    return folder


def copied(folder: SurveyFolder, url: str) -> str:
    """Copy a survey; return the URL."""
    uploader = Uploader(folder.path, CopyTarget.of(url))
    uploader.send_new(ended=True)
    assert uploader.verify().verified
    return url


@pytest.mark.usefixtures("server")
def test_url_reads_as_the_folder(tmp_path: Path) -> None:
    """Record, arrays, evaluation, replay and check by a URL are those of the folder."""
    folder = survey(tmp_path / "belt")
    own, far = open_survey(folder.path), open_survey(copied(folder, "s3://surveys/a/belt"))
    assert str(far.path) == "s3://surveys/a/belt"
    assert far.record == own.record
    assert far.arrays().load().identical(own.arrays().load())
    assert far.evaluate().survey.measured == own.evaluate().survey.measured > 0
    assert far.replay().record == own.replay().record
    assert far.unverified == "" == own.unverified
    assert check_survey(SurveyFolder(far.path)).good
    assert [str(one.path) for one in surveys_below(survey_path("s3://surveys/a"))] == [
        str(far.path)
    ]
    assert (
        swathe.compare_surveys([own.path, str(far.path)], years=1.0).whole.pairs[0].pairs
        == own.evaluate().survey.measured
    )
    assert last_run(SurveyFolder(far.path), far.record) is LastRun.ENDED


@pytest.mark.usefixtures("server")
def test_growing_journal_is_read_in_pieces(tmp_path: Path) -> None:
    """A copy of a run that has not ended is a survey: its journal's pieces read as one file."""
    folder = write_survey(tmp_path / "belt")
    (last := max(folder.journal.iterdir())).rename(held := tmp_path / "held")
    whole = held.read_bytes()
    target = CopyTarget.of("s3://surveys/growing")
    uploader = Uploader(folder.path, target)
    for end in (len(whole) // 3, len(whole) // 2, len(whole)):
        last.write_bytes(whole[:end])
        uploader.send_new(ended=False)
    far = SurveyFolder(survey_path(target.url))
    names = [one.key for one in target.bucket.below("growing") if PIECES in one.key]
    assert len(names) == 3
    assert files_of(far.path).open("journal/0002.mcap").read() == whole
    assert list(files_of(far.path).names()) == ["journal/0001.mcap", "journal/0002.mcap"]
    found = replay(far)
    assert_same(found, replay(folder))
    assert far.written_now is None
    target.bucket.remove(names[1])
    left = len(files_of(far.path).open("journal/0002.mcap").read())
    assert left == int(names[1].rpartition("/")[2])  # nothing behind a piece that is missing


@pytest.mark.usefixtures("server")
def test_lost_byte_is_found(tmp_path: Path) -> None:
    """A chunk that differs in storage is damaged, and the remedy is no repair there."""
    url = copied(survey(tmp_path / "belt"), "s3://surveys/lost")
    target = CopyTarget.of(url)
    key = next(one.key for one in target.bucket.below("lost") if "hits/c/" in one.key)
    target.bucket.put(key, b"other")
    found = check_survey(SurveyFolder(survey_path(url)))
    assert [str(fault.kind) for fault in found.faults] == ["changed"]
    with pytest.raises(SurveyError, match="compare it with its original by `swathe check"):
        open_survey(url).arrays().load()


@pytest.mark.usefixtures("server")
def test_missing_is_no_lost_link(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is not there is reported as that; a storage that does not answer never is."""
    with pytest.raises(SurveyError, match=r"s3://surveys/none: there is no such survey$"):
        open_survey("s3://surveys/none")
    with pytest.raises(StorageError, match=r"s3://nowhere: there is no such bucket"):
        open_survey("s3://nowhere/none")
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "stranger")
    from swathe.object_storage.stores import storage_of

    storage_of.cache_clear()
    with pytest.raises(StorageError, match="is refused: check AWS_ACCESS_KEY_ID"):
        open_survey("s3://surveys/none")
    monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")
    bucket = storage_of("s3", "surveys", patient=False)
    storage_of.cache_clear()
    bucket = storage_of("s3", "surveys", patient=False)
    with pytest.raises(StorageError, match="cannot be reached"):
        bucket.head("none")


@pytest.mark.usefixtures("server")
def test_nothing_is_written(tmp_path: Path) -> None:
    """A survey on object storage is locked by nobody, nor is any file of it replaced."""
    folder = SurveyFolder(survey_path(copied(survey(tmp_path / "belt"), "s3://surveys/read")))
    before = [*CopyTarget.of("s3://surveys/read").bucket.below("read")]
    with pytest.raises(SurveyError, match="is only read"), folder:
        pass
    for act in ("append", "create", "remove", "remove_folder"):
        with pytest.raises(OSError, match="only read"):
            getattr(files_of(folder.path), act)("survey.json")
    assert [*CopyTarget.of("s3://surveys/read").bucket.below("read")] == before
    assert not Path("s3:").exists()


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("a/b", "a/b"),
        ("file:///a%20b/c", "/a b/c"),
        ("s3://b/c//d/", "s3://b/c/d"),
        ("s3://b", "s3://b"),
    ],
)
def test_survey_path_of_texts(text: str, found: str) -> None:
    """Paths stay paths, file URLs become paths, and a bucket's are kept."""
    path = survey_path(text)
    assert str(path) == found
    assert isinstance(path, ObjectPath) is text.startswith("s3")
    assert str(survey_path(str(path)) / "x") == f"{found}/x"


@pytest.mark.parametrize("text", ["http://host/a", "s3:///a", "s3://", "file://host/a", "gs://b/c"])
def test_other_urls_are_refused(text: str) -> None:
    """A URL that cannot be read is refused with those that can."""
    if text == "s3:///a":
        assert str(survey_path(text)) == "s3://a"
        return
    with pytest.raises(SwatheError, match=re.escape(text)):
        survey_path(text)


def test_credentials_come_from_variables_and_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Variables hold, then the service manager's files, then the profile of the shared files."""
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_ENDPOINT_URL", "AWS_REGION"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    assert s3_settings() == ({"region": "us-east-1"}, False)
    (tmp_path / ".aws").mkdir()
    (tmp_path / ".aws/credentials").write_text(
        "[default]\naws_access_key_id = A\naws_secret_access_key = B\n[site]\naws_access_key_id = C\n"
    )
    (tmp_path / ".aws/config").write_text(
        "[default]\nregion = eu-1\n[profile site]\nendpoint_url = http://s\n"
    )
    assert s3_settings() == (
        {"aws_access_key_id": "A", "aws_secret_access_key": "B", "region": "eu-1"},
        True,
    )
    monkeypatch.setenv("AWS_PROFILE", "site")
    found, known = s3_settings()
    assert (found["endpoint"], found["aws_access_key_id"], known) == ("http://s", "C", False)
    (tmp_path / "given").mkdir()
    (tmp_path / "given/AWS_ACCESS_KEY_ID").write_text("D\n")
    (tmp_path / "given/AWS_SECRET_ACCESS_KEY").write_text("E\n")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path / "given"))
    found, known = s3_settings()
    assert (found["aws_access_key_id"], found["aws_secret_access_key"], known) == ("D", "E", True)
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "F")
    assert s3_settings()[0]["aws_access_key_id"] == "F"
