"""Gates of a station file, changed in a draft and then in the file."""

from __future__ import annotations

import stat
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from swathe.errors import StationError, SwatheError
from swathe.station import read_station
from swathe.station.editing import StationEditor

NOW = datetime(2026, 5, 4, 6, 30, 12, tzinfo=UTC)
GATES = """
[echo]   # what is measured
time_of_flight = "back wall"
interface = "entry"
[[echo.gate]]
name = "entry"
start = "0.2 us"
width = "1 us"
threshold = 30   # a bare number is percent
[[echo.gate]]
  # the wall is 6 to 12 mm
  name = "back wall"
  start   = "0.6 us"      # behind the near field
  width   = "6 us"
  threshold = '30 %'
  after = "entry"
"""
REST = """
[device.encoder]
port = "/dev/null"
[device.encoder.protocol]
columns = [{ is = "constant", text = "P" }, { is = "counts", axis = "scan" }]
[device.instrument]
driver = "frames"
port = "/dev/null"
[device.instrument.protocol]
byte_order = "big"
framing = { kind = "length_prefix", sync = [0xA5, 0x5A], adds = 4 }
fields = [
  { is = "length", type = "u2" },
  { is = "waveform", type = "i2", samples = 512, interval = "20 ns", full_scale = 32767 },
]
"""
HEAD = """# Penstock 3: do not change the order
name = "strip"
[survey]
folder = "survey"
[scan]
length = "600 mm"
resolution = "3 mm"
device = "encoder"
counts_per_mm = 20
[calibration]
velocity = "5920 m/s"
zero_offset = "0.47 us"
"""
TEXT = HEAD + GATES + REST


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return a station file."""
    path = tmp_path / "strip.toml"
    path.write_text(TEXT)
    return path


def files(path: Path) -> list[str]:
    """Return the names of all files next to a station file, itself among them."""
    return sorted(one.name for one in path.parent.iterdir())


def test_draft_first_then_the_file(path: Path) -> None:
    """A change is in force at once, in the file when it is saved; all else stays byte for byte."""
    editor = StationEditor(path)
    path.chmod(0o640)
    station = editor.change("back wall", "start", "0.8 us")
    assert station.echo is not None
    assert station.echo.gate[1].start == 0.8
    editor.change("back wall", "polarity", "negative")
    assert [str(change) for change in editor.changes] == [
        "echo.gate[1].start (back wall): 0.6 us -> 0.8 us",
        "echo.gate[1].polarity (back wall): positive -> negative",
    ]
    assert path.read_text() == TEXT
    backup = editor.save(now=NOW)
    assert backup.name == "strip.toml.20260504T063012Z.bak"
    assert backup.read_text() == TEXT
    assert files(path) == ["strip.toml", backup.name]
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    expected = TEXT.replace('"0.6 us"      # behind', '"0.8 us"      # behind')
    expected = expected.replace('after = "entry"\n', 'after = "entry"\npolarity = "negative"\n')
    assert [line.strip() for line in path.read_text().splitlines()] == [
        line.strip() for line in expected.splitlines()
    ]
    assert read_station(path)[0].echo == editor.station.echo
    assert editor.changes == []


def test_two_saves_in_a_second_keep_both_copies(path: Path) -> None:
    """A copy never replaces an earlier one."""
    editor = StationEditor(path)
    names = []
    for start in ("0.7 us", "0.8 us", "0.9 us"):
        editor.change("back wall", "start", start)
        names.append(editor.save(now=NOW).name)
    assert len(set(names)) == 3
    assert '"0.8 us"' in (path.parent / names[2]).read_text()


@pytest.mark.parametrize(
    ("key", "value", "error"),
    [
        ("start", "0.6", "'echo.gate[1].start' must be a time"),
        ("start", "-1 us", "'echo.gate[1].start' must be >= 0"),
        ("width", "60 us", "'echo.gate[1].width' must end within the A-scan"),
        ("width", "10 ns", "'echo.gate[1].width' must hold at least 4 samples"),
        ("threshold", "120 %", "must have thresholds below 'saturation'"),
        ("threshold", "much", "'echo.gate[1].threshold' must be a share such as '95 %'"),
        ("measure", "middle", "'echo.gate[1].measure' must be "),
        ("polarity", "either", "must have polarity 'positive' or 'negative'"),
        ("after", "wall", "must list a gate behind the one that it comes after"),
        ("name", "wall", "'echo.gate[1].name' cannot be changed here"),
    ],
)
def test_refused_changes_leave_the_draft(path: Path, key: str, value: str, error: str) -> None:
    """What the station file's own rules refuse is named by its key, and changes nothing."""
    editor = StationEditor(path)
    editor.change("entry", "threshold", "40 %")
    text, station = editor.text, editor.station
    with pytest.raises(StationError) as raised:
        editor.change("back wall", key, value)
    assert error in str(raised.value)
    assert (editor.text, editor.station) == (text, station)
    assert [str(one) for one in editor.changes] == ["echo.gate[0].threshold (entry): 30 -> 40 %"]


def test_no_such_gate(path: Path) -> None:
    """An unknown gate is answered with the known ones."""
    with pytest.raises(StationError, match="must be one of the gates 'entry', 'back wall'"):
        StationEditor(path).change("wall", "start", "1 us")


