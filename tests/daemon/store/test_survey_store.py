"""What a stranger's arrays may make a reader allocate, and the digests of what is written."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import zarr
from zstandard import ZstdCompressor, ZstdDecompressor

from daemon.store.test_zarr_store import TEXT
from swathe.errors import SurveyError
from swathe.pipeline import Grid
from swathe.safe_files import SafeFolder
from swathe.station import parse_station
from swathe.store import SurveyArrays, SurveyFolder, open_arrays, write_all
from swathe.store.array_layout import layout_of, parse_metadata
from swathe.store.digests import FileDigest
from swathe.store.survey_store import SurveyStore
from swathe.store.zstd_frame import frame_content

SIX_GB = 6 << 30


@pytest.fixture
def arrays(tmp_path: Path) -> Path:
    """Return arrays without digests, as a stranger may send them."""
    station = parse_station(TEXT, "bench.toml")
    grid = Grid(scan=station.scan_axis, index=station.index_axis, rule=station.survey.cell_rule)
    grid.hits[:] = 7
    grid.touched.add_all()
    path = tmp_path / "survey.zarr"
    write_all(SurveyArrays(path, station), grid)
    return path


def bomb(size: int) -> bytes:
    """Return a zstd frame of RLE blocks that unpacks to many zeros (RFC 8878, 3.1.1.2.2)."""
    block = 128 << 10
    blocks = -(-size // block)
    header = b"\x28\xb5\x2f\xfd" + bytes([0xC0 | 0x20]) + size.to_bytes(8, "little")
    body = b"".join(
        ((k + 1 == blocks) | 1 << 1 | min(block, size - k * block) << 3).to_bytes(3, "little")
        + b"\0"
        for k in range(blocks)
    )
    return header + body


def test_frame_states_what_it_unpacks_to() -> None:
    """The size agrees with what libzstd packed, and the bomb of this file is a real frame."""
    for size in (0, 1, 255, 256, 257, 65_791, 65_792, 1_000_000):
        for data in (bytes(size), np.random.default_rng(size).bytes(size)):
            assert frame_content(ZstdCompressor().compress(data)) == size
            assert frame_content(ZstdCompressor(write_checksum=True).compress(data)) == size
    assert ZstdDecompressor().decompress(bomb(300_000)) == bytes(300_000)
    assert frame_content(bomb(300_000)) == 300_000


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "no zstd frame"),
        (b"PK\3\4 some other thing", "no zstd frame"),
        (bomb(300_000)[:-1], "cut off"),
        (bomb(300_000) + b"\0", "followed by more"),
        (bomb(300_000) * 2, "followed by more"),
        (b"\x28\xb5\x2f\xfd\x00\x58\x01\x00\x00", "states no size"),
        (b"\x28\xb5\x2f\xfd\x20\x05\x07\x00\x00", "cut off or damaged"),
    ],
)
def test_frame_that_is_none_is_refused(data: bytes, message: str) -> None:
    """Frames without a size, cut off, or followed by others would unpack to more than they state."""
    with pytest.raises(ValueError, match=message):
        frame_content(data)


@pytest.mark.parametrize("size", [SIX_GB, 4 * 16 * 4 + 1, 4 * 16 * 4 - 1])
def test_chunk_that_unpacks_to_another_size_is_refused(arrays: Path, size: int) -> None:
    """Some 200 kB that unpack to 6 GB are refused before a byte of them is allocated."""
    data = bomb(size)
    (arrays / "hits" / "c" / "0" / "0").write_bytes(data)
    group = open_arrays(SurveyFolder(arrays.parent))
    message = "unpacks to" if size < SIX_GB else "more than"
    with pytest.raises(SurveyError, match=message):
        np.asarray(group["hits"])
    (arrays / "hits" / "c" / "0" / "0").write_bytes(bomb(SIX_GB)[:1000])
    with pytest.raises(SurveyError, match="cut off"):
        np.asarray(group["hits"])


def test_text_that_unpacks_to_much_is_refused(tmp_path: Path) -> None:
    """Names of spots have no fixed size, but a greatest one."""
    group = zarr.open_group(tmp_path / "survey.zarr", mode="w", zarr_format=3)
    group.create_array("spot", data=np.array(["a", "b"], np.dtypes.StringDType()))
    ours = open_arrays(SurveyFolder(tmp_path))
    assert np.asarray(ours["spot"]).tolist() == ["a", "b"]
    (tmp_path / "survey.zarr" / "spot" / "c" / "0").write_bytes(bomb(17 << 20))
    with pytest.raises(SurveyError, match="unpacks to 17,825,792 bytes"):
        np.asarray(ours["spot"])


def _shape(document: dict[str, Any]) -> None:
    document["shape"] = [1 << 40, 1 << 40]


def _chunk(document: dict[str, Any]) -> None:
    document["shape"] = [10_000, 10_000, 2_000]
    document["chunk_grid"]["configuration"]["chunk_shape"] = [10_000, 10_000, 2_000]


def _codec(document: dict[str, Any]) -> None:
    document["codecs"][1] = {"name": "blosc", "configuration": {}}


def _twice(document: dict[str, Any]) -> None:
    document["codecs"].append(document["codecs"][1])


def _dtype(document: dict[str, Any]) -> None:
    document["data_type"] = "complex128"


def _transformer(document: dict[str, Any]) -> None:
    document["storage_transformers"] = [{"name": "other"}]


def _dimensions(document: dict[str, Any]) -> None:
    document["shape"] = [1] * 5


def _nothing(document: dict[str, Any]) -> None:
    del document["chunk_grid"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (_shape, "more than the largest plan"),
        (_chunk, "chunks of 800,000,000,000 bytes"),
        (_codec, r"packed otherwise than this program does \(bytes, blosc\)"),
        (_twice, "packed otherwise"),
        (_dtype, "another kind than this program writes"),
        (_transformer, "chunks of another kind"),
        (_dimensions, "another number of dimensions"),
        (_nothing, "is incomplete"),
    ],
)
def test_metadata_of_another_kind_is_refused(
    arrays: Path, change: Callable[[dict[str, Any]], None], message: str
) -> None:
    """Shape, chunks, type and codecs of a stranger's metadata are examined before zarr sees them."""
    path = arrays / "zarr.json"
    document = json.loads(path.read_text())
    change(document["consolidated_metadata"]["metadata"]["hits"])
    path.write_text(json.dumps(document))
    with pytest.raises(SurveyError, match=message):
        open_arrays(SurveyFolder(arrays.parent))


