"""``swathe check``: what is wrong in a station file and at its ports, or in a survey on disk."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Annotated

import typer

from swathe.cli.app import Exit, app, console, say
from swathe.cli.copy import say_comparison
from swathe.object_storage import survey_path

__all__ = ["check"]


@app.command()
def check(
    path: Annotated[
        Path,
        typer.Argument(
            parser=survey_path, help="The station file, or a survey: folder or URL.", metavar="PATH"
        ),
    ],
    seconds: Annotated[
        float, typer.Option(min=0, help="How long to listen at the ports; 0 opens none.")
    ] = 3.0,
    moved: Annotated[
        str | None,
        typer.Option(
            help="Axis and by how much the probe is moved while listening, such as 'scan 100 mm';"
            " without a length it is asked for."
        ),
    ] = None,
    copy: Annotated[
        str,
        typer.Option("--copy", metavar="URL", help="Of a survey: compare it with its copy there."),
    ] = "",
    repair: Annotated[
        bool,
        typer.Option(
            "--repair", help="Of a survey: write derived files again that are not verified."
        ),
    ] = False,
) -> None:
    """Validate a station file and test its ports, or verify a survey folder.

    A crawler is asked for its position; it is neither armed nor moved. Of a survey folder, journal,
    record, arrays and picture are compared with their SHA-256 digests. Exit code 0: all is good;
    1: the station file or a port is not, derived files of the survey are not verified, or its copy
    differs; 5: the
    journal of the survey is damaged.
    """
    if path.is_dir():
        if moved is not None:
            raise typer.BadParameter("'--moved' is of a station file", param_hint="--moved")
        code = _check_survey(path, repair=repair)
        if copy and not say_comparison(path, copy):
            code = code or Exit.ERROR
        raise typer.Exit(code)
    if repair or copy:
        name = "--repair" if repair else "--copy"
        raise typer.BadParameter(f"'{name}' is of a survey folder", param_hint=name)
    if moved is not None:
        from swathe.cli.check_axis import check_axis

        raise typer.Exit(Exit.OK if check_axis(path, moved, seconds) else Exit.ERROR)
    _check_station(path, seconds)


def _check_survey(path: Path, *, repair: bool) -> int:
    """Verify a survey, and repair its derived files; return the exit code."""
    from swathe.errors import SurveyError
    from swathe.report.picture import draw_survey
    from swathe.report.survey_check import survey_check_lines
    from swathe.store import (
        SurveyFolder,
        advice,
        check_survey,
        ending_text,
        read_survey_record,
        repair_survey,
    )

    folder = SurveyFolder(path)
    folder.require()
    if folder.written_now:
        message = "a run writes to it: check it when that has ended"
        raise SurveyError(path, message)
    # Not locked: a survey on a medium that takes no writing is checked as well.
    with console.status("reading the survey"):
        found = check_survey(folder)
    for line in survey_check_lines(folder, found):
        say(line)
    if repair and folder.stored_away:
        raise SurveyError(path, advice(folder, ""))
    if repair and found.faults:
        with folder:
            found = check_survey(folder)
            drawn = folder.picture.name in found.digests.files
            with console.status("reading the journal"):
                aside = repair_survey(folder, found.faults)
            if drawn or any(fault.name == folder.picture.name for fault in found.faults):
                draw_survey(folder)
            if aside:
                say(f"what did not match is kept in {folder.path / aside}")
            found = check_survey(folder)
        say("after the repair:")
        for line in survey_check_lines(folder, found):
            say(line)
    with contextlib.suppress(SurveyError):  # a record that cannot be read is one of the faults
        if text := ending_text(folder, read_survey_record(folder.record)):
            say(text)
    if found.damage:
        return Exit.JOURNAL_DAMAGED
    return Exit.ERROR if found.faults else Exit.OK


def _check_station(station: Path, seconds: float) -> None:
    from swathe.live.asking import ask_machine
    from swathe.live.listening import listen_all
    from swathe.live.live_probes import LiveProbes
    from swathe.station import areas_in, read_station, survey_folder
    from swathe.station.describe import summarize_station

    read = {area: read_station(station, area=area)[0] for area in areas_in(station) or [""]}
    for area, settings in read.items():
        say(f"{station}{f', area {area}' * bool(area)}: the file is good")
        for line in summarize_station(settings):
            say(f"  {line}")
        say(f"  survey folder {survey_folder(settings, station)}")
    if not seconds:
        return
    bad = 0
    settings = next(iter(read.values()))
    say(f"listening for {seconds:g} s")
    probes = LiveProbes(settings)
    reports = list(listen_all(settings, seconds, probes=probes))
    texts, all_read = probes.lines()
    if settings.motion is not None:
        reports.append(ask_machine(settings.motion, seconds, settings.display))
    for report in reports:
        bad += not report.good
        mark = "good" if report.good else "BAD"
        say(f"{report.device}: {mark}, {report.summary}")
        for line in report.lines:
            say(f"    {line}")
    for text in texts:
        say(text)
    raise typer.Exit(Exit.OK if all_read and not bad else Exit.ERROR)
