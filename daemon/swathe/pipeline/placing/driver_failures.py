"""When a device's driver fails: its own code, not the bytes of its device."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from swathe.pipeline.placing.arrivals import Arrival, journal_times
from swathe.pipeline.placing.conditions import Condition
from swathe.station import AlarmKind
from swathe_drivers import Batch, Decoder, GuardedDecoder

__all__ = ["DriverFailures"]

_OVER_NS = 10_000_000_000
"""It is over once a record comes, and no failure has come for so long."""


class DriverFailures:
    """Finds from when to when a driver fails, by journal times alone.

    Args:
        device: whose driver it is.
        decoder: of the device; one that is not guarded never fails.
    """

    def __init__(self, device: str, decoder: Decoder) -> None:
        self._device = device
        self._guard = decoder if isinstance(decoder, GuardedDecoder) else None
        self._holds = False
        self._last = 0

    def changes(self, batch: Batch, chunks: list[Arrival], known: list[int]) -> list[Condition]:
        """Return the changes that the chunks make that were decoded last.

        Args:
            batch: what they gave.
            chunks: that were fed.
            known: journal times from which they are known, ns.
        """
        if self._guard is None:
            return []
        failures = self._guard.take_failures()
        if not (failures or self._holds):
            return []
        times = journal_times(np.array([time for time, _ in failures], np.int64), chunks, known)
        texts = [text for _, text in failures]
        # Of both: an encoder's records are positions, a gauge's readings.
        records = np.sort(np.concatenate((batch.readings_known_at, batch.positions_known_at)))
        records = journal_times(records, chunks, known)
        return self.take(list(zip(times.tolist(), texts, strict=True)), records)

    def take(
        self, failures: Sequence[tuple[int, str]], records: NDArray[np.int64]
    ) -> list[Condition]:
        """Return the changes that the newest chunks make.

        Args:
            failures: journal time, ns, and text of each failure, rising.
            records: journal times of the chunks that gave records, ns, rising.
        """
        found: list[Condition] = []
        for known, text in failures:
            self._end(records[records < known], found)
            if not self._holds:
                found.append(self._change(known, text))
            self._holds, self._last = True, known
        self._end(records, found)
        return found

    def _end(self, records: NDArray[np.int64], found: list[Condition]) -> None:
        """End it with the first record that is long enough behind the last failure."""
        if not self._holds or not records.size:
            return
        at = int(np.searchsorted(records, self._last + _OVER_NS))
        if at < records.size:
            self._holds = False
            found.append(self._change(int(records[at]), ""))

    def _change(self, known: int, text: str) -> Condition:
        detail = f"{self._device}: {text}" if text else ""
        return Condition(AlarmKind.DRIVER, self._device, known, bool(text), detail)
