"""Each example of drivers/FORMATS.md gives what is written there, however its bytes are cut."""

from __future__ import annotations

import math
import random
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from swathe_drivers import FaultReason, ToldDecoder, channels_of, inputs_of
from swathe_drivers.abc import Decoder
from swathe_drivers.description import Description, parse_description
from swathe_drivers.records import ABSENT_SEQUENCE, ABSENT_TIME, begins_record
from swathe_drivers.testing.feeding import Total, assert_same_columns, random_pieces, total

PAGE = Path(__file__).parent.parent.parent / "drivers" / "FORMATS.md"
EXAMPLE = re.compile(
    r"^### (?P<name>[^\n]+)\n(?:(?!#)[^\n]*\n)*?```toml\n(?P<toml>.*?)^```\n\n```text\n(?P<text>.*?)^```",
    re.MULTILINE | re.DOTALL,
)
REPEATS = 80
"""So many times the bytes are sent that lines are read many at once."""


@dataclass(frozen=True)
class Example:
    """One section: a description, bytes, and for each record or fault what is read."""

    name: str
    description: Description
    sent: bytes
    asked: list[tuple[int, bytes]]
    read: list[dict[str, str]]

    @property
    def records(self) -> list[dict[str, str]]:
        """What is read of the records."""
        return [one for one in self.read if "fault" not in one]

    @property
    def faults(self) -> list[str]:
        """Reasons of the faults, in order."""
        return [one["fault"] for one in self.read if "fault" in one]


def _bytes(text: str) -> bytes:
    if text.startswith("hex "):
        return bytes.fromhex(text.removeprefix("hex "))
    return text.encode("latin-1").decode("unicode_escape").encode("latin-1")


def _examples() -> list[Example]:
    found = []
    for match in EXAMPLE.finditer(PAGE.read_text("utf-8")):
        lines = match["text"].splitlines()
        assert all(line.startswith(("sent  ", "read  ")) for line in lines), match["name"]
        sent, asked = b"", []
        for line in lines:
            if line.startswith("sent  asked "):
                asked.append((len(sent), _bytes(line[12:])))
            elif line.startswith("sent"):
                sent += _bytes(line[6:])
        read = [
            dict(item.rsplit(" ", 1) for item in line[6:].split(", "))
            for line in lines
            if line.startswith("read")
        ]
        found.append(
            Example(
                match["name"], parse_description(match["toml"], match["name"]), sent, asked, read
            )
        )
    return found


EXAMPLES = _examples()
each = pytest.mark.parametrize("example", EXAMPLES, ids=lambda one: one.name)


def test_every_section_of_the_page_is_an_example() -> None:
    """A description and bytes in each, and none twice."""
    text = PAGE.read_text("utf-8")
    names = re.findall(r"^### (.+)$", text, re.MULTILINE)
    assert [one.name for one in EXAMPLES] == names
    assert len(names) == len(set(names)) >= 13
    assert text.count("```toml") == text.count("```text") == len(names)
    heads = [
        head.lower().replace(" ", "-") for head in re.findall(r"^## (.+)$", text, re.MULTILINE)
    ]
    assert re.findall(r"\]\(#([^)]+)\)", text) == heads


def _record(decoder: Decoder, found: Total, row: int) -> dict[str, Any]:
    """What a record holds, by the names of the page."""
    out: dict[str, Any] = {}
    place = row  # of the position, which a record with several readings has once
    if decoder.combined:
        place = int(np.cumsum(begins_record(found.readings))[row]) - 1
    for part, at in ((found.positions, place), (found.readings, row)):
        if at < part.size:
            for name, absent in (("device_time", ABSENT_TIME), ("sequence", ABSENT_SEQUENCE)):
                if part[name][at] != absent:
                    out[name] = part[name][at]
    if row < found.readings.size:
        reading = found.readings[row]
        out |= {name: reading[name] for name in ("thickness", "time_of_flight", "amplitude")}
        if inputs_of(decoder) != (0,):
            out["probe"] = reading["probe"]
        if found.waveforms is not None and not reading["valid"]:
            out["valid"] = 0
        if found.channels is not None:
            names = [channel.name for channel in channels_of(decoder)]
            out |= dict(zip(names, found.channels[row].tolist(), strict=True))
        if found.waveforms is not None:
            out["samples"] = ";".join(str(sample) for sample in found.waveforms[row].tolist())
    for number, axis in enumerate(decoder.axes):
        if place < found.positions.size:
            out[axis] = found.positions["counts"][place, number]
            if found.positions["mark"][place, number]:
                out[f"mark {axis}"] = 1
    return out


def _new(example: Example, times: int) -> Decoder:
    """Return a decoder that knows what is sent while the bytes come so many times."""
    decoder = example.description.decoder(ns_per_byte=0)
    if example.asked:
        assert isinstance(decoder, ToldDecoder)
        for number in range(times):
            for offset, request in example.asked:
                decoder.asked(request, number * len(example.sent) + offset)
    return decoder


def _check(example: Example, decoder: Decoder, found: Total, times: int) -> None:
    assert found.records == times * len(example.records)
    for row in range(found.records):
        have = _record(decoder, found, row)
        want = example.records[row % len(example.records)]
        for name, text in want.items():
            if text == "none":
                assert math.isnan(have[name]), (row, name)
            elif name == "samples":
                assert have[name] == text, row
            elif name == "amplitude":
                assert have[name] == np.float32(text), (row, name)
            else:
                # Exactly: decimal text gives the nearest double, and so does a scale of 0.01.
                assert have[name] == float(text), (row, name)
        absent = {name for name, value in have.items() if name != "samples" and np.isnan(value)}
        assert set(have) - absent == {name for name, text in want.items() if text != "none"}
    reasons = [FaultReason(text) for text in example.faults]
    assert found.n_faults.total() == times * len(reasons)
    assert [fault.reason for fault in found.faults][: len(reasons)] == reasons
    assert found.bytes == times * len(example.sent)


@each
def test_example_reads_what_it_says(example: Example) -> None:
    """Once, as a live port gives it, and many times in one chunk, as a rebuild does."""
    decoder = _new(example, 1)
    _check(example, decoder, total([decoder.feed(example.sent, 0)]), 1)
    decoder = _new(example, REPEATS)
    found = total([decoder.feed(example.sent * REPEATS, 0)])
    _check(example, decoder, found, REPEATS)


@each
def test_example_reads_the_same_however_it_is_cut(example: Example) -> None:
    """Byte by byte and at random."""
    data = example.sent * 3
    decoder = _new(example, 3)
    whole = total([decoder.feed(data, 0)])
    cuts = [[bytes([byte]) for byte in data]]
    cuts += [random_pieces(data, random.Random(seed)) for seed in range(8)]
    for pieces in cuts:
        decoder = _new(example, 3)
        found = total(decoder.feed(piece, 0) for piece in pieces)
        assert_same_columns(whole.readings, found.readings)
        assert_same_columns(whole.positions, found.positions)
        if whole.channels is not None:
            assert found.channels is not None
            np.testing.assert_array_equal(whole.channels, found.channels)
        assert found.n_faults == whole.n_faults
        assert found.bytes == whole.bytes
