"""A finished survey on the page: the same page as that of a run, without commands."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable, Sequence
from datetime import datetime

from swathe.arrays import Cells
from swathe.errors import MisuseError, SwatheError
from swathe.live.mirror import Mirror
from swathe.live.publisher import Publisher
from swathe.live.run_state import DecidedState
from swathe.messages import CommandMessage, ReplyMessage, StretchSnapshot, Topics, moment
from swathe.object_storage import files_of
from swathe.page import BrokerHealth, HandGuidance, Opening, Page
from swathe.page.result import ResultFile
from swathe.pipeline import Grid, Pipeline
from swathe.pipeline.gauge_state import GaugeState
from swathe.pipeline.progress.fields import count_text
from swathe.station import PageSettings, Station
from swathe.store import LastRun, SurveyFolder, SurveyRecord, last_run, read_digests

__all__ = ["SurveySource", "ended_how", "serve_survey"]


class SurveySource:
    """Shows a survey that was replayed to the page; nothing of it changes.

    Args:
        pipeline: a replay of the survey's journal.
        reason: what is to be said of the end of its last run; empty where it ended in good order.
        last: when the last run ended; None where that is not known.
    """

    def __init__(self, pipeline: Pipeline, *, reason: str, last: datetime | None) -> None:
        self._pipeline = pipeline
        topics = Topics(pipeline.station.name)
        mirror = Mirror()
        publisher = Publisher(mirror, pipeline, progress_interval_ns=0)
        covered = pipeline.target_reached
        state = publisher.state(DecidedState("complete" if covered else "incomplete", reason))
        publisher.put_all()
        publisher.put_progress()
        publisher.put_ports()
        mirror.put(topics.state, state.model_copy(update={"since": last}))
        cut = len(topics.state) - len("state")
        self._newest = {topic[cut:]: payload for topic, payload in mirror.newest.items()}

    @property
    def opening(self) -> Opening | None:
        """None: it is replayed."""
        return None

    @property
    def station(self) -> Station:
        """The station file of the last run."""
        return self._pipeline.station

    @property
    def survey(self) -> str:
        """Identity of the survey."""
        return self._pipeline.survey

    @property
    def grid(self) -> Grid:
        """The cells."""
        return self._pipeline.grid

    @property
    def broker(self) -> BrokerHealth | None:
        """None: nothing is published."""
        return None

    def gauge(self) -> GaugeState | None:
        """Return None: nothing is read."""
        return None

    def next_step(self) -> HandGuidance | None:
        """Return None: nothing is scanned."""
        return None

    def notes(self) -> Sequence[tuple[int, str]]:
        """Return the operators' notes."""
        return self._pipeline.notes

    def affected(self, stretch: StretchSnapshot) -> str:
        """Refuse: there are no commands.

        Raises:
            MisuseError: always; the page has no such route.
        """
        del stretch
        raise MisuseError(_NO_COMMANDS)

    def newest(self) -> dict[str, bytes]:
        """Return the messages of the survey."""
        return dict(self._newest)

    def position(self) -> tuple[float | None, float | None]:
        """Return None twice: there is no probe."""
        return None, None

    def heading(self) -> float | None:
        """Return None: nothing moves."""
        return None

    def watch(
        self,
        on_message: Callable[[str, bytes], None],
        on_cells: Callable[[Cells], None],
    ) -> Callable[[], None]:
        """Return what ends the watching: nothing changes."""
        del on_message, on_cells
        return lambda: None

    async def execute(self, command: CommandMessage) -> ReplyMessage:
        """Refuse: there are no commands.

        Raises:
            MisuseError: always; the page has no such route.
        """
        del command
        raise MisuseError(_NO_COMMANDS)


def ended_how(
    folder: SurveyFolder, record: SurveyRecord, pipeline: Pipeline, unverified: str
) -> tuple[str, datetime | None]:
    """Return what is to be said of what the page shows, and when the last run ended.

    The page shows the journal, so figures are not older than it, as those of the record may be.

    Args:
        folder: the survey.
        record: of the survey.
        pipeline: a replay of its journal.
        unverified: why the record cannot be verified; empty if it is.

    Returns:
        The text, empty where there is nothing to say; the time, None where it is not known to have ended.
    """
    last: datetime | None = moment(pipeline.time)
    texts = []
    match last_run(folder, record):
        case LastRun.DEAD:
            texts.append(
                f"the last run ended without a word at {last:%Y-%m-%d %H:%M:%S} UTC, its last journal "
                "entry: killed, or the power failed"
            )
            last = None
        case LastRun.LIVE | LastRun.RESUMING:
            texts.append(
                f"a run writes to this survey now: shown is what its journal had at {last:%H:%M:%S} UTC"
            )
            last = None
        case LastRun.UNKNOWN:
            texts.append("whether its run still lasts cannot be found out here")
    options = read_digests(files_of(folder.path)).options
    if options:
        texts.append(f"its files were rebuilt with {options}; shown is the survey without that")
    if pipeline.losses.damage:
        count = len(pipeline.losses.damage)
        texts.append(f"its journal is damaged ({count_text(count, 'place')}): see `swathe report`")
    if unverified:
        texts.append(f"its files are NOT VERIFIED ({unverified}); shown is its journal")
    return "; ".join(texts), last


_NO_COMMANDS = "a finished survey takes no commands"


async def serve_survey(
    source: SurveySource,
    settings: PageSettings,
    *,
    on_open: Callable[[str], None],
    files: Sequence[ResultFile] = (),
    where: str = "",
) -> None:
    """Serve the page of a survey until SIGINT or SIGTERM.

    Args:
        source: the survey.
        settings: address and token.
        on_open: called with the page's address, once it is served.
        files: shown, if they are pictures, and offered to be saved.
        where: the survey is on this computer.

    Raises:
        SwatheError: the address cannot be used, or the token's variable is not set.
    """
    page = Page(settings, source, read_only=True)
    if page.trouble:
        raise SwatheError(page.trouble)
    ended = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, ended.set)
    page.open()
    try:
        if files:
            await page.hand_over(files, where, 0)
        on_open(page.url)
        await ended.wait()
    finally:
        await page.close()
