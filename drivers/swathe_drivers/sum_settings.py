"""The keys of a sum or exclusive or in a table of settings, for lines and for frames."""

from typing import Annotated

from pydantic import Field

from swathe_drivers.settings import SettingProblem, SettingsTable


class SumTable(SettingsTable):
    """How a sum of bytes is sent."""

    negated: bool = False
    """Whether it is what makes sum and checksum add up to 0: a two's complement as a rule."""
    mask: Annotated[int, Field(ge=1, le=0xFFFF)] | None = None
    """The bits of the sum that are sent; None: all."""
    not_below: Annotated[int, Field(ge=1, le=0xFF)] | None = None
    """What is added to a sum below it, so that it is no control character."""
    modulo: Annotated[int, Field(ge=2, le=0x10000)] | None = None
    """What the sum is modulo; None: 256 or 65536, by its kind, and 255 of Fletcher's two."""

    def sum_problems(self, kind: str, size: int) -> list[SettingProblem]:
        """Return what is wrong with a checksum of a `kind`, which has `size` bytes."""
        found: list[SettingProblem] = []
        if (self.mask or 0) >> (8 * size):
            requirement = f"must have at most {8 * size} bits, those of the sum"
            found.append((("mask",), requirement, self.mask))
        elif kind.startswith("xor"):
            found += [
                ((key,), f"must be left out with {kind!r}, which is no sum", getattr(self, key))
                for key in ("negated", "modulo")
                if getattr(self, key)
            ]
        elif kind == "fletcher16":
            if self.modulo not in (None, 255, 256):
                found.append((("modulo",), "must be 255 or 256 with 'fletcher16'", self.modulo))
            found += [
                ((key,), "must be left out with 'fletcher16'", getattr(self, key))
                for key in ("negated", "mask", "not_below")
                if getattr(self, key)
            ]
        elif self.modulo is not None:
            if self.modulo > 1 << 8 * size:
                requirement = f"must be <= {1 << 8 * size}, what {kind!r} can hold"
                found.append((("modulo",), requirement, self.modulo))
            found += [
                ((key,), "must be left out with 'modulo'", getattr(self, key))
                for key in ("mask", "not_below")
                if getattr(self, key) is not None
            ]
        return found
