"""The house: who may import whom, how long a module may be, what the documents promise."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import TypeAdapter

import swathe
from swathe.station import Station

ROOT = Path(__file__).parent.parent
DAEMON = ROOT / "daemon" / "swathe"
PACKAGES = {
    "swathe": DAEMON,
    "swathe_drivers": ROOT / "drivers" / "swathe_drivers",
    "swathe_simulators": ROOT / "simulators" / "swathe_simulators",
}
# A room imports from those before it.
ROOMS = (
    "errors",
    "units",
    "keys",
    "arrays",
    "listen",
    "calibration",
    "echo",
    "station",
    "journal",
    "pipeline",
    "motion",
    "messages",
    "store",
    "api",
    "report",
    "page",
    "watch",
    "live",
    "demo",
    "cli",
)
# report/blockmap.py is shown by live/terminal.py; the simulators are for these alone.
MAY_SIMULATE = {"demo/stage.py", "cli/simulate.py"}
MOST_LINES = 400


def modules(package: str) -> Iterator[Path]:
    """Yield a package's modules."""
    yield from sorted(PACKAGES[package].rglob("*.py"))


def imported(path: Path) -> set[str]:
    """Return every module that a file imports, wherever in it."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.add(node.module or "")
    return found


@pytest.mark.parametrize("package", ["swathe_drivers", "swathe_simulators"])
def test_outer_packages_know_nobody(package: str) -> None:
    """Drivers and simulators import neither the daemon nor each other."""
    for path in modules(package):
        for name in imported(path):
            top = name.partition(".")[0]
            assert top == package or top not in PACKAGES, f"{path} imports {name}"


def test_simulators_are_for_the_demo() -> None:
    """Within the daemon only the demo and the simulate command meet the simulators."""
    for path in modules("swathe"):
        if any(name.startswith("swathe_simulators") for name in imported(path)):
            assert path.relative_to(DAEMON).as_posix() in MAY_SIMULATE


def test_rooms_import_one_way() -> None:
    """A room of the daemon imports only from rooms before it."""
    for path in modules("swathe"):
        room = path.relative_to(DAEMON).parts[0].removesuffix(".py")
        if room not in ROOMS:
            continue  # the package's own __init__ and __main__
        for name in imported(path):
            parts = name.split(".")
            if parts[0] == "swathe" and len(parts) > 1:
                assert ROOMS.index(parts[1]) <= ROOMS.index(room), f"{path} imports {name}"


def test_pipeline_reads_no_clock() -> None:
    """The pipeline has no clock, no random number and no input or output."""
    forbidden = {
        "time",
        "random",
        "datetime",
        "os",
        "io",
        "pathlib",
        "socket",
        "asyncio",
        "threading",
    }
    for path in sorted((DAEMON / "pipeline").rglob("*.py")):
        assert not imported(path) & forbidden, path
        assert "np.random" not in path.read_text("utf-8"), path


@pytest.mark.parametrize("package", PACKAGES)
def test_modules_are_short(package: str) -> None:
    """No module is too long to read in one sitting."""
    for path in modules(package):
        assert len(path.read_text("utf-8").splitlines()) <= MOST_LINES, path


def test_changelog_tells_the_version() -> None:
    """The newest heading of the change log is the version."""
    headings = [
        line.removeprefix("## ")
        for line in (ROOT / "CHANGELOG.md").read_text("utf-8").splitlines()
        if line.startswith("## ")
    ]
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert headings[0] == project["version"] == swathe.__version__


def test_readme_station_is_valid(tmp_path: Path) -> None:
    """The station file that README shows is one."""
    from swathe.station import load_station

    text = (ROOT / "README.md").read_text("utf-8")
    station = tmp_path / "station.toml"
    station.write_text(text.partition("```toml\n")[2].partition("```")[0], "utf-8")
    settings, _ = load_station(station)
    assert settings.shape == (31, 226)


def test_readme_tables_are_valid() -> None:
    """Each further table that README shows may stand in a station file as it is there."""
    blocks = re.findall(
        r"^```toml\n(.*?)^```", (ROOT / "README.md").read_text("utf-8"), re.MULTILINE | re.DOTALL
    )
    station, *others = map(tomllib.loads, blocks)
    assert len(others) >= 5
    for shown in others:
        for name, table in shown.items():
            whole = {**station[name], **table} if name in ("scan", "index") else table
            kind = Station.model_fields[name].rebuild_annotation()
            TypeAdapter(kind).validate_python(whole)


def test_top_of_the_tree_is_as_designed() -> None:
    """Nothing stands at the top but what the design names."""
    allowed = {
        "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml",
        "daemon", "drivers", "simulators", "tests",
    }  # fmt: skip
    made = {"build", "dist", "swathe-demo"}
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert found - made == allowed
