"""A daemon whose loop hangs in C code, with the interpreter's lock, once its crawler moves."""

from __future__ import annotations

import asyncio
import re
import sys
from pathlib import Path

from swathe.live import Daemon
from swathe.station import read_station, survey_folder
from swathe.store import SurveyFolder

__all__: list[str] = []


class _Hung:
    def show(self, daemon: Daemon) -> None:
        """Begin a search that takes longer than anybody lives, as the crawler passes 100 mm."""
        crawl = daemon.crawl
        if crawl is None or crawl.report is None or not crawl.machine.may_move:
            return
        if crawl.report.place[0] > 100.0:
            print("hung", flush=True)
            re.fullmatch(r"(\d+)+x", "7" * 60)


def _main() -> None:
    path = Path(sys.argv[1])
    station, text = read_station(path)
    folder = SurveyFolder(survey_folder(station, path))
    asyncio.run(Daemon(station, text, folder, armed=True, observer=_Hung()).run())


if __name__ == "__main__":
    _main()
