"""The table ``[echo]`` of a station file: what is measured in an A-scan, and where.

For example, the first back wall under a contact probe::

    [echo]
    time_of_flight = "back wall"
    band = { centre = "5 MHz" }

    [[echo.gate]]
    name = "back wall"
    start = "0.5 us"
    width = "8 us"
    threshold = "20 %"
    measure = "zero_crossing"

With a delay line or a water path, ``interface`` names a gate for its echo, and the back wall's gate
has ``after = "interface"``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from enum import StrEnum
from typing import Annotated

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    model_validator,
)

from swathe.units import Frequency, Percent, TimeOfFlight

__all__ = [
    "ZERO",
    "BandSettings",
    "EchoMeasure",
    "EchoMode",
    "EchoSettings",
    "GateSettings",
    "Polarity",
]

ZERO = "zero"
"""Default reference of a gate's start: time zero of the A-scan."""

_INTERFACE = "interface"

GateName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_. -]{0,63}$")]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=False)


class EchoMeasure(StrEnum):
    """Which point of an echo gives its time."""

    FLANK = "flank"
    PEAK = "peak"
    ZERO_CROSSING = "zero_crossing"


class Polarity(StrEnum):
    """Which half cycles are looked at; ``either`` is full-wave rectification."""

    POSITIVE = "positive"
    NEGATIVE = "negative"
    EITHER = "either"


class EchoMode(StrEnum):
    """Between what the time of flight is taken."""

    FIRST_BACK_WALL = "first back wall"
    ECHO_TO_ECHO = "echo to echo"


class BandSettings(_Table):
    """A band-pass without delay (zero phase), of Gaussian shape, that lowers noise.

    About 1.5 times as wide as the probe's own band it hardly widens the echo. It lowers the echo a
    little (by 18 % at 1.4 times): thresholds and amplitudes are those behind it.
    """

    centre: Frequency = Field(gt=0, description="MHz")
    bandwidth: Percent = Field(
        120.0, gt=0, le=200, description="between its -6 dB points, % of centre"
    )

    @property
    def upper(self) -> float:
        """The upper -6 dB point, MHz."""
        return self.centre * (1 + self.bandwidth / 200)


class GateSettings(_Table):
    """A stretch of the A-scan in which the first echo above the threshold is measured."""

    name: GateName
    start: TimeOfFlight = Field(ge=0, description="from `after`, µs")
    width: TimeOfFlight = Field(gt=0, description="µs")
    threshold: Percent = Field(gt=0, description="% of full screen height")
    measure: EchoMeasure = EchoMeasure.ZERO_CROSSING
    polarity: Polarity = Field(
        Polarity.POSITIVE, description="of the echo's highest half cycle, where it is known"
    )
    flank_level: Percent | None = Field(
        None,
        ge=10,
        le=90,
        description="height of a flank, % of the echo's own highest peak; the threshold if not given",
    )
    after: str = Field(ZERO, description="'zero', 'interface' or an earlier gate, by its echo")

    @model_validator(mode="after")
    def _measure_has_what_it_needs(self) -> GateSettings:
        if self.measure is EchoMeasure.ZERO_CROSSING and self.polarity is Polarity.EITHER:
            msg = (
                "must have polarity 'positive' or 'negative' for measure 'zero_crossing': "
                "choose the sign of the echo's highest half cycle"
            )
            raise ValueError(msg)
        if self.flank_level is not None and self.measure is not EchoMeasure.FLANK:
            msg = (
                f"must have no flank_level for measure '{self.measure}': "
                "remove it, or set measure = 'flank'"
            )
            raise ValueError(msg)
        if self.name == ZERO:
            msg = f"must have another name than '{ZERO}', which is time zero"
            raise ValueError(msg)
        return self


def _as_names(value: object) -> object:
    """Return one name as a list of it."""
    return (value,) if isinstance(value, str) else value


def _listed(names: Iterable[str]) -> str:
    """Return names as a text."""
    return ", ".join(repr(name) for name in names)


