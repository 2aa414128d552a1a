"""Damage of a survey's journal as text."""

from __future__ import annotations

from swathe.pipeline.progress.fields import count_text
from swathe.store import DamageRecord, SurveyRecord

__all__ = ["damage_lines"]


def damage_lines(record: SurveyRecord) -> list[str]:
    """Return what is damaged in the journal: which file and run, when, how many bytes; or nothing."""
    if not record.journal_damage:
        return []
    places = count_text(len(record.journal_damage), "place")
    heading = f"JOURNAL DAMAGED in {places}: what could be read is evaluated, nothing else is"
    return [heading, *(f"    {_line(one)}" for one in record.journal_damage)]


def _line(one: DamageRecord) -> str:
    where = [f"bytes {one.begin:,} to {one.end:,}"] if one.end else []
    where += [f"run {one.run}"] if one.run else []
    if one.since is not None:
        until = "" if one.until is None else f" and {one.until:%H:%M:%S.%f}"[:-3]
        between = "between" if until else "after"
        where.append(f"{between} {one.since:%Y-%m-%d %H:%M:%S.%f}"[:-3] + f"{until} UTC")
    detail = f" ({', '.join(where)})" if where else ""
    return f"journal/{one.file} {one.text}{detail}"
