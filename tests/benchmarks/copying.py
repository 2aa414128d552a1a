"""What a copy on object storage costs a run: the daemon with it and without, also while the storage is away.

A gauge of 1,000 readings a second and an encoder of 100 Hz; a real server that speaks S3, which is stopped in
the middle of the second run and started again. The copy is read back and compared at the end.

1. Share of a core of the daemon with a copy, next to that without one.
2. Lag of progress messages over the least, p99, with the copy next to without.
3. Processor and memory of the process that copies.

Run ``python -m tests.benchmarks copying [-- --seconds S]``; exit code 1 if the copy is not verified.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import time
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.live_cost import COUNTS_PER_MM, SPEED_MM_S, STATION, Devices, Usage, share_of
from benchmarks.stations import AllProgress
from support.broker import Broker
from support.daemon import wait_for
from support.figures import report_figures
from support.storage import storage_server

__all__ = ["main"]

GAUGE_HZ, ENCODER_HZ, NEVER = 1_000, 100, 1_000_000


def copier(parent: int) -> tuple[float, float]:
    """Return processor time, s, and the most memory so far, MB, of the process that copies; 0 without one."""
    for status in Path("/proc").glob("[0-9]*/status"):
        try:
            text = status.read_text()
            command = (status.parent / "cmdline").read_bytes()
        except OSError:
            continue
        if f"PPid:\t{parent}\n" in text and b"swathe.copying.process" in command:
            most = int(text.partition("VmHWM:")[2].split()[0]) / 1024
            return Usage.of(int(status.parent.name)).seconds, most
    return 0.0, 0.0


def run(folder: Path, seconds: float, *, copied: bool) -> dict[str, float]:
    """Run the daemon for some seconds; return figures."""
    with ExitStack() as stack:
        devices = stack.enter_context(Devices(GAUGE_HZ, ENCODER_HZ, every=NEVER))
        broker = Broker(folder)
        broker.start()
        stack.callback(broker.stop)
        server = storage_server(folder / "objects")
        stack.callback(server.stop)
        text = STATION.format(
            length=round((seconds + 60) * SPEED_MM_S),
            counts=COUNTS_PER_MM,
            encoder=devices.encoder,
            gauge=devices.gauge,
        )
        text += f"\n[broker]\nport = {broker.port}\n"
        if copied:
            text += '[store]\ncopy_to = "s3://surveys/site"\ncopy_interval = "1 s"\n'
        (folder / "station.toml").write_text(text)
        progress = AllProgress(broker.port)
        process = subprocess.Popen(
            [sys.executable, "-m", "swathe", "run", "--no-picture", str(folder / "station.toml")],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            env={**os.environ, **server.environment},
        )
        try:
            wait_for(lambda: bool(progress.stations), 60, "progress")
            time.sleep(5)
            begin, at, before = Usage.of(process.pid), time.monotonic(), copier(process.pid)[0]
            time.sleep(seconds / 3)
            server.stop()
            time.sleep(seconds / 3)
            server.start()
            time.sleep(seconds / 3)
            end, after = Usage.of(process.pid), time.monotonic()
            used, most = copier(process.pid)
        finally:
            process.send_signal(signal.SIGINT)
            output, _ = process.communicate(timeout=200)
    (seen,) = progress.stations.values()
    found = [came - n / GAUGE_HZ for came, n in seen.came if at < came < after]
    return {
        "share_of_core": (end.seconds - begin.seconds) / (end.at - begin.at),
        "lag_p99_s": share_of(found, 0.99) - min(found),
        "copier_share": (used - before) / (after - at) if copied else 0.0,
        "copier_mb": most,
        "verified": float("verified by SHA-256" in output),
    }


def main() -> int:
    """Print the figures; return 1 if the copy is not verified."""
    parser = argparse.ArgumentParser(description="What a copy on object storage costs a run.")
    parser.add_argument("--seconds", type=float, default=30.0)
    options = parser.parse_args()
    figures = {}
    for copied in (False, True):
        with TemporaryDirectory() as name:
            figures[copied] = run(Path(name), options.seconds, copied=copied)
        shown = {key: round(value, 3) for key, value in figures[copied].items()}
        print("with a copy   " if copied else "without a copy", shown, flush=True)
    without, with_ = figures[False], figures[True]
    report_figures(
        daemon_share_to_without=with_["share_of_core"] / without["share_of_core"],
        lag_p99_to_without=with_["lag_p99_s"] / without["lag_p99_s"],
        copier_share_to_daemon=with_["copier_share"] / with_["share_of_core"],
    )
    print("the copy is verified" if with_["verified"] else "the copy is NOT verified")
    return 0 if with_["verified"] else 1


if __name__ == "__main__":
    sys.exit(main())
