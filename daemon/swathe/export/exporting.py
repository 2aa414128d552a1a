"""Writing a survey as a file: which formats there are, and what each one is."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from importlib import import_module
from pathlib import Path
from typing import Any

from swathe.errors import SwatheError
from swathe.export.source import ExportSource
from swathe.export.target import written_aside
from swathe.store import SurveyFolder

__all__ = ["ExportFormat", "export_survey"]


class ExportFormat(StrEnum):
    """A format in which a survey is handed over."""

    CSV = "csv"
    """All cells as text."""
    LOWEST = "lowest"
    """The lowest separate places as text."""
    NETCDF = "netcdf"
    """All layers, coordinates and attributes."""
    PARQUET = "parquet"
    """All readings with their places."""
    PNG = "png"
    """The map of thickness, to scale."""
    DICONDE = "diconde"
    """The map of thickness as an image of the standard for imaging in non-destructive evaluation."""


# Module, its function, and what a file's name ends with.
_WRITERS = {
    ExportFormat.CSV: ("cells_csv", "write_cells", ".csv"),
    ExportFormat.LOWEST: ("lowest_csv", "write_lowest", "-lowest.csv"),
    ExportFormat.NETCDF: ("netcdf", "write_netcdf", ".nc"),
    ExportFormat.PARQUET: ("parquet", "write_readings", ".parquet"),
    ExportFormat.PNG: ("picture", "write_picture", ".png"),
    ExportFormat.DICONDE: ("diconde", "write_image", ".dcm"),
}


def export_survey(
    folder: SurveyFolder,
    to: ExportFormat | str,
    out: Path | None = None,
    *,
    force: bool = False,
    on_progress: Callable[[float], None] | None = None,
    **options: Any,  # noqa: ANN401  of the format's function
) -> Path:
    """Write a survey as a file of an open format; return its path.

    The file is written aside and put in its place when it is whole.

    Args:
        folder: the survey.
        to: the format.
        out: the file; named after the survey's folder, in the working directory, unless given.
        force: whether a file that is there is replaced.
        on_progress: called at intervals with the share that is done, 0 to 1, where it takes long.
        options: ``lowest`` and ``separation``, mm, of the lowest places.

    Raises:
        SurveyError: record or arrays are missing, or are not what was written.
        SwatheError: there is such a file, it is in the survey's folder, it cannot be written, the survey has nothing of the kind, or
            a package of the extra ``export`` is missing.
    """
    module, function, ending = _WRITERS[_format(to)]
    source = ExportSource.of(folder)
    target = Path(f"{folder.path.resolve().name}{ending}") if out is None else out
    if folder.path.resolve() in target.resolve().parents:
        message = (
            f"{target}: is in the survey's own folder, which is only read: name a file elsewhere"
        )
        raise SwatheError(message)
    if to == ExportFormat.PARQUET:
        options["on_progress"] = on_progress
    # Imported here: each format's packages are large, and some are of an extra.
    write = getattr(import_module(f"swathe.export.{module}"), function)
    with written_aside(target, force=force) as path:
        write(source, path, **options)
    return target


def _format(name: str) -> ExportFormat:
    """Return the format of a name.

    Raises:
        SwatheError: there is none.
    """
    try:
        return ExportFormat(name)
    except ValueError:
        message = f"there is no format {name!r}: name one of {', '.join(ExportFormat)}"
        raise SwatheError(message) from None
