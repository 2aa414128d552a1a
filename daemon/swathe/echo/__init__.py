"""Echoes in A-scans: envelope, gates and measures; pure functions of numpy arrays."""

from swathe.echo.ascan_view import AscanView, GateView, view_ascan
from swathe.echo.envelope import analytic_signal, envelope
from swathe.echo.gates import check_gates
from swathe.echo.measure import Echoes, measure
from swathe.echo.reasons import REASON_TEXTS, AmbiguityReason
from swathe.echo.search import GateEchoes
from swathe.echo.sensitivity import deviation_db
from swathe.echo.settings import (
    BandSettings,
    EchoMeasure,
    EchoMode,
    EchoSettings,
    GateSettings,
    Polarity,
)

__all__ = [
    "REASON_TEXTS",
    "AmbiguityReason",
    "AscanView",
    "BandSettings",
    "EchoMeasure",
    "EchoMode",
    "EchoSettings",
    "Echoes",
    "GateEchoes",
    "GateSettings",
    "GateView",
    "Polarity",
    "analytic_signal",
    "check_gates",
    "deviation_db",
    "envelope",
    "measure",
    "view_ascan",
]
