"""What came through a device's port: counts across the runs of a survey."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from swathe.pipeline.placing.channel_tally import ChannelTally
from swathe.pipeline.placing.time_tally import TimeTally
from swathe_drivers import Fault

__all__ = ["DeviceTally"]


@dataclass(slots=True)
class DeviceTally:
    """What came through a device's port so far.

    Attributes:
        state: ``open``, ``lost``, ... as the port reported last.
        detail: why, in words.
        bytes: bytes received.
        readings: readings decoded.
        positions: positions decoded.
        glitches: positions that no probe can have reached; they are discarded.
        missing: records lost, by their running number.
        undecoded: bytes that belong to no record: of faults, of lines or frames to be ignored.
        faults: faults by reason.
        recent: the last faults, with byte offsets in the port's stream.
        saturated: readings whose echo was clipped; they are not valid, unless the station file
            allows them.
        ambiguous: valid readings whose time may be that of another echo or another cycle.
        ambiguous_by: how many of them for which reason; a reading may have several.
        last_data: host time of the last bytes, ns; None before any.
        times: what the times of ``readings`` and ``positions`` rest on.
        channels: further numbers that came with the readings, by name.
        no_probe: readings of inputs on which the station has no probe, by input.
    """

    state: str = "waiting"
    detail: str = ""
    bytes: int = 0
    readings: int = 0
    positions: int = 0
    glitches: int = 0
    missing: int = 0
    saturated: int = 0
    ambiguous: int = 0
    ambiguous_by: Counter[str] = field(default_factory=Counter)
    undecoded: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    recent: list[Fault] = field(default_factory=list)
    last_data: int | None = None
    times: dict[str, TimeTally] = field(default_factory=dict)
    channels: dict[str, ChannelTally] = field(default_factory=dict)
    no_probe: Counter[int] = field(default_factory=Counter)
