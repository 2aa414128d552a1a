"""The set-up of an instrument: on a real terminal and in a real browser at once, then a run."""

from __future__ import annotations

import json
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from selenium.webdriver.common.keys import Keys

from support.browser import Browser, axe_source
from support.daemon import DaemonProcess, wait_for
from support.page import reachable
from support.shell import ShellTerminal
from swathe.live import free_port
from swathe_simulators import Scenario, World, builtin_scenario, load_scenario

pytestmark = pytest.mark.slow

STATION = """# Penstock 3
name = "strip"
[survey]
folder = "survey"
[scan]
length = "600 mm"
resolution = "3 mm"
device = "encoder"
counts_per_mm = 20
[calibration]
velocity = "5920 m/s"
zero_offset = "0.47 us"
[echo]
time_of_flight = "back wall"
band = {{ centre = "5 MHz" }}
[[echo.gate]]
name = "back wall"
start = "0.6 us"      # behind the near field
width = "6 us"
threshold = "30 %"
[sensitivity]
reference = "80 %"
tolerance = "8 dB"
block = "B-7"
step = "12 mm"
[page]
port = {page}
[device.encoder]
port = "{ports}/encoder"
[device.encoder.protocol]
checksum = {{ kind = "xor", after = "*" }}
columns = [
  {{ is = "constant", text = "P" }},
  {{ is = "device_time", unit = "us" }},
  {{ is = "counts", axis = "scan" }},
]
[device.instrument]
driver = "frames"
port = "{instrument}"
[device.instrument.protocol]
byte_order = "big"
framing = {{ kind = "length_prefix", sync = [0xA5, 0x5A], adds = 6 }}
checksum = {{ kind = "crc", width = 16, poly = 0x1021, init = 0xFFFF, from = 0 }}
fields = [
  {{ is = "length", type = "u2" }},
  {{ is = "device_time", type = "u4", unit = "us", bits = 32 }},
  {{ is = "sequence", type = "u2" }},
  {{ is = "status", type = "u1", mask = 1, valid_when = 1 }},
  {{ is = "waveform", type = "i2", samples = 512, interval = "20 ns", full_scale = 32767 }},
]
"""


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Return a running browser."""
    with Browser() as browser:
        yield browser


def scenario() -> Scenario:
    """Return the built-in scenario on a free port."""
    data = load_scenario(builtin_scenario("ascan")).model_dump(by_alias=True)
    data["device"][1]["port"]["port"] = 0
    return Scenario.model_validate(data)


def violations(browser: Browser) -> list[str]:
    """Return what axe-core finds wrong with the page."""
    browser.run(axe_source())
    found = browser.run_to_end(
        "const done = arguments[arguments.length - 1];"
        "axe.run().then((r) => done(JSON.stringify(r.violations.map((v) => v.id))))"
    )
    return list(json.loads(found))


def test_set_up_on_terminal_and_page_then_a_run(
    serve: Callable[..., World],
    daemon: Callable[..., DaemonProcess],
    chromium: Browser,
    ports: Path,
    tmp_path: Path,
) -> None:
    """Both show the A-scan; a change on one acts on both; file, log and the next run have it.

    While the browser is waited for the terminal is read: a full one holds up what draws on it.
    """
    browser, page = chromium, free_port()
    world = serve(scenario(), speed=2.0)
    (instrument,) = (d.port for d in world.describe() if d.name == "instrument")
    station = tmp_path / "station.toml"
    text = STATION.format(ports=ports, instrument=instrument, page=page)
    station.write_text(text)
    log = tmp_path / "station.toml.setup.jsonl"
    with ShellTerminal() as terminal:
        terminal.type(f"{sys.executable} -m swathe setup {station}\n")
        terminal.wait_for("╞═")
        terminal.wait_for("µs, band-passed")
        terminal.wait_for("newest reading")
        browser.shape(1280, 800)
        browser.theme("light")
        browser.driver.get(f"http://127.0.0.1:{page}/")
        terminal.wait(lambda: bool(browser.all("#ascan .gate")), "the A-scan with its gate")
        assert browser.driver.current_url.endswith("/setup")
        terminal.wait(lambda: browser.text("#thickness").endswith(" mm"), "a thickness")
        terminal.wait(lambda: bool(browser.all("#ascan .point")), "the measured point")
        assert violations(browser) == []

        # A step in the browser acts on both, and only there.
        browser.find("[aria-label='raise threshold of back wall']").click()
        terminal.wait(lambda: "30 % -> 31 %" in browser.text("#unsaved"), "the change")
        terminal.wait_for("1 change in force here, not in the file")
        assert station.read_text() == text
        width = browser.find("#gate-1-width")
        width.send_keys(Keys.CONTROL, "a")
        width.send_keys("60 us\n")
        terminal.wait(lambda: "must end within the A-scan" in browser.text("#wrong-1"), "no")
        assert browser.find("#gate-1-width").get_attribute("aria-invalid") == "true"
        browser.shape(390, 844)
        browser.theme("dark")
        assert violations(browser) == []
        assert browser.run("return document.documentElement.scrollWidth") == 390
        browser.shape(1280, 800)

        browser.find("#save").click()
        browser.find("#name-by").send_keys("A. Kern\n")
        terminal.wait(lambda: "written to" in browser.text("#answer"), "the file")
        assert station.read_text() == text.replace('"30 %"', '"31 %"')
        (backup,) = tmp_path.glob("station.toml.*.bak")
        assert backup.read_text() == text

        # The reference echo at the terminal, whose name is asked for.
        terminal.type("e")
        terminal.wait_for("your name, recorded with what you do here")
        terminal.type("B. Low\n")
        terminal.wait_for("sensitivity passed")
        terminal.wait(lambda: "by B. Low" in browser.text("#sensitivity"), "the check")
        assert not [one for one in browser.complaints() if "favicon" not in one]
        terminal.type("q")
        terminal.wait_for("prompt> ")
        terminal.wait(lambda: browser.text("#banner").startswith("No connection"), "the loss")
        terminal.wait(lambda: "NO READING FOR" in browser.text("#age"), "the age")
    entries = [json.loads(line) for line in log.read_text().splitlines()]
    assert [(one["kind"], one["by"]) for one in entries] == [
        ("gates", "A. Kern"),
        ("sensitivity", "B. Low"),
    ]
    assert not (tmp_path / "survey").exists()

    process = daemon(station)
    wait_for(lambda: reachable(page), 30, "the run's page")
    browser.driver.get(f"http://127.0.0.1:{page}/setup")
    browser.wait(lambda: browser.all("#gauge-ascan .point"), 30, "the A-scan on the run's page")
    assert browser.driver.current_url.endswith(f":{page}/")
    process.signal(signal.SIGTERM)
    process.finish()
    wait_for((tmp_path / "survey" / "survey.json").exists, 20, "the record")
    record = json.loads((tmp_path / "survey" / "survey.json").read_text())
    (check,) = record["sensitivity"]
    assert (check["by"], check["before_run"], check["block"]) == ("B. Low", True, "B-7")
    (gates,) = record["gates_changed"]
    assert gates["changes"] == ["echo.gate[0].threshold (back wall): 30 % -> 31 %"]
