"""A device: samples on its own clock, in batches of lines with their times of arrival.

Encoder counts, wrong clocks and late arrivals are made here. All of it holds for the blocks of an
instrument that sends A-scans too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from swathe_simulators import gauge, protocol
from swathe_simulators.base import Floats, Ints
from swathe_simulators.carriage import NO_PROBES, Carriage, ProbeColumns, TrueProbe
from swathe_simulators.couplant import Couplant
from swathe_simulators.device_columns import DeviceModels, counters_of, line_columns
from swathe_simulators.device_models import (
    AxisModel,
    ClockModel,
    CountsModel,
    EchoModel,
    LatencyModel,
    WaveformModel,
)
from swathe_simulators.faults import CouplingFaults, WheelSlip
from swathe_simulators.part import Part
from swathe_simulators.probe_models import CarriageModel
from swathe_simulators.trajectory import PieceTable, States, Trajectory
from swathe_simulators.truth import ROW, Rows

BITS_PER_BYTE = 10
"""Start bit, eight data bits, stop bit."""

_AT_DATUM: Final = TrueProbe("", 0)


@dataclass(slots=True)
class SampleBatch:
    """Lines in transmission: rows[i] is the truth of lines[i]; those before `done` are out.

    Of a line with several readings the first row has the line, and the others have none.
    """

    rows: Rows
    lines: list[bytes]
    done: int = 0


class _Chance:
    """One stream per quantity: how samples fall into batches then changes no draw."""

    def __init__(self, seed: np.random.SeedSequence) -> None:
        streams = [np.random.default_rng(child) for child in seed.spawn(7)]
        self.value, self.amplitude, self.floor, self.arrival, self.sampling = streams[:5]
        self.grass, self.coupling = streams[5:]


class Device:
    """An encoder, a gauge or a combined instrument.

    The n-th sample after `restart` draws the same chance whenever that was. Before it
    the device speaks, too, but draws from a stream of its own.
    """

    def __init__(
        self,
        model: DeviceModels,
        *,
        seed: np.random.SeedSequence,
        speed: float,
        part: Part,
        coupling: CouplingFaults,
        slip: WheelSlip,
        couplant: Couplant,
        carriage: Carriage | None = None,
    ) -> None:
        self.model = model
        self._carriage = Carriage(CarriageModel(), NO_PROBES) if carriage is None else carriage
        stated = model.probes if isinstance(model, EchoModel) else []
        self._probes = [self._carriage.probe(probe.name) for probe in stated] or [_AT_DATUM]
        self._sends = model.sends if isinstance(model, EchoModel) else None
        self._at_once = model.at_once if isinstance(model, EchoModel) else 1
        self._speed = speed
        self._part, self._coupling, self._slip = part, coupling, slip
        self._couplant = couplant
        live, idle, self._example_seed = seed.spawn(3)
        self._live, self._chance = _Chance(live), _Chance(idle)
        self._base_s, self._next, self._sequence = 0.0, 0, 0
        self._line_free_s = 0.0
        self._waveform = model.waveform if isinstance(model, EchoModel) else None
        self._form = protocol.line_format(
            model.kind,
            clock=model.clock is not False,
            axes=counters_of(model),
            value=model.value if isinstance(model, EchoModel) else None,
            number=self._sends in ("input", "turns"),
            probes=self._at_once,
        )

    def restart(self, at_s: float) -> None:
        """Begin the samples that belong to the motion, the first at `at_s` world seconds."""
        self._base_s, self._next, self._chance = at_s, 0, self._live

    def columns(self) -> list[str]:
        """Return the names and units of a line's columns or a block's fields, in order."""
        if self._waveform is not None:
            return protocol.columns(self._waveform)
        return line_columns(self.model, self._probes if self._sends else [])

    def example(self, trajectory: Trajectory) -> str:
        """Return a line as the device would send it where the motion starts.

        Of a block it is the first bytes, as hexadecimal digits.
        """
        seed = self._example_seed
        # A copy, as spawning changes a seed: the example is always the same.
        chance = _Chance(np.random.SeedSequence(seed.entropy, spawn_key=seed.spawn_key))
        _, lines = self._sampled(np.zeros(1), np.zeros(1), trajectory, chance, 0)
        if self._waveform is not None or self._sends == "frame":
            return lines[0][: protocol.HEAD_BYTES + 8].hex(" ") + " …"
        return lines[0].decode("ascii").rstrip()

    def produce(self, until_s: float, trajectory: Trajectory, start_s: float | None) -> SampleBatch:
        """Make all samples before `until_s` (world seconds) that were not made yet.

        Args:
            until_s: end of the batch.
            trajectory: where the probe is, in seconds since the start.
            start_s: when the motion started; None while it has not.
        """
        rate = self.model.rate_hz
        end = max(self._next, int(np.ceil((until_s - self._base_s) * rate - 1e-9)))
        numbers = np.arange(self._next, end)
        self._next = end
        if not len(numbers):
            return SampleBatch(np.zeros(0, dtype=ROW), [])
        wobble = self._chance.sampling.standard_normal(len(numbers))
        wobble = wobble * (self.model.sampling_jitter_us / 1e6)
        # Less than half a period, so that samples keep their order.
        wobble = np.clip(wobble, -0.4 / rate, 0.4 / rate)
        time = np.maximum(self._base_s + numbers / rate + wobble, self._base_s)
        moved = time - start_s if start_s is not None else np.zeros(len(time))
        rows, lines = self._sampled(time, moved, trajectory, self._chance, self._sequence)
        self._sequence += len(time)
        due = self._arrivals(time, rows["length"][:: self._at_once])
        rows["due_s"] = np.repeat(due, self._at_once)
        return SampleBatch(rows, lines)

    def _arrivals(self, time: Floats, length: npt.NDArray[np.int64]) -> Floats:
        model = self.model
        jitter = draw_jitter(model.latency, len(time), self._chance.arrival)
        baud = model.port.baud
        per_byte = BITS_PER_BYTE / baud if baud else 0.0
        on_wire = length.astype(np.float64) * per_byte
        due = deliveries(time + model.latency.delay_ms / 1e3 + jitter, on_wire, self._line_free_s)
        self._line_free_s = float(due[-1])
        return due

    def _sampled(
        self,
        time: Floats,
        moved: Floats,
        trajectory: Trajectory,
        chance: _Chance,
        sequence: int,
    ) -> tuple[Rows, list[bytes]]:
        model, each = self.model, self._at_once
        table = trajectory.table
        record = sequence + np.arange(len(time))
        states = trajectory.at(moved)
        of_probe = ProbeColumns.of(self._probes, self._which(record))
        # Of what the probe had under it, which may be older than its clock says.
        sampled = np.repeat(moved, each) - of_probe.delay_s
        under = states if each == 1 and not of_probe.delay_s.any() else trajectory.at(sampled)
        scan, index = self._carriage.places(under, of_probe.scan_mm, of_probe.index_mm)
        rows = np.zeros(len(sampled), dtype=ROW)
        rows["sequence"] = np.repeat(record, each)
        rows["world_time_s"] = np.repeat(time, each) - of_probe.delay_s
        rows["scan_mm"], rows["index_mm"] = scan, index
        rows["heading_deg"], rows["probe"] = self._carriage.heading(under), of_probe.input
        rows["pass_number"], rows["line"] = under.pass_number, under.line
        rows["thickness_mm"] = self._part.thickness(scan, index)
        rows["valid"] = self._coupling.echo(replace(under, scan=scan, index=index))
        rows["valid"] &= sampled < of_probe.dead_from_s
        rows["valid"] &= chance.coupling.random(len(sampled)) >= of_probe.lost_share
        columns: list[npt.NDArray[np.generic]] = []
        if model.clock is not False:
            # A fast world has honest clocks: they tick in real microseconds.
            clock = stamps(model.clock, time / self._speed)
            if self._waveform is not None or self._sends == "frame":
                clock &= np.uint64(0xFFFFFFFF)
            rows["clock_us"] = np.repeat(clock, each)
            columns.append(clock)
        if self._sends == "input":
            columns.append(of_probe.input)
        elif self._sends == "turns":
            columns.append(record & 0xFFFF)
        counted = self._counts(model, rows, states, table) if isinstance(model, CountsModel) else []
        film = np.repeat(self._couplant.late_us(table, states), each)
        if isinstance(model, EchoModel) and model.waveform is not None:
            lines = self._blocks(model, model.waveform, rows, chance, film)
        elif isinstance(model, EchoModel):
            echoes = self._echoes(model, rows, chance, film, of_probe.amplitude_factor)
            if self._sends == "frame":
                lines = self._frames(rows, counted, model.value, echoes)
            else:
                # Once for each probe whose reading is in the line.
                split = [column[k::each] for k in range(each) for column in echoes]
                lines = protocol.encode_lines(self._form, [*columns, *counted, *split])
        else:
            lines = protocol.encode_lines(self._form, [*columns, *counted])
        rows["length"][::each] = [len(line) for line in lines]
        if each > 1:
            lines = [part for line in lines for part in (line, *[b""] * (each - 1))]
        return rows, lines

    def _which(self, record: Ints) -> Ints:
        """Return which probe each reading of some records is of."""
        if self._at_once > 1:
            return np.tile(np.arange(self._at_once), len(record))
        return np.asarray(record % len(self._probes))

    def _counts(
        self, model: CountsModel, rows: Rows, states: States, table: PieceTable
    ) -> list[Ints]:
        """Return what the counters of n records send, shape (n,) each; note in rows what they are."""
        each = self._at_once
        rolled = states.scan - self._slip.lost(table, states)
        whole, sent = axis_columns(model.axes, model.bits, rolled, states.index)
        for axis, column in zip(model.axes, whole, strict=True):
            rows[f"{axis.axis}_counts"] = np.repeat(column, each)
        if (counter := model.heading) is not None:
            turned = self._carriage.heading(states) * (counter.counts_per_degree * counter.sign)
            column = np.floor(turned + counter.preset).astype(np.int64)
            rows["heading_counts"] = np.repeat(column, each)
            sent.append(as_sent(column, model.bits))
        return sent

    def _frames(
        self,
        rows: Rows,
        counted: Sequence[Ints],
        quantity: str,
        echoes: Sequence[npt.NDArray[np.generic]],
    ) -> list[bytes]:
        each = self._at_once

        def of_records(column: npt.NDArray[Any]) -> npt.NDArray[Any]:
            return column.reshape(-1, each)

        return protocol.encode_frames(
            clock=rows["clock_us"][::each],
            sequence=rows["sequence"][::each],
            counts=counted,
            inputs=of_records(rows["probe"]),
            quantity=quantity,
            value=of_records(echoes[0]),
            amplitude=of_records(echoes[1]),
            valid=of_records(rows["valid"]),
        )

    def _echoes(
        self, model: EchoModel, rows: Rows, chance: _Chance, film: Floats, factor: Floats
    ) -> list[npt.NDArray[np.generic]]:
        size = len(rows)
        value, amplitude = gauge.readings(
            model,
            thickness=rows["thickness_mm"],
            echo=rows["valid"],
            velocity=self._part.model.velocity_mm_per_us,
            noise=gauge.EchoNoise(
                value=chance.value.standard_normal(size),
                amplitude=chance.amplitude.standard_normal(size),
                floor=chance.floor.standard_exponential(size),
            ),
            film_us=film,
        )
        amplitude = np.where(rows["valid"], amplitude * factor, amplitude)
        return [value, amplitude, np.where(rows["valid"], "E", "N")]

    def _blocks(
        self,
        model: EchoModel,
        waveform: WaveformModel,
        rows: Rows,
        chance: _Chance,
        film: Floats,
    ) -> list[bytes]:
        codes = gauge.waveforms(
            model,
            waveform,
            thickness=rows["thickness_mm"],
            echo=rows["valid"],
            velocity=self._part.model.velocity_mm_per_us,
            strength=chance.amplitude.standard_normal(len(rows)),
            grass=chance.grass,
            film_us=film,
        )
        return protocol.encode_blocks(
            waveform,
            clock=rows["clock_us"],
            sequence=rows["sequence"],
            coupled=rows["valid"],
            codes=codes,
        )


def counts(axis: AxisModel, position: Floats) -> Ints:
    """Return floor(position · counts_per_mm · sign + preset), counts after quadrature.

    Args:
        axis: the encoded axis.
        position: mm, shape (n,), with whatever the wheel has slipped already taken off.
    """
    exact = position * (axis.counts_per_mm * axis.sign) + axis.preset
    return np.floor(exact).astype(np.int64)


def as_sent(values: Ints, bits: int | None) -> Ints:
    """Return counts as the counter sends them: unsigned in `bits`, or signed if None."""
    return values if bits is None else values & ((1 << bits) - 1)


def axis_columns(
    axes: Sequence[AxisModel], bits: int | None, scan: Floats, index: Floats
) -> tuple[list[Ints], list[Ints]]:
    """Return the counts of all axes: without roll-over, and as sent; shape (n,) each."""
    positions = {"scan": scan, "index": index}
    whole = [counts(axis, positions[axis.axis]) for axis in axes]
    return whole, [as_sent(column, bits) for column in whole]


def stamps(clock: ClockModel, wall_s: Floats) -> npt.NDArray[np.uint64]:
    """Return what a device's clock shows, unsigned µs.

    Args:
        clock: its offset, skew and roll-over.
        wall_s: real seconds since the world was switched on, shape (n,).
    """
    ticks = np.floor(np.maximum(wall_s, 0.0) * (1e6 + clock.skew_ppm)).astype(np.uint64)
    shown = ticks + np.uint64(clock.offset_us)
    if clock.wrap_bits is not None and clock.wrap_bits < 64:
        shown &= np.uint64((1 << clock.wrap_bits) - 1)
    return shown


def draw_jitter(model: LatencyModel, size: int, random: np.random.Generator) -> Floats:
    """Return random delays in world seconds with the model's mean, shape (size,).

    The gamma law has shape 2, so that the quickest lines are rare; the exponential one
    has them most often.
    """
    mean = model.jitter_ms / 1e3
    if model.shape == "gamma":
        return random.standard_gamma(2.0, size=size) * (mean / 2.0)
    return random.standard_exponential(size=size) * mean


def deliveries(ready_s: Floats, transmission_s: Floats, line_free_s: float) -> Floats:
    """Return when each line has left its port completely, in order.

    A line starts when it is ready and the one before it is through:
    end[i] = max(ready[i], end[i-1]) + transmission[i], solved without a loop.

    Args:
        ready_s: when each line is handed to the port, shape (n,).
        transmission_s: how long its bytes take, shape (n,).
        line_free_s: when the port is through with what came before.
    """
    total = np.cumsum(transmission_s)
    begin = np.maximum.accumulate(np.maximum(ready_s, line_free_s) - (total - transmission_s))
    return begin + total
