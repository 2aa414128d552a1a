"""Damaged derived files of a survey are named, refused by readers, and written again."""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import BinaryIO

import numpy as np
import pytest
import zarr

from daemon.surveys import write_survey
from swathe import open_survey
from swathe.errors import SurveyError
from swathe.report.survey_check import survey_check_lines
from swathe.safe_files import SafeFolder
from swathe.store import (
    DigestLog,
    SurveyFolder,
    SurveyRecord,
    check_survey,
    digest_log,
    open_arrays,
    read_digests,
    read_verified_record,
    repair_survey,
    replay,
    unverified_reason,
    write_derived,
)
from swathe.store.digests import DIGESTS, SEED, chained

Damage = Callable[[random.Random, Path], list[str]]


@pytest.fixture(scope="module")
def undamaged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a survey of two runs whose derived files were written by a rebuild."""
    folder = write_survey(tmp_path_factory.mktemp("undamaged") / "survey")
    write_derived(folder, replay(folder))
    log = DigestLog(SafeFolder(folder.path))
    with log.writing([folder.picture.name]):
        log.replace(folder.picture.name, b"a drawing")
    return folder.path


@pytest.fixture
def survey(undamaged: Path, tmp_path: Path) -> SurveyFolder:
    """Return a copy of the survey, to be damaged."""
    shutil.copytree(undamaged, tmp_path / "survey")
    return SurveyFolder(tmp_path / "survey")


def contents(path: Path) -> dict[str, bytes]:
    """Return the derived files of a survey but for the picture and the log of digests."""
    names = [p for p in path.rglob("*") if p.is_file() and not p.is_symlink()]
    found = {p.relative_to(path).as_posix(): p.read_bytes() for p in names}
    own = ("survey.zarr/", "survey.json")
    return {name: data for name, data in found.items() if name.startswith(own)}


def derived(path: Path) -> list[str]:
    """Return the names of the derived files."""
    return sorted(contents(path))


def flip(random: random.Random, path: Path) -> list[str]:
    """Flip one bit of a file."""
    name = random.choice(derived(path))
    data = bytearray((path / name).read_bytes())
    data[random.randrange(len(data))] ^= 1 << random.randrange(8)
    (path / name).write_bytes(data)
    return [name]


def delete(random: random.Random, path: Path) -> list[str]:
    """Delete a file."""
    name = random.choice(derived(path))
    (path / name).unlink()
    return [name]


def cut(random: random.Random, path: Path) -> list[str]:
    """Cut a file, at times to nothing."""
    name = random.choice(derived(path))
    os.truncate(path / name, random.randrange((path / name).stat().st_size))
    return [name]


def swap(random: random.Random, path: Path) -> list[str]:
    """Exchange two files of different contents."""
    one = random.choice(derived(path))
    first = (path / one).read_bytes()
    other = random.choice([n for n in derived(path) if (path / n).read_bytes() != first])
    (path / one).write_bytes((path / other).read_bytes())
    (path / other).write_bytes(first)
    return [one, other]


def plant(random: random.Random, path: Path) -> list[str]:
    """Add a file of which the arrays know nothing."""
    name = random.choice(
        ["thickness/c/9/9", "state/c/0/1", ".zgroup", "mine/zarr.json", "x.partial"]
    )
    target = path / "survey.zarr" / name
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(b"{}")
    return [f"survey.zarr/{name}"]


def link(random: random.Random, path: Path) -> list[str]:
    """Replace a file by a link to a file outside that is the same."""
    name = random.choice(derived(path))
    outside = path.parent / "outside"
    outside.write_bytes((path / name).read_bytes())
    (path / name).unlink()
    (path / name).symlink_to(outside)
    return [name]


def remove_array(random: random.Random, path: Path) -> list[str]:
    """Delete an array as a whole."""
    array = random.choice([p.name for p in (path / "survey.zarr").iterdir() if p.is_dir()])
    gone = [name for name in derived(path) if name.startswith(f"survey.zarr/{array}/")]
    shutil.rmtree(path / "survey.zarr" / array)
    return gone


def edit(_random: random.Random, path: Path) -> list[str]:
    """Edit the record, as a person would."""
    text = (path / "survey.json").read_bytes()
    (path / "survey.json").write_bytes(text.replace(b"scanning", b"complete") + b"\n")
    return ["survey.json"]


DAMAGES: tuple[Damage, ...] = (flip, flip, delete, cut, swap, plant, link, remove_array, edit)


@pytest.mark.parametrize("seed", range(int(os.environ.get("SWATHE_DAMAGES", "8"))))
def test_random_damage_is_named_and_repaired(
    survey: SurveyFolder, undamaged: Path, seed: int
) -> None:
    """Each damaged file is named; a repair gives the undamaged bytes and keeps what did not match."""
    randomness = random.Random(seed)
    damaged: set[str] = set()
    with survey:
        for _ in range(randomness.randrange(1, 4)):
            damage = randomness.choice(DAMAGES)
            if len(derived(survey.path)) > 12:
                damaged.update(damage(randomness, survey.path))
        expected = contents(undamaged)
        for name in sorted(damaged):  # one damage may have undone another one
            path = survey.path / name
            if not path.is_symlink() and path.is_file() and path.read_bytes() == expected.get(name):
                damaged.discard(name)
            if not path.exists() and not path.is_symlink() and name not in expected:
                damaged.discard(name)
        kept = {
            name: (survey.path / name).read_bytes()
            for name in damaged
            if (survey.path / name).exists()
        }
        found = check_survey(survey)
        assert {fault.name for fault in found.faults} == damaged, f"seed {seed}"
        assert all(fault.kind.is_damage for fault in found.faults)
        text = "\n".join(survey_check_lines(survey, found))
        assert all(name in text for name in damaged)
        aside = repair_survey(survey, found.faults)
        assert contents(survey.path) == expected, f"seed {seed}"
        assert check_survey(survey).good
        for name, data in kept.items():
            assert (survey.path / aside / name).read_bytes() == data


def test_undamaged_survey_is_good(survey: SurveyFolder) -> None:
    """Nothing is found where nothing was damaged, and a second rebuild changes no byte."""
    found = check_survey(survey)
    assert found.good
    assert survey_check_lines(survey, found) == [
        "journal: 2 files, good",
        f"derived files: {len(found.digests.files)} files, good",
    ]
    before = contents(survey.path)
    with survey:
        write_derived(survey, replay(survey))
    assert contents(survey.path) == before
    assert unverified_reason(survey) == ""


def test_edited_record_is_refused(survey: SurveyFolder) -> None:
    """What somebody made of the record is not shown as the survey's."""
    edit(random.Random(0), survey.path)
    with pytest.raises(SurveyError, match=r"survey\.json is not the file that was written"):
        read_verified_record(survey)
    with pytest.raises(SurveyError, match="check --repair"):
        _ = open_survey(survey.path).record


