"""What pyproject.toml declares is what the packages import, and start-up imports little of it."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import distribution as installed
from importlib.metadata import packages_distributions
from pathlib import Path

from support.imports import imports

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
OURS = {"swathe", "swathe_drivers", "swathe_simulators"}
# Benchmarks and the coverage-guided fuzzer compare with these where somebody has installed them.
NEVER_REQUIRED = {"atheris", "elkai", "ortools", "pyxdf"}
# Plugins of pytest, and what the outside driver of the tests is built with.
USED_WITHOUT_IMPORT = {"hatchling", "pytest-asyncio", "pytest-timeout", "pytest-xdist"}

TESTS = Path(__file__).parent


def distribution(requirement: str) -> str:
    """Return the normalised name of a requirement or distribution."""
    name = re.split(r"[\[<>=!~; ]", requirement, maxsplit=1)[0]
    return re.sub(r"[-_.]+", "-", name).lower()


def declared(*extras: str) -> set[str]:
    """Return the distributions of the dependencies, or of extras; references to ours resolved."""
    found: set[str] = set()
    for extra in extras:
        for requirement in PROJECT["optional-dependencies"][extra]:
            if nested := re.match(r"swathe\[(.+)\]", requirement):
                found |= declared(*nested[1].split(","))
            else:
                found.add(distribution(requirement))
    return found if extras else {distribution(r) for r in PROJECT["dependencies"]}


def third_party(source: Path) -> Iterator[tuple[str, bool]]:
    """Yield each outside package that a module imports, and whether only for type checking."""
    for each in imports(source):
        top = each.module.partition(".")[0]
        if top not in sys.stdlib_module_names:
            yield top, each.typing_only


def imported(*folders: str) -> set[str]:
    """Return the distributions whose packages the modules in some folders import."""
    homes = packages_distributions()
    inside = OURS | {path.stem for path in (ROOT / "tests").iterdir()}
    return {
        distribution(homes[top][0])
        for folder in folders
        for source in (ROOT / folder).rglob("*.py")
        for top, _ in third_party(source)
        if top not in inside | NEVER_REQUIRED
    }


def test_packages_import_what_is_declared() -> None:
    """Dependencies and run-time extras are the imports of the packages: none missing, none more."""
    for_tests_of_drivers = imported("drivers/swathe_drivers/testing") & {"pytest"}
    assert imported("daemon", "drivers", "simulators") - for_tests_of_drivers == (
        declared() | declared("export", "pdf", "storage", "xarray")
    )


def test_extras_are_apart_from_dependencies() -> None:
    """What an extra brings is no dependency of everybody."""
    for extra in PROJECT["optional-dependencies"]:
        assert not declared(extra) & declared(), extra


def test_tests_import_what_is_declared() -> None:
    """The extra `test` has what only the tests import, and nothing that no test uses."""
    own = {
        distribution(r)
        for r in PROJECT["optional-dependencies"]["test"]
        if not r.startswith("swathe[")
    }
    assert imported("tests") <= declared() | declared("test")
    assert own <= imported("tests") | USED_WITHOUT_IMPORT


def test_xarray_is_imported_in_one_module() -> None:
    """What the extra `xarray` brings is imported in one place, which names it when it is missing."""
    found = {
        path.relative_to(ROOT).as_posix()
        for folder in ("daemon", "drivers", "simulators")
        for path in (ROOT / folder).rglob("*.py")
        if ("xarray", False) in set(third_party(path))
    }
    assert found == {"daemon/swathe/store/dataset.py"}


def test_installed_entry_points_are_the_declared() -> None:
    """Drivers, motion drivers and the command of the installation are those of pyproject.toml."""
    found = {(e.group, e.name, e.value) for e in installed("swathe").entry_points}
    groups = {"console_scripts": PROJECT["scripts"], **PROJECT["entry-points"]}
    assert found == {
        (group, name, value) for group, names in groups.items() for name, value in names.items()
    }, "install again: pip install -e ."


def test_python_versions_agree() -> None:
    """The oldest Python is the same in metadata, classifiers, ruff and mypy."""
    tools = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]
    versions = [c.rpartition(" ")[2] for c in PROJECT["classifiers"] if ":: Python :: 3." in c]
    assert versions == ["3.11", "3.12", "3.13"]
    assert PROJECT["requires-python"] == f">={versions[0]}"
    assert tools["mypy"]["python_version"] == versions[0]
    assert tools["ruff"]["target-version"] == "py" + versions[0].replace(".", "")


def test_help_imports_little() -> None:
    """``swathe --help`` loads neither numpy nor pydantic, the drivers or the simulators."""
    heavy = ("numpy", "pydantic", "zarr", "pint", "serial", "swathe_drivers", "swathe_simulators")
    code = (
        "import sys\n"
        "from swathe.cli.main import main\n"
        "sys.argv = ['swathe', '--help']\n"
        "try:\n    main()\n"
        "except SystemExit as end:\n    assert not end.code, end.code\n"
        f"print([name for name in {heavy} if name in sys.modules], file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "simulate" in done.stdout
    assert done.stderr == "[]\n"


def test_a_run_opens_its_ports_before_it_imports_what_they_do_not_need(tmp_path: Path) -> None:
    """A run with page and broker that is ready to open its ports has imported nothing of the later parts."""
    station = tmp_path / "station.toml"
    station.write_text(
        """
