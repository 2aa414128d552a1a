"""The survey that is exported, and what every format states about it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from swathe.display_units import DisplayUnits
from swathe.errors import SwatheError
from swathe.pipeline.progress.fields import number_text
from swathe.printable import printable
from swathe.report.calibration import calibration_lines
from swathe.report.gap_table import minimum_with_interval
from swathe.report.missing import missing_lines
from swathe.report.styles import MEASURED_ONLY
from swathe.report.summary import place_lines
from swathe.store import SurveyFolder, SurveyRecord, ending_text, open_arrays, read_verified_record

if TYPE_CHECKING:
    import zarr

__all__ = ["ExportSource", "require"]


@dataclass(frozen=True)
class ExportSource:
    """A survey, read as `gaps` and `evaluate` read it.

    Attributes:
        folder: of the survey.
        record: of the survey.
        unverified: why record and arrays cannot be verified; empty if they are.
    """

    folder: SurveyFolder
    record: SurveyRecord
    unverified: str

    @classmethod
    def of(cls, folder: SurveyFolder) -> ExportSource:
        """Return the source for a survey.

        Raises:
            SurveyError: its record is missing, or is not what was written.
        """
        return cls(folder, *read_verified_record(folder))

    @cached_property
    def arrays(self) -> zarr.Group:
        """The layers; what is read of them is compared with its digest."""
        return open_arrays(self.folder)

    @property
    def units(self) -> DisplayUnits:
        """The unit of lengths in which the survey is read."""
        return self.record.display

    def about(self) -> dict[str, str]:
        """Return what a reader of any format has to know, as texts without line breaks, by name."""
        record = self.record
        progress = record.progress
        found = {
            "part": record.part,
            "survey": record.survey,
            "station": record.station,
            "area": record.area,
            "operators": ", ".join(record.operators or (record.operator,)),
            "runs": str(record.runs),
            "status": record.status,
            "ending": ending_text(self.folder, record),
            "coverage": (
                f"{number_text(progress, 'percent')} % of {progress.required:,} required cells measured, "
                f"{len(record.open_gaps)} gaps open"
            ),
            "missing": _joined(missing_lines(record)),
            "minimum": "" if record.spots else minimum_with_interval(record),
            "place": _joined(place_lines(record)),
            "thickness_by": self._calibration(),
            "delays_ms": ", ".join(f"{name} {ms:g}" for name, ms in record.delays_ms.items()),
            "not_verified": self.unverified,
            "journal_damage": "; ".join(one.text for one in record.journal_damage),
            "written_by": f"swathe {_version()}",
            "caution": MEASURED_ONLY,
        }
        return {name: printable(" ".join(text.split())) for name, text in found.items() if text}

    def _calibration(self) -> str:
        checks = self.record.checks
        failed = sum(not check.passed for check in checks)
        verdicts = f"{failed} of {len(checks)} calibration checks failed" if checks else ""
        lines = calibration_lines(self.record) or ["by the instrument itself; not known here"]
        return _joined([*lines, verdicts or "no calibration check"])


def require(*modules: str) -> None:
    """Check that packages of the extra ``export`` are installed.

    Raises:
        SwatheError: one is not.
    """
    from importlib.util import find_spec

    for name in modules:
        if find_spec(name) is None:
            message = f"{name} is not installed: run `pip install 'swathe[export]'`"
            raise SwatheError(message)


def _joined(lines: list[str]) -> str:
    return "; ".join(line.strip() for line in lines)


def _version() -> str:
    from importlib.metadata import version

    return version("swathe")