@pytest.mark.parametrize("array", ["thickness", "state"])
@pytest.mark.parametrize("how", ["flip", "delete"])
def test_damaged_chunk_is_refused_where_it_is_read(
    survey: SurveyFolder, array: str, how: str
) -> None:
    """A flipped bit and a deleted chunk raise when the array is read; other arrays are read."""
    chunk = survey.zarr / array / "c" / "0" / "0"
    data = bytearray(chunk.read_bytes())
    data[-3] ^= 4
    chunk.write_bytes(data)
    if how == "delete":
        chunk.unlink()
    group = open_arrays(survey)
    np.asarray(group["hits"])
    with pytest.raises(SurveyError, match=f"survey.zarr/{array}/c/0/0"):
        np.asarray(group[array])
    arrays = open_survey(survey.path).arrays()
    with pytest.raises(SurveyError, match=f"survey.zarr/{array}/c/0/0"):
        arrays[array].load()
    (line, meaning, *_) = [
        t for t in survey_check_lines(survey, check_survey(survey)) if array in t
    ]
    assert line.startswith("DAMAGED: survey.zarr/")
    assert f"'{array}' of the cells at scan -0.5 to 25.5 mm, index" in meaning


def test_other_readers_open_the_arrays_without_code_of_ours(survey: SurveyFolder) -> None:
    """The store is an ordinary one: zarr itself reads from the folder what the checked store reads."""
    plain = zarr.open_group(survey.zarr, mode="r")
    ours = open_arrays(survey)
    for name in ("thickness", "state", "last_time", "scan"):
        one, other = np.asarray(plain[name]), np.asarray(ours[name])
        assert one.tobytes() == other.tobytes()


