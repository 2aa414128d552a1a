"""The tables of columns, from what their texts are and mean."""

from collections.abc import Mapping
from typing import Any

from swathe_drivers.suggest.cells import ColumnTexts
from swathe_drivers.suggest.findings import Basis, ColumnGuess
from swathe_drivers.suggest.running import Role
from swathe_drivers.suggest.series import Series

__all__ = ["column_of", "named", "unit_of"]


def unit_of(text: str) -> str | None:
    """The text itself, if it is a unit of those that devices send."""
    known = {
        "MM",
        "IN",
        "INCH",
        "THOU",
        "US",
        "NS",
        "UM",
        "%",
        "DB",
        "USEC",
        '"',
        "\xb5S",
        "C",
        "V",
    }
    return text if text.upper() in known else None


def column_of(at: int, cells: ColumnTexts, role: Role | None, driver: str) -> ColumnGuess:
    """The table of a column."""
    if role is None:
        if cells.kind == "constant":
            text = cells.texts[0]
            if unit_of(text) is not None and at:
                return ColumnGuess(
                    {"is": "ignore"}, Basis.SHOWN, f"always {text!r}: the unit next to it"
                )
            if text and (at == 0 or driver == "pattern"):
                return ColumnGuess(
                    {"is": "constant", "text": text}, Basis.SHOWN, "the same in every line"
                )
            why = f"always {text!r}" if text else "always empty"
            return ColumnGuess({"is": "ignore"}, Basis.GUESS, why)
        why = f"texts such as {cells.texts[0]!r}"
        return ColumnGuess({"is": "ignore"}, Basis.GUESS, why)
    if role.kind == "ignore":
        return ColumnGuess({"is": "ignore"}, role.basis, role.why)
    table: dict[str, Any] = {"is": role.kind}
    if role.kind == "status":
        return ColumnGuess({**table, **role.keys}, role.basis, role.why)
    keys = dict(role.keys)
    notation = dict(cells.notation)
    series = cells.series
    if cells.kind == "time":
        keys = {}
    if role.kind == "quadrature":
        notation = {}
    if (
        role.kind in ("counts", "device_time")
        and role.period is not None
        and cells.kind == "number"
    ):
        power = role.period.bit_length() - 1
        keys |= {"bits": power} if role.period == 1 << power else {"rolls_over_after": role.period}
    signed = notation.pop("signed", False)
    if role.kind == "counts" and (
        signed or (series is not None and "bits" in keys and series.values.min() < 0)
    ):
        keys["signed"] = True
        if (
            series is not None
            and series.span
            and "bits" not in keys
            and "rolls_over_after" not in keys
        ):
            keys["bits"] = series.span.bit_length() - 1
    elif role.kind == "counts" and series is not None and series.span and role.period is None:
        keys["bits"] = series.span.bit_length() - 1
    if role.kind in ("thickness", "time_of_flight") and series is not None:
        keys |= _no_echo(series)
    elif role.kind == "amplitude" and series is not None and series.texts:
        if any(series.texts):
            return ColumnGuess(
                {"is": "ignore"},
                Basis.GUESS,
                f"like an amplitude, but with texts such as {series.texts[0]!r} in it",
            )
        keys["empty"] = "absent"
    return ColumnGuess({**table, **keys, **notation}, role.basis, role.why)


def _no_echo(series: Series) -> dict[str, Any]:
    keys: dict[str, Any] = {}
    whole = [int(one) if one == int(one) and abs(one) < 1e15 else one for one in series.sentinels]
    no_echo: list[Any] = [*whole, *(text for text in series.texts if text)]
    if no_echo:
        keys["no_echo"] = no_echo
    if "" in series.texts:
        keys["empty"] = "no_echo"
    return keys


def named(table: Mapping[str, Any]) -> str:
    """What a column is, in a few words."""
    parts = [str(table["is"])]
    parts += [str(table[key]) for key in ("axis", "text", "unit") if key in table]
    parts += [f"times {table['scale']:g}"] if "scale" in table else []
    parts += [f"{table['bits']} bits"] if "bits" in table else []
    return " ".join(parts)
