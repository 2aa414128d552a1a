"""A short move of one axis: what the controller and the encoders show of it, and what that means."""

from __future__ import annotations

from dataclasses import dataclass

from swathe.display_units import DisplayUnits
from swathe.live.crawl.drive import REACHED_MM
from swathe.station import AxisSettings
from swathe.units import MM_PER_INCH

__all__ = ["MoveFinding", "Moved", "ShortMove", "tolerance_of"]

# Nearer than this share to 25.4, or to its reciprocal, a ratio is that of inches and millimetres.
_NEAR = 0.1
# Common practice, no source: a tenth is to be found, and an encoder wheel is a few percent off.
_SHARE = 0.07
_SMALLEST_MM = 0.5
_COUNTS = 2


def tolerance_of(length: float, axis: AxisSettings) -> float:
    """Return by how much an encoder may differ from a short move, mm.

    Args:
        length: of the move, mm.
        axis: of the encoder.
    """
    return max(_SHARE * length, _SMALLEST_MM, axis.backlash + _COUNTS / axis.scale)


@dataclass(frozen=True, slots=True)
class Moved:
    """What a short move has come to, each way in mm, positive in the direction of the command.

    Attributes:
        reported: by the controller.
        measured: by the axis's own encoder; None where that has no position.
        across: by the encoder of the other axis; None without one.
    """

    reported: float
    measured: float | None
    across: float | None


@dataclass(frozen=True, slots=True)
class MoveFinding:
    """What is wrong with a short move.

    Attributes:
        text: command, report, measurement, the likely cause and the keys of the station file.
        certain: neither wheels that slip nor a crawler that is stuck explain it.
    """

    text: str
    certain: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortMove:
    """A short move of one axis.

    Attributes:
        axis: that is moved.
        other: the other axis that has an encoder; empty without one.
        length: commanded, mm; 0 while nothing is.
        encoded: whether the axis has an encoder.
        tolerance: of both encoders, mm.
        units: in which lengths are written.
    """

    axis: str
    other: str
    length: float
    encoded: bool
    tolerance: float
    units: DisplayUnits

    def beyond(self, moved: Moved) -> str:
        """Return how an encoder left the bounds of the move while it is under way; empty if none did."""
        at, measured, across = self.units.place_text, moved.measured, moved.across
        if across is not None and abs(across) > self.tolerance:
            text = f"the encoder of {self.other} moved by {at(across)}"
        elif measured is not None and measured > self.length + self.tolerance:
            text = f"the encoder of {self.axis} moved by {at(measured)}"
        elif measured is not None and measured < -self.tolerance:
            text = f"the encoder of {self.axis} moved by {at(measured)}, the other way"
        else:
            return ""
        if not self.length:
            device = f"see {self.axis}.device, {self.axis}.counts and what moves the crawler"
            return f"{text} before anything was commanded: {device}"
        return f"first move of {self.axis} by {at(self.length)}: {text}"

    def finding(self, moved: Moved) -> MoveFinding | None:
        """Return what is wrong with the move, at rest after it; None if nothing is.

        Where it was stopped, or the machine rests elsewhere, report and encoder are compared all the same.
        """
        bound, axis = self.tolerance, self.axis
        machine = f"motion.protocol.axes.{axis}"
        reported, measured, across = moved.reported, moved.measured, moved.across
        if across is not None and abs(across) > bound:
            little = measured is not None and abs(measured) < abs(across) / 2
            cause = "the axes are swapped" if little else "both axes move"
            cause = f"the encoder of {self.other} moved by {self.units.place_text(across)}: {cause}"
            keys = f"{machine}, {axis}.device and {axis}.counts"
            return self._found(moved, cause, keys, certain=True)
        if not self.encoded:
            return None
        if measured is None:
            cause = "the encoder has no position"
            return self._found(moved, cause, f"{axis}.device", certain=False)
        if abs(measured - reported) <= bound:
            return None
        ratio = measured / reported if abs(reported) > REACHED_MM else None
        scale = f"{machine}.scale"
        if ratio is not None and _is_inch(abs(ratio)):
            sign = " and has the other sign" if ratio < 0 else ""
            keys = f"motion.protocol.arm (the controller's units), {scale}, {axis}.counts_per_mm"
            return self._found(moved, f"one of the two is in inches{sign}", keys, certain=True)
        if measured < -bound:
            keys = f"{axis}.reversed and the sign of {scale}"
            return self._found(moved, "one of the two has the wrong sign", keys, certain=True)
        if measured <= bound:
            cause = "the motor does not move the crawler, or its encoder is dead"
            keys = f"drives and wheels, {machine}, {axis}.device and {axis}.counts"
            return self._found(moved, cause, keys, certain=False)
        cause = "one of the two has another scale"
        certain = measured > max(reported, 0.0) + bound
        if not certain:
            cause += ", or the wheels slip"
        return self._found(moved, cause, f"{scale} and {axis}.counts_per_mm", certain=certain)

    def agreed(self, moved: Moved) -> str:
        """Return what was compared, of a move with nothing wrong."""
        at = self.units.place_text
        text = f"{self.axis} {at(self.length)} commanded, {at(moved.reported)} reported"
        if moved.measured is None:
            return f"{text}, no encoder to compare with"
        return f"{text}, {at(moved.measured)} measured by its encoder"

    def _found(self, moved: Moved, cause: str, keys: str, *, certain: bool) -> MoveFinding:
        at, measured, reported = self.units.place_text, moved.measured, moved.reported
        numbers = f"{at(self.length)} commanded, {at(reported)} reported by the controller"
        if measured is not None:
            numbers += f", {at(measured)} measured by the encoder"
            if abs(reported) > REACHED_MM:
                numbers += f" ({measured / reported:.3g} times as far)"
        return MoveFinding(f"first move of {self.axis}: {numbers}: {cause}; see {keys}", certain)


def _is_inch(ratio: float) -> bool:
    return any(abs(ratio - inch) <= _NEAR * inch for inch in (MM_PER_INCH, 1 / MM_PER_INCH))