@pytest.mark.parametrize("name", ["scan/c/0", "hits/zarr.json", "zarr.json", "hits/c/0/0"])
def test_rebuild_relies_on_no_damaged_file(
    survey: SurveyFolder, undamaged: Path, name: str
) -> None:
    """Coordinates and metadata that do not match their digest are made again, not taken over."""
    path = survey.zarr / name
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    with survey:
        write_derived(survey, replay(survey))
    assert contents(survey.path) == contents(undamaged)
    assert check_survey(survey).good


def test_kill_while_files_are_written_is_no_damage(survey: SurveyFolder) -> None:
    """Files between two states are unfinished, not damaged; others are verified; a rebuild ends it."""
    log = DigestLog(SafeFolder(survey.path))
    names = ["survey.json", "survey.zarr/hits/c/0/0"]

    def killed() -> None:
        with log.writing(names):
            log.replace("survey.json", survey.record.read_bytes() + b"\n")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        killed()
    found = check_survey(survey)
    assert [(fault.name, fault.kind.value) for fault in found.faults] == [
        ("survey.json", "unfinished")
    ]
    record, unverified = read_verified_record(survey)
    assert record.runs == 2
    assert "ended without a word" in unverified
    assert "and 1 more ended without a word" in unverified_reason(survey)
    survey.zarr.joinpath("state/c/0/0").unlink()
    assert [fault.kind.value for fault in check_survey(survey).faults] == ["unfinished", "missing"]
    with survey:
        assert repair_survey(survey, check_survey(survey).faults) == ""
    assert check_survey(survey).good


def test_survey_without_digests_is_not_verified(survey: SurveyFolder) -> None:
    """What has no digests is shown, and said to be unverified; a repair writes it again."""
    (survey.path / DIGESTS).unlink()
    _, unverified = read_verified_record(survey)
    assert unverified == "survey.json is not verified: digests.jsonl is missing"
    assert "is missing: run `swathe rebuild`" in unverified_reason(survey)
    assert open_survey(survey.path).unverified
    before = contents(survey.path)
    with survey:
        aside = repair_survey(survey, check_survey(survey).faults)
    assert contents(survey.path) == before
    assert contents(survey.path / aside) == before
    assert check_survey(survey).good


def test_changed_journal_is_named_and_stays_so(survey: SurveyFolder) -> None:
    """The digest of a journal file is not replaced by that of the changed file."""
    path = survey.journal / "0001.mcap"
    path.write_bytes(path.read_bytes()[:-200])
    for _ in range(2):
        found = check_survey(survey)
        assert any("journal/0001.mcap was cut to" in text for text in found.damage)
        with survey:
            write_derived(survey, replay(survey))
    (survey.journal / "0002.mcap").unlink()
    assert any("0002.mcap is missing" in text for text in check_survey(survey).damage)


