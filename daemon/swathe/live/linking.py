"""Begins and ends a run's link to its broker; a failure of the link never ends the run."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable

from swathe.live.commands import Commands
from swathe.live.link import BrokerLink
from swathe.live.mirror import Mirror
from swathe.messages import Message, Topics
from swathe.station import BrokerSettings

__all__ = ["end_link", "start_link"]

_log = logging.getLogger(__name__)

_LAST_MESSAGES_SECONDS = 3.0


def start_link(
    settings: BrokerSettings,
    *,
    station: str,
    survey: str,
    mirror: Mirror,
    will: Callable[[], Message],
    commands: Commands,
) -> tuple[BrokerLink, asyncio.Task[None]]:
    """Start the link to a broker; return it and its task.

    Args:
        settings: of the broker.
        station: name of the station.
        survey: identity of the survey.
        mirror: has the messages.
        will: returns what the broker publishes when it loses the station.
        commands: executes what is commanded over MQTT.

    Raises:
        SwatheError: an environment variable with a password is not set.
    """
    link = BrokerLink(
        settings=settings,
        topics=Topics(station),
        survey=survey,
        mirror=mirror,
        will=will,
        on_command=lambda command: commands.execute(command, "over MQTT", named=True),
        on_refused=commands.refuse,
    )
    task = asyncio.create_task(link.run(), name="broker.link")
    task.add_done_callback(_report_end)
    return link, task


async def end_link(link: BrokerLink, task: asyncio.Task[None]) -> None:
    """End the link once the broker has the last messages, or after some seconds."""
    # A lost broker may return at the next try; one that never answered is not waited for.
    if link.state == "connected" or link.losses:
        try:
            async with asyncio.timeout(_LAST_MESSAGES_SECONDS):
                await link.drained()
        except TimeoutError:
            _log.warning("broker %s did not take the last messages", link.address)
    task.cancel()
    # A failure is logged: no broker changes how a survey ends.
    with contextlib.suppress(asyncio.CancelledError, Exception):
        await task


def _report_end(task: asyncio.Task[None]) -> None:
    """Log an unforeseen failure of the link; it never stops acquisition."""
    if not task.cancelled() and (error := task.exception()) is not None:
        _log.error("the broker link ended; the scan continues without it", exc_info=error)
