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
    held = {"gain": np.nan, "battery": np.nan}
    for number in range(count):
        text = source.choice(["T", "N", "X", "B", "LOG,3", "B,7", "", "X1,2"])
        offset = len(data)
        if text == "T":
            text = f"T,{number}.5,{number % 40}"
            own = held | {"gain": float(number % 40)}
            want.append({"offset": offset, "thickness": number + 0.5, **own})
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
    np.testing.assert_array_equal(found.channels, [[40.0], [np.nan], [41.0]])
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


def test_channel_of_a_reading_is_none_in_readings_of_other_kinds() -> None:
    """The lining of an earlier record is not that of a record without an echo."""
    text = """
[protocol]
[[protocol.record]]
columns = [
  { is = "constant", text = "M" }, { is = "thickness", unit = "mm" },
  { is = "channel", name = "lining", unit = "mm" },
]
[[protocol.record]]
columns = [{ is = "constant", text = "N" }, { is = "amplitude" }]
[[protocol.record]]
columns = [{ is = "constant", text = "S" }, { is = "channel", name = "supply", unit = "V" }]
"""
    decoder = parse_description(text, "kinds.toml").decoder(ns_per_byte=0)
    data = b"S,4.9\r\nM,9.5,2.7\r\nN,3\r\nS,4.8\r\nN,2\r\nM,9.4,2.6\r\n"
    for chunks in ([data], [data[at : at + 3] for at in range(0, len(data), 3)]):
        found = total([decoder.feed(one, 0) for one in chunks])
        want = [[2.7, 4.9], [np.nan, 4.9], [np.nan, 4.8], [2.6, 4.8]]
        np.testing.assert_array_equal(found.channels, want)
        decoder.reset(0)


NUMBERED = """
[protocol]
terminator = "\\n"
NUMBERS
[[protocol.record]]
columns = [{ is = "constant", text = "T" }, { is = "sequence", wrap = 100 }, { is = "thickness", unit = "mm" }]
[[protocol.record]]
columns = [{ is = "constant", text = "X" }, { is = "sequence", wrap = 100 }, { is = "counts", axis = "scan" }]
[[protocol.record]]
columns = [{ is = "constant", text = "I" }, { is = "sequence", wrap = 100 }, { is = "ignore" }]
"""


def _numbered(numbers: str = "") -> Decoder:
    return parse_description(NUMBERED.replace("NUMBERS", numbers), "n.toml").decoder(ns_per_byte=0)


@pytest.mark.parametrize("shared", [True, False])
def test_numbers_of_several_kinds_show_no_more_missing_than_were_lost(shared: bool) -> None:
    """Whether they share a counter or each has its own: at most what is lost, none where none is."""
    for seed in range(6):
        source = random.Random(seed)
        kinds = source.choices("TXI", weights=(5, 4, 1), k=400)
        at, lines = {"T": 7, "X": 7, "I": 7}, []
        for kind in kinds:
            at[kind] += 1
            number = sum(at.values()) if shared else at[kind]
            lines.append(f"{kind},{number % 100},5\n".encode())
        for losses in (0, 3):
            lost = set(source.sample(range(1, 399), losses))
            data = b"".join(one for row, one in enumerate(lines) if row not in lost)
            for numbers in ("", f'numbers = "{"shared" if shared else "separate"}"'):
                found = total([_numbered(numbers).feed(data, 0)])
                assert found.n_missing <= losses, (seed, numbers)
                decoder = _numbered(numbers)
                again = total(decoder.feed(one, 0) for one in random_pieces(data, source))
                assert again.n_missing == found.n_missing
                if shared or numbers:
                    assert found.n_missing == losses
            assert found.n_ignored == sum(
                kind == "I" and row not in lost for row, kind in enumerate(kinds)
            )
            assert found.record_bytes + found.ignored_bytes == len(data)


def test_number_that_other_kinds_share_shows_no_reading_lost() -> None:
    """Which kind a missing record was of nobody knows: it is no number of the readings alone."""
    for numbers in ("", 'numbers = "shared"'):
        decoder = _numbered(numbers)
        assert (decoder.numbered, decoder.sequence_wrap) == (False, None)
        assert decoder.feed(b"T,1,5\nX,2,7\nT,3,5\n", 0).readings["sequence"].tolist() == [1, 3]
    apart = NUMBERED[: NUMBERED.rindex("[[")].replace("NUMBERS", 'numbers = "separate"')
    assert parse_description(apart, "n.toml").decoder(ns_per_byte=0).numbered
    every = apart.replace('{ is = "counts", axis = "scan" }', '{ is = "amplitude" }')
    readings = {
        numbers: parse_description(every.replace("separate", numbers), "n.toml")
        .decoder(ns_per_byte=0)
        .numbered
        for numbers in ("shared", "separate")
    }
    assert readings == {"shared": True, "separate": False}


