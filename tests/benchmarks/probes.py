"""What 1, 4 and 16 probes at 1,000 readings a second each cost the pipeline, next to decoding alone.

Run with ``python tests/benchmarks/probes.py``: simulated lines of one gauge that sends the readings of
all probes side by side, fed with a tick every 50 ms as a live run does. Processor time only.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from daemon.handmade import MS, START, opened, port, station
from swathe.journal import Chunk, Entry, Tick
from swathe.pipeline import Pipeline
from swathe.station import decoder_of

SECONDS = 10
STATION = """
name = "bench"
[survey]
folder = "bench"
[scan]
length = "3000 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
[index]
length = "60 mm"
resolution = "1 mm"
device = "encoder"
counts_per_mm = 10
[device.encoder]
port = "ports/encoder"
delay = 0
[device.encoder.protocol]
columns = [
  {{is="device_time", unit="ms"}}, {{is="counts", axis="scan"}}, {{is="counts", axis="index"}}
]
[device.gauge]
port = "ports/gauge"
delay = 0
[device.gauge.protocol]
columns = [{{is="device_time", unit="ms"}}, {columns}]
"""


def station_text(probes: int) -> str:
    """Return the station file of so many probes, a cell apart."""
    column = '{{is="thickness", unit="mm"{}}}'
    if probes == 1:
        return STATION.format(columns=column.format(""))
    numbers = range(1, probes + 1)
    columns = ", ".join(column.format(f", probe={number}") for number in numbers)
    entries = (
        f'[[probe]]\nname = "p{number}"\ninput = {number}\nindex = "{number} mm"\n'
        for number in numbers
    )
    return STATION.format(columns=columns) + "".join(entries)


def entries_of(probes: int) -> list[Entry]:
    """Return the journal of a carriage that moves at 200 mm/s."""
    walls = np.random.default_rng(1).normal(10, 0.1, (SECONDS * 1000, probes))
    entries: list[Entry] = [port(0, name, "open") for name in ("encoder", "gauge")]
    for begin in range(0, SECONDS * 1000, 10):
        now = START + (begin + 10) * MS
        times = range(begin, begin + 10)
        samples = "".join(f"{ms},{2 * ms},50\r\n" for ms in times[::5])
        readings = "".join(
            f"{ms},{','.join(f'{wall:.3f}' for wall in walls[ms])}\r\n" for ms in times
        )
        entries.append(Chunk(now, "encoder", samples.encode()))
        entries.append(Chunk(now, "gauge", readings.encode()))
        if (begin + 10) % 50 == 0:
            entries.append(Tick(now))
    return entries


def main() -> None:
    """Print the costs."""
    print("probes  readings/s  pipeline  decoding  ratio   share of a core")
    for probes in (1, 4, 16):
        text, entries = station_text(probes), entries_of(probes)
        decoder = decoder_of(station(text).device["gauge"])
        chunks = [
            (one.time, one.data)
            for one in entries
            if isinstance(one, Chunk) and one.port == "gauge"
        ]
        begin = time.process_time()
        for first in range(0, len(chunks), 5):
            decoder.feed_chunks(chunks[first : first + 5])
        decoding = time.process_time() - begin
        pipeline = Pipeline(station(text))
        pipeline.feed(opened(text))
        begin = time.process_time()
        for entry in entries:
            pipeline.feed(entry)
        whole = time.process_time() - begin
        print(
            f"{probes:6}{probes * 1000:12,}{whole:9.2f} s{decoding:9.2f} s{whole / decoding:7.1f}"
            f"{100 * whole / SECONDS:15.1f} %"
        )


if __name__ == "__main__":
    main()