name = "bench"
[survey]
folder = "survey"
[scan]
length = "7 in"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 100
[calibration]
velocity = "5920 m/s"
[device.encoder]
port = "socket://127.0.0.1:1"
delay = "6 ms"
protocol.columns = [{ is = "counts", axis = "scan" }]
[device.gauge]
port = "socket://127.0.0.1:2"
protocol.columns = [{ is = "time_of_flight", unit = "us" }]
[broker]
embedded = true
[page]
port = 0
"""
    )
    later = (
        "pint", "scipy", "zarr", "matplotlib", "swathe.motion", "swathe.page.app", "starlette",
        "uvicorn", "aiomqtt", "paho", "amqtt", "pymodbus", "swathe.messages.asyncapi",
    )  # fmt: skip
    code = (
        "import sys\n"
        "from pathlib import Path\n"
        "import swathe.cli.main\n"
        "from swathe.cli.arming import may_move\n"
        "from swathe.live import Daemon\n"
        "from swathe.live.terminal import TerminalObserver\n"
        "from swathe.report import due_before\n"
        "from swathe.station import read_station\n"
        "from swathe.store import SurveyFolder\n"
        f"path = Path({str(station)!r})\n"
        "settings, text = read_station(path)\n"
        "may_move(settings, (), given=False)\n"
        "Daemon(settings, text, SurveyFolder(path.parent / 'survey'))\n"
        f"print([name for name in {later} if name in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_estimate_of_a_delay_imports_nothing_that_the_run_has_not_imported() -> None:
    """What it needs is imported as the scan begins: a later import holds up the loop, and adds 20 MB."""
    code = (
        "import sys\n"
        "import numpy as np\n"
        "from importlib import import_module\n"
        "from swathe.live import auto_delay\n"
        "import_module(auto_delay._ESTIMATES_WITH)\n"
        "from daemon.pipeline.placing.delay_scenes import random_scan, simulate\n"
        "made = random_scan('pits', np.random.default_rng(1), most_lines=4)\n"
        "passes, _ = simulate(made, np.random.default_rng(1))\n"
        "known = set(sys.modules)\n"
        "from swathe.pipeline.placing.delay import estimate_delay\n"
        "found = estimate_delay(passes, resolution=2.0, spacing=made.spacing)\n"
        "print(found.pairs > 0, sorted(set(sys.modules) - known))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=TESTS, capture_output=True, text=True, check=True
    )
    assert done.stdout == "True []\n"


def test_missing_xarray_is_an_error_with_a_remedy() -> None:
    """Without xarray the API names the extra to install."""
    code = (
        "import importlib.util, pathlib\n"
        "importlib.util.find_spec = lambda name: None\n"
        "from swathe.errors import SwatheError\n"
        "from swathe.store.dataset import open_dataset\n"
        "try:\n    open_dataset(pathlib.Path('survey.zarr'))\n"
        "except SwatheError as error:\n    print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "xarray is not installed: run `pip install 'swathe[xarray]'`\n"
