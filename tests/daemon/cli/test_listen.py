"""``swathe listen``: a mistake in the description shows whether or not the device is there."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

import swathe.cli.main  # noqa: F401  registers every subcommand
from swathe.cli.app import app
from swathe.cli.listen_poll import polling
from swathe.errors import SwatheError
from swathe_drivers.talk.settings import to_bytes


@pytest.mark.parametrize("port", ["capture:none.jsonl", "none", "usb:none"])
def test_description_is_checked_before_the_port_is_opened(tmp_path: Path, port: str) -> None:
    """Its path, the requirement, and no word of the port."""
    description = tmp_path / "gauge.toml"
    description.write_text('[protocol]\ncolumns = [{ is = "thickness", unit = "cm" }]\n')
    result = CliRunner().invoke(app, ["listen", port, "--protocol", str(description)])
    assert result.exit_code == 1
    assert "'protocol.columns[0].unit' must be 'mm', 'um', 'in' or 'thou'" in str(result.exception)
    assert "none" not in str(result.exception)


@pytest.mark.parametrize(
    ("given", "sent", "every"),
    [
        (r"?P\r", b"?P\r", "50 ms"),
        (r"\x05A @ 40 ms", b"\x05A", "40 ms"),
        ("hex:05 03", b"\x05\x03", "50 ms"),
    ],
)
def test_request_is_a_text_with_escapes_or_bytes(given: str, sent: bytes, every: str) -> None:
    """Perhaps with how often it is sent; a request of no bytes names the remedy."""
    asked = polling(given).talk
    assert asked is not None
    assert [(to_bytes(poll.send), poll.every) for poll in asked.poll] == [(sent, every)]
    with pytest.raises(SwatheError, match="hex:01 03"):
        polling("hex:0G")
