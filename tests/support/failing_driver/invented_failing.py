"""An outside driver that decodes as another one does, until certain bytes come; then it fails."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, ClassVar

import numpy as np
from pydantic import BaseModel, ConfigDict

from swathe_drivers import Batch, Decoder, load_driver

__all__ = ["FAILURES", "FailingDecoder", "FailingDriver", "FailingSettings"]


def _raise(_batch: Batch) -> Any:
    message = "no such key"
    raise KeyError(message)


def _exit(_batch: Batch) -> Any:
    sys.exit("the driver has had enough")


def _wrong_type(batch: Batch) -> Any:
    return batch.readings


def _wrong_dtype(batch: Batch) -> Any:
    return replace(batch, readings=np.zeros(2, np.float64))


def _wrong_length(batch: Batch) -> Any:
    rows = np.repeat(batch.readings[:1], batch.readings.size + 1)
    return replace(batch, readings=rows, readings_request=np.zeros(rows.size, np.int64))


def _falling_offsets(batch: Batch) -> Any:
    return replace(batch, **{name: _with(getattr(batch, name), "offset", 0) for name in _COLUMNS})


def _no_number(batch: Batch) -> Any:
    rows = _with(batch.readings, "time_of_flight", np.nan)
    return replace(batch, readings=_with(rows, "valid", True))


def _infinite_counts(batch: Batch) -> Any:
    return replace(batch, positions=_with(batch.positions, "counts", np.inf))


def _later(batch: Batch) -> Any:
    columns = {name: getattr(batch, name) for name in _COLUMNS}
    return replace(
        batch,
        **{name: _with(rows, "time", rows["time"] + 10**12) for name, rows in columns.items()},
    )


def _too_many_bytes(batch: Batch) -> Any:
    return replace(batch, fault_bytes=batch.fault_bytes + 10_000)


def _with(rows: Any, column: str, value: Any) -> Any:
    changed = rows.copy()
    changed[column] = value
    return changed


_COLUMNS = ("readings", "positions")
FAILURES = {
    "raises": _raise,
    "exits": _exit,
    "returns no batch": _wrong_type,
    "wrong dtype": _wrong_dtype,
    "wrong length": _wrong_length,
    "falling offsets": _falling_offsets,
    "no number": _no_number,
    "infinite counts": _infinite_counts,
    "time to come": _later,
    "too many bytes": _too_many_bytes,
}
"""What it does with the batch in which the bytes are."""


class FailingSettings(BaseModel):
    """Settings: those of the driver that decodes, and when and how it fails."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    driver: str = "delimited"
    protocol: dict[str, Any]
    on: str
    """Bytes, Latin-1."""
    failure: str = "raises"
    once: bool = False
    """Whether no second decoder can be made."""


class FailingDecoder:
    """Has the abilities of another decoder."""

    def __init__(self, decoder: Decoder, settings: FailingSettings) -> None:
        self._decoder = decoder
        self._on = settings.on.encode("latin-1")
        self._fail = FAILURES[settings.failure]
        self._tail = b""

    def __getattr__(self, name: str) -> Any:
        if name == "_decoder":  # a copy that is not filled yet
            raise AttributeError(name)
        return getattr(self._decoder, name)

    def feed(self, data: bytes, time_ns: int) -> Any:
        """Decode one chunk, or fail."""
        seen = self._tail + data
        self._tail = seen[max(0, len(seen) - len(self._on) + 1) :]
        batch = self._decoder.feed(data, time_ns)
        return self._fail(batch) if self._on in seen else batch

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Any:
        """Decode wrongly: nothing that matters may call this, as it differs from `feed`."""
        return self._decoder.feed_chunks(chunks[:1])

    def reset(self, offset: int) -> Batch:
        """Continue at another byte."""
        self._tail = b""
        return self._decoder.reset(offset)


class FailingDriver:
    """Driver of an instrument whose driver is not finished."""

    Settings: ClassVar[type[BaseModel]] = FailingSettings

    def __init__(self, settings: FailingSettings) -> None:
        """Take checked settings."""
        self._settings = settings
        self._made = 0

    def decoder(self, *, ns_per_byte: int) -> FailingDecoder:
        """A new decoder."""
        self._made += 1
        if self._settings.once and self._made > 1:
            message = "the licence is for one decoder"
            raise RuntimeError(message)
        inner = load_driver(self._settings.driver)
        made = inner(inner.Settings.model_validate(self._settings.protocol))
        return FailingDecoder(made.decoder(ns_per_byte=ns_per_byte), self._settings)
