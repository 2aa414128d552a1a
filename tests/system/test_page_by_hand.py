"""A scan by hand that is led from the page of a phone: real ports, daemon and browser."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import pytest
import xarray as xr
from selenium.webdriver.common.keys import Keys

from support.browser import Browser
from support.daemon import DaemonProcess, wait_for
from support.hand.ports import PortScanner
from support.page import reachable
from swathe.live import free_port

pytestmark = pytest.mark.slow

Start = Callable[..., DaemonProcess]

LENGTH: Final = 200.0
OVER: Final = 12.0
CELLS: Final = 41
PATIENCE_S: Final = 40.0

_STATION = """\
name = "bench"
[survey]
folder = "survey"
part = "Penstock 3"
alert_below = "5 mm"
[scan]
length = "200 mm"
resolution = "5 mm"
device = "encoder"
counts_per_mm = 20
[index]
length = "30 mm"
resolution = "10 mm"
mode = "stepped"
[[mark]]
name = "weld 12"
scan = "60 mm"
[device.encoder]
port = "{encoder}"
delay = "0 ms"
protocol.checksum = {{ kind = "xor", after = "*" }}
protocol.columns = [
  {{ is = "constant", text = "P" }}, {{ is = "device_time", unit = "us" }},
  {{ is = "counts", axis = "scan", bits = 16 }},
]
[device.gauge]
port = "{gauge}"
delay = "0 ms"
protocol.checksum = {{ kind = "xor", after = "*" }}
protocol.columns = [
  {{ is = "constant", text = "R" }}, {{ is = "device_time", unit = "us" }},
  {{ is = "thickness", unit = "mm" }}, {{ is = "status", valid = ["E"], invalid = ["N"] }},
]
[page]
port = {page}
"""


@dataclass(frozen=True)
class Shift:
    """A run with the page open on a phone.

    Attributes:
        scanner: in the hand.
        phone: the browser.
        process: the daemon.
        folder: the survey.
    """

    scanner: PortScanner
    phone: Browser
    process: DaemonProcess
    folder: Path

    def wait(self, condition: Callable[[], object], what: str) -> None:
        """Wait until a condition holds."""
        self.phone.wait(condition, PATIENCE_S, what)

    def scan_to(self, scan: float) -> None:
        """Scan coupled to a position, mm, and lift the probe off."""
        self.scanner.coupled = True
        self.scanner.move(scan)
        self.scanner.coupled = False

    def scan_line(self, row: int) -> None:
        """Scan a line to and fro until all of it is measured, and return to its start."""
        self.scanner.coupled = True
        while True:
            self.scanner.move(LENGTH + OVER)
            self.scanner.move(-OVER)
            if self.measured(row) == CELLS:
                break
        self.scanner.coupled = False
        self.scanner.move(0.0)

    def press(self, selector: str) -> None:
        """Press a button, wherever it is on the page."""
        self.phone.run("arguments[0].scrollIntoView({block: 'center'})", self.phone.find(selector))
        self.phone.find(selector).click()

    def reply(self) -> str:
        """Wait for the reply to the command that was just sent; return it."""
        self.wait(lambda: self.phone.text("#reply")[:1] in ("✓", "✕"), "the reply")
        return self.phone.text("#reply")

    def forget_reply(self) -> None:
        """Remove the last reply."""
        self.phone.run("document.getElementById('reply').textContent = ''")

    def alarms(self) -> list[str]:
        """Return the alarms that are shown, all of them unfolded."""
        more = self.phone.find("#alarms-all")
        if more.is_displayed() and more.get_attribute("aria-expanded") == "false":
            self.press("#alarms-all")
        return [str(item.text) for item in self.phone.all("#alarm-list .what")]

    def touch(self, command: str) -> str:
        """Send a command by one touch; return the reply."""
        self.wait(lambda: not self.phone.all("body.touched"), "the end of the last touch")
        self.forget_reply()
        self.press(f"[data-now='{command}']")
        return self.reply()

    def measured(self, row: int) -> int:
        """Return how many cells of a line are measured."""
        line: dict[str, Any] = self.phone.run(
            f"return fetch('/line/{row}').then((answer) => answer.json())"
        )
        return sum(one is not None for one in line["thickness"])

    def finish(self) -> xr.Dataset:
        """Stop the run from the page; return the arrays."""
        self.press("[data-command=stop]")
        self.phone.find("#confirm-yes").click()
        code, output = self.process.finish()
        assert code == 3, output
        arrays: xr.Dataset = xr.open_zarr(self.folder / "survey.zarr").load()
        return arrays


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Return a running browser."""
    with Browser() as browser:
        yield browser


@pytest.fixture
def shift(chromium: Browser, daemon: Start, tmp_path: Path) -> Iterator[Shift]:
    """Return a run of four lines with the page open, the name given."""
    port = free_port()
    with PortScanner() as scanner:
        station = tmp_path / "station.toml"
        station.write_text(
            _STATION.format(encoder=scanner.encoder_port, gauge=scanner.gauge_port, page=port)
        )
        process = daemon(station)
        wait_for(lambda: reachable(port), 30, "the page")
        chromium.shape(390, 844, touch=True)
        chromium.open(f"http://127.0.0.1:{port}/")
        shift = Shift(scanner, chromium, process, tmp_path / "survey")
        shift.wait(lambda: chromium.text("#line-number") == "0", "the first line")
        chromium.find("#hand [data-name]").click()
        chromium.find("#name-by").send_keys("A. Kern", Keys.ENTER)
        yield shift


