"""``swathe rebuild SURVEY``: make everything that is derived anew from the journal."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import app, console, errors
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe.station import Station

__all__ = ["rebuild"]


@app.command()
def rebuild(
    survey: Annotated[Path, typer.Argument(help="The survey folder.")],
    picture: Annotated[bool, typer.Option(help="Draw the picture anew as well.")] = True,
    delay: Annotated[
        list[str] | None,
        typer.Option(help='Another delay of a device, such as "gauge=12 ms"; may be repeated.'),
    ] = None,
) -> None:
    """Make arrays, record and picture of a survey anew from its journal.

    The journal is only read. The arrays come out as the live run had them, bit for bit, unless
    another delay is given; the record tells which was in force.
    """
    from swathe.report import draw_survey, summary_line
    from swathe.store import SurveyFolder, replay, write_derived

    folder = SurveyFolder(survey)
    folder.require()

    def tell_torn(path: Path, message: str) -> None:
        errors.print(f"{path}: {message}", soft_wrap=True)

    delays = _delays(delay or [], folder.first_station())

    def amend(station: Station) -> Station:
        devices = {
            name: device.model_copy(update={"delay": delays.get(name, device.delay)})
            for name, device in station.device.items()
        }
        return station.model_copy(update={"device": devices})

    with folder, console.status("reading the journal") as status:
        pipeline = replay(
            folder,
            on_torn=tell_torn,
            amend=amend,
            on_entries=lambda count: status.update(f"reading the journal: {count:,} entries"),
        )
        record = write_derived(folder, pipeline)
    if picture:
        console.print(f"picture: {draw_survey(folder)}", soft_wrap=True, highlight=False)
    console.print(summary_line(record), soft_wrap=True)


def _delays(given: list[str], station: Station) -> dict[str, int]:
    """Return ns by device from texts such as ``gauge=12 ms``."""
    from swathe.units import duration_ns

    found: dict[str, int] = {}
    for text in given:
        device, _, value = text.partition("=")
        if device.strip() not in station.device:
            known = ", ".join(sorted(station.device))
            message = f"'--delay' must name one of the devices {known} (got {text!r})"
            raise SwatheError(message)
        try:
            found[device.strip()] = duration_ns(value.strip())
        except ValueError as error:
            message = f"'--delay' of {device.strip()} {error} (got {value!r})"
            raise SwatheError(message) from error
    return found
