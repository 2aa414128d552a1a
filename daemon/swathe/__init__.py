"""Swathe: acquisition daemon for encoded ultrasonic thickness scans.

What `__all__` lists is the Python API; everything else is private and may change. It is loaded on
first use, so that ``import swathe`` costs nothing:

- `open_survey` opens a survey folder: record, arrays as an xarray Dataset, gaps, replay;
- `load_station` reads and checks a station file;
- `grid_readings` places and bins arrays of positions and readings without files or ports;
- `compare_surveys` compares surveys of one part: differences, rates of loss, remaining life;
- `survey_trend` gives the rate of loss of a part over its surveys;
- `over_surveys` does something with each of many surveys, through dask if wanted;
- `evaluate_arrays` gives figures over the cells of arrays as a survey has them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from swathe.api.comparing import compare_surveys, survey_trend
    from swathe.api.gridding import grid_readings
    from swathe.api.survey import Replay, Survey, load_station, open_survey
    from swathe.comparison import Comparison, Trend
    from swathe.errors import SwatheError
    from swathe.evaluation import Evaluation, Zone, evaluate_arrays
    from swathe.many_surveys import over_surveys
    from swathe.pipeline import CellState
    from swathe.station import Axis, Station
    from swathe.store import SurveyRecord

    __version__: str

__all__ = [
    "Axis",
    "CellState",
    "Comparison",
    "Evaluation",
    "Replay",
    "Station",
    "Survey",
    "SurveyRecord",
    "SwatheError",
    "Trend",
    "Zone",
    "__version__",
    "compare_surveys",
    "evaluate_arrays",
    "grid_readings",
    "load_station",
    "open_survey",
    "over_surveys",
    "survey_trend",
]

_HOMES = {
    "Axis": "swathe.station",
    "CellState": "swathe.pipeline",
    "Comparison": "swathe.comparison",
    "Evaluation": "swathe.evaluation",
    "Replay": "swathe.api.survey",
    "Station": "swathe.station",
    "Survey": "swathe.api.survey",
    "SurveyRecord": "swathe.store",
    "SwatheError": "swathe.errors",
    "Trend": "swathe.comparison",
    "Zone": "swathe.evaluation",
    "compare_surveys": "swathe.api.comparing",
    "evaluate_arrays": "swathe.evaluation",
    "grid_readings": "swathe.api.gridding",
    "load_station": "swathe.api.survey",
    "open_survey": "swathe.api.survey",
    "over_surveys": "swathe.many_surveys",
    "survey_trend": "swathe.api.comparing",
}


def __getattr__(name: str) -> Any:  # noqa: ANN401  whatever the API offers by that name
    """Return a name of the API from the module that has it."""
    # `importlib.metadata` alone takes 30 ms to import: the version too is read on first use.
    if name == "__version__":
        from importlib.metadata import version

        return version("swathe")
    if name not in _HOMES:
        message = f"module 'swathe' has no attribute {name!r}"
        raise AttributeError(message)
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    """Return the names of the API as well, loaded or not."""
    return sorted({*globals(), *__all__})
