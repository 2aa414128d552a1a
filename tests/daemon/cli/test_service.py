"""The unit of a station: what it begins, when it begins again, where its secrets come from."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from support.page import station_of_size
from swathe.cli.app import Exit
from swathe.cli.service import unit_text
from swathe.errors import SwatheError
from swathe.station import Station

TABLES = """
[page]
host = "0.0.0.0"
token_variable = "PAGE_TOKEN"
[broker]
host = "192.0.2.1"
username = "swathe"
password_variable = "BROKER_PASSWORD"
"""


def unit(station: Station, folder: str = "/srv/penstock", **options: str) -> list[str]:
    """Return the lines of a station's unit."""
    given = {"area": "", "user": "swathe", "group": "dialout", **options}
    text = unit_text(station, Path(folder) / "bench.toml", Path(folder) / "survey", **given)
    return text.splitlines()


def value(lines: list[str], key: str) -> str:
    """Return the value of a key that there is once."""
    (found,) = [line.partition("=")[2] for line in lines if line.startswith(f"{key}=")]
    return found


def test_exit_codes_decide_whether_it_begins_again() -> None:
    """An error does; what somebody or the plan has ended does not, nor what a person must look at."""
    lines = unit(station_of_size(4, 6))
    assert value(lines, "Restart") == "on-failure"
    prevented = {int(code) for code in value(lines, "RestartPreventExitStatus").split()}
    assert prevented == {Exit.USAGE, Exit.NOT_COVERED, Exit.HALTED, Exit.JOURNAL_DAMAGED}
    assert Exit.ERROR not in prevented
    assert int(value(lines, "SuccessExitStatus")) == Exit.NOT_COVERED


def test_crawler_is_not_armed_by_a_service() -> None:
    """Whoever arms a crawler stands by."""
    command = value(unit(station_of_size(4, 6)), "ExecStart")
    assert command.endswith("--log keys run /srv/penstock/bench.toml")
    assert "arm" not in command.replace("/srv", "").partition("run")[2].split()


def test_secrets_are_credentials_and_never_in_the_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    """By name; the values are not read."""
    monkeypatch.setenv("PAGE_TOKEN", "four-cranes-over-the-weir")
    lines = unit(station_of_size(4, 6, tables=TABLES))
    assert [line for line in lines if line.startswith("LoadCredential=")] == [
        "LoadCredential=PAGE_TOKEN:/etc/swathe/PAGE_TOKEN",
        "LoadCredential=BROKER_PASSWORD:/etc/swathe/BROKER_PASSWORD",
    ]
    assert "cranes" not in "\n".join(lines)


def test_token_that_nobody_is_shown_is_refused() -> None:
    """A page for others would make a new one at each start."""
    with pytest.raises(SwatheError, match=r"'page\.token_variable'"):
        unit(station_of_size(4, 6, tables='[page]\nhost = "0.0.0.0"\n'))
    assert unit(station_of_size(4, 6, tables="[page]\n"))


def test_paths_are_quoted() -> None:
    """As systemd.syntax(7) has it: blanks in quotes, % and $ doubled where they would be read."""
    lines = unit(station_of_size(4, 6), "/srv/a b/10%$", area="lower half")
    assert value(lines, "ExecStart").endswith(
        ' run "/srv/a b/10%%$$/bench.toml" --area "lower half"'
    )
    assert value(lines, "WorkingDirectory") == "/srv/a b/10%%$"
    assert value(lines, "ReadWritePaths") == '"/srv/a b/10%%$"'
    with pytest.raises(SwatheError, match="control character"):
        unit(station_of_size(4, 6), "/srv/a\nExecStart=evil")


@pytest.mark.parametrize(
    ("folder", "home", "temporary"),
    [("/home/crew/p", "read-only", "yes"), ("/var/tmp/p", "yes", "no"), ("/srv/p", "yes", "yes")],  # noqa: S108
)
def test_folders_that_are_used_are_not_hidden(
    monkeypatch: pytest.MonkeyPatch, folder: str, home: str, temporary: str
) -> None:
    """ProtectHome and PrivateTmp, systemd.exec(5), would hide them."""
    monkeypatch.setattr("shutil.which", lambda *_, **__: "/usr/bin/swathe")
    lines = unit(station_of_size(4, 6), folder)
    assert (value(lines, "ProtectHome"), value(lines, "PrivateTmp")) == (home, temporary)


def test_systemd_accepts_the_unit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`systemd-analyze verify` names unknown keys, wrong values and commands that are not there."""
    monkeypatch.setattr("shutil.which", lambda *_, **__: sys.executable)
    lines = unit(station_of_size(4, 6, tables=TABLES), str(tmp_path), user="root", group="root")
    monkeypatch.undo()
    assert value(lines, "Type") == "notify"
    analyze = shutil.which("systemd-analyze")
    if analyze is not None:
        made = tmp_path / "swathe-bench.service"
        made.write_text("\n".join(lines), "utf-8")
        checked = subprocess.run(
            [analyze, "verify", str(made)], capture_output=True, text=True, timeout=60, check=False
        )
        assert (checked.returncode, made.name in checked.stderr) == (0, False), checked.stderr
