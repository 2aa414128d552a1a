"""Sections on what happened and what the report rests on: events, revisions, files, signatures."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from swathe.document.front import ACCEPTANCE
from swathe.document.material import ReportMaterial
from swathe.document.model import (
    DataTable,
    FactList,
    Paragraph,
    ReportBlock,
    ReportSection,
    SignatureLines,
    TextLines,
    capped,
)
from swathe.journal import SegmentDigest
from swathe.messages import AlarmMessage
from swathe.object_storage import files_of
from swathe.pipeline.progress.fields import count_text, extent_text
from swathe.report.changes import change_lines
from swathe.report.clock import clock_lines
from swathe.report.missing import turns
from swathe.report.revisions import revision_lines
from swathe.report.styles import MEASURED_ONLY
from swathe.report.summary import crawler_report, slip_text
from swathe.report.survey_check import survey_check_lines
from swathe.safe_files import SafeFolder
from swathe.store import SurveyRecord, read_digests
from swathe.store.digests import DIGESTS, digest_of_file
from swathe.store.manifest import MANIFEST

__all__ = ["events_section", "files_section", "signing_section"]

_MOST_ALARMS = 150
_MOST_LINES = 150
_MOST_FILES = 40


def events_section(of: ReportMaterial) -> ReportSection:
    """Return alarms, notes, changes of the station file, slips, and what a crawler did."""
    record = of.record
    blocks: list[ReportBlock] = []
    alarms = record.alarms[-_MOST_ALARMS:]
    if alarms:
        caption = f"Alarms, {len(record.alarms):,}; times are UTC"
        if len(alarms) < len(record.alarms):
            caption += f"; the newest {len(alarms)}, the record has all"
        blocks.append(_alarms(record, alarms, caption))
    else:
        blocks.append(Paragraph("No alarm was raised."))
    for name, lines in (
        ("The computer's clock:", clock_lines(record)),
        ("Slips:", [slip_text(slip, record.display) for slip in record.slips]),
        ("Changes of the station file between runs:", change_lines(record)),
        (
            "Notes:",
            [f"note of {note.time:%Y-%m-%d %H:%M} UTC: {note.text}" for note in record.notes],
        ),
        ("Crawler:", crawler_report(record)),
    ):
        if lines:
            kept = capped(lines, _MOST_LINES, "entries")
            blocks += [Paragraph(name), TextLines(tuple(kept))]
    if lines := revision_lines(record):
        blocks += [
            Paragraph("Revisions, by which readings were discarded, moved or restored:"),
            TextLines(tuple(capped(lines, _MOST_LINES, "revisions"))),
        ]
    else:
        blocks.append(Paragraph("No reading was discarded or moved."))
    return ReportSection("Events and revisions", tuple(blocks))


def _alarms(record: SurveyRecord, alarms: tuple[AlarmMessage, ...], caption: str) -> DataTable:
    rows = []
    for alarm in alarms:
        by = (
            ""
            if alarm.acknowledged is None
            else f"{alarm.acknowledged_by}, {alarm.acknowledged:%H:%M}"
        )
        rows.append(
            (
                str(alarm.number),
                f"{alarm.since:%Y-%m-%d %H:%M:%S}",
                "lasts" if alarm.until is None else f"{alarm.until:%H:%M:%S}",
                str(alarm.kind),
                f"{alarm.detail}{_where(record, alarm)}",
                by,
            )
        )
    heads = ("no.", "since", "until", "kind", "what", "acknowledged")
    return DataTable(caption, heads, tuple(rows), (True,) * 6)


def _where(record: SurveyRecord, alarm: AlarmMessage) -> str:
    units = record.display
    scan_turn, index_turn = turns(record)
    parts = [
        f"{name} {units.with_unit(extent_text(extent, turn, units))}"
        for name, extent, turn in (
            ("scan", alarm.scan, scan_turn),
            ("index", alarm.index, index_turn),
        )
        if extent is not None
    ]
    return f" ({', '.join(parts)})" if parts else ""


def files_section(of: ReportMaterial) -> ReportSection:
    """Return by which files the report can be traced, and whether they are as they were written."""
    files = files_of(of.folder.path)
    digests = read_digests(files) if of.check is None else of.check.digests
    blocks: list[ReportBlock] = []
    if of.check is None:
        blocks.append(
            Paragraph(f"The files were not compared with their digests: {of.no_check}.", "caution")
        )
    else:
        when = f"{of.wishes.made:%Y-%m-%d %H:%M} UTC"
        blocks += [
            Paragraph(
                f"Every file of the survey was read and compared as the report was made, {when}:"
            ),
            TextLines(tuple(survey_check_lines(of.folder, of.check))),
        ]
    facts = [("Survey", f"{of.record.survey}, in the folder {of.folder.path.resolve().name}")]
    record_digest = digests.files.get(of.folder.record.name)
    if record_digest is not None:
        facts.append((f"SHA-256 of {of.folder.record.name}", record_digest.sha256))
    if (log := digest_of_file(files, DIGESTS)) is not None:
        facts.append(
            (f"SHA-256 of {DIGESTS}", f"{log.sha256}\nit lists those of all derived files")
        )
    facts.append(("Manifest", _manifest(files)))
    blocks.append(FactList(tuple(facts)))
    if digests.journal:
        blocks.append(_journal(list(digests.journal.values())))
    blocks.append(
        Paragraph(
            "A digest shows that a file is the one that was written, not who wrote it; a signed manifest "
            "does. From the journal, `swathe rebuild` computes arrays, record and figures again.",
            "note",
        )
    )
    return ReportSection("Files and digests", tuple(blocks))


def _manifest(files: SafeFolder) -> str:
    found = digest_of_file(files, MANIFEST)
    if found is None:
        return "none was written (`swathe manifest`)"
    signed = digest_of_file(files, f"{MANIFEST}.sig") is not None
    how = (
        "a signature is next to it, which this report did not verify"
        if signed
        else "it is not signed"
    )
    return f"{MANIFEST}, SHA-256 {found.sha256}; {how}"


def _journal(listed: Sequence[SegmentDigest]) -> DataTable:
    caption = f"Journal, {count_text(len(listed), 'file')}: bytes with a digest, as recorded"
    if len(listed) > _MOST_FILES:
        caption += f"; the newest {_MOST_FILES}, {DIGESTS} has all"
    return DataTable(
        caption,
        ("file", "bytes", "SHA-256"),
        tuple(
            (f"{one.segment:04d}.mcap", f"{one.size:,}", one.digest)
            for one in listed[-_MOST_FILES:]
        ),
        (True, False, True),
    )


def signing_section(of: ReportMaterial) -> ReportSection:
    """Return cautions and lines to sign."""
    return ReportSection("Cautions and signatures", tuple(_signing(of)))


def _signing(of: ReportMaterial) -> Iterator[ReportBlock]:
    entries, record = of.entries, of.record
    operators = ", ".join(record.operators or (record.operator,) * bool(record.operator))
    yield Paragraph(ACCEPTANCE, "caution")
    yield Paragraph(MEASURED_ONLY, "caution")
    yield TextLines(
        (
            "What was not seen, or is excluded, may be thinner than anything that was measured.",
            "A pit that is smaller than the beam, or between two lines, may be missed.",
            "Calibration and coverage follow the procedure; what is accepted, the local code.",
        )
    )
    yield SignatureLines(
        (
            ("Examiner", entries.examiner or operators),
            ("Reviewer", entries.reviewer),
            ("Witness", entries.witness),
            ("Responsible engineer", ""),
        )
    )