def test_kind_that_means_nothing_is_passed_over() -> None:
    """It is counted as ignored, its bytes too; what is wrong with it is a fault still."""
    text = TEXT.replace('other_lines = "ignore"', "") + (
        '[[protocol.record]]\ncolumns = [{ is = "constant", text = "H" }, { is = "sequence" }]\n'
        '[[protocol.record]]\ncolumns = [{ is = "constant", text = "J" }, { is = "ignore" },'
        ' { is = "device_time", unit = "ms" }]\n'
    )
    decoder = parse_description(text, "kinds.toml").decoder(ns_per_byte=0)
    data = b"H,1\nX5\nJ,?,17\nH,3\nH,x\n"
    found = decoder.feed(data, 0)
    assert (found.n_ignored, found.ignored_bytes, found.record_bytes) == (3, 15, 3)
    assert found.n_faults == {FaultReason.NUMBER: 1}
    assert found.n_missing == 1  # between 1 and 3
    assert found.positions.size == 1
    assert found.readings.size == 0


def test_way_out_of_a_clock_in_some_records_works() -> None:
    """What the message proposes is taken: the device's time is then not used."""
    clock = '{ is = "device_time", unit = "ms" }'
    reading = '{ is = "constant", text = "T" }, CLOCK, { is = "thickness", unit = "mm" }'
    counts = '{ is = "counts", axis = "scan" }'
    message = _refused(counts, reading.replace("CLOCK", clock))
    assert "record[1]' must have no device_time, as record[0] has none" in message
    assert "None" not in message
    text = f"[protocol]\n[[protocol.record]]\ncolumns=[{counts}]\n[[protocol.record]]\n"
    ignored = reading.replace("CLOCK", '{ is = "ignore" }')
    text += f"columns=[{ignored}]\n"
    assert not parse_description(text, "kinds.toml").decoder(ns_per_byte=0).has_clock


def test_kind_without_a_value_may_have_no_valid_status() -> None:
    """All of them are readings without an echo; a text of neither list is a fault still."""
    text = """
[protocol]
[[protocol.record]]
columns = [{ is = "constant", text = "L" }, { is = "status", valid = [], invalid = ["lost", "off"] }]
[[protocol.record]]
columns = [{ is = "thickness", unit = "mm" }]
"""
    decoder = parse_description(text, "kinds.toml").decoder(ns_per_byte=0)
    found = decoder.feed(b"L,lost\r\n5.5\r\nL,off\r\nL,A\r\n", 0)
    assert found.readings["valid"].tolist() == [False, True, False]
    assert found.n_faults == {FaultReason.STATUS: 1}


def test_bits_of_a_status_do_not_show_which_poll_is_answered() -> None:
    """Any number fits them: a description with two polls and no more to know them by is refused."""
    text = """
[talk]
poll = [{ send = "A", every = "1 s" }, { send = "B", every = "1 s" }]
[protocol]
columns = [{ is = "thickness", unit = "mm" }, STATUS]
"""
    good = '{ is = "status", valid = ["A"] }'
    parse_description(text.replace("STATUS", good), "polls.toml")
    bits = '{ is = "status", mask = 1, valid_when = 1 }'
    with pytest.raises(DescriptionError, match="talk"):
        parse_description(text.replace("STATUS", bits), "polls.toml")


def test_flags_of_many_lines_and_few_are_the_same() -> None:
    """Hexadecimal bits, octal marks: line by line and all at once, as Python's own numbers have it."""
    text = """
[protocol]
terminator = "\\n"
columns = [
  { is = "thickness", unit = "mm" }, { is = "counts", axis = "scan" },
  { is = "status", written = "hex", mask = 0x81, valid_when = 0x80 },
  { is = "index_mark", axis = "scan", written = "octal", mask = 0o60 },
]
"""
    lines = [f"5.5,{row},{row:02X},{row:03o}\n".encode() for row in range(256)]
    for size in (1, 256):
        decoder = parse_description(text, "flags.toml").decoder(ns_per_byte=0)
        found = total(
            decoder.feed(b"".join(lines[at : at + size]), 0) for at in range(0, 256, size)
        )
        assert found.readings["valid"].tolist() == [row & 0x81 == 0x80 for row in range(256)]
        assert found.positions["mark"][:, 0].tolist() == [bool(row & 0o60) for row in range(256)]
