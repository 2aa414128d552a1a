"""What a port sends, tried at the usual baud rates, and the description that is proposed for it."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from swathe.listen import Listener
from swathe_drivers import Description, PortSettings, parse_description, read_settings
from swathe_drivers.capture import CAPTURE, CaptureReader, split_url
from swathe_drivers.suggest import MAX_CAPTURED_BYTES, Suggestion, suggest
from swathe_drivers.suggest.lines import is_text

__all__ = ["USUAL_BAUDS", "PortTrial", "described_in_words", "try_capture", "try_port"]

USUAL_BAUDS: Final = (115_200, 57_600, 38_400, 19_200, 9_600, 4_800)
"""Baud rates that are tried, the fastest first: a line that is read too slowly looks like noise."""

_PROBE_SECONDS = 0.8
_SECONDS = 4.0
_POLL_SECONDS = 0.02


@dataclass(frozen=True, slots=True)
class PortTrial:
    """What a port sent.

    Attributes:
        url: of the port.
        received: bytes at the baud rate that made most sense.
        problem: why there are none; empty where there are.
        text: of the proposed description; empty where none can be proposed.
        unsure: what to compare with the instrument's manual, such as ``column 3: counts``.
    """

    url: str
    received: int = 0
    problem: str = ""
    text: str = ""
    unsure: tuple[str, ...] = ()

    @property
    def summary(self) -> str:
        """What was received, in one line."""
        if self.problem:
            return self.problem
        if not self.text:
            return f"{self.received:,} bytes that no description can be proposed from"
        return described_in_words(parse_description(self.text, self.url))


def try_port(
    url: str,
    *,
    baud: int | None = None,
    seconds: float = _SECONDS,
    probe_seconds: float = _PROBE_SECONDS,
) -> PortTrial:
    """Return what a port sends.

    The port is opened once for each baud rate, until one gives text; nothing is sent to it.

    Args:
        url: of the port.
        baud: the only rate to try; None for the usual ones of a serial line.
        seconds: how long it is read at a rate that gives text, or that is the only one.
        probe_seconds: how long at any other.

    Raises:
        SettingsError: there cannot be such a port.
    """
    if url.startswith(CAPTURE):
        return try_capture(url)
    rates: tuple[int, ...] = USUAL_BAUDS if baud is None else (baud,)
    if not read_settings(PortSettings, {"url": url}, key="port").ns_per_byte:
        rates = rates[:1]  # a network port has no rate
    trials = []
    for rate in rates:
        settings = read_settings(PortSettings, {"url": url, "baud": rate}, key="port")
        kept, problem = _receive(settings, seconds, probe_seconds if len(rates) > 1 else seconds)
        if not kept:
            trials.append(PortTrial(url, problem=problem or "no bytes: does it send unasked?"))
            if problem:
                break  # what cannot be opened cannot be opened at another rate either
            continue
        trials.append(_judged(url, kept, settings))
        if is_text(b"".join(data for _, data in kept)):
            break
    return max(trials, key=lambda trial: (bool(trial.text), -len(trial.unsure), trial.received))


def try_capture(url: str) -> PortTrial:
    """Return what is in a capture.

    Args:
        url: ``capture:PATH``.

    Raises:
        CaptureError: it is none.
    """
    path, _ = split_url(url)
    with CaptureReader(path) as reader:
        header = reader.header
        kept = [(chunk.at, chunk.data) for chunk in reader.chunks()]
    if header.description:
        return PortTrial(url, sum(len(data) for _, data in kept), text=header.description)
    settings = read_settings(PortSettings, {**header.settings, "url": header.url}, key="port")
    return _judged(url, kept, settings)


def described_in_words(description: Description) -> str:
    """Return what a description's records give, in a few words."""
    decoder = description.decoder(ns_per_byte=0)
    parts = [f"{axis} position" for axis in decoder.axes]
    names = {"time_of_flight": "time of flight", "waveform": "A-scan"}
    parts += [names.get(one, one) for one in sorted(decoder.gives, reverse=True)]
    parts += ["its own clock"] * decoder.has_clock + ["running number"] * decoder.numbered
    return ", ".join(parts) or "neither positions nor readings"


def _judged(url: str, kept: list[tuple[int, bytes]], settings: PortSettings) -> PortTrial:
    line = settings.model_dump(exclude={"url"}, exclude_defaults=True)
    if settings.ns_per_byte:
        line = {"baud": settings.baud, **line}
    found: Suggestion = suggest(kept, port=line, ns_per_byte=settings.ns_per_byte)
    received = sum(len(data) for _, data in kept)
    problem = "" if received else "no bytes"
    return PortTrial(
        url,
        received,
        problem,
        found.text,
        tuple(f"{one.about}: {one.what}" for one in found.unsure),
    )


def _receive(
    settings: PortSettings, seconds: float, probe_seconds: float
) -> tuple[list[tuple[int, bytes]], str]:
    """Return the chunks of a port with their times, and what keeps it from being read."""
    with Listener(settings, keep_bytes=MAX_CAPTURED_BYTES) as listener:
        for _ in _until(probe_seconds):
            listener.drain()
        if not listener.kept:
            state = listener.snapshot()
            return [], "" if state.state == "open" else state.detail or state.state
        if is_text(b"".join(data for _, data in listener.kept)) or seconds <= probe_seconds:
            for _ in _until(seconds - probe_seconds):
                listener.drain()
        return list(listener.kept), ""


def _until(seconds: float) -> Iterator[None]:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        time.sleep(_POLL_SECONDS)
        yield
