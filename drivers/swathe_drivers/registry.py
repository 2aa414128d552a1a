"""Drivers by name.

A package offers a driver by an entry point in the group `swathe.drivers`, a motion driver by
one in `swathe.motion`; the built-in ones do the same. A driver's module is imported only when
it is asked for.
"""

import sys
from collections import defaultdict
from collections.abc import Mapping
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import Final, cast

from pydantic import BaseModel

from swathe_drivers.abc import Driver
from swathe_drivers.errors import DriverError
from swathe_drivers.motion.abc import MotionDriver

GROUP: Final = "swathe.drivers"
"""The entry-point group of drivers."""

MOTION_GROUP: Final = "swathe.motion"
"""The entry-point group of motion drivers."""


def _distribution(point: EntryPoint) -> str:
    return point.dist.name if point.dist is not None else "an unknown distribution"


def _origin(point: EntryPoint) -> str:
    return f"driver {point.name!r} of {_distribution(point)} ({point.value})"


def _points(group: str) -> Mapping[str, EntryPoint]:
    return _points_on(group, tuple(sys.path))


@cache
def _points_on(group: str, _path: tuple[str, ...]) -> Mapping[str, EntryPoint]:
    """Return the drivers that are installed on a path; it is searched once, at its first use."""
    found: defaultdict[str, list[EntryPoint]] = defaultdict(list)
    for point in entry_points(group=group):
        found[point.name].append(point)
    for name, points in sorted(found.items()):
        if len(points) == 1:
            continue  # whose it is is not asked: reading a distribution's metadata takes a while
        # One distribution may be seen twice, by its source tree and by its installation.
        offers = {(_distribution(point), point.value) for point in points}
        if len(offers) > 1:
            owners = " and ".join(sorted(f"{owner} ({value})" for owner, value in offers))
            message = (
                f"driver {name!r} is offered more than once: by {owners};"
                " uninstall all but one of them"
            )
            raise DriverError(message)
    return {name: points[0] for name, points in found.items()}


def driver_names() -> tuple[str, ...]:
    """Names of all installed drivers, sorted; imports none of them.

    Raises:
        DriverError: two distributions offer the same name; uninstall one.
    """
    return tuple(sorted(_points(GROUP)))


def motion_names() -> tuple[str, ...]:
    """Names of all installed motion drivers, sorted; imports none of them.

    Raises:
        DriverError: two distributions offer the same name; uninstall one.
    """
    return tuple(sorted(_points(MOTION_GROUP)))


def load_driver(name: str) -> type[Driver]:
    """The driver class of that name, imported now.

    Raises:
        DriverError: no driver has that name (the message lists the known ones), two have it,
            or it can't be imported (the message names the distribution to repair).
    """
    return cast("type[Driver]", _load(GROUP, name, "decoder", "swathe_drivers.abc.Driver"))


def load_motion(name: str) -> type[MotionDriver]:
    """The motion driver class of that name, imported now.

    Raises:
        DriverError: as `load_driver`.
    """
    described = "swathe_drivers.motion.abc.MotionDriver"
    return cast("type[MotionDriver]", _load(MOTION_GROUP, name, "codec", described))


def _load(group: str, name: str, method: str, described: str) -> type:
    points = _points(group)
    if name not in points:
        known = ", ".join(sorted(points)) or "none"
        message = f"there is no driver {name!r}; known are: {known}"
        raise DriverError(message)
    point = points[name]
    try:
        driver = point.load()
    except Exception as error:  # whatever an outside module raises while it is imported
        message = f"{_origin(point)} can't be imported: {type(error).__name__}: {error}"
        raise DriverError(message) from error
    settings = getattr(driver, "Settings", None)
    if not (
        isinstance(driver, type)
        and callable(getattr(driver, method, None))
        and isinstance(settings, type)
        and issubclass(settings, BaseModel)
    ):
        message = (
            f"{_origin(point)} is no driver: it must be a class with a pydantic model `Settings` and a"
            f" method `{method}`; see {described}"
        )
        raise DriverError(message)
    return driver
