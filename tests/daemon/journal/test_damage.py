"""A journal that is damaged: what is named, what it costs, and that nothing is placed wrongly."""

from __future__ import annotations

import json
import shutil
import zlib
from pathlib import Path
from random import Random

import pytest
from mcap.reader import make_reader
from zstandard import ZstdDecompressor

from daemon.journal.damaging import Result, damage_at_random, result_of, runs, write_survey
from swathe.errors import SurveyError
from swathe.journal import (
    DamageKind,
    JournalCursor,
    JournalWriter,
    Lost,
    Mark,
    MarkKind,
    read_journal,
    read_marks,
    segment_digests,
    segment_paths,
)
from swathe.store import SurveyFolder

EXAMPLES = 10


@pytest.fixture(scope="module")
def surveys(tmp_path_factory: pytest.TempPathFactory) -> tuple[SurveyFolder, SurveyFolder]:
    """Return a survey of three runs, and another one."""
    folder = tmp_path_factory.mktemp("damage")
    return write_survey(folder / "one"), write_survey(folder / "other", 7)


@pytest.fixture(scope="module")
def truth(surveys: tuple[SurveyFolder, SurveyFolder]) -> Result:
    """Return what the undamaged journal gives."""
    result = result_of(surveys[0])
    assert (result.damage, result.reports, result.error) == ([], [], "")
    assert len(result.cells) > 1000
    return result


@pytest.fixture
def folder(surveys: tuple[SurveyFolder, SurveyFolder], tmp_path: Path) -> SurveyFolder:
    """Return a copy of the survey, to be damaged."""
    shutil.copytree(surveys[0].path, tmp_path / "copy")
    return SurveyFolder(tmp_path / "copy")


def chunks(path: Path) -> list[tuple[int, int]]:
    """Return first byte and end of each chunk: code 6, a length of 8 bytes, a body."""
    data, spans, at = path.read_bytes(), [], 8
    while at < len(data) - 8:
        end = at + 9 + int.from_bytes(data[at + 1 : at + 9], "little")
        if data[at] == 6:
            spans.append((at, end))
        at = end
    return spans


def flip(path: Path, at: int, bit: int = 0) -> None:
    """Flip a bit of a file."""
    data = bytearray(path.read_bytes())
    data[at] ^= 1 << bit
    path.write_bytes(data)


def assert_nothing_is_wrong(result: Result, truth: Result) -> int:
    """Check that each placed reading is in its true cell; return how many are missing."""
    assert {key: truth.cells.get(key) for key in result.cells} == result.cells
    missing = len(truth.cells) - len(result.cells)
    assert not missing or result.damage or result.reports or result.error
    return missing


def kinds(result: Result) -> list[DamageKind]:
    """Return the kinds of damage."""
    return [one.kind for one in result.damage]


def test_any_container_reader_finds_what_identifies_a_file(
    surveys: tuple[SurveyFolder, SurveyFolder],
) -> None:
    """The mcap package's own reader lists the attachments, with survey, run, number and digest."""
    first, second, _ = segment_paths(surveys[0].journal)
    with second.open("rb") as stream:
        attachments = list(make_reader(stream, validate_crcs=True).iter_attachments())
    assert [one.name for one in attachments] == ["segment", "segment"]
    begin, end = (json.loads(ZstdDecompressor().decompress(one.data)) for one in attachments)
    assert [begin[key] for key in ("survey", "run", "segment", "end")] == ["s-0", 2, 2, False]
    assert begin["previous"] == list(segment_digests(first)[1])
    opening = runs()[1][0]
    assert isinstance(opening, Mark)
    assert begin["opened"][1:] == [opening.time, opening.detail]
    assert end["end"]
    assert len(end["marks"]) == 7  # two ports, taken over, three lines, ended
    assert end["channels"][:2] == ["mark", "port-state"]


def test_sequence_numbers_are_those_of_chunk_and_marks(
    surveys: tuple[SurveyFolder, SurveyFolder],
) -> None:
    """The chunk in the lower 20 bits, from 1; above them the marks and port changes before."""
    marks = 0
    with segment_paths(surveys[0].journal)[2].open("rb") as stream:
        messages = list(make_reader(stream).iter_messages(log_time_order=False))
    for _, channel, message in messages:
        assert message.sequence >> 20 == marks
        marks += channel.topic in ("mark", "port-state")
    assert [messages[k][2].sequence & 0xFFFFF for k in (0, 1, -1)] == [
        1,
        2,
        len(chunks(segment_paths(surveys[0].journal)[2])),
    ]


