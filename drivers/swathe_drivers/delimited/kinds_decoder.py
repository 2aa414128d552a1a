"""Lines of several kinds: each line belongs to the first kind that it fits.

A line that begins as one kind does and has another number of columns is a fault; one that fits none is
of another kind.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from swathe_drivers.chunkwise import joined
from swathe_drivers.decoding import RecordDecoder
from swathe_drivers.delimited.checksum import LineChecker
from swathe_drivers.delimited.settings import TextLineSettings
from swathe_drivers.delimited.text_decoder import (
    TextDecoder,
    cut_off_line,
    dropped_line,
    make_line_framer,
    pass_over,
)
from swathe_drivers.framing import Lines
from swathe_drivers.held_axes import AxisHolder, leading, with_held
from swathe_drivers.kinds import KindRows, KindsJoiner, joined_abilities, passed_over
from swathe_drivers.kinds_choice import KindsAsked, Misfits, Rows
from swathe_drivers.record_values import Bad
from swathe_drivers.records import Batch, FaultReason


class LineKindsDecoder(RecordDecoder):
    """Decodes lines of several kinds; see `swathe_drivers.abc.Decoder`."""

    def __init__(
        self, settings: TextLineSettings, kinds: Sequence[TextDecoder], *, ns_per_byte: int = 0
    ) -> None:
        """Take a decoder for each of `settings.kinds`."""
        each = [kind.abilities for kind in settings.kinds]
        held = settings.held_axes
        abilities = joined_abilities(leading(each, held), settings.numbers)
        abilities = with_held(abilities, each, held) if held else abilities
        super().__init__(abilities)
        self._kinds = tuple(kinds)
        self._passed_over = [one.passes_over for one in each]
        for kind in self._kinds:
            kind.is_among_others = True
        self._ignores = settings.other_lines == "ignore"
        tail = 0
        if settings.checksum is not None:
            tail = LineChecker(settings.checksum, settings.terminator.encode("latin-1")).tail
        self._settings = settings
        self._end_width = len(settings.terminator) + tail
        self._framer = make_line_framer(settings, tail, ns_per_byte)
        self._joiner = KindsJoiner(abilities, self._empty, each, settings.numbers)
        self._axes = [one.axes for one in each]
        self._holder = AxisHolder(abilities.axes, held)
        self._asked = KindsAsked([kind.answered for kind in settings.kinds])

    def asked(self, request: bytes, offset: int) -> None:
        """Take note of what was sent; see `swathe_drivers.abc.ToldDecoder`."""
        self._asked.asked(request, offset)

    @property
    def pending(self) -> int:
        """Bytes of a line that has only begun."""
        return self._framer.pending

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        """Decode the next chunks, each with the time of its arrival; raises nothing."""
        if self._holder.holds and len(chunks) > 1:  # which faults are listed depends on these
            return joined([self.feed_chunks([chunk]) for chunk in chunks])
        lines = self._framer.feed_chunks(chunks)
        if not (lines.starts.size or lines.dropped_bytes or lines.overlong or lines.empty_bytes):
            return self._empty
        lines, passed = pass_over(lines, self._settings, self._end_width)
        # What became of bytes that are no line: the first kind accounts for it.
        batches = [self._holder.doubt(self._kinds[0].refuse(_without_lines(lines), {}))]
        held: list[tuple[int, KindRows]] = []
        misfits = Misfits(
            len(self._kinds),
            wrong=FaultReason.COLUMNS,
            unknown=FaultReason.UNKNOWN_LINE,
            ignores=self._ignores,
        )

        def take(number: int, rest: Rows) -> Rows:
            kind = self._kinds[number]
            batch, others = _take(kind, lines, rest, misfits)
            if batch is not None:
                found = kind.take_rows()
                held.extend([] if found is None else [(number, found)])
                batch = self._holder.widened(batch, self._axes[number])
                batches.append(passed_over(batch, found) if self._passed_over[number] else batch)
            return others

        rest = self._asked.share_out(lines.offsets + lines.lengths - 1, take)
        if rest.size:
            refused = self._kinds[0].refuse(lines.only(rest), misfits.faults(rest))
            batches.append(self._holder.doubt(refused))
        batch = self._joiner.join(batches, held)
        batch = self._holder.filled(batch, [(one.offsets, one.columns) for _, one in held])
        return replace(batch, n_ignored=batch.n_ignored + passed) if passed else batch

    def reset(self, offset: int) -> Batch:
        """Drop the line that has only begun, as one `partial` fault; continue at byte `offset`."""
        self._joiner.forget()
        self._holder.forget()
        self._asked.forget()
        return dropped_line(self._framer, offset, self._empty)

    def cut(self) -> Batch:
        """Cut off the line that has only begun; see `swathe_drivers.abc.CuttingDecoder`."""
        return cut_off_line(self._framer, self._empty)  # what follows it is a fault, too


def _take(
    kind: TextDecoder, lines: Lines, rest: Rows, misfits: Misfits
) -> tuple[Batch | None, Rows]:
    """Decode those of the lines `rest` that are of a kind; return them, if any, and the others."""
    bad: Bad = {}
    rows, fields = kind.choose(lines.only(rest), bad)
    mine, places, own = misfits.own(bad, rest)
    batch = None
    if mine.any():
        batch = kind.decode(lines.only(rest[mine]), places[rows], fields, own)
    return batch, rest[~mine]


def _without_lines(lines: Lines) -> Lines:
    """Return what became of the bytes that are no line."""
    none = np.empty(0, np.int64)
    return Lines(
        data=lines.data,
        block=lines.block,
        starts=none,
        lengths=none,
        offsets=none,
        times=none,
        known=none,
        overlong=lines.overlong,
        severed=lines.severed,
        dropped_bytes=lines.dropped_bytes,
        empty_bytes=lines.empty_bytes,
    )
