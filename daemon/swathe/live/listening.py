"""Opening each port of a station for a moment, to see what it receives."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from swathe.display_units import DisplayUnits
from swathe.journal import Chunk, PortChange, Sent
from swathe.listen import latency_text, quoted
from swathe.live.axis_trial import axis_lines
from swathe.live.live_probes import LiveProbes
from swathe.live.ports import PortHub
from swathe.pipeline import DeviceTally
from swathe.pipeline.placing.device import DeviceLink
from swathe.pipeline.placing.polled import PolledAnswers
from swathe.pipeline.progress.time_snapshot import time_snapshots
from swathe.station import Station, decoder_of, polling_of
from swathe_drivers import TakenAt
from swathe_drivers.line_doubts import is_readable, line_doubt
from swathe_drivers.suggest.held import find_held

__all__ = ["PortReport", "listen_all"]

_SHOWN_FAULTS = 3
_SHOWN_BYTES = 60
_TEXT_DRIVERS = ("delimited", "fixed_columns", "pattern")


@dataclass(slots=True)
class PortReport:
    """What a port received.

    Attributes:
        device: its name.
        good: bytes came and most of what came made sense.
        summary: in one line.
        lines: the newest bytes, the newest record, and the first faults.
    """

    device: str
    good: bool
    summary: str
    lines: list[str] = field(default_factory=list)


class _PortRecords:
    """Collects the records of one device."""

    def __init__(self, link: DeviceLink, units: DisplayUnits) -> None:
        self.link = link
        self._units = units
        self.newest = b""
        self.record = ""
        self.values: list[NDArray[np.float64]] = []
        self.counts: list[NDArray[np.float64]] = []
        self.times: dict[str, list[NDArray[np.int64]]] = {"readings": [], "positions": []}

    def take(self, chunk: Chunk) -> None:
        self.newest = (self.newest + chunk.data)[-_SHOWN_BYTES:]
        self.link.take(chunk.data, chunk.time)
        self.decode()

    def sent(self, sent: Sent) -> None:
        if not sent.unanswered:
            self.link.send(sent.data, sent.time)
            self.decode()
            return
        self.link.give_up(sent.time)
        self.decode()
        self.link.miss(sent.data, sent.time)

    def end(self) -> None:
        """Decode the last answer, too."""
        self.link.end_answers(time.monotonic_ns())
        self.decode()

    def decode(self) -> None:
        batch = self.link.decode()
        if batch is None:
            return
        self.times["readings"].append(batch.readings["time"].copy())
        self.times["positions"].append(batch.positions["time"].copy())
        self.counts.append(batch.positions["counts"].copy())
        if batch.readings.size:
            self.record = _reading_text(batch.readings[-1], self._units)
            flight, thickness = batch.readings["time_of_flight"], batch.readings["thickness"]
            values = np.where(np.isnan(flight), thickness, flight)
            self.values.append(np.where(batch.readings["valid"], values, np.nan))
        if batch.positions.size:
            counts = batch.positions["counts"][-1]
            pairs = zip(self.link.decoder.axes, counts.tolist(), strict=True)
            place = ", ".join(f"{axis} {count:g}" for axis, count in pairs)
            self.record = f"{self.record}, {place}" if batch.combined else place


def listen_all(
    station: Station, seconds: float, *, probes: LiveProbes | None = None
) -> Iterator[PortReport]:
    """Listen at every port for `seconds`, all at once; yield a report for each.

    Writes nothing to disk.

    Args:
        station: its devices.
        seconds: how long.
        probes: takes what is received, too; None for nobody.
    """
    ports = {
        name: _PortRecords(
            DeviceLink(
                decoder=decoder_of(device),
                delay_ns=device.delay_given,
                tally=DeviceTally(),
                polling=polling_of(device),
                smear_ns=station.placing.lateness,
            ),
            station.display,
        )
        for name, device in station.device.items()
    }

    def take(entry: Chunk | PortChange) -> None:
        if probes is not None:
            probes.take(entry)
        if isinstance(entry, Chunk):
            ports[entry.port].take(entry)
        elif entry.state != "closed":
            ports[entry.port].link.tally.state = entry.state
            ports[entry.port].link.tally.detail = entry.detail

    def sent(entry: Sent) -> None:
        if probes is not None:
            probes.take(entry)
        ports[entry.port].sent(entry)

    with PortHub(station) as hub:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            time.sleep(0.02)
            hub.drain(take, sent)
    if probes is not None:
        probes.end(time.monotonic_ns())
    for name, port in ports.items():
        port.end()
        yield _report(station, name, port, seconds)


def _report(station: Station, name: str, port: _PortRecords, seconds: float) -> PortReport:
    tally = port.link.tally
    expects_text = station.device[name].driver in _TEXT_DRIVERS
    # The first line is as a rule caught in its middle: that one fault is nobody's.
    faults = Counter(tally.faults)
    records = max(tally.readings, tally.positions)
    if not tally.bytes:
        hint = tally.detail if tally.state != "open" else "is the device on, and the cable right?"
        if missed := tally.faults["unanswered"]:
            hint = f"{missed} requests got no answer; {hint}"
        return PortReport(name, False, f"no bytes in {seconds:g} s ({tally.state}): {hint}")
    count = sum(faults.values())
    reasons = ", ".join(f"{n} {reason}" for reason, n in sorted(faults.items())) or "no faults"
    summary = f"{tally.bytes:,} bytes, {records:,} records ({records / seconds:.1f}/s), {reasons}"
    good = records > 0 and count <= 1 + records // 100
    lines = [f"newest bytes  {quoted(port.newest)}"]
    if port.record:
        lines.append(f"newest record {port.record}")
    lines += _time_lines(port, time.monotonic_ns())
    counts = np.concatenate([*port.counts, np.empty((0, len(port.link.decoder.axes)))])
    if counts.size:
        lines += axis_lines(station, name, port.link.decoder, counts)
    if (answers := port.link.answers) is not None and answers.latencies.size:
        lines.append(_moment_text(answers))
    if port.values and not port.link.decoder.held_after:
        held = find_held(np.concatenate(port.values))
        if held is not None:
            lines.append(f"value {held} If held: held_after = {held.after}")
    if not good and (doubt := line_doubt(port.newest)):
        lines.append(doubt)
    elif not records and expects_text and not is_readable(port.newest):
        lines.append(
            "hardly any of it is text: another baud rate? `swathe listen --rates` tries them"
        )
    lines += [f"fault at {fault}" for fault in tally.recent[:_SHOWN_FAULTS]]
    return PortReport(name, good, summary, lines)


def _time_lines(port: _PortRecords, now: int) -> list[str]:
    """Return rate, jitter and age of each kind of records, and what their times rest on."""
    lines = []
    for snapshot in time_snapshots(port.link.tally.times):
        times = np.concatenate(port.times[snapshot.of] or [np.empty(0, np.int64)])
        if times.size < 2 or times[-1] <= times[0]:
            continue
        steps = np.diff(times) / 1e6
        lines.append(
            f"{snapshot.of} every {steps.mean():.1f} ms (standard deviation {steps.std():.1f} ms, longest"
            f" {steps.max():.1f} ms), the newest {max(now - int(times[-1]), 0) / 1e6:.0f} ms old;"
            f" {snapshot.text}"
        )
    return lines


def _moment_text(answers: PolledAnswers) -> str:
    """Return when answers came, and which moment their records are taken to be of."""
    text = f"answers {latency_text(answers.latencies.tolist())} after their requests"
    match answers.taken_at:
        case TakenAt.BETWEEN:
            off = float(answers.latencies.max()) / 2e6
            return f"{text}: taken in the middle between (taken_at), off by up to {off:.1f} ms"
        case TakenAt.REQUEST:
            return f"{text}: taken at the request (taken_at)"
        case TakenAt.ANSWER:
            return f"{text}: taken at the answer (taken_at)"
    return f"{text}: taken when the device's clock says"


def _reading_text(reading: np.void, units: DisplayUnits) -> str:
    parts = ["echo" if reading["valid"] else "no echo"]
    for column, unit in (("time_of_flight", "µs"), ("thickness", ""), ("amplitude", "%")):
        value = float(reading[column])
        if np.isnan(value):
            continue
        text = f"{value:g} {unit}" if unit else units.stated_thickness_text(value)
        parts.append(f"{column.replace('_', ' ')} {text}")
    return ", ".join(parts)
