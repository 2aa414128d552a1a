"""Zones as options of a command give them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from swathe.cli.app import quantity
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe.evaluation import Zone

__all__ = ["zone_of"]


def zone_of(text: str) -> Zone:
    """Return the zone that an option's text names.

    Raises:
        SwatheError: it names none.
    """
    from swathe.evaluation import Zone
    from swathe.messages import Extent
    from swathe.units import length

    name, colon, borders = text.rpartition(":")
    extents: list[Extent | None] = []
    for part in borders.split(","):
        low, to, high = part.partition(" to ")
        if part.strip() == "all":
            extents.append(None)
        elif to:
            extents.append(
                Extent(quantity("--zone", low, length), quantity("--zone", high, length))
            )
    if not colon or not name.strip() or len(extents) != borders.count(",") + 1 or len(extents) > 2:
        message = (
            "'--zone' must be a name and borders on the scan and the index axis, such as "
            f"'inlet: 0 mm to 200 mm, 0 mm to 50 mm', with 'all' for a whole axis (got {text!r})"
        )
        raise SwatheError(message)
    return Zone(name.strip(), *extents)
