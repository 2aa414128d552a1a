"""Lines of several kinds: what each gives, in the stream's order, however it is cut."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest

from swathe_drivers import FaultReason, parse_description
from swathe_drivers.abc import Decoder
from swathe_drivers.description import DescriptionError
from swathe_drivers.testing.feeding import assert_same_stream, random_pieces, total

TEXT = """
[protocol]
terminator = "\\n"
other_lines = "ignore"
[[protocol.record]]
columns = [
  { is = "constant", text = "T" },
  { is = "thickness", unit = "mm", no_echo = ["-"] },
  { is = "channel", name = "gain", unit = "dB" },
]
[[protocol.record]]
columns = [{ is = "constant", text = "N" }, { is = "thickness", unit = "mm", no_echo = ["-"] }]
[[protocol.record]]
columns = [{ is = "counts", axis = "scan", before = "X" }]
[[protocol.record]]
columns = [
  { is = "constant", text = "B" },
  { is = "channel", name = "battery", unit = "%" },
  { is = "channel", name = "gain", unit = "dB", absent = ["-"] },
]
"""


def _decoder() -> Decoder:
    return parse_description(TEXT, "kinds.toml").decoder(ns_per_byte=0)


def _lines(source: random.Random, count: int) -> tuple[bytes, list[dict[str, Any]]]:
    """Return lines of all kinds, and what each reading and position must be, line by line."""
    data, want = b"", []
    held = {"battery": np.nan, "gain": np.nan}
    for number in range(count):
        text = source.choice(["T", "N", "X", "B", "LOG,3", "B,7", "", "X1,2"])
        offset = len(data)
        if text == "T":
            held["gain"] = float(number % 40)
            text = f"T,{number}.5,{number % 40}"
            want.append({"offset": offset, "thickness": number + 0.5, **held})
        elif text == "N":
            text = "N,-"
            want.append({"offset": offset, "thickness": np.nan, **held})
        elif text == "X":
            text = f"X{number}"
            want.append({"offset": offset, "scan": number})
        elif text == "B":
            absent = number % 3 == 0
            held = {"battery": number % 100, "gain": np.nan if absent else number % 7}
            text = f"B,{number % 100},{'-' if absent else number % 7}"
        data += text.encode() + b"\n"
    return data, want


def test_kinds_give_what_each_line_holds() -> None:
    """Against a loop over the lines: one chunk, and cut anywhere."""
    for seed in range(4):
        source = random.Random(seed)
        data, want = _lines(source, 200)
        decoder = _decoder()
        whole = total([decoder.feed(data, 0)])
        readings = [one for one in want if "thickness" in one]
        np.testing.assert_array_equal(
            whole.readings["thickness"], [one["thickness"] for one in readings]
        )
        assert whole.readings["offset"].tolist() == [one["offset"] for one in readings]
        assert whole.channels is not None
        np.testing.assert_array_equal(
            whole.channels, [[one["gain"], one["battery"]] for one in readings]
        )
        positions = [one for one in want if "scan" in one]
        assert whole.positions["counts"][:, 0].tolist() == [one["scan"] for one in positions]
        assert whole.positions["offset"].tolist() == [one["offset"] for one in positions]
        assert whole.bytes == len(data)
        # B,7 begins as a kind does and has another number of columns.
        assert set(whole.n_faults) == {FaultReason.COLUMNS}
        decoder = _decoder()
        assert_same_stream(
            total(decoder.feed(one, 0) for one in random_pieces(data, source)), whole
        )


def test_channels_are_forgotten_with_a_lost_port() -> None:
    """Nobody knows what changed meanwhile: none is invented for the readings after it."""
    decoder = _decoder()
    found = decoder.feed(b"B,90,12\nN,-\n", 0)
    assert found.channels is not None
    assert found.channels.tolist() == [[12.0, 90.0]]
    decoder.reset(12)
    found = decoder.feed(b"N,-\n", 1)
    assert found.channels is not None
    assert np.isnan(found.channels).all()


def test_fault_names_the_record() -> None:
    """And its column, as the description has them."""
    found = _decoder().feed(b"T,x,1\nT,1\n", 0)
    assert [fault.detail for fault in found.faults] == [
        "record 1, column 2 (thickness): 'x' is not a decimal number",
        "2 columns where there should be 3",
    ]


WITHOUT_VALUE = """
[protocol]
terminator = "\\n"
[[protocol.record]]
columns = [
  { is = "constant", text = "L" },
  { is = "status", valid = ["ok"], invalid = ["bad"] },
  { is = "channel", name = "gain", unit = "dB" },
]
[[protocol.record]]
columns = [{ is = "thickness", unit = "mm" }, { is = "ignore" }, { is = "ignore" }]
"""


def test_record_without_a_value_is_a_reading_without_an_echo() -> None:
    """Whatever its status is, and with its channels; an unknown status is a fault still."""
    decoder = parse_description(WITHOUT_VALUE, "kinds.toml").decoder(ns_per_byte=0)
    found = decoder.feed(b"L,ok,40\n5.5,,\nL,bad,41\nL,odd,42\n", 0)
    assert found.readings["valid"].tolist() == [False, True, False]
    np.testing.assert_array_equal(found.readings["thickness"], [np.nan, 5.5, np.nan])
    assert found.channels is not None
    assert found.channels.tolist() == [[40.0], [40.0], [41.0]]
    assert found.n_faults == {FaultReason.STATUS: 1}
    assert (found.record_bytes, found.fault_bytes) == (23, 9)


def _refused(*records: str, more: str = "") -> str:
    text = f"[protocol]\n{more}" + "".join(
        f"[[protocol.record]]\ncolumns=[{one}]\n" for one in records
    )
    with pytest.raises(DescriptionError) as caught:
        parse_description(text, "kinds.toml")
    return str(caught.value)


def test_reading_of_another_gate_is_no_reading_without_an_echo() -> None:
    """It shows nothing of the gate that was chosen."""
    value = '{ is = "thickness", unit = "mm", gate = "GATE" }'
    status = '{ is = "status", valid = ["A"] }'
    one, other = (
        f'{{ is = "constant", text = "{gate}" }}, {value.replace("GATE", gate)}, {status}'
        for gate in "AB"
    )
    assert "record[0].columns' must have" in _refused(one, other, more='gate = "B"\n')


def test_some_record_must_have_a_value() -> None:
    """Otherwise a device would have readings that can never have an echo."""
    message = _refused(
        '{ is = "amplitude" }', '{ is = "counts", axis = "scan" }, { is = "ignore" }'
    )
    assert "must have a thickness or a time of flight in one of them" in message


def test_special_kind_is_before_the_general_one() -> None:
    """The order decides; the other way round the special one would never be reached."""
    special = '{ is = "constant", text = "T" }, { is = "thickness", unit = "mm" }'
    general = '{ is = "ignore" }, { is = "thickness", unit = "mm" }'
    assert "record[1].columns' must be before record[0], which" in _refused(general, special)
    text = f"[protocol]\n[[protocol.record]]\ncolumns=[{special}]\n"
    text += f"[[protocol.record]]\ncolumns=[{general}]\n"
    decoder = parse_description(text, "kinds.toml").decoder(ns_per_byte=0)
    found = decoder.feed(b"T,1.5\r\nQ,2.5\r\nT,3.x\r\n", 0)
    assert found.readings["thickness"].tolist() == [1.5, 2.5]
    assert [fault.detail[:8] for fault in found.faults] == ["record 1"]


def test_lines_to_ignore_are_counted_among_several_kinds() -> None:
    """Before the checksum and the kinds; every byte belongs to something."""
    text = TEXT.replace(
        "[protocol]", '[protocol]\nignore_lines = ["# ", "X9"]\nchecksum = { kind = "xor" }'
    )
    decoder = parse_description(text, "kinds.toml").decoder(ns_per_byte=0)
    data = b"# log\nX942\nX857\nX8\n#\n"
    found = decoder.feed(data, 0)
    assert found.n_ignored == 2
    assert found.ignored_bytes == len(b"# log\nX942\n")
    assert found.record_bytes + found.fault_bytes + found.ignored_bytes == len(data)
    assert found.n_faults == {FaultReason.CHECKSUM: 3}