class EchoSettings(_Table):
    """How A-scans become times of flight.

    ``first back wall``: the time of the gate's echo, from the interface's echo if there is an
    interface gate, or else from time zero. ``echo to echo``: from the first named gate's echo to
    the second's.
    """

    mode: EchoMode = EchoMode.FIRST_BACK_WALL
    gate: tuple[GateSettings, ...]
    interface: str | None = Field(None, description="name of the interface's gate")
    time_of_flight: Annotated[tuple[str, ...], BeforeValidator(_as_names)] = Field(
        description="name of the back wall's gate, or of both gates for echo to echo"
    )
    band: BandSettings | None = None
    rectified: bool = Field(False, description="the instrument sends rectified A-scans")
    saturation: Percent = Field(
        100.0, gt=0, description="at which the converter clips, % of full screen height"
    )
    allow_saturated: bool = Field(
        False, description="whether a clipped echo is measured; it is flagged all the same"
    )

    @model_validator(mode="after")
    def _gates_fit_together(self) -> EchoSettings:
        for rule in (self._of_names, self._of_time_of_flight, self._of_levels):
            for requirement in rule():
                raise ValueError(requirement)
        return self

    def _of_names(self) -> Iterator[str]:
        """Yield what is wrong with the gates' names and order."""
        names = [gate.name for gate in self.gate]
        if not names:
            yield "must have at least one gate"
        for name in names:
            if names.count(name) > 1:
                yield f"must have gates of different names ({name!r} is there {names.count(name)} times)"
        if self.interface is not None and self.interface not in names:
            yield (
                f"must name a gate as 'interface' ({self.interface!r} is none of {_listed(names)})"
            )
        if _INTERFACE in names and self.interface != _INTERFACE:
            yield f"must have interface = '{_INTERFACE}', or another name for the gate '{_INTERFACE}'"
        for k, gate in enumerate(self.gate):
            parent = self.parent(gate)
            if gate.after == _INTERFACE and parent is None:
                yield f"must name a gate as 'interface', since gate '{gate.name}' comes after it"
            elif parent is not None and parent not in names[:k]:
                yield (
                    f"must list a gate behind the one that it comes after ('{gate.name}' comes "
                    f"after '{parent}', before it: {_listed(names[:k]) or 'none'})"
                )

    def _of_time_of_flight(self) -> Iterator[str]:
        """Yield what is wrong with the gates that give the time of flight."""
        by_name = {gate.name: gate for gate in self.gate}
        wanted = self.time_of_flight
        for name in wanted:
            if name not in by_name:
                yield (
                    f"must name gates in 'time_of_flight' ({name!r} is none of {_listed(by_name)})"
                )
            if name == self.interface:
                yield f"must name back walls' gates in 'time_of_flight' ('{name}' is the interface's)"
        count = 1 if self.mode is EchoMode.FIRST_BACK_WALL else 2
        if len(set(wanted)) != count or len(wanted) != count:
            yield (
                f"must name {'one gate' if count == 1 else 'two gates'} in 'time_of_flight' for "
                f"mode '{self.mode}' (got {_listed(wanted) or 'none'})"
            )
        if count == 2:
            one, other = (by_name[name] for name in wanted)
            if self.parent(one) == self.parent(other) and one.start >= other.start:
                yield (
                    f"must name the earlier gate first in 'time_of_flight' ('{one.name}' starts "
                    f"at {one.start:g} us, '{other.name}' at {other.start:g} us)"
                )

    def _of_levels(self) -> Iterator[str]:
        """Yield what cannot be seen in A-scans as they come."""
        for gate in self.gate:
            if gate.threshold >= self.saturation:
                yield (
                    f"must have thresholds below 'saturation', {self.saturation:g} % "
                    f"(gate '{gate.name}' has {gate.threshold:g} %)"
                )
        if not self.rectified:
            return
        if self.band is not None:
            yield "must have no 'band' when 'rectified', as a band-pass needs both half cycles"
        for gate in self.gate:
            if gate.measure is EchoMeasure.ZERO_CROSSING:
                yield (
                    f"must have measure 'flank' or 'peak' when 'rectified' "
                    f"(gate '{gate.name}' has '{gate.measure}')"
                )
            if gate.polarity is Polarity.NEGATIVE:
                yield f"must have no polarity 'negative' when 'rectified' (gate '{gate.name}' has)"

    def parent(self, gate: GateSettings) -> str | None:
        """Return the name of the gate whose echo `gate` is reckoned from; None is time zero."""
        if gate.after == ZERO:
            return None
        if gate.after == _INTERFACE:
            return self.interface
        return gate.after
