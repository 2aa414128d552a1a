"""Fixtures of tests that run the whole daemon on real ports."""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from support.broker import Broker, Witness
from support.daemon import DaemonProcess, swathe
from support.hand.console import Console
from support.hand.ports import PortScanner
from support.hand.scene import LENGTH, Scene, bench_text
from swathe_simulators import Scenario, World, builtin_scenario, load_scenario


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """Return the folder of a demo that was played once for all, and how its process ended."""
    folder = tmp_path_factory.mktemp("demo")
    return folder, swathe("demo", "--out", folder, "--headless", "--speed", "20")


@pytest.fixture
def ports() -> Iterator[Path]:
    """Return a folder with a short path for the links to pseudo-terminals."""
    with tempfile.TemporaryDirectory(prefix="swathe-") as folder:
        yield Path(folder)


@pytest.fixture
def serve(ports: Path) -> Iterator[Callable[..., World]]:
    """Return a function that serves a scenario, built-in by name or given whole."""
    with ExitStack() as stack:

        def start(scenario: str | Scenario, *, speed: float, **options: Any) -> World:
            if isinstance(scenario, str):
                scenario = load_scenario(builtin_scenario(scenario))
            world = World(scenario, ports_dir=ports, speed=speed, **options)
            return stack.enter_context(world)

        yield start


@pytest.fixture
def daemon() -> Iterator[Callable[..., DaemonProcess]]:
    """Return a function that starts ``swathe run`` on a station file."""
    with ExitStack() as stack:

        def start(station: Path, *arguments: str) -> DaemonProcess:
            process = DaemonProcess(station, *arguments)
            stack.callback(process.close)
            return process

        yield start


@pytest.fixture
def witness(mosquitto: Broker) -> Iterator[Callable[..., Witness]]:
    """Return a function that starts a plain subscriber to the broker."""
    with ExitStack() as stack:

        def start(*topics: str) -> Witness:
            heard = Witness(mosquitto.port, *topics)
            stack.callback(heard.close)
            return heard

        yield start


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Broker]:
    """Return a running broker."""
    broker = Broker(tmp_path)
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def play(
    mosquitto: Broker, daemon: Callable[..., DaemonProcess], tmp_path: Path
) -> Iterator[Callable[..., Scene]]:
    """Return a function that starts a scene on a plan of some lines."""
    with ExitStack() as stack:

        def start(
            *, lines: int = 1, advance: str = "command", scan: str = "", clock: bool = True
        ) -> Scene:
            scanner = stack.enter_context(
                PortScanner(clock=clock, around=LENGTH if "wrapped" in scan else 0.0)
            )
            text = bench_text(
                encoder=scanner.encoder_port,
                gauge=scanner.gauge_port,
                broker=mosquitto.port,
                lines=lines,
                advance=advance,
                scan=scan,
                clock=clock,
            )
            station = tmp_path / "station.toml"
            station.write_text(text)
            console = stack.enter_context(Console(mosquitto.port))
            process = daemon(station)
            console.wait(
                lambda: console.newest.get("progress", {}).get("scan") is not None, "a position"
            )
            return Scene(scanner, console, process, tmp_path / "survey")

        yield start
