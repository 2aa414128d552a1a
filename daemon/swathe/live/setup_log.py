"""The set-up log: who changed gates and checked the sensitivity where there is no survey yet.

It is a file of JSON lines next to the station file, only ever appended to. The next run journals its
new entries as marks, so that record and report have them. An entry is journalled once in a survey, and
not when it is older than a day: what was set up then says nothing about the instrument now. (Our
choice, no source.)
"""

from __future__ import annotations

import os
import time
import uuid
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from swathe.errors import SwatheError
from swathe.journal import MarkKind
from swathe.live.session import Session
from swathe.safe_files import SafeFolder

__all__ = ["SetupLog", "journal_setup"]

# A log of 100,000 entries.
_MOST_BYTES = 64 << 20
_NEW_NS = 24 * 3_600 * 1_000_000_000
_KINDS = {"sensitivity": MarkKind.SENSITIVITY, "gates": MarkKind.GATES_CHANGED}


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    id: str = Field(pattern=r"^[0-9a-f]{12}$")
    time: str
    made: int = Field(ge=0, description="ns UTC")
    by: str = Field(min_length=1, max_length=80)
    area: str


class _SensitivityEntry(_Entry):
    kind: Literal["sensitivity"]
    measured: float = Field(gt=0)
    reference: float = Field(gt=0)
    tolerance: float = Field(gt=0)
    spread: float = Field(ge=0)
    readings: int = Field(ge=1)
    block: str
    step: float | None


class _GatesEntry(_Entry):
    kind: Literal["gates"]
    changes: tuple[str, ...]
    backup: str


_ENTRY: TypeAdapter[_SensitivityEntry | _GatesEntry] = TypeAdapter(
    Annotated[_SensitivityEntry | _GatesEntry, Field(discriminator="kind")]
)


class SetupLog:
    """The set-up log of a station file.

    Args:
        station: path of the station file.
        area: in force; empty where the file has none.

    Attributes:
        path: of the log.
    """

    def __init__(self, station: Path, *, area: str = "") -> None:
        self.path = station.with_name(f"{station.name}.setup.jsonl")
        self._area = area

    def add(self, kind: Literal["sensitivity", "gates"], *, by: str, **detail: Any) -> None:  # noqa: ANN401  JSON values
        """Append an entry, and sync it to the disk.

        Raises:
            SwatheError: the log cannot be written.
        """
        now = time.time_ns()
        entry = _ENTRY.validate_python(
            {
                "id": uuid.uuid4().hex[:12],
                "time": datetime.fromtimestamp(now / 1e9, UTC).isoformat(timespec="seconds"),
                "made": now,
                "kind": kind,
                "by": by,
                "area": self._area,
                **detail,
            }
        )
        try:
            with SafeFolder(self.path.parent).append(self.path.name) as stream:
                stream.write(entry.model_dump_json().encode() + b"\n")
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            msg = f"{self.path}: cannot be written: {error.strerror}; nothing is recorded"
            raise SwatheError(msg) from error

    def entries(self) -> list[_SensitivityEntry | _GatesEntry]:
        """Return the entries of the area in force, in their order; lines that are none are left out.

        Raises:
            SwatheError: the log cannot be read.
        """
        found: list[_SensitivityEntry | _GatesEntry] = []
        try:
            data = SafeFolder(self.path.parent).read(self.path.name, limit=_MOST_BYTES)
        except FileNotFoundError:
            return found
        except OSError as error:
            msg = f"{self.path}: cannot be read: {error.strerror}"
            raise SwatheError(msg) from error
        for line in data.decode("utf-8", "replace").splitlines():
            try:
                entry = _ENTRY.validate_json(line)
            except ValidationError:
                continue
            if entry.area == self._area:
                found.append(entry)
        return found


def journal_setup(session: Session, log: SetupLog) -> int:
    """Journal the entries of a set-up log that are new to a survey; return their number.

    Args:
        session: a run that is resumed.
        log: of the station file.

    Raises:
        JournalError: the journal cannot be written.
        SwatheError: the log cannot be read.
    """
    now, known = session.utc_now, session.pipeline.setup.entries
    fresh = [
        entry
        for entry in log.entries()
        if now - _NEW_NS <= entry.made <= now and entry.id not in known
    ]
    for entry in fresh:
        detail = entry.model_dump(mode="json", exclude={"kind", "time", "area", "backup"})
        session.mark(_KINDS[entry.kind], **detail)
    return len(fresh)
