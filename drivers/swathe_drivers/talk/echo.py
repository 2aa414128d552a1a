"""Devices that send each command back before they answer: the echo is no part of the answer."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np

from swathe_drivers.abc import CuttingDecoder, Decoder, ToldDecoder
from swathe_drivers.records import MAX_EXCERPT, MAX_FAULTS, Batch, Fault, FaultReason
from swathe_drivers.talk.answers import AnswerFinder

__all__ = ["EchoDecoder", "EchoFinder"]

_MOST_ECHOES: Final = 1 << 16


class EchoFinder:
    """Finds the end of an answer behind the echo of its request."""

    def __init__(self, finder: AnswerFinder) -> None:
        """Take what finds the end of the answer itself."""
        self._finder: Final = finder
        self._left = b""

    @property
    def settles_at(self) -> int | None:
        """As of the answer itself."""
        return self._finder.settles_at

    def begin(self, request: bytes) -> None:
        """A request was sent."""
        self._left = request
        self._finder.begin(request)

    def feed(self, data: bytes, time_ns: int) -> bool:
        """Take the next bytes and return whether the answer is complete with them."""
        count = _common(self._left, data)
        echoed, data = data[:count], data[count:]
        self._left = self._left[count:] if not data else b""
        if echoed and not data:
            return False
        return self._finder.feed(data, time_ns)


class EchoDecoder:
    """Leaves echoes out of what another decoder gets; see `swathe_drivers.abc.Decoder`.

    The bytes right behind a request that are the same as it are its echo; they are counted as
    ignored. What begins like one and continues otherwise is none.
    """

    def __init__(self, decoder: Decoder) -> None:
        """Take the decoder of all other bytes."""
        self._decoder = decoder
        self._begin(0)

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401  abilities of the other decoder
        if name.startswith("_"):
            raise AttributeError(name)
        return getattr(self._decoder, name)

    def _begin(self, offset: int) -> None:
        self._at = offset  # of the next byte that comes
        self._requests: list[tuple[int, bytes]] = []  # whose echo may still come
        self._left = b""  # of an echo that has begun
        self._held = b""  # what came of it
        # Offsets behind echoes in what the decoder gets, and bytes left out up to there.
        self._behind: list[int] = [offset]
        self._removed: list[int] = [0]

    def asked(self, request: bytes, offset: int) -> None:
        """Bytes were sent when so many had come; their echo begins there, if there is one."""
        if self._requests and self._requests[-1][0] == offset:
            self._requests.pop()  # nothing came since: the newer one counts
        self._requests.append((offset, request))

    def feed(self, data: bytes, time_ns: int) -> Batch:
        """Decode one chunk, which arrived at `time_ns`; raises nothing."""
        return self.feed_chunks([(time_ns, data)])

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        """Decode the next chunks, each with the time of its arrival; raises nothing."""
        before = self._removed[-1]
        fed = [(time, self._without_echo(data)) for time, data in chunks]
        batch = self._shifted(self._decoder.feed_chunks(fed))
        keep = -_MOST_ECHOES  # no record is as long as what came between these
        del self._behind[:keep], self._removed[:keep]
        return replace(batch, ignored_bytes=batch.ignored_bytes + self._removed[-1] - before)

    def reset(self, offset: int) -> Batch:
        """Forget the record that has only begun; the stream continues at byte `offset`."""
        held = len(self._held)
        batch = self._shifted(self._decoder.reset(offset))
        self._begin(offset)
        return replace(batch, ignored_bytes=batch.ignored_bytes + held)

    def cut(self) -> Batch:
        """Cut off an echo and a record that have only begun; see `swathe_drivers.abc.CuttingDecoder`."""
        held = self._held
        inner = self._decoder
        if isinstance(inner, CuttingDecoder):
            batch = self._shifted(inner.cut())
        else:
            batch = self._shifted(inner.reset(self._at - len(held) - self._removed[-1]))
        if not held:
            return batch
        detail = "a request was sent before the end of the echo"
        fault = Fault(
            self._at - len(held), len(held), FaultReason.PARTIAL, held[:MAX_EXCERPT], detail
        )
        self._leave_out()
        self._left = b""
        counts = Counter(batch.n_faults) + Counter({FaultReason.PARTIAL: 1})
        return replace(
            batch,
            faults=(*batch.faults, fault)[-MAX_FAULTS:],
            n_faults=dict(counts),
            fault_bytes=batch.fault_bytes + len(held),
        )

    def _without_echo(self, data: bytes) -> bytes:
        """Return what the decoder gets of the next bytes."""
        out = bytearray()
        while data:
            if not self._left and self._requests and self._requests[0][0] <= self._at:
                self._left = self._requests.pop(0)[1]
                self._tell(self._left)
            if self._left:
                count = _common(self._left, data)
                self._held += data[:count]
                self._left = self._left[count:]
                self._at += count
                data = data[count:]
                if not self._left:
                    self._leave_out()
                elif data:  # it continues otherwise
                    out += self._held
                    self._left = self._held = b""
                continue
            until = len(data)
            if self._requests:
                until = min(until, self._requests[0][0] - self._at)
            out += data[:until]
            self._at += until
            data = data[until:]
        return bytes(out)

    def _tell(self, request: bytes) -> None:
        """Tell a decoder that has to know about a request, at its own offset."""
        if isinstance(self._decoder, ToldDecoder):
            self._decoder.asked(request, self._at - self._removed[-1])

    def _leave_out(self) -> None:
        self._removed.append(self._removed[-1] + len(self._held))
        self._behind.append(self._at - self._removed[-1])
        self._held = b""

    def _shifted(self, batch: Batch) -> Batch:
        """Return a batch with offsets of the port's stream."""
        if not self._removed[-1]:
            return batch
        behind, removed = np.array(self._behind), np.array(self._removed)
        for records in (batch.readings, batch.positions):
            records["offset"] += removed[
                np.searchsorted(behind, records["offset"], side="right") - 1
            ]
        faults = tuple(
            replace(
                fault,
                offset=fault.offset
                + int(removed[np.searchsorted(behind, fault.offset, side="right") - 1]),
            )
            for fault in batch.faults
        )
        return replace(batch, faults=faults)


def _common(one: bytes, other: bytes) -> int:
    """Return how many bytes at their beginning are the same."""
    count = min(len(one), len(other))
    if one[:count] == other[:count]:
        return count
    return next(place for place in range(count) if one[place] != other[place])
