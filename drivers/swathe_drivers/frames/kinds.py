"""Frames of several kinds: each frame belongs to the first kind that it fits.

A frame fits by its constant fields and its length. One that has a kind's constants and another length is
a fault of its length; one that fits none is of another kind.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from swathe_drivers.chunkwise import joined
from swathe_drivers.decoding import RecordDecoder
from swathe_drivers.frames.checker import Checker
from swathe_drivers.frames.decoder import FramesDecoder
from swathe_drivers.frames.framer import Frames
from swathe_drivers.frames.making import make_framer
from swathe_drivers.frames.settings import FramesSettings
from swathe_drivers.frames.values import waveform_format
from swathe_drivers.held_axes import AxisHolder, leading, with_held
from swathe_drivers.kinds import KindRows, KindsJoiner, joined_abilities, passed_over
from swathe_drivers.kinds_choice import KindsAsked, Misfits, Rows
from swathe_drivers.record_values import Bad
from swathe_drivers.records import Batch, FaultReason


class FrameKindsDecoder(RecordDecoder):
    """Decodes frames of several kinds; see `swathe_drivers.abc.Decoder`."""

    def __init__(self, settings: FramesSettings, *, ns_per_byte: int = 0) -> None:
        """Take checked settings with several kinds."""
        kinds = settings.kinds
        each = [kind.abilities(waveform_format(kind)) for kind in kinds]
        held = settings.held_axes
        abilities = joined_abilities(leading(each, held), settings.numbers)
        abilities = with_held(abilities, each, held) if held else abilities
        super().__init__(abilities)
        self._kinds = [FramesDecoder(kind, ns_per_byte=ns_per_byte) for kind in kinds]
        self._ignores = settings.other_frames == "ignore"
        checksum = settings.checksum
        checker = None if checksum is None else Checker(checksum, settings.byte_order, settings.end)
        self._framer, is_checked = make_framer(settings, checker, ns_per_byte)
        for kind in self._kinds:
            kind.is_checked = is_checked
            kind.is_among_others = True
        self._passed_over = [one.passes_over for one in each]
        self._joiner = KindsJoiner(abilities, self._empty, each, settings.numbers)
        self._axes = [one.axes for one in each]
        self._holder = AxisHolder(abilities.axes, held)
        self._asked = KindsAsked([kind.answered for kind in settings.kinds])

    def asked(self, request: bytes, offset: int) -> None:
        """Take note of what was sent; see `swathe_drivers.abc.ToldDecoder`."""
        self._asked.asked(request, offset)

    @property
    def pending(self) -> int:
        """Bytes of a frame that has only begun, or of a fault that is not yet over."""
        return self._framer.pending

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        """Decode the next chunks, each with the time of its arrival; raises nothing."""
        if self._holder.holds and len(chunks) > 1:  # which faults are listed depends on these
            return joined([self.feed_chunks([chunk]) for chunk in chunks])
        return self._decode(self._framer.feed_chunks(chunks))

    def reset(self, offset: int) -> Batch:
        """Drop what is pending, the frame that has begun as `partial`; continue at byte `offset`."""
        batch = self._decode(self._framer.reset(offset))
        self._joiner.forget()
        self._holder.forget()
        self._asked.forget()
        return batch

    def cut(self) -> Batch:
        """Drop the frame that has only begun; see `swathe_drivers.abc.CuttingDecoder`."""
        return self._decode(self._framer.cut())

    def _decode(self, frames: Frames | None) -> Batch:
        if frames is None:
            return self._empty
        # What became of bytes that are no frame: the first kind accounts for it.
        between = replace(
            frames.only(np.empty(0, np.int64)),
            faults=frames.faults,
            counts=Counter(frames.counts),
            fault_bytes=frames.fault_bytes,
            ignored_bytes=frames.ignored_bytes,
        )
        batches = [self._holder.doubt(self._kinds[0].decode(between))]
        held: list[tuple[int, KindRows]] = []
        misfits = Misfits(
            len(self._kinds),
            wrong=FaultReason.LENGTH,
            unknown=FaultReason.UNKNOWN_FRAME,
            ignores=self._ignores,
        )

        def take(number: int, rest: Rows) -> Rows:
            kind = self._kinds[number]
            batch, others = _take(kind, frames, rest, misfits)
            if batch is not None:
                found = kind.take_rows()
                held.extend([] if found is None else [(number, found)])
                batch = self._holder.widened(batch, self._axes[number])
                batches.append(passed_over(batch, found) if self._passed_over[number] else batch)
            return others

        rest = self._asked.share_out(frames.offsets + frames.sizes - 1, take)
        if rest.size:
            none = np.empty(0, np.int64), np.empty((0, 0), np.uint8)
            bad = misfits.faults(rest)
            refused = self._kinds[0].decode_rows(frames.only(rest), *none, bad)
            batches.append(self._holder.doubt(refused))
        batch = self._joiner.join(batches, held)
        return self._holder.filled(batch, [(one.offsets, one.columns) for _, one in held])


def _take(
    kind: FramesDecoder, frames: Frames, rest: Rows, misfits: Misfits
) -> tuple[Batch | None, Rows]:
    """Decode those of the frames `rest` that are of a kind; return them, if any, and the others."""
    bad: Bad = {}
    rows, content = kind.choose(frames.only(rest), bad)
    mine, places, own = misfits.own(bad, rest, begins=kind.has_constants)
    batch = None
    if mine.any():
        batch = kind.decode_rows(frames.only(rest[mine]), places[rows], content, own)
    return batch, rest[~mine]
