"""Changing the gates of a station file: in a draft first, in the file itself on request.

The draft is the whole text, so that it is validated as the file is. Comments, order and layout of the
file are kept.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from swathe.echo import GateSettings
from swathe.errors import Problem, StationError, SwatheError
from swathe.station.areas import Chosen
from swathe.station.load import parse_station
from swathe.station.model import Station

__all__ = ["GATE_KEYS", "GateChange", "StationEditor"]

GATE_KEYS = ("start", "width", "threshold", "measure", "polarity", "after")
"""Keys of a gate that can be changed; its name is how others refer to it."""


@dataclass(frozen=True, slots=True)
class GateChange:
    """A key of a gate that differs from the file.

    Attributes:
        key: dotted, such as ``echo.gate[0].start``.
        gate: name of the gate.
        before: as written in the file; the default where the file does not have the key.
        after: as in the draft.
    """

    key: str
    gate: str
    before: str
    after: str

    def __str__(self) -> str:
        return f"{self.key} ({self.gate}): {self.before} -> {self.after}"


class StationEditor:
    """A station file and a draft of it.

    Args:
        path: of the station file.
        area: which of its areas is in force; empty where it has none.
        operator: instead of the one that the file names.
        parse: validates a text of the file, as `parse_station` does.

    Attributes:
        path: of the station file.
        text: of the draft.
        station: that the draft describes.

    Raises:
        StationError: the file cannot be read or is invalid.
    """

    def __init__(
        self,
        path: Path,
        *,
        area: str = "",
        operator: str = "",
        parse: Callable[..., Station] = parse_station,
    ) -> None:
        self.path = path
        self._area = area
        self._chosen = Chosen(area=area, operator=operator)
        self._parse = parse
        self._read: dict[str, list[Any] | None] = {}
        self._load()

    def _load(self) -> None:
        try:
            self._bytes = self.path.read_bytes()
            self._saved = self.text = self._bytes.decode("utf-8")
            tomlkit.parse(self.text)
        except (OSError, UnicodeDecodeError, TOMLKitError) as error:
            problem = Problem(
                "station file", "must be a readable text of TOML in UTF-8", str(error)
            )
            raise StationError(self.path, [problem]) from error
        self.station = self._station_of(self.text)

    @property
    def saved_text(self) -> str:
        """Text of the file as it was read or written last."""
        return self._saved

    @property
    def changes(self) -> list[GateChange]:
        """What differs from the file, in the order of the gates and their keys."""
        before, after = self._gates_of(self._saved), self._gates_of(self.text)
        if before is None or after is None:
            return []
        return [
            GateChange(f"{self._prefix}echo.gate[{k}].{key}", str(new["name"]), was, now)
            for k, (old, new) in enumerate(zip(before, after, strict=True))
            for key in GATE_KEYS
            if (was := _written(old, key)) != (now := _written(new, key))
        ]

    def values(self, gate: str) -> dict[str, str]:
        """Return the keys of a gate as written in the draft, with the defaults of those that are not.

        Raises:
            StationError: there is no such gate.
        """
        number = self._number(gate)
        gates = self._gates_of(self.text)
        if gates is not None:
            return {key: _written(gates[number], key) for key in GATE_KEYS}
        assert self.station.echo is not None  # noqa: S101  as it has this gate
        settings = self.station.echo.gate[number]
        units = {"start": " us", "width": " us", "threshold": " %"}
        return {
            key: f"{getattr(settings, key):g}{units[key]}"
            if key in units
            else str(getattr(settings, key))
            for key in GATE_KEYS
        }

    @property
    def locked(self) -> str:
        """Why the gates cannot be changed here; empty where they can."""
        if self.station.echo is None:
            return "the instrument sends no A-scans: there are no gates"
        if self._gates_of(self.text) is None:
            return f"the gates are in {self.station.include}, which other station files share"
        return ""

    def change(self, gate: str, key: str, value: str) -> Station:
        """Change a key of a gate in the draft; return the station that it then describes.

        Args:
            gate: its name.
            key: one of `GATE_KEYS`.
            value: as in a station file, such as ``0.6 us``.

        Raises:
            StationError: the value is refused, by itself or with the other tables; the error names
                the key, and the draft is as before.
        """
        number = self._number(gate)
        place = f"{self._prefix}echo.gate[{number}].{key}"
        if key not in GATE_KEYS:
            remedy = f"can be changed: {', '.join(GATE_KEYS)}"
            raise self._error(Problem(place, "cannot be changed here", value, remedy))
        document = tomlkit.parse(self.text)
        gates = self._gates_in(document)
        if gates is None:
            raise self._error(Problem(place, "cannot be changed here", value, self.locked))
        try:
            gates[number][key] = value
        except (TOMLKitError, ValueError, TypeError) as error:
            raise self._error(Problem(place, f"must be a text: {error}", value)) from error
        text = _with_line_ends_of(self.text, tomlkit.dumps(document))
        # Nothing but this key may differ, whatever the file looks like.
        expected = tomllib.loads(self.text)
        self._gates_in(expected)[number][key] = value
        if tomllib.loads(text) != expected:
            remedy = "write each gate as a table [[echo.gate]] of its own"
            raise self._error(Problem(place, "cannot be changed alone", value, remedy))
        self.station = self._station_of(text)
        self.text = text
        return self.station

    def revert(self) -> Station:
        """Let the draft be the file again, as it was read or written last; return its station."""
        self.text = self._saved
        self.station = self._station_of(self.text)
        return self.station

    def save(self, *, now: datetime | None = None) -> Path:
        """Replace the file by the draft; return the path of a copy of the file as it was.

        Args:
            now: for the name of the copy; the present time by default.

        Raises:
            SwatheError: the file was changed since it was read, or cannot be written; it is as
                it was.
        """
        target = self.path.resolve()
        stamp = (now or datetime.now(UTC)).strftime("%Y%m%dT%H%M%SZ")
        partial = target.with_name(f".{target.name}.partial")
        try:
            if target.read_bytes() != self._bytes:
                msg = (
                    f"{self.path}: was changed since it was read: nothing is written; open it again"
                )
                raise SwatheError(msg)
            data = self.text.encode("utf-8")
            backup = _free_name(target, stamp)
            shutil.copy2(target, backup)
            # A link of that name, which came with the folder, is not followed.
            partial.unlink(missing_ok=True)
            with partial.open("xb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            shutil.copymode(target, partial)
            partial.replace(target)
            _sync_folder(target.parent)
        except OSError as error:
            with contextlib.suppress(OSError):
                partial.unlink(missing_ok=True)
            msg = f"{self.path}: cannot be written: {error.strerror or error}"
            raise SwatheError(msg) from error
        self._bytes, self._saved = data, self.text
        return backup

    @property
    def _prefix(self) -> str:
        """What stands before the keys of the gates where they are an area's own."""
        return f"area.{self._area}." if self._gates_of_area(tomllib.loads(self.text)) else ""

    def _number(self, gate: str) -> int:
        gates = self.station.echo.gate if self.station.echo is not None else ()
        for number, one in enumerate(gates):
            if one.name == gate:
                return number
        names = ", ".join(repr(one.name) for one in gates) or "none"
        raise self._error(Problem("echo.gate", f"must be one of the gates {names}", gate))

    def _error(self, problem: Problem) -> StationError:
        return StationError(self.path, [problem])

    def _station_of(self, text: str) -> Station:
        folder = self.path.resolve().parent
        return self._parse(text, self.path, chosen=self._chosen, folder=folder)

    def _gates_of(self, text: str) -> list[Any] | None:
        """Return the gates of a text; read again only where the text is another."""
        if text not in self._read:
            kept = {one: self._read[one] for one in (self._saved, self.text) if one in self._read}
            gates = self._gates_in(tomllib.loads(text))
            self._read = {**kept, text: None if gates is None else list(gates)}
        return self._read[text]

    def _gates_in(self, document: Any) -> Any:  # noqa: ANN401  tomlkit's containers
        """Return the list of gates in force within a document; None where it is in another file."""
        own = self._gates_of_area(document)
        return own if own is not None else _within(document, "echo", "gate")

    def _gates_of_area(self, document: Any) -> Any:  # noqa: ANN401  tomlkit's containers
        return _within(document, "area", self._area, "echo", "gate") if self._area else None


def _within(table: Any, *keys: str) -> Any:  # noqa: ANN401  tomlkit's containers
    for key in keys:
        if not isinstance(table, dict) or key not in table:
            return None
        table = table[key]
    return table


def _written(gate: Any, key: str) -> str:  # noqa: ANN401  tomlkit's containers
    """Return a key of a gate as written, or its default."""
    if key in gate:
        return str(gate[key])
    return str(GateSettings.model_fields[key].default)


def _with_line_ends_of(before: str, text: str) -> str:
    """Return a text with line ends as in the one before: a key that was added ends with LF."""
    if "\r\n" not in before:
        return text
    return text.replace("\r\n", "\n").replace("\n", "\r\n")


def _free_name(target: Path, stamp: str) -> Path:
    """Return a name for a copy that no file has."""
    name = target.with_name(f"{target.name}.{stamp}.bak")
    number = 2
    while name.exists() or name.is_symlink():
        name = target.with_name(f"{target.name}.{stamp}-{number}.bak")
        number += 1
    return name


def _sync_folder(folder: Path) -> None:
    """Sync a folder to the disk, where the system can."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
