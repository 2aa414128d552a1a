"""A Modbus device asked for its registers, and the description that is proposed from what changes in them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from swathe.errors import SwatheError
from swathe_drivers import PortSettings
from swathe_drivers.failures import PORT_ERRORS
from swathe_drivers.modbus.scan import RegisterScanner
from swathe_drivers.suggest import Finding, Hints, Suggestion
from swathe_drivers.suggest.findings import Basis
from swathe_drivers.suggest.registers import suggest_registers
from swathe_drivers.transport import open_transport

__all__ = ["suggested_from_registers"]

_EVERY_MS = 20
_LOOKING_S = 40.0
_TCP_PORT = 502
_UNITS_TCP = (1, 255, 0, 2, 3, 4, 5, 10, 16, 17, 247)
_UNITS_RTU = tuple(range(1, 33))


def suggested_from_registers(
    settings: PortSettings,
    hints: Hints,
    *,
    unit: int | None,
    seconds: float,
    say: Callable[[str], None],
) -> Suggestion:
    """Return the description proposed for a Modbus device; requests that only read are sent to it.

    Args:
        settings: of its port.
        hints: what is known beforehand.
        unit: its address; None: the usual ones are tried.
        seconds: how long its registers are read.
        say: takes what is to be known meanwhile, such as that the probe is to be moved.

    Raises:
        SwatheError: the port cannot be opened or fails.
    """
    try:
        transport = open_transport(settings)
    except PORT_ERRORS as error:
        raise SwatheError(f"{settings.url}: {error}") from error
    try:
        framings: tuple[Literal["rtu", "tcp"], ...] = ("rtu",)
        if settings.url.startswith("socket:"):
            framings = ("tcp", "rtu")
        for framing in framings:
            scanner = RegisterScanner(transport, framing)
            usual = _UNITS_TCP if framing == "tcp" else _UNITS_RTU
            found = next(scanner.units(usual if unit is None else (unit,)), None)
            if found is None:
                continue
            say(f"unit {found} answers ({framing}); looking for its registers")
            ranges = scanner.ranges(found, seconds=_LOOKING_S)
            if not ranges:
                why = "it answers every request with an exception: are its registers above those tried?"
                return Suggestion("", (Finding("registers", "none", Basis.LIKELY, why),))
            listed = ", ".join(
                f"{one.registers} {one.first} to {one.first + one.count - 1}" for one in ranges
            )
            say(f"readable: {listed}")
            say(f"move the probe to and fro, lift it, and rest at the end: {seconds:g} s from now")
            samples = scanner.sampled(found, ranges, seconds=seconds, every=_EVERY_MS / 1000)
            line = settings.model_dump(exclude={"url"}, exclude_defaults=True)
            if settings.ns_per_byte:
                line = {"baud": settings.baud, **line}
            return suggest_registers(
                samples, unit=found, framing=framing, every_ms=_EVERY_MS, port=line, hints=hints
            )
    except PORT_ERRORS as error:
        raise SwatheError(f"{settings.url}: {error}") from error
    finally:
        transport.close()
    why = "no unit answers: is it Modbus, are baud rate and parity right, is its address another?"
    return Suggestion("", (Finding("unit", "none", Basis.LIKELY, why),))
