"""Work on many surveys, one after another or through dask, on any of its schedulers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from importlib import import_module
from typing import Any, TypeVar

from swathe.errors import SwatheError

__all__ = ["Scheduler", "over_surveys"]

_Item = TypeVar("_Item")
_Found = TypeVar("_Found")

# A name such as "processes", a client of dask.distributed, or a function as dask takes it.
Scheduler = Any


def over_surveys(
    task: Callable[[_Item], _Found], surveys: Iterable[_Item], *, scheduler: Scheduler | None = None
) -> Iterator[_Found]:
    """Yield what a task returns for each survey, or group of surveys, in their order.

    The memory it takes is that of the tasks under way and of what they return: a task should open the survey
    itself and return figures, not arrays.

    Args:
        task: takes one of `surveys`; for processes and clusters a function of a module, or a
            `functools.partial` of one.
        surveys: paths or URLs, or whatever the task takes, such as pairs of them.
        scheduler: None: one after another in this process, each when it is asked for. Otherwise as
            dask takes it: ``"synchronous"``, ``"threads"``, ``"processes"``, or a
            ``dask.distributed.Client``.

    Raises:
        SwatheError: dask is not installed, or has no such scheduler; and what a task raises.

    Example:
        >>> import swathe
        >>> def thinnest(path):
        ...     return round(swathe.open_survey(path).record.progress.minimum_mm, 2)
        >>> list(swathe.over_surveys(thinnest, ["penstock-3", "penstock-3"]))
        [10.0, 10.0]
    """
    if scheduler is None:
        yield from map(task, surveys)
        return
    try:
        dask = import_module("dask")
    except ImportError as error:
        message = "dask is not installed: pip install 'swathe[dask]'"
        raise SwatheError(message) from error
    try:
        chosen = import_module("dask.base").get_scheduler(scheduler=scheduler)
    except ValueError as error:
        message = f"the scheduler must be one that dask knows (got {scheduler!r}): {error}"
        raise SwatheError(message) from error
    lazy = [dask.delayed(task, pure=False)(survey) for survey in surveys]
    yield from dask.compute(*lazy, scheduler=chosen)
