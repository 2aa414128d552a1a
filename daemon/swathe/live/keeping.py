"""Keeps checkpoints of a survey's state while it is scanned."""

from __future__ import annotations

import logging
import time
from collections.abc import Sequence
from typing import NamedTuple

from swathe.journal import JournalPosition, SegmentDigest
from swathe.pipeline import Pipeline, PlacingObserver
from swathe.store import CheckpointFile, CheckpointUnusableError, Frozen, freeze

__all__ = ["Kept", "StateKeeper"]

_log = logging.getLogger(__name__)

_INTERVAL_NS = 60_000_000_000
_MOST_BYTES = 512 << 20
# The loop waits for the copy: of so much, on a plain computer, for a few hundredths of a second.
_MOST_BYTES_MEANWHILE = 128 << 20
_MOST_COPY_NS = 20_000_000


class Kept(NamedTuple):
    """A copy of the state, ready to be written."""

    frozen: Frozen
    position: JournalPosition
    digests: Sequence[SegmentDigest]


class StateKeeper:
    """Copies the state at intervals and writes the copies; a failure ends that, never the run.

    Args:
        file: of the checkpoint.
    """

    def __init__(self, file: CheckpointFile) -> None:
        self._file = file
        self._due = time.monotonic_ns() + _INTERVAL_NS
        self._scratch: bytearray | None = None
        self._too_slow = False
        self._failed = False

    def due(self) -> bool:
        """Return whether a state is to be copied during the scan now."""
        return not (self._failed or self._too_slow) and time.monotonic_ns() >= self._due

    def take(
        self,
        pipeline: Pipeline,
        observer: PlacingObserver | None,
        position: JournalPosition,
        digests: Sequence[SegmentDigest],
        *,
        meanwhile: bool,
    ) -> Kept | None:
        """Return a copy of the state; None if it is too large or cannot be copied.

        Args:
            pipeline: the state, with what observes it.
            observer: is shown readings and path.
            position: in the journal: behind the last entry that was fed.
            digests: of the journal's bytes up to there.
            meanwhile: whether the scan continues and waits for the copy.
        """
        self._due = time.monotonic_ns() + _INTERVAL_NS
        # Of the processor's time: that of other threads and processes is no cost of the copy.
        begun = time.thread_time_ns()
        # Whoever watches the cells watches this process, not the survey.
        listener, pipeline.changed.listener = pipeline.changed.listener, None
        try:
            frozen = freeze(
                (pipeline, observer),
                most_bytes=_MOST_BYTES_MEANWHILE if meanwhile else _MOST_BYTES,
                scratch=self._scratch,
            )
        except Exception as error:  # noqa: BLE001  whatever an outside driver's object raises
            self._give_up(f"the state cannot be copied: {type(error).__name__}: {error}")
            return None
        finally:
            pipeline.changed.listener = listener
        took = time.thread_time_ns() - begun
        if meanwhile and (frozen is None or took > _MOST_COPY_NS):
            self._too_slow = True
            _log.info("the state is large: it is kept at the end of the run only")
        if frozen is None:
            return None
        self._scratch = frozen.memory if len(frozen.memory) <= _MOST_BYTES_MEANWHILE else None
        return Kept(frozen, position, digests)

    def save(self, kept: Kept) -> None:
        """Write a copy; may run in another thread, but only one at a time."""
        try:
            self._file.save(kept.frozen, kept.position, kept.digests)
        except CheckpointUnusableError as error:
            self._give_up(str(error))

    def _give_up(self, why: str) -> None:
        if not self._failed:
            _log.warning("no checkpoint is kept, resuming replays the whole journal: %s", why)
        self._failed = True
