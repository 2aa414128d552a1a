"""Echoes in A-scans: envelope, gates and measures; pure functions of numpy arrays."""

from swathe.echo.envelope import analytic_signal, envelope
from swathe.echo.gates import check_gates
from swathe.echo.measure import Echoes, measure
from swathe.echo.search import GateEchoes
from swathe.echo.settings import (
    BandSettings,
    EchoMeasure,
    EchoMode,
    EchoSettings,
    GateSettings,
    Polarity,
)

__all__ = [
    "BandSettings",
    "EchoMeasure",
    "EchoMode",
    "EchoSettings",
    "Echoes",
    "GateEchoes",
    "GateSettings",
    "Polarity",
    "analytic_signal",
    "check_gates",
    "envelope",
    "measure",
]
