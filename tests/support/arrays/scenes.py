"""Scenes of several probes on one carriage, as journals with their truth."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from swathe.draft import PlanWishes, simulated_draft, station_file_text
from swathe.journal import Chunk, Entry, Mark, MarkKind, PortChange, Tick
from swathe.station import Station, parse_station
from swathe_simulators import Recording, Scenario, record
from swathe_simulators.recording import Sent

__all__ = ["ArrayScene", "ArrayWorld", "Ports", "array_scenario", "array_world"]

Ports = Literal["input", "turns", "values", "frame", "combined", "separate", "mixed"]
"""How the readings come: by one port that multiplexes, in one line with the position, by ports each."""

START = 1_234_567_890_123
UTC = 1_800_000_000_000_000_000
_ROW_MM = 4.0
_ROUND = 0.016
_TCP = {"kind": "tcp"}


@dataclass(frozen=True, kw_only=True)
class ArrayScene:
    """A raster with a carriage.

    Attributes:
        probes: how many; side by side, one row of cells apart, every other one further ahead.
        ports: how their readings come.
        ahead_mm: by how much every other probe is further ahead.
        length_mm: of the lines.
        passes: lines of the datum.
        rate_hz: readings of each probe a second.
        speed: mm/s.
        heading: of the carriage, as a scenario has it; empty for one that does not turn.
        faults: entries of a scenario's `fault`.
        obstructions: of the wall, where there is no echo.
        seed: of everything.
    """

    probes: int = 4
    ports: Ports = "input"
    ahead_mm: float = 6.0
    length_mm: float = 160.0
    passes: int = 2
    rate_hz: float = 100.0
    speed: float = 160.0
    heading: dict[str, float] = field(default_factory=dict)
    faults: tuple[dict[str, Any], ...] = ()
    obstructions: tuple[tuple[tuple[float, float], tuple[float, float]], ...] = ()
    seed: int = 1


def array_scenario(scene: ArrayScene) -> Scenario:
    """Return the scenario of a scene."""
    swathe = scene.probes * _ROW_MM
    probes = [
        {
            "name": f"p{number}",
            "input": number + 1,
            "scan_mm": scene.ahead_mm * (number % 2),
            "index_mm": (number - (scene.probes - 1) / 2) * _ROW_MM,
        }
        for number in range(scene.probes)
    ]
    axes = [
        {"axis": "scan", "counts_per_mm": 50},
        {"axis": "index", "counts_per_mm": 50},
    ]
    encoder: dict[str, Any] = {
        "name": "encoder",
        "kind": "encoder",
        "rate_hz": 200,
        "axes": axes,
        "clock": {"offset_us": 5_000_000},
        "latency": {"delay_ms": 2, "jitter_ms": 1},
        "port": _TCP,
    }
    if scene.heading:
        encoder["heading"] = {"counts_per_degree": 100}
    turn = {"start_deg": 0, **scene.heading}
    end = scene.length_mm
    over = 20.0 + scene.ahead_mm + (swathe if scene.heading else 0.0)
    return Scenario.model_validate(
        {
            "name": "array",
            "seed": scene.seed,
            "part": {
                "outside_diameter_mm": 2200,
                "nominal_mm": 14,
                "scan_mm": [0, end],
                "index_mm": [0, scene.passes * swathe],
                "random_pits": 6,
                "random_thinning": 2,
                "obstructions": [
                    {"scan_mm": list(scan), "index_mm": list(index)}
                    for scan, index in scene.obstructions
                ],
            },
            "carriage": {"heading": turn} if scene.heading else {},
            "motion": {
                "kind": "raster",
                "scan_start_mm": 0,
                "scan_end_mm": end,
                "run_out_mm": over,
                "index_start_mm": (scene.probes - 1) / 2 * _ROW_MM,
                "index_step_mm": swathe,
                "index_count": scene.passes,
                "speed_mm_per_s": scene.speed,
                "acceleration_mm_per_s2": 1000,
                "index_speed_mm_per_s": 80,
                "index_acceleration_mm_per_s2": 400,
                "wait_s": 0.5,
            },
            "device": _devices(scene, encoder, probes),
            "fault": list(scene.faults),
        }
    )


def _devices(
    scene: ArrayScene, encoder: dict[str, Any], probes: list[dict[str, Any]]
) -> list[dict[str, Any]]:
    """Return the devices of a scene, those with positions first."""

    def gauge(name: str, some: list[dict[str, Any]], sends: str | None) -> dict[str, Any]:
        turns = len(some) if sends in ("input", "turns") else 1
        found: dict[str, Any] = {
            "name": name,
            "kind": "gauge",
            "rate_hz": scene.rate_hz * turns,
            "zero_offset_us": 0.42,
            "noise_us": 0.003,
            "probes": some,
            "clock": {"offset_us": 81_250_000, "skew_ppm": 40},
            "latency": {"delay_ms": 9, "jitter_ms": 2},
            "port": _TCP,
        }
        return found if sends is None else {**found, "sends": sends}

    if scene.ports == "combined":
        one = {**gauge("gauge", probes, "values"), "kind": "combined", "axes": encoder["axes"]}
        return [one | {key: encoder[key] for key in ("heading",) if key in encoder}]
    if scene.ports == "separate":
        return [encoder, *(gauge(f"gauge{k}", [one], None) for k, one in enumerate(probes))]
    if scene.ports == "mixed":
        first, *rest = probes
        return [encoder, gauge("single", [first], None), gauge("many", rest, "values")]
    return [encoder, gauge("gauge", probes, scene.ports)]


@dataclass(frozen=True, slots=True)
class ArrayWorld:
    """A journal and its truth.

    Attributes:
        text, station: the station file.
        entries: the journal.
        recording: what was sent, with the truth.
        start_ns: host time of the recording's start.
    """

    text: str
    station: Station
    entries: list[Entry]
    recording: Recording
    start_ns: int = START


def _chunks(name: str, sent: Sent) -> list[Entry]:
    """Return what a device sent as a port hands it over: all that came within `_ROUND` s at once."""
    has_line = sent.rows["length"] > 0
    due = sent.rows["due_s"][has_line]
    lines = [line for line in sent.lines if line]
    ends = np.append(np.flatnonzero(np.diff(np.floor(due / _ROUND))) + 1, due.size)
    found: list[Entry] = []
    begin = 0
    for end in ends.tolist():
        at = START + round(float(due[end - 1]) * 1e9)
        found.append(Chunk(at, name, b"".join(lines[begin:end])))
        begin = end
    return found


def array_world(scene: ArrayScene, *, tick: float = 0.1) -> ArrayWorld:
    """Return the world of a scene; `tick`: s from tick to tick."""
    recording = record(array_scenario(scene), rest_s=0.5)
    draft = simulated_draft(recording.scenario, PlanWishes(cell="4 mm"), name="array")
    text = station_file_text(draft.tables).replace("socket://127.0.0.1:0", "socket://127.0.0.1:9")
    entries: list[Entry] = []
    for name, sent in recording.sent.items():
        entries.append(PortChange(START + 1, name, "open", ""))
        due = START + np.rint(sent.rows["due_s"] * 1e9).astype(np.int64)
        entries += [
            Chunk(at, name, line) for at, line in zip(due.tolist(), sent.lines, strict=True) if line
        ]
    last = START + round((recording.end_s + 1.0) * 1e9)
    ticks = np.arange(tick, recording.end_s + 1.0, tick)
    entries += [Tick(START + round(at * 1e9)) for at in ticks.tolist()]
    entries.sort(key=lambda entry: entry.time)
    opened = {"survey": "s-1", "station": text, "versions": {}, "utc_ns": UTC}
    journal: list[Entry] = [Mark(START, MarkKind.OPENED, opened), *entries, Tick(last)]
    journal.append(Mark(last, MarkKind.ENDED, {"status": "incomplete", "reason": ""}))
    return ArrayWorld(text, parse_station(text, "array.toml"), journal, recording)