def test_grown_journal_is_whole(survey: SurveyFolder) -> None:
    """Bytes behind those of which there is a digest are no damage."""
    digests = read_digests(SafeFolder(survey.path))
    last = digests.journal[2]
    shorter = last._replace(
        size=0, digest="e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    )
    log = DigestLog(SafeFolder(survey.path))
    with log.writing([], journal=[shorter]):  # the SHA-256 of nothing, FIPS 180-4
        pass
    assert check_survey(survey).good


def test_link_instead_of_the_journal_is_refused(survey: SurveyFolder, tmp_path: Path) -> None:
    """No run writes its journal into a folder to which a stranger's survey leads, and none is read."""
    shutil.move(survey.journal, tmp_path / "outside")
    survey.journal.symlink_to(tmp_path / "outside")
    with pytest.raises(SurveyError, match="journal: is a link"), survey:
        pass
    with pytest.raises(SurveyError, match="journal: is a link"):
        survey.require()


def test_damaged_log_of_digests_is_kept_aside(survey: SurveyFolder) -> None:
    """A flipped bit in it is named by its line; the next writer begins another one."""
    path = survey.path / DIGESTS
    data = bytearray(path.read_bytes())
    data[200] ^= 1
    path.write_bytes(data)
    (fault,) = check_survey(survey).faults
    assert (str(fault), fault.kind.value) == ("digests.jsonl is damaged in line 1", "unknown")
    with survey:
        write_derived(survey, replay(survey))
    assert (survey.path / "set-aside" / "1" / DIGESTS).read_bytes() == data
    assert [str(one) for one in check_survey(survey).faults] == ["thickness.png has no digest"]


@pytest.mark.parametrize("line", [1, 2])
def test_line_that_a_full_disk_cut_off_is_no_damage(
    survey: SurveyFolder, monkeypatch: pytest.MonkeyPatch, line: int
) -> None:
    """Once there is room again the log continues, and the files are verified."""
    log = DigestLog(SafeFolder(survey.path))
    log.begin()
    append, appended = SafeFolder.append, []

    def full(self: SafeFolder, name: str) -> BinaryIO:
        stream = append(self, name)
        appended.append(name)
        if len(appended) == line:
            with stream:
                stream.write(b"half a line")
            raise OSError(28, "No space left on device")
        return stream

    def checkpoint(data: bytes) -> None:
        with log.writing(["survey.json"]):
            log.replace("survey.json", data)

    monkeypatch.setattr(SafeFolder, "append", full)
    with pytest.raises(OSError, match="No space"):
        checkpoint(b"1")
    found = [fault.kind.value for fault in check_survey(survey).faults]
    assert found == (["unfinished"] if line == 2 else [])
    checkpoint(b"2")
    assert check_survey(survey).good


def test_file_of_empty_lists_is_not_parsed(
    survey: SurveyFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some MB of brackets, which would take a hundred times that in memory, are refused unparsed."""
    bomb = b"[" + b"[]," * 500_000 + b"[]]"

    def parsed(*_: object) -> None:
        raise AssertionError

    (survey.path / DIGESTS).unlink()
    survey.record.write_bytes(bomb)
    monkeypatch.setattr(SurveyRecord, "model_validate_json", parsed)
    with pytest.raises(SurveyError, match="more values than a record"):
        read_verified_record(survey)
    monkeypatch.setattr("swathe.store.digests.json.loads", parsed)
    body = b'{"kind":"whole","files":' + bomb + b"}"
    (survey.path / DIGESTS).write_bytes(chained(SEED, body).encode() + b" " + body + b"\n")
    assert read_digests(SafeFolder(survey.path)).problem == "is damaged in line 1"
    (survey.zarr / "zarr.json").write_bytes(bomb)
    with pytest.raises(SurveyError, match="more values than metadata"):
        open_arrays(survey)


def test_log_of_digests_stays_small(survey: SurveyFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    """A day of checkpoints does not let it grow without end: it is written again as one line."""
    monkeypatch.setattr(digest_log, "_FEW_BYTES", 10_000)
    log = DigestLog(SafeFolder(survey.path))
    sizes = []
    for number in range(60):
        with log.writing(["survey.json"]):
            log.replace("survey.json", b"%d" % number)
        sizes.append((survey.path / DIGESTS).stat().st_size)
    assert max(sizes) < 4 * sizes[0]
    assert any(later < earlier for earlier, later in pairwise(sizes))
    assert read_digests(log.folder) == log.state
    assert log.state.fault("survey.json", b"59") is None


def test_repair_of_an_amended_rebuild_names_the_options(survey: SurveyFolder) -> None:
    """A repair does not take back the delay of a rebuild."""
    with survey:
        write_derived(survey, replay(survey), options="--delay 'gauge=12 ms'")
        edit(random.Random(0), survey.path)
        with pytest.raises(SurveyError, match="swathe rebuild --delay 'gauge=12 ms'"):
            repair_survey(survey, check_survey(survey).faults)
        write_derived(survey, replay(survey))
    assert check_survey(survey).good


def test_link_instead_of_the_arrays_is_not_written_through(
    survey: SurveyFolder, undamaged: Path, tmp_path: Path
) -> None:
    """Folders that are links are moved aside; nothing outside is written or removed."""
    outside = tmp_path / "outside"
    shutil.move(survey.zarr, outside)
    survey.zarr.symlink_to(outside)
    before = {p: p.read_bytes() for p in outside.rglob("*") if p.is_file()}
    with pytest.raises(SurveyError, match="link"):
        np.asarray(open_arrays(survey)["state"])
    with survey:
        with pytest.raises(SurveyError, match="link"):
            write_derived(survey, replay(survey))
        repair_survey(survey, check_survey(survey).faults)
    assert {p: p.read_bytes() for p in outside.rglob("*") if p.is_file()} == before
    assert contents(survey.path) == contents(undamaged)
    assert not survey.zarr.is_symlink()
