"""Secrets: the environment variable first, then the service manager's file, systemd.exec(5)."""

from __future__ import annotations

from pathlib import Path

import pytest

from swathe.credentials import secret
from swathe.errors import SwatheError
from swathe.page.tokens import page_token
from swathe.station import PageSettings


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the folder of the credentials."""
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    monkeypatch.delenv("PAGE_TOKEN", raising=False)
    return tmp_path


def test_variable_before_credential(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One line break at the end of a file is the editor's."""
    assert secret("PAGE_TOKEN") is None
    (folder / "PAGE_TOKEN").write_bytes(b" from a file\r\n")
    assert secret("PAGE_TOKEN") == " from a file"
    monkeypatch.setenv("PAGE_TOKEN", "from the environment")
    assert secret("PAGE_TOKEN") == "from the environment"


def test_page_takes_its_token_from_a_credential(folder: Path) -> None:
    """As from the variable."""
    (folder / "PAGE_TOKEN").write_text("four-cranes-over-the-weir\n")
    settings = PageSettings(token_variable="PAGE_TOKEN")  # noqa: S106  a variable's name
    assert page_token(settings) == "four-cranes-over-the-weir"


def test_name_leads_nowhere_else(folder: Path) -> None:
    """A name with a path in it is none."""
    (folder.parent / "outside").write_text("secret")
    assert secret("../outside") is None
    assert secret("") is None


def test_credential_that_is_no_text_is_an_error(folder: Path) -> None:
    """What is in it is not in the message."""
    (folder / "A").write_bytes(b"\xffhidden")
    (folder / "B").write_bytes(b"hidden" * 1000)
    (folder / "C").mkdir()
    for name in "ABC":
        with pytest.raises(SwatheError, match="the credential") as error:
            secret(name)
        assert "hidden" not in str(error.value)
