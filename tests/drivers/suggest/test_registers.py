"""Modbus registers: which there are, and what is in them."""

from __future__ import annotations

import struct
from collections.abc import Mapping

import numpy as np
import pytest

from drivers.suggest.scans import scan
from drivers.suggest.slave import Slave
from swathe_drivers.description import parse_description
from swathe_drivers.modbus.scan import RegisterRange, RegisterSamples, RegisterScanner
from swathe_drivers.suggest import Hints, parse_shown
from swathe_drivers.suggest.registers import suggest_registers


def device(n: int, *, low_first: bool) -> dict[int, int]:
    """Registers 100 to 109 at the n-th moment: status, count of 32 bits, thickness, temperature."""
    count = round(SCAN.positions[n] * 40) - 500
    lost = np.isnan(SCAN.thickness[n])
    high, low = struct.unpack(">HH", struct.pack(">i", count))
    words = (low, high) if low_first else (high, low)
    value = 0xFFFF if lost else round(SCAN.thickness[n] * 1000)
    listed = (
        0x0102 | int(lost) << 3,
        *words,
        value,
        round(SCAN.temperature[n] * 10),
        7,
        0,
        0,
        0,
        0,
    )
    return {100 + at: one for at, one in enumerate(listed)}


SCAN = scan(40, nominal=9.0)


@pytest.mark.parametrize("tcp", [False, True])
def test_scanner_finds_unit_and_ranges(tcp: bool) -> None:
    """Holes and exceptions: what is found is what is there, and nothing was written."""

    def registers() -> Mapping[int, Mapping[int, int]]:
        return {3: device(0, low_first=False) | {5: 1, 6: 2}, 4: {0x1000: 3, 0x1001: 4}}

    slave = Slave(7, registers, tcp=tcp)
    scanner = RegisterScanner(slave, "tcp" if tcp else "rtu", timeout=0.001, quiet=0.0)
    assert list(scanner.units(range(5, 9))) == [7]
    assert scanner.ranges(7, seconds=60) == [
        RegisterRange("holding", 5, 2),
        RegisterRange("holding", 100, 10),
        RegisterRange("input", 0x1000, 2),
    ]
    answer = scanner.ask(7, 3, 99, 2)
    assert answer is not None
    assert answer.exception == 2


@pytest.mark.parametrize("low_first", [False, True])
def test_registers_are_described_and_decode(low_first: bool) -> None:
    """Word order, status bit, thickness in micrometres and a count below zero."""
    rows = np.array([list(device(n, low_first=low_first).values()) for n in range(SCAN.times.size)])
    times = (SCAN.times * 1e9).astype(np.int64) + 10**9
    samples = RegisterSamples(RegisterRange("holding", 100, 10), rows.astype(np.uint16), times)
    shown = parse_shown(f"{SCAN.thickness[-1]:.3f} mm")
    found = suggest_registers(
        [samples], unit=7, framing="rtu", every_ms=20, hints=Hints(shows=(shown,))
    )
    protocol = parse_description(found.text, "proposed").protocol
    assert protocol["unit"] == 7
    assert protocol["word_order"] == ("low_first" if low_first else "high_first")
    (read,) = protocol["reads"]
    placed = {one["is"]: (one["register"], one["type"]) for one in read["fields"]}
    assert placed["counts"] == (101, "int32")
    assert placed["thickness"] == (103, "uint16")
    assert placed["status"] == (100, "uint16")
    good = int(np.count_nonzero(~np.isnan(SCAN.thickness)))
    assert f"1000 records, {good} readings with a value" in found.findings[-1].what
