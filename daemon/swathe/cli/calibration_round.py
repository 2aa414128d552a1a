"""Calibrating the probes of a carriage in turn."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from swathe.errors import SwatheError
from swathe.station import CarriageProbe

__all__ = ["calibrate_each", "record_path"]


def record_path(out: Path, probe: CarriageProbe) -> Path:
    """Return where the record of a probe is written: with its name behind that of `out`."""
    return out.with_name(f"{out.stem}-{probe.name}{out.suffix}")


def calibrate_each(
    probes: Sequence[CarriageProbe],
    *,
    calibrate: Callable[[CarriageProbe], None],
    ask: Callable[[str], str],
    tell: Callable[[str], None],
) -> list[CarriageProbe]:
    """Have each probe calibrated in turn; return those that were, each once.

    Args:
        probes: in their order.
        calibrate: calibrates one and writes its record. Why it could not is printed, and the probe is
            asked for again.
        ask: returns the answer to a prompt: ``s`` leaves the probe out, ``r`` returns to the one before,
            ``q`` ends, anything else calibrates it.
        tell: prints a line.
    """
    done: list[CarriageProbe] = []
    at = 0
    while at < len(probes):
        probe = probes[at]
        answer = ask(
            f"probe {probe.name}, {at + 1} of {len(probes)}: Enter calibrates it, s leaves it out, r "
            "returns to the one before, q ends;"
        )
        if answer == "q":
            break
        if answer in ("s", "r"):
            at = at + 1 if answer == "s" else max(at - 1, 0)
            continue
        try:
            calibrate(probe)
        except SwatheError as error:
            tell(f"probe {probe.name}: {error}")
            continue
        done = [*(one for one in done if one is not probe), probe]
        at += 1
    return done
