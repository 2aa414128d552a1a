"""What drivers/README.md shows is what the drivers take: every block, every key, nothing left out."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import textwrap
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest
from pydantic import BaseModel

from swathe.station.model import DeviceSettings
from swathe_drivers import FaultReason
from swathe_drivers.checksums import Crc, CrcParameters
from swathe_drivers.delimited import DelimitedSettings
from swathe_drivers.delimited.checksum_settings import LineCrc, LineSum
from swathe_drivers.delimited.columns import AnyColumn, CountsColumn
from swathe_drivers.description import parse_description
from swathe_drivers.examples import example, example_names
from swathe_drivers.frames import FramesSettings
from swathe_drivers.frames.fields import AnyField
from swathe_drivers.frames.framing import CrcChecksum, Framing, SumChecksum
from swathe_drivers.lines import FixedColumnsSettings, PatternSettings
from swathe_drivers.modbus import ModbusSettings
from swathe_drivers.modbus.settings import Read
from swathe_drivers.motion.gcode import GCodeSettings
from swathe_drivers.talk import TalkSettings
from swathe_drivers.transport import SerialSettings

README = Path(__file__).parent.parent.parent / "drivers" / "README.md"
BLOCK = re.compile(r"^( *)```toml\n(.*?)^\1```", re.MULTILINE | re.DOTALL)
DRIVER = """
from typing import Literal
from pydantic import BaseModel, ConfigDict
from swathe_drivers.delimited import DelimitedDecoder, DelimitedSettings

class Settings(BaseModel):
    model_config = ConfigDict(extra="forbid")
    unit: Literal["mm", "in"]

class Driver:
    Settings = Settings

    def __init__(self, settings):
        columns = [{"is": "thickness", "unit": settings.unit, "no_echo": ["--.-"]}]
        self._settings = DelimitedSettings.model_validate({"columns": columns})

    def decoder(self, *, ns_per_byte):
        return DelimitedDecoder(self._settings, ns_per_byte=ns_per_byte)
