"""``swathe listen``: a mistake in the description shows whether or not the device is there."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

import swathe.cli.main  # noqa: F401  registers every subcommand
from swathe.cli.app import app


@pytest.mark.parametrize("port", ["capture:none.jsonl", "none", "usb:none"])
def test_description_is_checked_before_the_port_is_opened(tmp_path: Path, port: str) -> None:
    """Its path, the requirement, and no word of the port."""
    description = tmp_path / "gauge.toml"
    description.write_text('[protocol]\ncolumns = [{ is = "thickness", unit = "cm" }]\n')
    result = CliRunner().invoke(app, ["listen", port, "--protocol", str(description)])
    assert result.exit_code == 1
    assert "'protocol.columns[0].unit' must be 'mm', 'um', 'in' or 'thou'" in str(result.exception)
    assert "none" not in str(result.exception)
