"""What a person can say of a device that its bytes do not show."""

import re
from dataclasses import dataclass, field
from typing import Final, Literal

__all__ = ["Hints", "Shown", "parse_shown"]

PortContents = Literal["encoder", "gauge", "both"]

_SHOWN: Final = re.compile(
    r"\s*(?:(?P<name>[a-z_]+)\s*=\s*)?(?P<number>[+-]?[0-9]*[.,]?[0-9]+)\s*"
    r"(?P<unit>mm|um|\u00b5m|inch|in|thou|\"|us|\u00b5s|ns|%|dB|)\s*"
    r"(?:@\s*(?P<at>[0-9]*\.?[0-9]+)\s*s?)?\s*"
)
_UNITS: Final = {"inch": "in", '"': "in", "\u00b5m": "um", "\u00b5s": "us"}
_QUANTITY_OF: Final = {
    "us": "time_of_flight",
    "ns": "time_of_flight",
    "%": "amplitude",
    "dB": "amplitude",
}
_QUANTITIES: Final = ("thickness", "position", "amplitude", "time_of_flight")


@dataclass(frozen=True, slots=True)
class Shown:
    """A number on the device's display.

    Attributes:
        quantity: what it is: thickness, position, amplitude or time_of_flight.
        value: the number.
        places: its decimals.
        unit: as the display has it; empty if it was not given.
        at: when it was shown, s after the first bytes; None: at the end.
    """

    quantity: str
    value: float
    places: int
    unit: str
    at: float | None = None

    @property
    def half_digit(self) -> float:
        """How far the true value may be off."""
        return 0.5 * 10.0**-self.places


@dataclass(frozen=True, slots=True)
class Hints:
    """What is known beforehand.

    Attributes:
        shows: numbers on the display.
        contents: what the port sends; None when that is not known.
        unit: of lengths; None when that is not known.
        axis: name of the axis along which the probe was moved.
    """

    shows: tuple[Shown, ...] = field(default=())
    contents: PortContents | None = None
    unit: str | None = None
    axis: str = "scan"

    def of(self, quantity: str) -> tuple[Shown, ...]:
        """What the display showed of one quantity."""
        return tuple(shown for shown in self.shows if shown.quantity == quantity)


def parse_shown(text: str) -> Shown:
    """Read what a display shows, such as `12.41 mm`, `position=310.5 mm` or `10.00 mm @ 2.5 s`.

    Raises:
        ValueError: the text is none; the message says how one looks.
    """
    found = _SHOWN.fullmatch(text)
    unit = _UNITS.get(found["unit"], found["unit"]) if found else ""
    name = (found["name"] or _QUANTITY_OF.get(unit, "thickness")) if found else ""
    if found is None or name not in _QUANTITIES:
        names = ", ".join(_QUANTITIES)
        message = (
            f"must be a number with its unit, such as '12.41 mm', 'position=310.5 mm' or"
            f" '10.00 mm @ 2.5 s' (a quantity is one of {names}), got {text!r}"
        )
        raise ValueError(message)
    number = found["number"].replace(",", ".")
    at = None if found["at"] is None else float(found["at"])
    return Shown(name, float(number), len(number.partition(".")[2]), unit, at)
