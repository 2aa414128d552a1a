"""The sensitivity check within a run: the reference echo while the scan is paused."""

from __future__ import annotations

from swathe.errors import SwatheError
from swathe.journal import MarkKind
from swathe.live.check_round import probes_to_check
from swathe.live.reviser import REFUSED
from swathe.live.session import Session
from swathe.pipeline.checks.sensitivity import SensitivityCheck, reference_echo
from swathe.station import Station

__all__ = ["check_sensitivity"]

# What is older shows nothing about where the probe is now.
_NEWEST_NS = 10_000_000_000


def check_sensitivity(session: Session, station: Station, by: str, probe: str | None = None) -> str:
    """Journal a check of the sensitivity by the newest readings; return the result or why not.

    Args:
        session: of the run.
        station: the station file.
        by: who checks.
        probe: name of the probe that is on the reference; required of several.
    """
    settings, pipeline = station.sensitivity, session.pipeline
    if settings is None:
        return f"{REFUSED}no reference echo: add [sensitivity] with reference and tolerance"
    if (paused := pipeline.pauses.since) is None:
        return f"{REFUSED}pause first: readings on the reference would count for cells"
    if isinstance(chosen := probes_to_check(station, probe), str):
        return f"{REFUSED}{chosen}"
    if len(chosen) > 1:
        names = ", ".join(one.name for one in chosen)
        return f"{REFUSED}say which probe is on the reference, by 'probe': {names}"
    (at,) = chosen
    link = pipeline.link_of(at.device)
    if link is None:
        return f"{REFUSED}no reading yet"
    try:
        now = session.utc_now - pipeline.utc_offset
        since = max(now - _NEWEST_NS, paused)
        echo = reference_echo(link.newest, since=since, spread=settings.tolerance, source=at.input)
    except SwatheError as error:
        return f"{REFUSED}no reference echo: {error}"
    detail = {"by": by, **echo.detail(settings)}
    of = ""
    if len(station.probes) > 1:
        detail |= {"probe": at.number, "probe_name": at.name}
        of = f" of probe {at.name}"
    session.mark(MarkKind.SENSITIVITY, **detail)
    check = SensitivityCheck.from_detail(detail, 0)
    verdict = "passed" if check.passed else "FAILED"
    return (
        f"sensitivity{of} {verdict}: {check.deviation:+.2f} dB from {settings.reference:g} %, "
        f"tolerance {settings.tolerance:g} dB"
    )