def test_a_touch_steps_the_line(shift: Shift) -> None:
    """Readings are of the line that the page shows: there by 'next line', back by 'previous'."""
    shift.scan_line(0)
    shift.scanner.row = 1.0
    assert shift.touch("next line").startswith("✓ Accepted: line 1 at 10 mm")
    shift.wait(lambda: shift.phone.text("#line-number") == "1", "the second line")
    assert shift.phone.text("#line-index") == "10 mm"
    shift.scanner.move(-10.0)
    shift.scanner.move(0.0)
    shift.scan_to(100.0)
    shift.wait(lambda: shift.measured(1) > 10, "half of it")
    assert shift.touch("previous line").startswith("✓ Accepted: line 0")
    shift.wait(lambda: shift.phone.text("#line-number") == "0", "the first line again")
    assert shift.touch("previous line").startswith("✕ Refused: ")
    assert shift.phone.text("#line-number") == "0"
    arrays = shift.finish()
    assert int(arrays.hits.values[2:].sum()) == 0


def test_lost_position_is_set_by_a_mark(shift: Shift) -> None:
    """An encoder that was off is an alarm with an offer; a mark of the station file ends it."""
    shift.scanner.coupled = True
    shift.scanner.move(150.0)
    shift.wait(lambda: shift.measured(0) > 20, "a first stretch")
    shift.scanner.powered = False
    shift.wait(lambda: "Device silent: encoder" in shift.alarms(), "its alarm")
    shift.scanner.powered = True
    shift.wait(lambda: shift.phone.text("#where-title").startswith("Position lost"), "the offer")
    before = shift.measured(0)
    shift.scan_to(180.0)
    shift.scanner.carry(60.0)

    def placed() -> bool:
        shift.forget_reply()
        shift.press("#where button")
        label = shift.phone.find("[name=place][value='mark weld 12']")
        label.click()
        shift.phone.find("#confirm-yes").click()
        return "hold it still" not in shift.reply()

    shift.wait(placed, "a probe at rest")
    assert shift.phone.text("#reply").startswith("✓ Accepted: the probe is at weld 12")
    shift.wait(lambda: not shift.phone.find("#where").is_displayed(), "the end of the offer")
    assert shift.measured(0) == before
    shift.wait(lambda: "scan 60.0" in shift.phone.text("#position"), "the position")
    shift.scan_line(0)
    shift.finish()


def test_forgotten_step_is_undone_and_restored(shift: Shift) -> None:
    """Readings of the next line, taken as this one, are discarded, restored, and then moved.

    The wall is 4 mm thicker from line to line: what a cell holds shows where it was read.
    """

    def thickness(row: int) -> list[float]:
        line = shift.phone.run(f"return fetch('/line/{row}').then((answer) => answer.json())")
        return [one for one in line["thickness"] if one is not None]

    def is_of(row: int, wall_row: int) -> bool:
        return all(abs(one - 7.0 - 4.0 * wall_row) < 1.2 for one in thickness(row))

    shift.scan_line(0)
    assert is_of(0, 0)
    assert shift.touch("next line").startswith("✓ Accepted: line 1")
    shift.scanner.row = 2.0  # stepped twice
    shift.scan_line(1)
    assert is_of(1, 2)

    def undo(which: str) -> None:
        shift.forget_reply()
        shift.phone.run("scrollTo(0, 0)")
        shift.phone.find("#hand [data-command=undo]").click()
        shift.phone.run(f"document.querySelector('[name=undo-which][value={which}]').click()")
        shift.phone.find("#undo-reason").send_keys("stepped twice")

    undo("present")
    shift.wait(
        lambda: f"in {CELLS} cells" in shift.phone.text("#undo-affected"), "what is affected"
    )
    shift.phone.find("#confirm-yes").click()
    assert shift.reply().startswith("✓ Accepted: revision 1 discards: line 1")
    shift.wait(lambda: thickness(1) == [], "the line without them")
    assert is_of(0, 0)
    assert len(thickness(0)) == CELLS
    shift.wait(lambda: "readings of line 1 discarded" in shift.phone.text("#revisions"), "the list")
    assert "“stepped twice” · A. Kern" in shift.phone.text("#revisions")
    shift.forget_reply()
    shift.press("#revisions button")
    shift.phone.find("#confirm-why").send_keys("only moved", Keys.ENTER)
    assert shift.reply().startswith("✓ Accepted: revision 1")
    shift.wait(lambda: len(thickness(1)) == CELLS, "the line as it was")
    assert is_of(1, 2)
    undo("present")
    shift.phone.run("document.querySelector('[name=undo-what][value=move]').click()")
    shift.phone.find("#undo-to").send_keys("2")
    shift.phone.find("#confirm-yes").click()
    assert shift.reply().startswith("✓ Accepted: revision 2 moves to line 2")
    shift.wait(lambda: len(thickness(2)) == CELLS and thickness(1) == [], "the other line")
    assert is_of(2, 2)
    shift.wait(lambda: shift.phone.text("#line-number") == "2", "the line in force")
    arrays = shift.finish()
    assert int(arrays.hits.values[1].sum()) == 0
    assert int((arrays.hits.values[2] > 0).sum()) == CELLS
