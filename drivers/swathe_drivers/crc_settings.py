"""The keys of a CRC in a table of settings, for lines and for frames."""

from typing import Literal

from pydantic import Field

from swathe_drivers.checksums import Crc, CrcParameters
from swathe_drivers.settings import SettingProblem, SettingsTable


class CrcTable(SettingsTable):
    """A CRC by the parameters of the public catalogue of parametrised CRC algorithms."""

    kind: Literal["crc"]
    width: Literal[8, 16, 32]
    poly: int = Field(ge=1)
    """Without its highest bit, that of the width."""
    init: int = Field(default=0, ge=0)
    reflect_in: bool = False
    reflect_out: bool = False
    xorout: int = Field(default=0, ge=0)

    def crc(self) -> Crc:
        """Computes it."""
        return Crc(
            CrcParameters(
                width=self.width,
                poly=self.poly,
                init=self.init,
                reflect_in=self.reflect_in,
                reflect_out=self.reflect_out,
                xorout=self.xorout,
            )
        )

    def width_problems(self) -> list[SettingProblem]:
        """Return what is wrong with the parameters."""
        requirement = f"must have at most {self.width} bits, the width"
        values = (("poly", self.poly), ("init", self.init), ("xorout", self.xorout))
        return [((key,), requirement, value) for key, value in values if value >> self.width]
