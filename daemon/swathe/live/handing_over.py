"""The end of a run: its picture is drawn, and the viewers of its page get the result.

Nothing here changes how the run ended: what fails is a text for the operator.
"""

from __future__ import annotations

import asyncio
import io
import logging
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

from swathe.store import SurveyFolder, read_verified_record

if TYPE_CHECKING:
    from swathe.page import Page
    from swathe.page.result import ResultFile

__all__ = ["HandingOver"]

_log = logging.getLogger(__name__)

# A browser keeps them in memory; larger data stays on the station's computer. (Our choice, no source.)
_MOST_BYTES = 20 * 1024 * 1024
_FETCH_SECONDS = 5.0


class HandingOver:
    """Draws the picture of a run's survey and offers its files to the viewers of the page.

    Args:
        folder: the survey, locked by the run.

    Attributes:
        picture: path of the picture; None where there is none.
        trouble: why there is none; empty where there is one.
    """

    def __init__(self, folder: SurveyFolder) -> None:
        self._folder = folder
        self.picture: Path | None = None
        self.trouble = ""

    async def at_end(self, page: Page | None) -> None:
        """Draw the picture, then wait some seconds until the viewers have their files."""
        try:
            self.picture = await asyncio.to_thread(self._draw)
            if page is not None and page.viewers:
                files = await asyncio.to_thread(self._files)
                await page.hand_over(files, str(self._folder.path.resolve()), _FETCH_SECONDS)
        except Exception as error:  # noqa: BLE001  the run has ended as it has, with or without it
            self.trouble = f"no picture: {error}" if self.picture is None else str(error)
            _log.warning("the result is not complete: %s", self.trouble, exc_info=error)

    def _draw(self) -> Path:
        from swathe.report.picture import draw_survey

        return draw_survey(self._folder)

    def _files(self) -> list[ResultFile]:
        """Return picture, report and data of the survey; only what is not too large."""
        from swathe.page.result import ResultFile
        from swathe.report import survey_lines

        record = read_verified_record(self._folder).record
        picture = self._folder.picture.read_bytes()
        report = ("\n".join(survey_lines(record)) + "\n").encode()
        name = record.station
        files = [
            ResultFile(f"{name}.png", "Picture", "image/png", picture),
            ResultFile(f"{name}.txt", "Report", "text/plain; charset=utf-8", report),
        ]
        stored = [self._folder.record]
        stored += sorted(path for path in self._folder.zarr.rglob("*") if path.is_file())
        if sum(path.stat().st_size for path in stored) <= _MOST_BYTES:
            packed = io.BytesIO()
            with zipfile.ZipFile(packed, "w") as archive:
                for path in stored:
                    archive.write(path, path.relative_to(self._folder.path))
                archive.writestr(f"{name}.png", picture)
                archive.writestr(f"{name}.txt", report)
            data = packed.getvalue()
            files.append(ResultFile(f"{name}.zip", "Data (zarr)", "application/zip", data))
        return files
