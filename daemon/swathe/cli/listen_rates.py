"""``swathe listen --rates``: which baud rate a device sends at."""

from __future__ import annotations

from typing import TYPE_CHECKING

from swathe.cli.app import console, errors
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe.listen.rates import RateTrial
    from swathe_drivers import PortSettings
    from swathe_drivers.description import Description

__all__ = ["print_rates"]

_SECONDS = 2.0


def print_rates(
    settings: PortSettings, description: Description | None, seconds: float | None
) -> bool:
    """Print what comes at each baud rate, and return whether it makes sense at one of them.

    Raises:
        SwatheError: the port is no serial one.
    """
    from swathe.listen.rates import try_rates

    if settings.is_capture or not settings.ns_per_byte:
        raise SwatheError(f"{settings.url} has no baud rate: --rates needs a serial port")
    good: list[RateTrial] = []
    for trial in try_rates(settings, description, _SECONDS if seconds is None else seconds):
        console.print(_line(trial), highlight=False, markup=False, soft_wrap=True)
        if trial.problem:
            break
        if trial.good:
            good.append(trial)
    best = max(good, key=lambda trial: (trial.records or 0, trial.bytes), default=None)
    if best is None:
        text = "nothing readable at any rate: is the device on, does it send text, and by itself?"
        errors.print(text, highlight=False, markup=False, soft_wrap=True)
        return False
    remedy = f"; {best.doubt}" if best.doubt else ""
    console.print(f"set baud = {best.baud}{remedy}", highlight=False, markup=False, soft_wrap=True)
    return True


def _line(trial: RateTrial) -> str:
    if trial.problem:
        return f"{trial.baud:>7} baud: {trial.problem}"
    what = "no bytes" if not trial.bytes else f"{trial.bytes:,} bytes, not readable"
    if trial.records:
        what = f"{trial.bytes:,} bytes, {trial.records:,} records"
    elif trial.readable:
        what = f"{trial.bytes:,} bytes, readable"
    elif trial.doubt:
        what = f"{trial.bytes:,} bytes: {trial.doubt}"
    return f"{trial.baud:>7} baud: {what}"