@pytest.mark.parametrize("text", ["[" * 100_000, "[]", "{", "", '{"consolidated_metadata": []}'])
def test_metadata_that_is_none_is_refused(arrays: Path, text: str) -> None:
    """Neither nesting nor other JSON ends in another error than the one for the user."""
    (arrays / "zarr.json").write_text(text)
    with pytest.raises(SurveyError):
        np.asarray(open_arrays(SurveyFolder(arrays.parent))["hits"])


def test_metadata_of_many_bytes_is_not_read(arrays: Path) -> None:
    """A sparse file of 1 TB is refused by its size."""
    with (arrays / "zarr.json").open("wb") as stream:
        stream.truncate(1 << 40)
    with pytest.raises(SurveyError, match="more than 16,777,216 bytes"):
        open_arrays(SurveyFolder(arrays.parent))


def test_metadata_that_this_program_writes_is_accepted(arrays: Path) -> None:
    """Every array's own file and the list in the group give the same layouts."""
    listed = parse_metadata((arrays / "zarr.json").read_bytes())["consolidated_metadata"][
        "metadata"
    ]
    assert len(listed) == 11
    for name in listed:
        own = layout_of(name, parse_metadata((arrays / name / "zarr.json").read_bytes()))
        assert own == layout_of(name, listed[name])
    assert layout_of("hits", listed["hits"]).chunk_bytes == 4 * 16 * 4


def test_digests_are_those_of_the_files(tmp_path: Path) -> None:
    """Each file that zarr writes is noted with its SHA-256; one that it removes is noted too."""
    noted: dict[str, FileDigest | None] = {}
    store = SurveyStore(SafeFolder(tmp_path), "a.zarr", on_written=noted.__setitem__)
    group = zarr.open_group(store, mode="a", zarr_format=3)
    array = group.create_array("x", shape=(4, 4), chunks=(2, 2), dtype="int32", fill_value=0)
    array[:] = 1
    files = {p.relative_to(tmp_path).as_posix(): p for p in tmp_path.rglob("*") if p.is_file()}
    assert {name: FileDigest.of(path.read_bytes()) for name, path in files.items()} == noted
    assert len(files) == 6
    array[:2, :2] = 0
    assert noted["a.zarr/x/c/0/0"] is None
    assert not (tmp_path / "a.zarr" / "x" / "c" / "0" / "0").exists()
    assert np.asarray(group["x"]).sum() == 12
