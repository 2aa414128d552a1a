"""Begins and ends a run's link to its broker; a failure of the link never ends the run."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import Callable
from importlib.metadata import version

from swathe.live.commands import Commands
from swathe.live.link import BrokerLink
from swathe.live.mirror import Mirror
from swathe.live.origin import Origin
from swathe.messages import Message, Topics
from swathe.messages.discovery import Discovered, discovery_messages
from swathe.station import BrokerSettings, Station
from swathe.stop_requests import STOP_REQUESTS

__all__ = ["end_link", "start_link"]

_log = logging.getLogger(__name__)

# For the last messages, s: a slow link may need some, and whoever ends the run by a signal waits
# for no broker.
_LAST_MESSAGES_SECONDS = 15.0
_AFTER_SIGNAL_SECONDS = 1.2
# For the broker to take the farewell, s; after a signal, what is left of both, and this at the minimum.
_FAREWELL_SECONDS = 3.0
_FAREWELL_AFTER_SIGNAL_SECONDS = 0.5


def start_link(
    settings: BrokerSettings,
    *,
    station: Station,
    session: str,
    mirror: Mirror,
    will: Callable[[], Message],
    settled: Callable[[], bool],
    commands: Commands,
) -> tuple[BrokerLink, asyncio.Task[None]]:
    """Start the link to a broker; return it and its task.

    Args:
        settings: of the broker.
        station: the station file.
        session: of this process.
        mirror: has the messages.
        will: returns what the broker publishes when it loses the station.
        settled: returns whether the mirror has the whole survey.
        commands: executes what is commanded over MQTT.

    Raises:
        SwatheError: an environment variable with a password is not set.
    """
    link = BrokerLink(
        settings=settings,
        topics=Topics(station.name),
        session=session,
        mirror=mirror,
        will=will,
        settled=settled,
        on_command=lambda command: commands.execute(command, Origin.MQTT, named=True),
        on_refused=commands.refuse,
        must_stop=commands.must_stop,
        saved=commands.replies.saved,
        discovery=_discovery(settings, station, crawls=commands.moves is not None),
    )
    task = asyncio.create_task(link.run(), name="broker.link")
    task.add_done_callback(_report_end)
    return link, task


def _discovery(settings: BrokerSettings, station: Station, *, crawls: bool) -> dict[str, bytes]:
    """Return the discovery messages that the station file requires, by topic."""
    if not settings.discovery:
        return {}
    return discovery_messages(
        Discovered(
            station=station.name,
            part=station.survey.part,
            version=version("swathe"),
            prefix=settings.discovery_prefix,
            crawls=crawls,
            index=station.index is not None,
            encoded=station.spots is None,
        )
    )


async def end_link(link: BrokerLink, task: asyncio.Task[None]) -> str:
    """End the link once the broker has the last messages, or after some seconds.

    Returns what the broker does not have of them; empty where it has all. No broker changes how a
    survey ends.
    """
    begun = time.monotonic()
    after_signal = bool(STOP_REQUESTS.reason)
    # A lost broker may return at the next try; one that never answered is not waited for.
    if link.state == "connected" or link.losses:
        patience = _AFTER_SIGNAL_SECONDS if after_signal else _LAST_MESSAGES_SECONDS
        missing = await _last_messages(link, patience)
    else:
        missing = f"broker {link.address} was not connected: it does not have how the run ended"
    confirmed = link.has_state
    link.hasten_end()
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError, Exception):
        await task
    seconds = _FAREWELL_SECONDS
    if after_signal:
        left = begun + _AFTER_SIGNAL_SECONDS - time.monotonic()
        seconds = _FAREWELL_AFTER_SIGNAL_SECONDS + max(0.0, left)
    if not await link.farewell_taken(seconds) and confirmed:
        farewell = (
            f"broker {link.address} confirmed how the run ended, but has not closed the connection: it "
            "may show the station as offline"
        )
        missing = f"{missing}; {farewell}" if missing else farewell
    if missing:
        _log.warning("%s", missing)
    return missing


async def _last_messages(link: BrokerLink, patience: float) -> str:
    """Wait for the broker to have all messages, the state first; return what it does not have."""
    try:
        async with asyncio.timeout(patience):
            await link.state_taken()
            await link.drained()
    except TimeoutError:
        if link.has_state:
            return f"broker {link.address} has how the run ended, but not all of the last messages"
        return (
            f"broker {link.address} has not confirmed how the run ended: it may show the station as "
            "scanning or offline"
        )
    return ""


def _report_end(task: asyncio.Task[None]) -> None:
    """Log an unforeseen failure of the link; it never stops acquisition."""
    if not task.cancelled() and (error := task.exception()) is not None:
        _log.error("the broker link ended; the scan continues without it", exc_info=error)
