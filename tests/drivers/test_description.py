"""Protocol descriptions: files that tell a device's protocol."""

from __future__ import annotations

from pathlib import Path

import pytest

from swathe_drivers.description import DescriptionError, parse_description, read_description

GOOD = """
about = "Bench gauge, manual page 41"

[port]
baud = 9600
parity = "even"

[protocol]
columns = [{ is = "thickness", unit = "mm" }]
"""


def test_description_tells_driver_port_and_protocol(tmp_path: Path) -> None:
    """Only what the file says of the port is told; the driver is the one for lines of text."""
    path = tmp_path / "gauge.toml"
    path.write_text(GOOD, "utf-8")
    found = read_description(path)
    assert (found.name, found.text, found.driver) == (str(path), GOOD, "delimited")
    assert found.about == "Bench gauge, manual page 41"
    assert found.port == {"baud": 9600, "parity": "even"}
    settings = found.port_settings("COM3", baud=19200)
    assert (settings.url, settings.baud, settings.parity) == ("COM3", 19200, "even")
    batch = found.decoder(ns_per_byte=0).feed(b"12.5\r\n", 0)
    assert batch.readings["thickness"].tolist() == [12.5]


@pytest.mark.parametrize(
    ("right", "wrong", "told"),
    [
        ('"thickness"', '"thicknes"', "'protocol.columns[0].is' must be one of"),
        ('unit = "mm"', 'unit = "cm"', "'protocol.columns[0].unit' must be 'mm', 'um', 'in' or 'thou' (got 'cm')"),
        ("baud = 9600", "baud = 1", "'port.baud' must be >= 50 (got 1)"),
        ("baud = 9600", 'url = "COM3"', "'port.url' must be left out: there is no such setting (got 'COM3')"),
        ("[protocol]", "[protokol]", "'protocol' must be given"),
        ("about =", "driver = 'none'\nabout =", "'driver' must be a working driver: there is no driver 'none'"),
        ("about =", "about", "must be TOML: "),
    ],
)  # fmt: skip
def test_description_with_mistake_names_file_and_key(right: str, wrong: str, told: str) -> None:
    """Every message begins with the file's name."""
    with pytest.raises(DescriptionError) as caught:
        parse_description(GOOD.replace(right, wrong, 1), "gauge.toml")
    lines = str(caught.value).splitlines()
    assert all(line.startswith("gauge.toml: ") for line in lines)
    assert any(line.startswith(f"gauge.toml: {told}") for line in lines), lines


def test_description_all_mistakes_told_at_once() -> None:
    """Of the port and of the protocol together."""
    text = GOOD.replace("9600", "1").replace('"mm"', '"cm"').replace("about", "abuot")
    with pytest.raises(DescriptionError) as caught:
        parse_description(text, "gauge.toml")
    assert len(caught.value.problems) == 3


def test_description_file_that_cannot_be_read_says_so(tmp_path: Path) -> None:
    """Missing, a folder, no text, or far too large."""
    path = tmp_path / "gauge.toml"
    with pytest.raises(DescriptionError, match="there is no such file; check the path"):
        read_description(path)
    with pytest.raises(DescriptionError, match="must be a readable UTF-8 text"):
        read_description(tmp_path)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(DescriptionError, match="must be a readable UTF-8 text"):
        read_description(path)
    path.write_bytes(b"#" * (1 << 20) + b"#")
    with pytest.raises(DescriptionError, match="must be at most 1,048,576 bytes long"):
        read_description(path)