"""
NUMBERS = (
    *("thickness", "time_of_flight", "amplitude", "channel"),
    *("counts", "position", "sequence", "probe"),
)
NUMBER_KEYS = {"written", "sign", "before", "behind"}
"""How a number in a line is written; a table of their own has them."""
CODE = re.compile(r"`([^`]+)`")


def text() -> str:
    """The document."""
    return README.read_text("utf-8")


def blocks() -> list[str]:
    """The TOML of the document."""
    return [found.replace(f"\n{indent}", "\n") for indent, found in BLOCK.findall(text())]


def tables(section: str) -> list[list[list[str]]]:
    """The rows of each table of a section, without heading and rule."""
    body = text().partition(f"\n## {section}\n")[2].partition("\n## ")[0]
    found = re.findall(r"(?:^\|.*\n)+", body, re.MULTILINE)
    return [
        [[cell.strip() for cell in line.strip("|").split("|")] for line in table.splitlines()[2:]]
        for table in found
    ]


def first_column(table: Iterable[list[str]]) -> set[str]:
    """What is in code in the first cells."""
    return {name for row in table for name in CODE.findall(row[0])}


def keys(*models: type[BaseModel]) -> set[str]:
    """The names that a user writes for the settings of all the models."""
    return {field.alias or name for model in models for name, field in model.model_fields.items()}


def members(union: Any) -> dict[str, set[str]]:
    """The keys of each model of a tagged union, by its tag."""
    found = {}
    for model in get_args(get_args(union)[0]):
        (kind,) = get_args(model.model_fields["kind"].annotation)
        found[kind] = keys(model) - {"is", "kind", "byte_order"}
    return found


def told(table: Iterable[list[str]]) -> dict[str, set[str]]:
    """What is in the second column, by the first."""
    return {CODE.findall(row[0])[0]: set(CODE.findall(row[1])) for row in table}


def test_descriptions_in_the_document_can_be_used() -> None:
    """Each that has a [protocol]."""
    whole = [found for found in blocks() if "[protocol]" in found]
    assert len(whole) >= 7
    for number, found in enumerate(whole):
        parse_description(found, f"block {number}")
    for found in blocks():
        tomllib.loads(found)


def test_every_block_of_toml_is_put_to_a_test() -> None:
    """Each is a description, a device of a station, an entry point or a machine."""
    kinds = ("protocol", "device", "project", "axes")
    for found in blocks():
        assert sum(kind in tomllib.loads(found) for kind in kinds) == 1, found
    assert set(re.findall(r"```(\w+)\n", text())) == {"toml", "text", "python"}


def test_device_of_the_document_is_one_of_a_station() -> None:
    """The table [device.gauge] loads."""
    (found,) = (found for found in blocks() if "[device." in found)
    (device,) = tomllib.loads(found)["device"].values()
    assert DeviceSettings.model_validate(device).port == "usb:A7031"


@pytest.mark.slow
def test_driver_of_the_document_keeps_the_contract(tmp_path: Path) -> None:
    """The Python block runs against the entry point that the TOML block before it registers."""
    (found,) = (tomllib.loads(found) for found in blocks() if "[project." in found)
    ((name, entry),) = found["project"]["entry-points"]["swathe.drivers"].items()
    module, _, driver = entry.partition(":")
    info = tmp_path / f"{module}-0.1.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: 0.1\n")
    (info / "entry_points.txt").write_text(f"[swathe.drivers]\n{name} = {entry}\n")
    (tmp_path / f"{module}.py").write_text(
        DRIVER.replace("class Driver", f"class {driver}"), encoding="utf-8"
    )
    (block,) = re.findall(r"^ *```python\n(.*?)^ *```", text(), re.MULTILINE | re.DOTALL)
    test = tmp_path / "test_block.py"
    test.write_text(textwrap.dedent(block), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(test)],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": os.pathsep.join([str(tmp_path), *sys.path])},
        check=False,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert " passed" in done.stdout


def test_three_instruments_of_the_document_are_the_examples() -> None:
    """But for what they say about themselves."""
    shown = [tomllib.loads(found) for found in blocks() if "about =" in found]
    for name in example_names():
        known = tomllib.loads(example(name).text)
        same = ("driver", "port", "protocol", "talk")
        assert any(all(found.get(key) == known.get(key) for key in same) for found in shown), name


def test_motion_of_the_document_is_a_machine_with_g_code() -> None:
    """The settings load, and 360 degrees are the circumference."""
    (found,) = (found for found in blocks() if "[axes.scan]" in found)
    settings = GCodeSettings.model_validate(tomllib.loads(found))
    assert settings.axes["index"].to_machine(2200 * np.pi) == pytest.approx(360, rel=1e-4)


def test_lines_beside_the_blocks_are_decoded_by_them() -> None:
    """The sample lines of fixed columns and of a pattern."""
    fixed, pattern = (
        parse_description(found, "block")
        for found in blocks()
        if found.startswith(('driver = "fixed_columns"', 'driver = "pattern"'))
    )
    (line,) = re.findall(r"# (TH .*)", fixed.text)
    batch = fixed.decoder(ns_per_byte=0).feed(line.encode() + b"\r\n", 0)
    assert batch.readings["thickness"].tolist() == pytest.approx([324 * 0.0254])
    assert batch.positions["counts"].tolist() == [[-1042]]
    lines = re.findall(r"# (no .*) \| (no .*)", pattern.text)[0]
    batch = pattern.decoder(ns_per_byte=0).feed("".join(f"{one}\r\n" for one in lines).encode(), 0)
    np.testing.assert_array_equal(batch.readings["thickness"], [12.61, np.nan])
    assert batch.positions["counts"].tolist() == [[-204], [-203]]


@pytest.mark.parametrize(
    ("section", "number", "models"),
    [
        ("Lines of text", 0, (DelimitedSettings, FixedColumnsSettings, PatternSettings)),
        ("Binary frames", 0, (FramesSettings,)),
        ("Modbus registers", 0, (ModbusSettings,)),
        ("Modbus registers", 1, (Read,)),
        ("What is sent to a device", 0, (TalkSettings,)),
        ("Checksums", 0, (LineSum,)),
        ("Checksums", 1, (SumChecksum, CrcChecksum)),
        ("Ports", 1, (SerialSettings,)),
    ],
)
def test_tables_tell_every_key_and_no_other(
    section: str, number: int, models: tuple[type[BaseModel], ...]
) -> None:
    """The first column is what the settings take; a simple default is theirs."""
    table = tables(section)[number]
    assert first_column(table) == keys(*models)
    defaults = {
        field.alias or name: field.default
        for model in models
        for name, field in model.model_fields.items()
    }
    for row in table:
        for name in CODE.findall(row[0]):
            for default in CODE.findall(row[1]):
                value = tomllib.loads(f"value = {default}")["value"]
                assert value == defaults[name], name


@pytest.mark.parametrize(
    ("section", "number", "union"),
    [
        ("Lines of text", 1, AnyColumn),
        ("Binary frames", 1, Framing),
        ("Binary frames", 2, AnyField),
    ],
)
def test_tables_tell_every_kind_with_its_keys(section: str, number: int, union: Any) -> None:
    """Columns, framings and fields."""
    found = members(union)
    if section == "Lines of text":
        for kind in NUMBERS:
            assert found[kind] >= NUMBER_KEYS
            found[kind] -= NUMBER_KEYS
        assert {key for keys in found.values() for key in keys & NUMBER_KEYS} <= {
            "written",
            "before",
            "behind",
        }
    assert told(tables(section)[number]) == found


def test_table_of_numbers_gives_the_keys_of_every_number() -> None:
    """With their defaults."""
    table = tables("Lines of text")[2]
    assert first_column(table) == NUMBER_KEYS
    for row in table:
        (name,), (default,) = CODE.findall(row[0]), CODE.findall(row[1])
        assert (
            tomllib.loads(f"value = {default}")["value"] == CountsColumn.model_fields[name].default
        )


def test_table_of_faults_tells_every_reason() -> None:
    """What `swathe listen` counts can be looked up."""
    assert first_column(tables("Faults")[0]) == {str(reason) for reason in FaultReason}


def test_table_of_crcs_gives_the_check_values() -> None:
    """The parameters beside a name are a checksum's, and give the value of the catalogue."""
    rows = tables("Checksums")[2]
    assert len(rows) == 8
    message = np.frombuffer(b"123456789", np.uint8)[np.newaxis]
    for name, parameters, check in rows:
        table = tomllib.loads(f"it = {{ {CODE.findall(parameters)[0]} }}")["it"]
        CrcChecksum.model_validate({"kind": "crc", **table})
        assert Crc(CrcParameters(**table)).of(message).tolist() == [int(check, 16)], name


def test_crc_of_a_line_has_the_keys_of_both_tables() -> None:
    """Those of a line's checksum, but that of sums alone, and those of a CRC."""
    lines, frames = tables("Checksums")[:2]
    crc = first_column(frames) - keys(SumChecksum)
    sums = {"negated", "mask", "not_below", "modulo"}
    assert keys(LineCrc) == first_column(lines) - sums | crc
    assert keys(CrcChecksum) == first_column(frames) - sums


def test_links_lead_to_sections() -> None:
    """Of the document itself."""
    heads = re.findall(r"^#+ (.+)$", text(), re.MULTILINE)
    anchors = {re.sub(r"[^\w -]", "", head).lower().replace(" ", "-") for head in heads}
    links = re.findall(r"\]\(#([^)]+)\)", text())
    assert len(links) > 10
    assert set(links) <= anchors
