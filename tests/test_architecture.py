"""The architecture: who may import whom, how long a module may be, what the documents promise."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

import swathe
from support.imports import imports

ROOT = Path(__file__).parent.parent
DAEMON = ROOT / "daemon" / "swathe"
PACKAGES = {
    "swathe": DAEMON,
    "swathe_drivers": ROOT / "drivers" / "swathe_drivers",
    "swathe_simulators": ROOT / "simulators" / "swathe_simulators",
}
# A package of the daemon imports from those before it.
ORDER = (
    "errors",
    "credentials",
    "stop_requests",
    "units",
    "display_units",
    "safe_files",
    "object_storage",
    "many_surveys",
    "printable",
    "steady_output",
    "freed_memory",
    "keys",
    "arrays",
    "reading_flags",
    "listen",
    "calibration",
    "echo",
    "station",
    "journal",
    "pipeline",
    "motion",
    "messages",
    "store",
    "copying",
    "evaluation",
    "comparison",
    "report",
    "document",
    "export",
    "api",
    "board",
    "page",
    "watch",
    "live",
    "draft",
    "demo",
    "cli",
    "entry",
)
# The simulators are for these alone.
MAY_SIMULATE = {
    "demo/stage.py",
    "cli/scenarios.py",
    "cli/simulate.py",
    # Their types only: a station file for a scenario.
    "draft/simulated.py",
    "draft/simulated_devices.py",
    "draft/simulated_motion.py",
    "draft/simulated_probes.py",
}
MOST_LINES = 400


def modules(package: str) -> Iterator[Path]:
    """Yield a package's modules."""
    yield from sorted(PACKAGES[package].rglob("*.py"))


def imported(path: Path) -> set[str]:
    """Return every module that a file imports, wherever in it."""
    found = imports(path)
    assert all(each.level == 0 for each in found), f"{path}: relative import"
    return {each.module for each in found}


def test_parts_of_motion_import_one_way() -> None:
    """Limits know no tour, tours no raster, and a raster nothing of what is revisited."""
    order = ("carriage", "limits", "tour", "raster", "revisit")
    for k, part in enumerate(order):
        later = {f"swathe.motion.{name}" for name in order[k + 1 :]}
        paths = sorted((DAEMON / "motion" / part).glob("*.py"))
        assert len(paths) > 1
        for path in paths:
            for name in imported(path):
                upper = ".".join(name.split(".")[:3])
                assert upper not in {"swathe.motion", *later}, f"{path} imports {name}"


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


def test_packages_of_the_daemon_import_one_way() -> None:
    """A package of the daemon imports only from packages before it."""
    for path in modules("swathe"):
        package = path.relative_to(DAEMON).parts[0].removesuffix(".py")
        if package in {"__init__", "__main__"}:
            continue
        assert package in ORDER, f"{path}: add {package} to ORDER"
        for name in imported(path):
            parts = name.split(".")
            if parts[0] == "swathe" and len(parts) > 1:
                assert ORDER.index(parts[1]) <= ORDER.index(package), f"{path} imports {name}"


def import_graph() -> dict[str, set[str]]:
    """Return which modules of ours each module imports at run time, by dotted name."""
    paths = {
        ".".join((package, *path.relative_to(PACKAGES[package]).with_suffix("").parts)): path
        for package in PACKAGES
        for path in modules(package)
    }
    paths = {name.removesuffix(".__init__"): path for name, path in paths.items()}
    graph: dict[str, set[str]] = {}
    for module, path in paths.items():
        targets: set[str] = set()
        for each in imports(path):
            if each.typing_only or not each.module:
                continue
            # `from package import module` imports the module, not the package's names.
            whole = [f"{each.module}.{name}" for name in each.names]
            targets.update(name if name in paths else each.module for name in whole)
            if not each.names:
                targets.add(each.module)
        graph[module] = {name for name in targets if name in paths and name != module}
    return graph


def cycles(graph: dict[str, set[str]]) -> list[list[str]]:
    """Return the strongly connected components of more than one node, each sorted."""

    def reach(start: str) -> set[str]:
        reached: set[str] = set()
        waiting = [start]
        while waiting:
            for target in graph.get(waiting.pop(), set()) - reached:
                reached.add(target)
                waiting.append(target)
        return reached

    reached = {node: reach(node) for node in graph}
    components = {
        tuple(sorted(other for other in reached[node] if node in reached[other]))
        for node in graph
        if node in reached[node]
    }
    return [list(component) for component in sorted(components)]


