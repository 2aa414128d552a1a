"""The text of a record while a survey is scanned is that of the whole record, byte for byte."""

from __future__ import annotations

from typing import Any

import pytest

from daemon.surveys import RUNS, TEXT
from swathe.pipeline import Pipeline
from swathe.station import parse_station
from swathe.store import RecordText, record_bytes, record_of, record_text

ENTRIES = [entry for run in RUNS for entry in run]
MOMENTS = {*range(5, len(ENTRIES), len(ENTRIES) // 25), len(ENTRIES) - 1}


def test_text_is_that_of_the_whole_record() -> None:
    """At each moment, whatever changed since the last, and with lines at the end."""
    pipeline, text = Pipeline(parse_station(TEXT, "bench.toml")), RecordText()
    gaps = set()
    for number, entry in enumerate(ENTRIES):
        pipeline.feed(entry)
        if number in MOMENTS:
            whole = number == len(ENTRIES) - 1
            record, made = text.take(pipeline, with_lines=whole)
            assert record.gaps == ()
            assert made() == record_bytes(record_of(pipeline, with_lines=whole))
            gaps.add(pipeline.coverage.gaps.count)
    assert max(gaps) > 1
    assert 0 in gaps
    assert any(gap.closed for gap in pipeline.coverage.gaps)  # one that was described while open


def test_only_changed_gaps_are_described(monkeypatch: pytest.MonkeyPatch) -> None:
    """What has not changed is not described again; another survey's gaps all are."""
    described: list[int] = []
    describe = record_text._described

    def noted(gap: Any, *others: Any) -> Any:
        described.append(gap.number)
        return describe(gap, *others)

    monkeypatch.setattr(record_text, "_described", noted)
    text = RecordText()
    pipelines = [Pipeline(parse_station(TEXT, "bench.toml")) for _ in range(2)]
    for entry in RUNS[0]:
        for pipeline in pipelines:
            pipeline.feed(entry)
    for pipeline in pipelines:
        count = pipeline.coverage.gaps.count
        text.take(pipeline, with_lines=False)[1]()
        assert described == list(range(1, count + 1))
        described.clear()
        text.take(pipeline, with_lines=False)[1]()
        assert described == []