@pytest.mark.parametrize("number", [0, 1, 2])
def test_flipped_bit_in_the_first_chunk_costs_nothing_but_that_chunk(
    folder: SurveyFolder, truth: Result, number: int
) -> None:
    """It holds the mark that opens the run, of which there are copies: no run is lost or mixed."""
    path = segment_paths(folder.journal)[number]
    (begin, end), *_ = chunks(path)
    flip(path, (begin + end) // 2, 3)
    result = result_of(folder)
    assert assert_nothing_is_wrong(result, truth) == 0
    (damage,) = result.damage
    assert (damage.kind, damage.segment, damage.run) == (
        DamageKind.UNREADABLE,
        number + 1,
        number + 1,
    )
    assert (damage.begin, damage.end, damage.chunks) == (begin, end, 1)
    assert not damage.marks_lost
    openings = list(read_marks(folder.journal, (MarkKind.OPENED,)))
    assert openings == list(folder.openings())
    assert openings == [entries[0] for entries in runs()]


def test_flipped_bit_in_a_middle_chunk_costs_its_readings(
    folder: SurveyFolder, truth: Result
) -> None:
    """At most the eight readings in it, and two that wait for an encoder sample."""
    path = segment_paths(folder.journal)[1]
    begin, end = chunks(path)[20]
    flip(path, (begin + end) // 2)
    result = result_of(folder)
    assert 1 <= assert_nothing_is_wrong(result, truth) <= 10
    (damage,) = result.damage
    assert damage.since is not None
    assert damage.until is not None
    assert 0 < damage.until - damage.since < 100_000_000
    (lost,) = [
        entry
        for block in JournalCursor(folder.journal).blocks()
        for entry in block
        if isinstance(entry, Lost)
    ]
    assert (lost.bytes_lost, lost.marks_lost) == (True, False)


def test_marks_in_a_damaged_chunk_are_not_lost(folder: SurveyFolder) -> None:
    """Whatever chunk it is: each mark is there, in its order, at its time."""
    expected = [entry for entry in read_journal(folder.journal) if isinstance(entry, Mark)]
    path = segment_paths(folder.journal)[2]
    whole = path.read_bytes()
    for begin, end in [*chunks(path)[:2], *chunks(path)[20:30], *chunks(path)[-2:]]:
        flip(path, (begin + end) // 2)
        marks = [entry for entry in read_journal(folder.journal) if isinstance(entry, Mark)]
        assert marks == expected
        assert list(read_marks(folder.journal, tuple(MarkKind))) == expected
        path.write_bytes(whole)


def test_without_copies_what_follows_a_damaged_chunk_belongs_to_no_cell(
    folder: SurveyFolder, truth: Result
) -> None:
    """A run that was killed has no copy of its last marks: which are lost is not known."""
    path = segment_paths(folder.journal)[2]
    spans = chunks(path)
    at = next(
        k
        for k, entries in enumerate(JournalCursor(folder.journal).blocks())
        if any(isinstance(one, Mark) and one.kind is MarkKind.REFERENCED for one in entries)
    )
    before = sum(len(chunks(one)) for one in segment_paths(folder.journal)[:2])
    begin, end = spans[at - before]
    path.write_bytes(path.read_bytes()[: spans[-1][1]])  # no end, and no copy there
    flip(path, (begin + end) // 2)
    result = result_of(folder)
    missing = assert_nothing_is_wrong(result, truth)
    assert missing > 100
    assert DamageKind.UNPLACED in kinds(result)
    assert sum(one.unplaced for one in result.damage) > 1000
    assert any(one.marks_lost for one in result.damage)


@pytest.mark.parametrize("at", range(8))
def test_damaged_first_bytes_refuse_nothing(folder: SurveyFolder, truth: Result, at: int) -> None:
    """No chunk is lost: all readings are placed, and the bytes are named."""
    flip(segment_paths(folder.journal)[0], at, at)
    result = result_of(folder)
    assert result.cells == truth.cells
    assert kinds(result) == [DamageKind.CHANGED]
    assert "make no record" in result.damage[0].text


def test_missing_file_is_named(folder: SurveyFolder, truth: Result) -> None:
    """Its readings are lost; the runs after it are read where they state what they took over."""
    segment_paths(folder.journal)[1].unlink()
    result = result_of(folder)
    assert 300 < assert_nothing_is_wrong(result, truth) < 400
    (damage,) = result.damage
    assert (damage.kind, damage.file, damage.marks_lost) == (DamageKind.MISSING, "0002.mcap", True)


def test_run_that_does_not_state_what_it_took_over_counts_nothing(
    folder: SurveyFolder, truth: Result
) -> None:
    """Line and positions may have been set by the run that is missing: no reading has a cell."""
    second, third = segment_paths(folder.journal)[1:]
    third.unlink()
    second.unlink()
    for number, entries in enumerate(runs()[1:]):
        kept = [e for e in entries if not (isinstance(e, Mark) and e.kind is MarkKind.INHERITED)]
        with JournalWriter(folder.journal) as writer:
            for entry in kept:
                writer.write(entry)
        assert (number, writer.path.name) in ((0, "0002.mcap"), (1, "0003.mcap"))
    second.unlink()
    result = result_of(folder)
    # By hand, lines follow from how the probe moved before: only the position is compared.
    assert all(truth.cells[key][0] == cell[0] for key, cell in result.cells.items())
    # Until the operator sets the position in the third run.
    referenced = 11_00_000 + 96_000 // 2
    late = [key for key in result.cells if key >= 1_100_000]
    assert late
    assert min(late) >= referenced


def test_emptied_file_is_named(folder: SurveyFolder, truth: Result) -> None:
    """Nothing of it is left; it is not taken for a run that was killed as it began."""
    segment_paths(folder.journal)[1].write_bytes(b"")
    result = result_of(folder)
    assert assert_nothing_is_wrong(result, truth) > 300
    assert DamageKind.CUT in kinds(result)


def test_doubled_file_is_read_once(folder: SurveyFolder, truth: Result) -> None:
    """Whatever its name is."""
    shutil.copyfile(segment_paths(folder.journal)[1], folder.journal / "0004.mcap")
    result = result_of(folder)
    assert result.cells == truth.cells
    (damage,) = result.damage
    assert (damage.kind, damage.file) == (DamageKind.DOUBLED, "0004.mcap")
    assert damage.unplaced == (folder.journal / "0004.mcap").stat().st_size


def test_swapped_files_are_read_where_they_belong(folder: SurveyFolder, truth: Result) -> None:
    """By what they state themselves; both names are reported."""
    _, second, third = segment_paths(folder.journal)
    second.rename(folder.journal / "aside")
    third.rename(second)
    (folder.journal / "aside").rename(third)
    result = result_of(folder)
    assert result.cells == truth.cells
    assert kinds(result) == [DamageKind.REORDERED] * 2


def test_foreign_file_is_not_read(
    folder: SurveyFolder, surveys: tuple[SurveyFolder, SurveyFolder], truth: Result
) -> None:
    """Not its readings, and not its marks."""
    marks = list(read_marks(folder.journal, tuple(MarkKind)))
    shutil.copyfile(segment_paths(surveys[1].journal)[1], folder.journal / "0004.mcap")
    result = result_of(folder)
    assert result.cells == truth.cells
    (damage,) = result.damage
    assert (damage.kind, damage.segment) == (DamageKind.FOREIGN, 4)
    assert "s-7" in damage.text
    assert list(read_marks(folder.journal, tuple(MarkKind))) == marks


def test_cut_file_is_named_by_the_next_one(folder: SurveyFolder, truth: Result) -> None:
    """The file alone looks as a crash leaves it; the next one knows how long it was."""
    path = segment_paths(folder.journal)[0]
    spans = chunks(path)
    path.write_bytes(path.read_bytes()[: spans[30][1]])
    result = result_of(folder)
    assert assert_nothing_is_wrong(result, truth) > 50
    assert kinds(result) == [DamageKind.CUT]


def test_cut_of_a_crash_is_no_damage(folder: SurveyFolder, truth: Result) -> None:
    """The last file ends in mid-chunk: it is reported, as before, and damage is none."""
    path = segment_paths(folder.journal)[2]
    path.write_bytes(path.read_bytes()[: chunks(path)[30][1] - 1])
    result = result_of(folder)
    assert assert_nothing_is_wrong(result, truth) > 50
    assert result.damage == []
    assert len(result.reports) == 1


def test_file_of_which_the_end_has_other_bytes_is_changed(
    folder: SurveyFolder, truth: Result
) -> None:
    """Its statistics, which nothing reads here: all readings are there, and it is named."""
    path = segment_paths(folder.journal)[0]
    flip(path, path.stat().st_size - 60)
    result = result_of(folder)
    assert result.cells == truth.cells
    assert kinds(result) == [DamageKind.CHANGED]


def test_survey_of_which_nothing_can_be_read_is_refused(folder: SurveyFolder) -> None:
    """It is not taken for a new one as long as it has derived files."""
    folder.record.write_text("{}", encoding="utf-8")
    for path in segment_paths(folder.journal):
        path.write_bytes(b"")
    assert folder.begun
    with pytest.raises(SurveyError, match="nothing of it can be read; a run with --new keeps"):
        folder.first_station()


def test_folder_of_a_run_that_was_killed_as_it_began_is_new(tmp_path: Path) -> None:
    """A file without a chunk, as earlier versions left it: the next run begins the survey."""
    folder = SurveyFolder(tmp_path / "survey")
    folder.journal.mkdir(parents=True)
    (folder.journal / "0001.mcap").write_bytes(b"\x89MCAP0\r\n")
    assert not folder.begun
    with JournalWriter(folder.journal) as writer:
        for entry in runs()[0]:
            writer.write(entry)
    assert writer.path.name == "0002.mcap"
    assert folder.begun
    result = result_of(folder)
    assert result.cells
    assert result.damage == []


def old_format(path: Path) -> None:
    """Rewrite a journal file as an earlier version wrote it: no attachments, no numbers."""
    from mcap.writer import CompressionType, IndexType, Writer

    with path.open("rb") as stream:
        messages = list(make_reader(stream).iter_messages(log_time_order=False))
    with path.open("wb") as stream:
        writer = Writer(
            stream,
            compression=CompressionType.ZSTD,
            index_types=IndexType.NONE,
            repeat_channels=False,
        )
        writer.start(profile="", library="swathe")
        numbers: dict[str, int] = {}
        chunk = 1
        for _, channel, message in messages:
            if message.sequence & 0xFFFFF != chunk:
                writer.flush()
                chunk = message.sequence & 0xFFFFF
            if channel.topic not in numbers:
                numbers[channel.topic] = writer.register_channel(channel.topic, "", schema_id=0)
            writer.add_message(
                numbers[channel.topic], message.log_time, message.data, message.publish_time
            )
        writer.finish()


def test_journal_of_an_earlier_version_is_read(folder: SurveyFolder, truth: Result) -> None:
    """Its files state nothing of themselves: their chain is not known, and nothing is guessed."""
    for path in segment_paths(folder.journal):
        old_format(path)
    result = result_of(folder)
    assert result.cells == truth.cells
    assert result.damage == []


def test_damaged_journal_of_an_earlier_version_places_nothing_wrongly(
    folder: SurveyFolder, truth: Result
) -> None:
    """There are no copies: what follows a damaged chunk in its run belongs to no cell."""
    for path in segment_paths(folder.journal):
        old_format(path)
    path = segment_paths(folder.journal)[1]
    whole = path.read_bytes()
    lost = []
    for begin, end in chunks(path)[:3]:
        flip(path, (begin + end) // 2)
        result = result_of(folder)
        lost.append(assert_nothing_is_wrong(result, truth))
        assert result.damage
        path.write_bytes(whole)
    assert min(lost) > 250


def test_any_damage_places_nothing_wrongly(
    surveys: tuple[SurveyFolder, SurveyFolder], truth: Result, tmp_path: Path
) -> None:
    """Each placed reading is in its true cell, and what is missing is reported.

    The long run is `python tests/fuzz/fuzz_journal.py`.
    """
    for seed in range(EXAMPLES):
        copy = tmp_path / str(seed)
        shutil.copytree(surveys[0].path, copy)
        folder, rng = SurveyFolder(copy), Random(seed)
        ways = damage_at_random(folder, surveys[1], rng)
        try:
            assert_nothing_is_wrong(result_of(folder), truth)
        except Exception as error:
            error.add_note(f"seed {seed}: {ways}")
            raise


def test_checksum_of_an_attachment_is_that_of_the_container(
    surveys: tuple[SurveyFolder, SurveyFolder],
) -> None:
    """CRC-32 of all its fields before the checksum, as the MCAP specification has it."""
    data = segment_paths(surveys[0].journal)[0].read_bytes()
    at = 8
    while data[at] != 9:
        at += 9 + int.from_bytes(data[at + 1 : at + 9], "little")
    body = data[at + 9 : at + 9 + int.from_bytes(data[at + 1 : at + 9], "little")]
    assert zlib.crc32(body[:-4]) == int.from_bytes(body[-4:], "little")