def test_file_that_changed_meanwhile_is_not_replaced(path: Path) -> None:
    """Somebody else's change is not lost: nothing is written, and no copy is left."""
    editor = StationEditor(path)
    editor.change("back wall", "start", "0.8 us")
    path.write_text(TEXT + "# by somebody else\n")
    with pytest.raises(SwatheError, match="was changed since it was read: nothing is written"):
        editor.save(now=NOW)
    assert path.read_text().endswith("# by somebody else\n")
    assert files(path) == ["strip.toml"]


def test_file_that_is_gone(path: Path) -> None:
    """A file that was removed is not written again."""
    editor = StationEditor(path)
    editor.change("back wall", "start", "0.8 us")
    path.unlink()
    with pytest.raises(SwatheError, match="cannot be written"):
        editor.save(now=NOW)
    assert files(path) == []


def test_failed_write_leaves_the_file(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that is full leaves the file whole, and no part of a new one."""
    editor = StationEditor(path)
    editor.change("back wall", "start", "0.8 us")

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("swathe.station.editing.os.fsync", full)
    with pytest.raises(SwatheError, match="cannot be written: No space left on device"):
        editor.save(now=NOW)
    assert path.read_text() == TEXT
    assert [name for name in files(path) if "partial" in name] == []
    assert editor.changes


def test_planted_links_are_not_written_through(path: Path) -> None:
    """Links that came with the folder, of the names of the part and of the copy, lead nowhere."""
    mine = path.parent.parent / "mine"
    mine.write_text("mine")
    stamp = NOW.strftime("%Y%m%dT%H%M%SZ")
    (path.parent / f".{path.name}.partial").symlink_to(mine)
    (path.parent / f"{path.name}.{stamp}.bak").symlink_to(path.parent.parent / "new")
    editor = StationEditor(path)
    editor.change("back wall", "start", "0.8 us")
    backup = editor.save(now=NOW)
    assert mine.read_text() == "mine"
    assert not (path.parent.parent / "new").exists()
    assert backup.read_text() == TEXT


def test_link_to_a_file_stays_a_link(path: Path) -> None:
    """Where the station file is a link, what it leads to is replaced."""
    link = path.parent / "today.toml"
    link.symlink_to(path)
    editor = StationEditor(link)
    editor.change("back wall", "start", "0.8 us")
    editor.save(now=NOW)
    assert link.is_symlink()
    assert '"0.8 us"' in path.read_text()


def test_revert(path: Path) -> None:
    """The draft is the file again."""
    editor = StationEditor(path)
    editor.change("back wall", "start", "0.8 us")
    station = editor.revert()
    assert station.echo is not None
    assert station.echo.gate[1].start == 0.6
    assert editor.changes == []


def test_gates_of_an_area(path: Path) -> None:
    """The gates of the area in force are changed, and named by it; those outside stay."""
    path.write_text(
        TEXT + GATES.replace("[echo", "[area.upper.echo").replace("[[echo", "[[area.upper.echo")
    )
    editor = StationEditor(path, area="upper")
    editor.change("back wall", "width", "5 us")
    assert [one.key for one in editor.changes] == ["area.upper.echo.gate[1].width"]
    editor.save(now=NOW)
    tables = tomllib.loads(path.read_text())
    assert tables["echo"]["gate"][1]["width"] == "6 us"
    assert tables["area"]["upper"]["echo"]["gate"][1]["width"] == "5 us"
    with pytest.raises(StationError, match=r"area\.upper\.echo\.gate\[1\]\.name"):
        editor.change("back wall", "name", "wall")


def test_gates_in_an_included_file_are_not_changed(path: Path) -> None:
    """Gates that other station files share are changed where they are."""
    (path.parent / "shared.toml").write_text(GATES)
    path.write_text('include = "shared.toml"\n' + HEAD + REST)
    editor = StationEditor(path)
    assert editor.locked == "the gates are in shared.toml, which other station files share"
    with pytest.raises(StationError, match="cannot be changed here"):
        editor.change("back wall", "start", "0.8 us")


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_inline_gates_and_line_ends(path: Path, end: str) -> None:
    """Gates in one line each are changed there; line ends stay what they are."""
    inline = """
[echo]
time_of_flight = "back wall"
gate = [
  { name = "back wall", start = "0.6 us", width = "6 us", threshold = "30 %" }, # near
]
"""
    path.write_bytes((HEAD + inline + REST).replace("\n", end).encode())
    editor = StationEditor(path)
    editor.change("back wall", "polarity", "negative")
    editor.change("back wall", "start", "0.7 us")
    editor.save(now=NOW)
    data = path.read_bytes()
    assert b"# near" in data
    assert data.count(b"\n") == data.count(end.encode())
    echo = read_station(path)[0].echo
    assert echo is not None
    assert (echo.gate[0].start, echo.gate[0].polarity) == (0.7, "negative")


def test_text_that_is_hard_to_write(path: Path) -> None:
    """A value with quotes and line breaks is refused by its rules, and never breaks the file."""
    editor = StationEditor(path)
    for value in ('"', "a\nb = 1", "\\", "\x00", "0.8 us # x"):
        with pytest.raises(StationError):
            editor.change("back wall", "start", value)
    assert editor.text == TEXT
