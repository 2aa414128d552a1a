"""What a station says over the wire, by topic: usual settings, and those for a radio link.

The demo's penstock is scanned at its crawler's own speed by a real daemon; a plain subscriber on
Debian's mosquitto takes everything. Counted are the bytes of each PUBLISH packet as MQTT 3.1.1 has
it (fixed header, topic, packet identifier, payload), without TCP's own; and the broker's own count
of all bytes received from the station beside it.

Run ``python tests/benchmarks/bandwidth.py [SECONDS]``; usual and radio take SECONDS each, 60 unless
told.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory

import aiomqtt

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.broker import Broker
from support.daemon import station_text, wait_for
from swathe_simulators import World, builtin_scenario, load_scenario

__all__ = ["main"]

SECONDS = 60
# Twice the crawler's own speed: 200 mm/s, as fast as one drives a hand-held probe.
SPEED = 2.0


def packet_bytes(topic: str, payload: bytes) -> int:
    """Return the size of a PUBLISH packet of QoS 1 (MQTT 3.1.1, 3.3)."""
    rest = 2 + len(topic.encode()) + 2 + len(payload)
    length = 1
    while rest >= 128**length:
        length += 1
    return 1 + length + rest


class Listener:
    """Counts bytes and messages by kind, in a thread of its own."""

    def __init__(self, port: int) -> None:
        self._port = port
        self.bytes: Counter[str] = Counter()
        self.messages: Counter[str] = Counter()
        self.received = 0
        threading.Thread(target=lambda: asyncio.run(self._run()), daemon=True).start()

    async def _run(self) -> None:
        with contextlib.suppress(aiomqtt.MqttError):  # the broker ends first
            async with aiomqtt.Client("127.0.0.1", self._port) as client:
                await client.subscribe("swathe/#", qos=1)
                await client.subscribe("$SYS/broker/bytes/received")
                async for message in client.messages:
                    topic, payload = str(message.topic), message.payload
                    if not isinstance(payload, bytes):
                        continue
                    if topic.startswith("$SYS"):
                        self.received = int(payload)
                        continue
                    kind = topic.split("/")[2]
                    self.bytes[kind] += packet_bytes(topic, payload)
                    self.messages[kind] += 1


def measure(seconds: float, *settings: str) -> None:
    """Scan for so long and print what was said."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(TemporaryDirectory(prefix="swathe-")))
        ports = Path(stack.enter_context(TemporaryDirectory(prefix="swathe-")))
        broker = Broker(folder, "allow_anonymous true", "sys_interval 1")
        broker.start()
        stack.callback(broker.stop)
        listener = Listener(broker.port)
        scenario = load_scenario(builtin_scenario("penstock"))
        stack.enter_context(World(scenario, ports_dir=ports, speed=SPEED))
        path = folder / "station.toml"
        text = station_text("penstock", ports, speed=SPEED, broker_port=broker.port)
        path.write_text(text + "\n".join(settings) + "\n")
        process = subprocess.Popen(
            [sys.executable, "-m", "swathe", "run", "--no-picture", str(path)],
            stdout=subprocess.DEVNULL,
        )
        try:
            wait_for(lambda: listener.messages["progress"] > 0, 60, "progress")
            begun, before = time.monotonic(), listener.received
            listener.bytes.clear()
            listener.messages.clear()
            time.sleep(seconds)
            took = time.monotonic() - begun
            told, count = Counter(listener.bytes), Counter(listener.messages)
            received = listener.received - before
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(60)
    print(f"{'radio' if settings else 'usual'}: {took:.0f} s of the scan")
    for kind, size in told.most_common():
        each = size / count[kind]
        print(
            f"  {kind:10} {size / took:8.1f} bytes/s  {count[kind] / took:6.2f} messages/s"
            f"  of {each:5.0f} bytes"
        )
    total = sum(told.values())
    print(f"  {'together':10} {total / took:8.1f} bytes/s = {total / took * 8 / 1000:.2f} kbit/s")
    print(f"  the broker received {received / took:.1f} bytes/s, acknowledgements and all")


def main() -> int:
    """Print the figures of both."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS
    measure(seconds)
    measure(seconds, "radio = true")
    return 0


if __name__ == "__main__":
    sys.exit(main())
