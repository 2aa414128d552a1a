"""Fuzzes every decoder: any bytes, cut anywhere, give only records and counted faults.

The single invariant: nothing is raised; each byte fed is a record's, a fault's, ignored, or still
held; no more than twice the longest frame is held; records are well-formed. Guided by coverage
where `atheris` is installed, otherwise by mutating good streams at random from a seed.

    python tests/fuzz/fuzz_decoders.py --bytes 10000000
    python tests/fuzz/fuzz_decoders.py --runs 2000 --seed 7      # quick, as the test suite does

What it finds is written to `crash-*` (atheris), or told with its seed and run.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import random
import shutil
import struct
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))

MS = 1_000_000
LONGEST = 2048
"""Bytes of one input."""


@dataclass
class Tally:
    """What was fed, and what came of it."""

    runs: int = 0
    bytes: int = 0
    records: int = 0
    most_held: int = 0
    faults: Counter[str] = field(default_factory=Counter)


class Target:
    """One decoder, and what is demanded of it."""

    def __init__(self, name: str, make: Callable[[int], Any], limit: int) -> None:
        self.name = name
        self.make = make
        self.limit = limit

    def feed(self, data: bytes, source: random.Random, tally: Tally) -> None:
        """Feed the bytes in pieces, with silences, resets and a line rate by chance.

        Raises:
            AssertionError: the invariant does not hold.
        """
        decoder = self.make(source.choice([0, 87_000]))
        now, fed, told = MS, 0, 0
        before = tally.faults.total()
        pieces = _pieces(data, source)
        while pieces:
            count = source.choice([1, 1, 1, 3])
            chunks = []
            for piece in pieces[:count]:
                now += source.choice([0, MS, 20 * MS])
                chunks.append((now, piece))
                fed += len(piece)
            pieces = pieces[count:]
            batches = [decoder.feed_chunks(chunks)]
            if source.random() < 0.05:
                batches.append(decoder.reset(fed))
            for batch in batches:
                told += self._account(batch, now, fed, tally)
                # The rest of a line that was told to be too long is dropped without more words.
                assert not batch.fault_bytes or tally.faults.total() > before
            held = fed - told
            assert decoder.pending == held, f"{held} bytes are not told, {decoder.pending} held"
            assert held <= self.limit, f"{held} bytes are held"
            tally.most_held = max(tally.most_held, held)
        told += self._account(decoder.reset(fed), now, fed, tally)
        assert told == fed, f"{fed - told} bytes are lost"
        tally.runs += 1
        tally.bytes += fed

    def _account(self, batch: Any, now: int, fed: int, tally: Tally) -> int:
        from swathe_drivers.records import MAX_FAULTS

        assert batch.record_bytes >= 0
        assert batch.fault_bytes >= 0
        assert batch.ignored_bytes >= 0
        assert len(batch.faults) <= min(MAX_FAULTS, sum(batch.n_faults.values()))
        for fault in batch.faults:
            assert 0 <= fault.offset < fed
            assert fault.detail
        for records, known in (
            (batch.readings, batch.readings_known_at),
            (batch.positions, batch.positions_known_at),
        ):
            assert known.shape == records.shape
            if records.size:
                assert (records["time"] <= known).all()
                assert (known[1:] >= known[:-1]).all()
                assert known[-1] <= now
                assert (records["offset"] < fed).all()
                assert (records["offset"][1:] > records["offset"][:-1]).all()
        if batch.combined:
            assert batch.readings.size == batch.positions.size
        if batch.waveforms is not None:
            assert len(batch.waveforms) == batch.readings.size
        tally.records += int(max(batch.readings.size, batch.positions.size))
        for reason, count in batch.n_faults.items():
            tally.faults[str(reason)] += count
        return int(batch.record_bytes + batch.fault_bytes + batch.ignored_bytes)


def _pieces(data: bytes, source: random.Random) -> list[bytes]:
    cuts = sorted(source.randrange(len(data) + 1) for _ in range(source.randrange(8)))
    return [data[start:end] for start, end in zip([0, *cuts], [*cuts, len(data)], strict=True)]


OVER_TCP = """
driver = "modbus"
[protocol]
framing = "tcp"
unit = 3
[[protocol.reads]]
fields = [{ is = "counts", axis = "scan", register = 0, type = "int32" }]
[[protocol.reads]]
registers = "input"
fields = [
  { is = "thickness", unit = "mm", register = 0, type = "float32", max = 100.0 },
  { is = "status", register = 2, type = "uint16", valid = [1], invalid = [0] },
]
"""


def over_tcp(number: int) -> bytes:
    """An answer of a device with registers: to either read, or an exception."""
    read, function, data = [
        (0, 3, b"\x04" + struct.pack(">i", 100 - 7 * number)),
        (1, 4, b"\x06" + struct.pack(">fH", 8.0 + number / 8, number % 3 > 0)),
        (1, 0x84, b"\x06"),
    ][number % 3]
    return struct.pack(">HHHBB", number << 4 | read, 0, 2 + len(data), 3, function) + data


def targets() -> tuple[list[Target], list[bytes]]:
    """Every invented device, and Modbus over TCP, with good streams of each."""
    from drivers.protocols.invented import PROTOCOLS, Sent
    from swathe_drivers import load_driver
    from swathe_drivers.description import parse_description
    from swathe_drivers.modbus.framer import LONGEST_FRAME as LONGEST_ANSWER

    found, streams = [], []
    sources = [(one.name, one.description, one.record) for one in PROTOCOLS]
    sources.append(("registers over TCP", OVER_TCP, lambda number, _: Sent(over_tcp(number), {})))
    for name, text, record in sources:
        description = parse_description(text, name)
        # Modbus has a limit of its own; lines and frames have that of their settings.
        limit = int(description.protocol.get("max_length", 256))
        if description.driver == "modbus":
            limit = LONGEST_ANSWER

        def make(ns_per_byte: int, known: Any = description) -> Any:
            # Without its guard, which would make a fault of what it raises.
            driver = load_driver(known.driver)
            settings = driver.Settings.model_validate(known.protocol)
            return driver(settings).decoder(ns_per_byte=ns_per_byte)

        found.append(Target(name, make, 2 * limit + 4))
        source = random.Random(1)
        streams.append(b"".join(record(number, source).data for number in range(12)))
    return found, streams


def mutated(data: bytes, source: random.Random) -> bytes:
    """The bytes with some changed, lost, put in, repeated or moved."""
    out = bytearray(data)
    for _ in range(source.randrange(12)):
        at, end = sorted(source.randrange(len(out) + 1) for _ in range(2))
        match source.randrange(6):
            case 0 if out:
                out[at % len(out)] ^= 1 << source.randrange(8)
            case 1:
                del out[at : min(end, at + 9)]
            case 2:
                out[at:at] = source.randbytes(source.randrange(1, 9))
            case 3:
                out[at:at] = out[at : min(end, at + 40)]
            case 4 if out:
                out[at % len(out)] = source.choice([0, 1, 2, 3, 10, 13, 42, 126, 127, 128, 255])
            case _:
                out = out[end:] + out[at:end] + out[:at]
    return bytes(out[:LONGEST])


def at_random(seed: int, enough: Callable[[Tally], bool]) -> Tally:
    """Mutate good streams until it is enough.

    Raises:
        AssertionError: as `Target.feed`; the text tells seed and run.
    """
    all_targets, streams = targets()
    tally = Tally()
    while not enough(tally):
        source = random.Random(f"{seed} {tally.runs}")
        number = source.randrange(len(all_targets))
        target, stream = all_targets[number], streams[number]
        try:
            target.feed(mutated(stream, source), source, tally)
        except Exception as error:
            message = f"seed {seed}, run {tally.runs}, {target.name}: {error!r}"
            raise AssertionError(message) from error
    return tally


def by_coverage(
    seed: int, enough: Callable[[Tally], bool], report: Callable[[Tally], None]
) -> None:
    """Let atheris find bytes that take new ways; ends the process when it is enough."""
    import atheris  # type: ignore[import-not-found,import-untyped,unused-ignore]

    with atheris.instrument_imports(include=["swathe_drivers"]):
        all_targets, streams = targets()
    tally = Tally()
    corpus = tempfile.mkdtemp()

    def one(data: bytes) -> None:
        if len(data) < 2:
            return
        source = random.Random(data[1])  # how it is cut is part of the input
        all_targets[data[0] % len(all_targets)].feed(data[2:], source, tally)
        if enough(tally):
            report(tally)
            sys.stdout.flush()
            shutil.rmtree(corpus)
            os._exit(0)  # libFuzzer knows no other end

    for number, stream in enumerate(streams):
        (Path(corpus) / str(number)).write_bytes(bytes([number, number]) + stream[:LONGEST])
    options = [f"-seed={seed}", f"-max_len={LONGEST}", "-len_control=0", "-verbosity=0", corpus]
    atheris.Setup([sys.argv[0], *options], one)
    atheris.Fuzz()


def main() -> int:
    """Fuzz, and print what was fed and what came of it."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--bytes", type=int, default=0, help="end after so many")
    parser.add_argument("--runs", type=int, default=0, help="or after so many inputs")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--random", action="store_true", help="without atheris, if it is there")
    options = parser.parse_args()
    if not options.bytes and not options.runs:
        options.bytes = 10_000_000
    begin = time.monotonic()
    guided = not options.random and importlib.util.find_spec("atheris") is not None

    def enough(tally: Tally) -> bool:
        return bool(
            (options.bytes and tally.bytes >= options.bytes)
            or (options.runs and tally.runs >= options.runs)
        )

    def report(tally: Tally) -> None:
        how = "guided by coverage" if guided else "at random"
        print(
            f"{tally.bytes:,} bytes in {tally.runs:,} inputs {how},"
            f" {time.monotonic() - begin:.0f} s: {tally.records:,} records,"
            f" {sum(tally.faults.values()):,} faults, at most {tally.most_held:,} bytes held;"
            " nothing else"
        )
        for reason, count in sorted(tally.faults.items()):
            print(f"  {reason:14s} {count:12,}")

    if guided:
        by_coverage(options.seed, enough, report)
    else:
        report(at_random(options.seed, enough))
    return 0


if __name__ == "__main__":
    sys.exit(main())