def test_cycles_are_found() -> None:
    """The search finds each cycle once, and no path that does not return."""
    graph = {"a": {"b"}, "b": {"c"}, "c": {"a", "d"}, "d": set(), "e": {"f"}, "f": {"e"}}
    assert cycles(graph) == [["a", "b", "c"], ["e", "f"]]


def test_no_module_is_in_an_import_cycle() -> None:
    """No module imports itself through others."""
    graph = import_graph()
    assert len(graph) > 300
    assert cycles(graph) == []


def test_parts_of_a_package_import_one_way() -> None:
    """Modules and subpackages of one package have an order: none needs one that needs it."""
    graph = import_graph()
    packages = {name.rpartition(".")[0] for name in graph} - {""}
    found: dict[str, list[list[str]]] = {}
    for package in packages:
        prefix = f"{package}."
        parts: dict[str, set[str]] = {}
        for module, targets in graph.items():
            if module.startswith(prefix):
                own = module.removeprefix(prefix).partition(".")[0]
                others = {
                    name.removeprefix(prefix).partition(".")[0]
                    for name in targets
                    if name.startswith(prefix)
                }
                parts.setdefault(own, set()).update(others - {own})
        if circles := cycles(parts):
            found[package] = circles
    assert found == {}


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
    # Writes a time of the journal as UTC; the last check forbids to read the clock by it.
    writes_times = DAEMON / "pipeline" / "progress" / "fields.py"
    for path in sorted((DAEMON / "pipeline").rglob("*.py")):
        allowed = {"datetime"} if path == writes_times else set()
        assert not imported(path) & (forbidden - allowed), path
        assert "np.random" not in path.read_text("utf-8"), path
        assert not re.search(r"\.(now|today|utcnow)\(", path.read_text("utf-8")), path


@pytest.mark.parametrize("package", PACKAGES)
def test_modules_are_short(package: str) -> None:
    """No module is too long to read in one sitting."""
    for path in modules(package):
        assert len(path.read_text("utf-8").splitlines()) <= MOST_LINES, path


def public_names(path: Path) -> set[str]:
    """Return the public names of classes, functions and constants that a module defines."""
    names: set[str] = set()
    for node in ast.parse(path.read_text("utf-8")).body:
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            names.add(node.name)
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names.update(target.id for target in targets if isinstance(target, ast.Name))
    return {name for name in names if not name.startswith("_")}


@pytest.mark.parametrize("packages", [("swathe", "swathe_drivers"), ("swathe_simulators",)])
def test_a_public_name_is_defined_once(packages: tuple[str, ...]) -> None:
    """One name for one thing: no public name is defined in two modules.

    Daemon and drivers count as one; the simulators share no code with them, hence their own types.
    """
    homes: dict[str, list[str]] = {}
    for package in packages:
        for path in modules(package):
            if path.name != "__init__.py":
                for name in public_names(path):
                    homes.setdefault(name, []).append(path.relative_to(ROOT).as_posix())
    assert len(homes) > 100
    assert {name: found for name, found in homes.items() if len(found) > 1} == {}


# Words of a private dialect, for which a plain one exists: reported, again, received, remedy.
DIALECT = re.compile(r"\b(told|anew|heard|mend|mends|mended)\b", re.IGNORECASE)


@pytest.mark.parametrize("package", PACKAGES)
def test_words_are_plain(package: str) -> None:
    """No name, docstring, comment, message or scenario uses a word of a private dialect."""
    files = [path for path in PACKAGES[package].rglob("*") if path.suffix in {".py", ".toml"}]
    found = [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()}"
        for path in sorted(files)
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1)
        if DIALECT.search(line)
    ]
    assert found == []


def test_changelog_tells_the_version() -> None:
    """The newest heading of the change log is the version."""
    headings = [
        line.removeprefix("## ")
        for line in (ROOT / "CHANGELOG.md").read_text("utf-8").splitlines()
        if line.startswith("## ")
    ]
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert headings[0] == project["version"] == swathe.__version__


def test_top_of_the_tree_is_as_designed() -> None:
    """Nothing stands at the top but what the design names."""
    allowed = {
        "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml",
        "daemon", "drivers", "simulators", "tests",
    }  # fmt: skip
    made = {"build", "dist", "swathe-demo"}
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert found - made == allowed
