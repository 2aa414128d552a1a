"""The demo: a simulated penstock with a crawler, and the daemon that drives it and measures.

The crawler's work is real: the daemon plans the raster, homes, scans, and revisits what was missed,
by commands at the port of a simulated crawler.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from string import Template
from tempfile import TemporaryDirectory

from swathe.live import Daemon, Observer, RunOutcome, embedded_broker
from swathe.live.handing_over import HandingOver
from swathe.page import Page
from swathe.station import read_station, survey_folder
from swathe.store import SurveyFolder
from swathe_simulators import World, builtin_scenario, load_scenario

__all__ = ["DemoResult", "play", "write_station"]

# The simulated devices' own figures at speed 1, as their makers' sheets would give them.
_BAUD = {"encoder": 115_200, "gauge": 57_600, "crawler": 115_200}
_DELAY_US = {"encoder": 2000, "gauge": 9000}

# The crawler gives up before this; a demo that hangs helps nobody.
_LONGEST_SECONDS = 1200

# World and daemon share one process, and a faster world gives it so much more to do in a second:
# what the guards and time-outs of a real station allow at speed 1 grows with the speed from 5 on.
_ENCODER_SILENCE_S = 0.5
_TIMEOUT_S = 1.0
_SPEED_OF_GUARDS = 5.0


@dataclass(frozen=True, slots=True)
class DemoResult:
    """How the demo went.

    Attributes:
        outcome: how the daemon's run ended.
        seconds: wall time from the first byte to the end.
        passes: how often the crawler returned to gaps.
        truth: file with what was true, which the daemon never reads.
        picture: of the survey; None where it could not be drawn.
    """

    outcome: RunOutcome
    seconds: float
    passes: int
    truth: Path
    picture: Path | None


def write_station(
    path: Path, *, ports: Path, speed: float, broker_port: int, page_port: int = 0
) -> None:
    """Write the demo's station file, its serial lines as fast as the demo's world."""
    template = Template(files("swathe.demo").joinpath("penstock.toml").read_text("utf-8"))
    figures: dict[str, str | int] = {
        "ports": str(ports),
        "broker_port": broker_port,
        "page_port": page_port,
    }
    for device, baud in _BAUD.items():
        figures[f"{device}_baud"] = round(baud * speed)
    for device, delay in _DELAY_US.items():
        figures[f"{device}_delay"] = f"{delay / speed:g} us"
    longer = max(1.0, speed / _SPEED_OF_GUARDS)
    figures["encoder_silence"] = f"{_ENCODER_SILENCE_S * longer:g} s"
    figures["timeout"] = f"{_TIMEOUT_S * longer:g}"
    path.write_text(template.substitute(figures), "utf-8")


async def play(
    out: Path,
    *,
    speed: float,
    seed: int | None,
    observer: Observer | None,
    page_port: int = 0,
    on_page: Callable[[Page], None] | None = None,
    on_crawl: Callable[[str], None] | None = None,
) -> DemoResult:
    """Play the demo into the folder `out`.

    Args:
        out: an existing folder.
        speed: time scale of the simulated world.
        seed: decides everything random in it; the scenario's own when None.
        observer: is shown each tick.
        page_port: port of the page, 0 for a free one.
        on_page: called with the page as it opens.
        on_crawl: called with the crawler's progress in words.

    Raises:
        SwatheError: the survey in `out` belongs to another plan, or cannot be written.
    """
    station_path = out / "penstock.toml"
    # Pseudo-terminals' links live for as long as the world; paths of sockets and links are short.
    with TemporaryDirectory(prefix="swathe-") as ports:
        async with contextlib.AsyncExitStack() as stack:
            port = await stack.enter_async_context(embedded_broker(0))
            write_station(
                station_path, ports=Path(ports), speed=speed, broker_port=port, page_port=page_port
            )
            station, text = read_station(station_path)
            # The broker runs already, on the port that its file says.
            broker = station.broker
            assert broker is not None  # noqa: S101  the template has one
            station = station.model_copy(
                update={"broker": broker.model_copy(update={"embedded": False})}
            )
            folder = SurveyFolder(survey_folder(station, station_path))
            scenario = load_scenario(builtin_scenario("belt"))
            world = stack.enter_context(
                World(scenario, ports_dir=Path(ports), speed=speed, seed=seed)
            )
            messages: list[str] = []

            def tell(words: str) -> None:
                messages.append(words)
                if on_crawl is not None:
                    on_crawl(words)

            daemon = Daemon(
                station, text, folder, observer=observer, on_page=on_page, armed=True, on_crawl=tell
            )
            ending = HandingOver(folder)
            daemon.at_end = ending.at_end
            if daemon.crawl is not None:
                daemon.crawl.host.add("the simulated world", lambda: world.served_at)
            begun = time.monotonic()
            async with asyncio.timeout(_LONGEST_SECONDS):
                outcome = await daemon.run()
            seconds = time.monotonic() - begun
            truth = out / "truth.npz"
            world.truth.save(truth)
    passes = sum(words.startswith("returning to") for words in messages)
    return DemoResult(outcome, seconds, passes, truth, ending.picture)
