"""What an author states of a driver, for the contract to test it."""

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from swathe_drivers.abc import Decoder, Driver
from swathe_drivers.registry import load_driver
from swathe_drivers.settings import read_settings
from swathe_drivers.testing.feeding import MS, CheckedDecoder, Total, total


class ContractBase:
    """What is known of the driver; see `DriverContract`."""

    driver: ClassVar[str | type[Driver]]
    """Its entry point's name, or the class."""

    settings: ClassVar[Mapping[str, Any]]
    """A table of settings, as a description would hold it."""

    records: ClassVar[Sequence[bytes]]
    """At least three pieces of the stream that give one record each, all of them sound."""

    values: ClassVar[Sequence[Mapping[str, Any]]]
    """What each of `records` holds: columns of a reading or position by name (mm, µs, percent, ns; NaN
    where there is no echo), `counts` and `mark` as tuples by axis. All but time, offset and size."""

    garbage: ClassVar[bytes]
    """Bytes that hold no record and after which the next one is found; a line with its end, say."""

    damaged: ClassVar[Sequence[bytes]] = ()
    """Pieces like `records` that must give none: a wrong checksum, a value that is none, a state that is
    not in the manual."""

    checksum: ClassVar[bool] = True
    """Whether a checksum covers each record, so that no flipped bit may give other values."""

    always_valid: ClassVar[bool] = False
    """Whether the device has no way to report that there is no echo."""

    record_begins: ClassVar[int] = 0
    """Where in each of `records` the record begins, bytes."""

    counter: ClassVar[bool] = False
    """Whether a record means something only with those before it, as steps to be summed up do."""

    silence_ms: ClassVar[int] = 0
    """Silence behind each record, for a protocol that goes by silences."""

    memory: ClassVar[int] = 1 << 18
    """The most bytes that a decoder may come to hold, whatever it is fed."""

    def load(self) -> type[Driver]:
        """The driver's class."""
        return load_driver(self.driver) if isinstance(self.driver, str) else self.driver

    def decoder(self, *, ns_per_byte: int = 0) -> Decoder:
        """A new decoder."""
        driver = self.load()
        settings = read_settings(driver.Settings, dict(self.settings), key="protocol")
        return driver(settings).decoder(ns_per_byte=ns_per_byte)

    def feed(self, parts: Sequence[Sequence[bytes]], *, decoder: Decoder | None = None) -> Total:
        """Feed records or garbage, each in pieces, a silence behind each; drop what has begun."""
        checked = CheckedDecoder(decoder or self.decoder())
        now, size = MS, 0
        batches = [checked.reset(0)]
        for pieces in parts:
            for piece in pieces:
                batches.append(checked.feed(piece, now))
                size += len(piece)
            now += self.silence_ms * MS
        batches.append(checked.reset(size))
        return total(batches)

    @property
    def whole(self) -> list[list[bytes]]:
        """The records, each in one piece."""
        # Of a protocol that goes by silences, the last record is known only by what follows.
        return [[record] for record in self.records]

    @property
    def expected(self) -> int:
        """How many of `whole` give records before the stream ends."""
        return len(self.records) - (self.silence_ms > 0)
