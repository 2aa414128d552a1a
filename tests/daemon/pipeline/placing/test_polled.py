"""Records of a polled device: which are answers, to which request, and of which moment."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pytest

from daemon.polled import answer_to
from swathe.pipeline.placing import request_log
from swathe.pipeline.placing.device import DeviceLink
from swathe.pipeline.placing.device_tally import DeviceTally
from swathe.pipeline.placing.streams import TimedBatch
from swathe.station import decoder_of, parse_station, polling_of
from swathe_drivers.rtu import with_crc

MS = 1_000_000
STATION = """name = "bench"
[survey]
folder = "bench"
[scan]
length = "20 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
[device.encoder]
port = "ports/encoder"
protocol.columns = [{{ is = "counts", axis = "scan" }}]
[device.gauge]
port = "socket://gauge:1"
{gauge}
"""
TEXT = """[device.gauge.protocol]
columns = [{columns}{{ is = "thickness", unit = "mm" }}]
terminator = "{end}"
[device.gauge.talk]
{talk}
start = ["ON"]
keep_alive = {{ send = "hex:00", every = "1 s" }}
poll = [{{ send = "M?", every = "20 ms" }}]
"""
MODBUS = """driver = "modbus"
[device.gauge.protocol]
framing = "{framing}"
[[device.gauge.protocol.reads]]
fields = [{{ is = "thickness", register = 0, type = "float64", unit = "mm" }}]
{more}"""
COUNTS = """[[device.gauge.protocol.reads]]
fields = [{ is = "counts", register = 9, type = "int32", axis = "scan" }]
"""


class Polled:
    """The gauge of a station file, and what it gave; times are ms."""

    def __init__(self, gauge: str, *, delay: int = 0, tally: DeviceTally | None = None) -> None:
        device = parse_station(STATION.format(gauge=gauge), "bench.toml").device["gauge"]
        self.link = DeviceLink(
            decoder=decoder_of(device),
            delay_ns=delay * MS,
            tally=tally or DeviceTally(),
            polling=polling_of(device),
        )
        self.batches: list[TimedBatch] = []
        self.one_by_one = True

    def sent(self, at: int, data: bytes = b"M?", *, known: int | None = None) -> None:
        """Send something."""
        self.link.send(data, at * MS, (known or at) * MS)
        self._decode()

    def came(self, at: int, data: str | bytes, *, known: int | None = None) -> None:
        """Receive something."""
        found = data if isinstance(data, bytes) else data.encode()
        self.link.take(found, at * MS, (known or at) * MS)
        self._decode()

    def gave_up(self, at: int) -> None:
        """Give up the request under way."""
        self.link.give_up(at * MS)
        self._decode()

    def ended(self, at: int) -> None:
        """End the run."""
        self.link.end_answers(at * MS)
        self._decode()

    def _decode(self) -> None:
        if self.one_by_one and (batch := self.link.decode()) is not None:
            self.batches.append(batch)

    def all_at_once(self) -> None:
        """Decode what was collected."""
        self.one_by_one = True
        self._decode()

    def column(self, name: str) -> list[Any]:
        """A column of all readings."""
        return [value for batch in self.batches for value in batch.readings[name].tolist()]

    @property
    def times(self) -> list[float]:
        """Times of all readings, ms."""
        return [time / MS for time in self.column("time")]

    @property
    def thickness(self) -> list[float]:
        """Thickness of all readings, mm."""
        return self.column("thickness")

    @property
    def known(self) -> list[float]:
        """Journal times from which the readings are known, ms."""
        return [t / MS for batch in self.batches for t in batch.readings_known_at.tolist()]

    @property
    def faults(self) -> list[tuple[int, str]]:
        """Offset and reason of each fault."""
        return [(fault.offset, str(fault.reason)) for fault in self.link.tally.recent]

    @property
    def details(self) -> list[str]:
        """The sentence of each fault."""
        return [fault.detail for fault in self.link.tally.recent]


def text(talk: str = "", *, columns: str = "", end: str = "\\r\\n", delay: int = 0) -> Polled:
    """A gauge that answers with a line."""
    return Polled(TEXT.format(talk=talk, columns=columns, end=end), delay=delay)


def tcp(*, more: str = "") -> Polled:
    """A gauge behind Modbus TCP."""
    return Polled(MODBUS.format(framing="tcp", more=more))


def asking(number: int) -> bytes:
    """A request over TCP."""
    return number.to_bytes(2, "big") + bytes.fromhex("0000 0006 01 03 0000 0004")


@pytest.mark.parametrize(
    ("talk", "time", "uncertainty"),
    [
        ("", 115, 8.66),
        ('taken_at = "between"', 115, 8.66),
        ('taken_at = "request"', 100, 0),
        ('taken_at = "answer"', 130, 0),
    ],
)
@pytest.mark.parametrize("delay", [0, 7])
def test_moment_is_that_of_the_setting_less_the_delay(
    talk: str, time: int, uncertainty: float, delay: int
) -> None:
    """Between is the middle, and as likely anywhere between: half of it, over the root of three."""
    made = text(talk, delay=delay)
    made.sent(100)
    made.came(130, "5.0\r\n")
    made.sent(140)
    assert made.times == [time - delay]
    (timing,) = [batch.readings_timing for batch in made.batches if batch.readings.size]
    assert timing.uncertainty.tolist() == [pytest.approx(uncertainty * MS, rel=1e-3)]
    assert str(made.link.readings and made.link.readings.kind) == "poll and answer"
    assert made.link.answers is not None
    assert made.link.answers.latencies.tolist() == [30 * MS]


def test_answer_begins_with_its_first_byte() -> None:
    """Though its last one comes later."""
    made = text('taken_at = "answer"')
    made.sent(100)
    made.came(120, "5.")
    made.came(130, "0\r\n")
    made.sent(140)
    assert made.times == [120]


def test_answer_over_tcp_begins_with_its_first_byte_decoded_or_not() -> None:
    """Its first bytes were decoded before the last ones came."""
    made = tcp(more='[device.gauge.talk]\ntaken_at = "answer"')
    made.sent(100, asking(7))
    made.came(110, answer_to(asking(7), 5.0)[:5])
    made.came(113, answer_to(asking(7), 5.0)[5:8])
    made.came(118, answer_to(asking(7), 5.0)[8:])
    assert made.times == [110]


def test_answer_counts_once_no_other_one_came() -> None:
    """That shows with the next request, or with the end of the run."""
    made = text()
    made.sent(100)
    made.came(110, "5.0\r\n")
    assert made.thickness == []
    made.sent(120)
    assert (made.thickness, made.known) == ([5.0], [120])
    made.came(130, "6.0\r\n")
    made.ended(150)
    assert (made.thickness, made.known) == ([5.0, 6.0], [120, 150])
    assert made.link.tally.bytes == 10


def test_answer_after_its_time_out_is_late() -> None:
    """Whether all of it is late or its end only; the next answer is right."""
    made = text()
    made.sent(100)
    made.gave_up(200)
    made.came(210, "5.0\r\n")
    made.sent(220)
    made.came(230, "6.")
    made.gave_up(320)
    made.came(330, "0\r\n")
    made.sent(340)
    made.came(350, "7.0\r\n")
    made.ended(360)
    assert (made.thickness, made.times) == ([7.0], [345])
    assert made.faults == [(0, "late"), (5, "late")]
    assert [(f.length, f.excerpt) for f in made.link.tally.recent] == [(3, b"5.0"), (3, b"6.0")]
    assert made.link.tally.readings == 1


def test_answer_that_comes_twice_counts_once() -> None:
    """It is the same, so the first one is the answer."""
    made = text('taken_at = "answer"')
    made.sent(100)
    made.came(110, "5.0\r\n")
    made.came(112, "5.0\r\n")
    made.sent(120)
    assert (made.thickness, made.times, made.faults) == ([5.0], [110], [(5, "foreign")])


def test_two_different_answers_are_both_refused() -> None:
    """Nobody knows which is the answer; the next request is another matter."""
    made = text()
    made.sent(100)
    made.came(110, "5.0\r\n")
    made.came(112, "9.0\r\n")
    made.sent(120)
    made.came(130, "6.0\r\n")
    made.sent(140)
    assert (made.thickness, made.faults) == ([6.0], [(0, "foreign"), (5, "foreign")])
    assert set(made.details) == {"more than one answer came to one request"}


SIDE_BY_SIDE = TEXT.replace(
    '{columns}{{ is = "thickness", unit = "mm" }}',
    '{{ is = "thickness", unit = "mm", probe = 1 }}, {{ is = "thickness", unit = "mm", probe = 2 }}',
)


def test_answer_with_readings_of_several_inputs_is_one_answer() -> None:
    """All of them have its moment; one that came twice counts once, two that differ do not."""
    probes = "".join(f'[[probe]]\nname = "p{k}"\ninput = {k}\nscan = "{k} mm"\n' for k in (1, 2))
    made = Polled(SIDE_BY_SIDE.format(talk='taken_at = "answer"', end="\\r\\n") + probes)
    made.sent(100)
    made.came(110, "5.0,6.0\r\n")
    made.sent(120)
    made.came(130, "5.1,6.1\r\n")
    made.came(132, "5.1,6.1\r\n")
    made.sent(140)
    made.came(150, "5.2,6.2\r\n")
    made.came(152, "5.2,6.3\r\n")  # differs in the second input only
    made.sent(160)
    assert made.thickness == [5.0, 6.0, 5.1, 6.1]
    assert made.column("probe") == [1, 2, 1, 2]
    assert made.times == [110, 110, 130, 130]
    assert made.faults == [(18, "foreign"), (27, "foreign"), (36, "foreign")]


def test_records_that_nobody_asked_for_are_foreign() -> None:
    """Before the first request, and behind a command or a lost port; the text names the setting."""
    made = text()
    made.came(90, "1.0\r\n")
    made.sent(95, b"ON")
    made.came(96, "2.0\r\n")
    made.sent(100)
    made.came(110, "5.0\r\n")
    made.sent(120, b"\0")
    made.came(130, "3.0\r\n")
    made.sent(140)
    made.link.end_answers(150 * MS)
    made.came(160, "4.0\r\n")
    made.sent(170)
    made.ended(180)
    assert (made.thickness, made.times) == ([5.0], [105])
    assert made.faults == [(0, "foreign"), (5, "foreign"), (15, "foreign"), (20, "foreign")]
    assert all("unasked = true in 'talk'" in detail for detail in made.details)


def test_device_that_also_sends_by_itself_has_all_its_records() -> None:
    """By their arrival, without waiting for anything."""
    made = text("unasked = true")
    made.came(90, "1.0\r\n")
    made.sent(100)
    made.came(110, "5.0\r\n6.0\r\n")
    assert made.thickness == [1.0, 5.0, 6.0]
    assert made.faults == []


def test_blank_behind_an_end_of_line_begins_no_answer() -> None:
    """A line belongs to the request before its last byte, and begins with the first one behind it."""
    made = text('taken_at = "answer"', end="\\r")
    for number in range(3):
        made.sent(100 + 20 * number)
        made.came(110 + 20 * number, f"{number + 5}.0\r ")
    made.ended(200)
    assert (made.thickness, made.times) == ([5.0, 6.0, 7.0], [110, 130, 150])


def test_device_with_a_clock_keeps_its_times() -> None:
    """They are better than the middle; a late answer is refused all the same."""
    made = text(columns='{ is = "device_time", unit = "ms" }, ')
    made.sent(100)
    made.came(110, "5010,5.0\r\n")
    made.sent(120)
    made.came(160, "5030,6.0\r\n")
    made.sent(180)
    made.gave_up(280)
    made.came(290, "5100,7.0\r\n")
    made.ended(300)
    assert (made.thickness, made.times) == ([5.0, 6.0], [110, 130])
    assert made.faults == [(20, "late")]
    assert str(made.link.readings and made.link.readings.kind) == "device clock"


def test_answers_at_one_time_of_a_coarse_clock_are_told_apart() -> None:
    """Two whole exchanges within a step of the clock, in one batch and one by one."""
    found = []
    for one_by_one in (True, False):
        made = text()
        made.one_by_one = one_by_one
        # Other ports are ahead: the journal's time rises meanwhile.
        for number, thickness in enumerate(("5.0", "6.0", "7.0")):
            made.sent(100, known=110 + number)
            made.came(100, f"{thickness}\r\n", known=110 + number)
        made.ended(120)
        made.all_at_once()
        found.append((made.thickness, made.times, made.known, made.faults))
    assert found[0] == found[1]
    assert (found[0][0], found[0][2]) == ([5.0, 6.0, 7.0], [111, 112, 120])


def test_transaction_decides_over_tcp() -> None:
    """Late, doubled and foreign answers are refused, whatever request is under way; none waits."""
    made = tcp()
    made.sent(100, asking(7))
    made.came(110, answer_to(asking(7), 5.0))
    assert (made.thickness, made.known) == ([5.0], [110])
    made.came(112, answer_to(asking(7), 5.0))
    made.sent(120, asking(0x17))
    made.gave_up(220)
    made.sent(220, asking(0x27))
    made.came(225, answer_to(asking(0x17), 6.0))
    made.came(226, answer_to(asking(0x3027), 9.0))
    made.came(228, answer_to(asking(7), 5.0))
    made.came(230, answer_to(asking(0x27), 7.0))
    assert (made.thickness, made.times) == ([5.0, 7.0], [105, 225])
    assert made.faults == [(17, "foreign"), (34, "late"), (51, "foreign"), (68, "foreign")]
    assert made.details == [
        "more than one answer came to one request",
        "the answer came after its request was given up",
        "no recent request has the number 12327",
        "a later request was under way",
    ]


@pytest.mark.parametrize("longest", [90, 110])
def test_second_answer_is_known_as_one_though_old_requests_are_forgotten(
    monkeypatch: pytest.MonkeyPatch, longest: int
) -> None:
    """Each comes twice, by itself."""
    monkeypatch.setattr(request_log, "_LONGEST", longest)
    made = tcp()
    for number in range(400):
        made.sent(20 * number, asking(number))
        made.came(20 * number + 5, answer_to(asking(number), 5.0))
        made.came(20 * number + 9, answer_to(asking(number), 5.0))
    assert made.times == [20 * number + 2.5 for number in range(400)]
    assert made.link.tally.faults == {"foreign": 400}


def test_transaction_of_a_request_long_ago_is_foreign() -> None:
    """Numbers come again after thousands; only recent requests can be answered late."""
    made = tcp()
    made.sent(100, asking(1))
    made.gave_up(200)
    for number in range(2, 70):
        made.sent(200 + 10 * number, asking(number))
        made.came(205 + 10 * number, answer_to(asking(number), 5.0))
    made.came(2000, answer_to(asking(1), 6.0))
    assert len(made.thickness) == 68
    assert made.faults == [(17 * 68, "foreign")]


def test_answer_to_the_other_read_of_a_serial_line_is_refused() -> None:
    """Its length shows which read it is; the answer that was asked for counts."""
    made = Polled(MODBUS.format(framing="rtu", more=COUNTS))
    other = with_crc(b"\x01\x03\x04" + struct.pack(">i", 77))
    made.sent(100, with_crc(bytes.fromhex("01 03 0000 0004")))
    made.came(110, other)
    made.came(120, answer_to(b"\x01\x03......", 5.0))
    made.sent(140, with_crc(bytes.fromhex("01 03 0009 0002")))
    made.came(150, other)
    made.ended(160)
    assert (made.thickness, made.faults) == ([5.0], [(0, "foreign")])
    positions = [batch.positions for batch in made.batches if batch.positions.size]
    assert [(p["counts"].tolist(), p["time"].tolist()) for p in positions] == [([[77]], [145 * MS])]


def test_long_run_in_one_batch_is_that_of_many(monkeypatch: pytest.MonkeyPatch) -> None:
    """Old requests and chunks are forgotten on the way: more bytes come than the longest record has."""
    monkeypatch.setattr(request_log, "_LONGEST", 1000)
    rng = np.random.default_rng(5)
    script: list[tuple[str, int, str]] = []
    at = 0
    for number in range(2_000):
        script.append(("sent", at, ""))
        kind = rng.choice(5, p=[0.9, 0.03, 0.03, 0.03, 0.01])
        line = f"{number}.2500000000000000\r\n"
        if kind == 1:
            script += [("gave_up", at + 50, ""), ("came", at + 70, line)]
        elif kind != 2:
            script.append(("came", at + int(rng.integers(2, 40)), line))
        if kind == 3:
            script.append(("came", at + 40, line))
        if kind == 4:
            script.append(("came", at + 41, "3.75\r\n"))
        at += 80
    script.append(("ended", at, ""))
    found = []
    for size in (1, 300, 100_000):
        made = Polled(TEXT.format(talk="", columns="", end="\\r\\n"), tally=DeviceTally(bytes=999))
        for count, (what, time, line) in enumerate(script):
            made.one_by_one = count % size == size - 1
            if what == "came":
                made.came(time, line)
            else:
                getattr(made, what)(time)
        made.all_at_once()
        found.append((made.thickness, made.times, made.known, made.link.tally))
    assert found[0] == found[1] == found[2]
    assert len(found[0][0]) > 1_800
    assert found[0][3].bytes > 40_000
    assert found[0][3].faults == {
        "late": sum(step[0] == "gave_up" for step in script),
        "foreign": found[0][3].faults["foreign"],
    }
