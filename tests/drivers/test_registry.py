"""Drivers by name, from installed packages."""

import subprocess
import sys
from importlib.metadata import EntryPoints, entry_points
from pathlib import Path

import pytest

from swathe_drivers.delimited import DelimitedDriver
from swathe_drivers.errors import DriverError
from swathe_drivers.registry import driver_names, load_driver, load_motion, motion_names


def install(folder: Path, distribution: str, entry: str, code: str = "") -> None:
    """Put a small package with one driver where Python finds it."""
    info = folder / f"{distribution}-0.1.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {distribution}\nVersion: 0.1\n")
    (info / "entry_points.txt").write_text(f"[swathe.drivers]\n{entry}\n")
    if code:
        (folder / f"{entry.split(' = ')[1].split(':', maxsplit=1)[0]}.py").write_text(code)


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder on the import path."""
    monkeypatch.syspath_prepend(str(tmp_path))
    return tmp_path


def test_load_built_in_driver_comes_by_entry_point() -> None:
    """The built-in driver is found the same way as an outside one."""
    assert "delimited" in driver_names()
    assert load_driver("delimited") is DelimitedDriver


def test_load_motion_built_ins_come_by_entry_point() -> None:
    """Motion drivers have a group of their own, with the same rules."""
    assert {"gcode", "registers", "text"} <= set(motion_names())
    assert not set(motion_names()) & set(driver_names())
    for name in motion_names():
        assert callable(load_motion(name).codec)
    with pytest.raises(DriverError, match="there is no driver 'gcod'; known are: gcode"):
        load_motion("gcod")


def test_no_driver_imports_pymodbus() -> None:
    """Modbus framing is this package's own; the library is the other side of its tests."""
    code = (
        "import sys\n"
        "import swathe.cli.main, swathe.motion\n"
        "from swathe_drivers.registry import driver_names, load_driver, load_motion, motion_names\n"
        "for name in driver_names():\n    load_driver(name)\n"
        "for name in motion_names():\n    load_motion(name)\n"
        "assert 'swathe_drivers.modbus' in sys.modules\n"
        "assert 'swathe_drivers.motion.registers' in sys.modules\n"
        "assert 'pymodbus' not in sys.modules\n"
    )
    done = subprocess.run([sys.executable, "-c", code], check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_installed_drivers_are_searched_once_for_a_path(
    site: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A survey of many runs loads its drivers for each; another import path is another search."""
    groups = list[str]()

    def spy(*, group: str) -> EntryPoints:
        groups.append(group)
        return entry_points(group=group)

    monkeypatch.setattr("swathe_drivers.registry.entry_points", spy)
    for _ in range(3):
        load_driver("delimited")
    assert groups == ["swathe.drivers"]
    monkeypatch.syspath_prepend(str(site / "other"))
    load_driver("delimited")
    assert groups == ["swathe.drivers"] * 2


def test_load_unknown_name_lists_the_known(site: Path) -> None:
    """A misspelt name is answered with the list."""
    install(site, "outside", "zeta = zeta_module:Driver")
    names = ", ".join(driver_names())
    assert names.endswith("zeta")
    with pytest.raises(DriverError) as caught:
        load_driver("delimted")
    assert str(caught.value) == f"there is no driver 'delimted'; known are: {names}"


def test_load_outside_driver_is_imported_only_when_asked_for(site: Path) -> None:
    """Listing the names runs nobody's code."""
    code = (
        "from pydantic import BaseModel\n"
        "class Driver:\n"
        "    Settings = BaseModel\n"
        "    def __init__(self, settings): pass\n"
        "    def decoder(self, *, ns_per_byte): pass\n"
    )
    install(site, "outside", "lazy = lazy_module_of_a_test:Driver", code)
    assert "lazy" in driver_names()
    assert "lazy_module_of_a_test" not in sys.modules
    assert load_driver("lazy").__name__ == "Driver"
    assert sys.modules.pop("lazy_module_of_a_test")


def test_duplicate_name_stops_and_names_both_distributions(site: Path) -> None:
    """Nobody can quietly replace a driver."""
    install(site, "intruder", "delimited = intruder:Driver")
    message = (
        "driver 'delimited' is offered more than once: by intruder (intruder:Driver) and swathe"
        " (swathe_drivers.delimited:DelimitedDriver); uninstall all but one of them"
    )
    for call in (driver_names, lambda: load_driver("delimited")):
        with pytest.raises(DriverError) as caught:
            call()
        assert str(caught.value) == message


def test_load_driver_that_fails_to_import_names_distribution_and_cause(site: Path) -> None:
    """A broken plug-in is a clear error with its cause kept."""
    install(site, "broken", "broken = broken_module_of_a_test:Driver", "raise RuntimeError('no')")
    with pytest.raises(DriverError) as caught:
        load_driver("broken")
    assert str(caught.value) == (
        "driver 'broken' of broken (broken_module_of_a_test:Driver) can't be imported:"
        " RuntimeError: no"
    )
    assert isinstance(caught.value.__cause__, RuntimeError)


def test_load_object_that_is_no_driver_says_what_one_is(site: Path) -> None:
    """Something else behind the entry point is refused at once."""
    install(site, "odd", "odd = odd_module_of_a_test:Driver", "Driver = 5")
    with pytest.raises(DriverError) as caught:
        load_driver("odd")
    assert str(caught.value) == (
        "driver 'odd' of odd (odd_module_of_a_test:Driver) is no driver: it must be a class with"
        " a pydantic model `Settings` and a method `decoder`; see swathe_drivers.abc.Driver"
    )
    sys.modules.pop("odd_module_of_a_test")
