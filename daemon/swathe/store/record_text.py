"""The record of a survey as text, again and again while it is scanned.

A gap that has not changed since is not described again: with thousands of them all else would wait
for that. The text is, byte for byte, what `swathe.store.record.record_bytes` gives of the whole record.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from swathe.messages import GapMessage, Heading, moment
from swathe.pipeline import Pipeline
from swathe.pipeline.cells.gaps import Gap, GapRegister
from swathe.pipeline.progress.snapshots import gap_snapshot
from swathe.store.record import SurveyRecord, record_bytes, record_of

__all__ = ["RecordText"]

_NO_GAPS = b'\n "gaps": []'
_TIME = b'\n   "time": "'
_NO_CELLS = np.empty(0, np.int64)


class _Described(NamedTuple):
    """A gap's text before and behind the time of the record, and the state of the gap that it is of."""

    before: bytes
    behind: bytes
    described: int


class RecordText:
    """Makes the record of one survey; one caller at a time."""

    def __init__(self) -> None:
        self._known: dict[int, _Described] = {}
        self._register: GapRegister | None = None

    def take(
        self, pipeline: Pipeline, *, with_lines: bool
    ) -> tuple[SurveyRecord, Callable[[], bytes]]:
        """Return the record without its gaps, and what makes its text, which may run in another thread.

        Args:
            pipeline: of the survey; it may be fed again while the text is made.
            with_lines: as of `record_of`.
        """
        record = record_of(pipeline, with_lines=with_lines, with_gaps=False)
        register, known = pipeline.coverage.gaps, self._known
        if register is not self._register:  # of a survey that was placed again
            known.clear()
            self._register = register
        changed = []
        for gap in register:
            old = known.get(gap.number)
            if old is None or old.described != gap.described:
                one = copy.copy(gap)
                one.cells = _NO_CELLS
                changed.append(one)
        count, time = register.count, moment(pipeline.time)
        heading: Heading = {"station": record.station, "survey": record.survey, "time": time}

        def text() -> bytes:
            for gap in changed:
                known[gap.number] = _described(gap, pipeline, heading)
            return _with_gaps(record_bytes(record), [known[n + 1] for n in range(count)], heading)

        return record, text


def _described(gap: Gap, pipeline: Pipeline, heading: Heading) -> _Described:
    message = GapMessage.of(gap_snapshot(gap, pipeline.station), heading)
    text = message.model_dump_json(indent=1, by_alias=True).encode().replace(b"\n", b"\n  ")
    before, _, rest = text.partition(_TIME)
    return _Described(before, rest[rest.index(b'"') :], gap.described)


def _with_gaps(text: bytes, gaps: list[_Described], heading: Heading) -> bytes:
    """Return a record's text with its gaps."""
    if not gaps:
        return text
    time = _TIME + _time_text(heading)
    listed = b",\n  ".join([before + time + behind for before, behind, _ in gaps])
    return text.replace(_NO_GAPS, b'\n "gaps": [\n  ' + listed + b"\n ]", 1)


def _time_text(heading: Heading) -> bytes:
    """Return a message's time as it is written."""
    from swathe.messages.base import Message

    text = Message(**heading).model_dump_json(include={"time"})
    return text.partition(':"')[2].partition('"')[0].encode()
