"""What an author states of a driver, for the contract to test it."""

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from swathe_drivers.abc import Decoder, Driver
from swathe_drivers.registry import load_driver
from swathe_drivers.settings import read_settings
from swathe_drivers.testing.feeding import MS, Total, total


class ContractBase:
    """What is known of the driver; see `DriverContract`."""

    driver: ClassVar[str | type[Driver]]
    """Its entry point's name, or the class."""

    settings: ClassVar[Mapping[str, Any]]
    """A table of settings, as a description would hold it."""

    records: ClassVar[Sequence[bytes]]
    """At least three pieces of the stream that give one record each, all of them sound."""

    garbage: ClassVar[bytes]
    """Bytes that hold no record and after which the next one is found; a line with its end, say."""

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
        decoder = decoder or self.decoder()
        now, size = MS, 0
        batches = [decoder.reset(0)]
        for pieces in parts:
            for piece in pieces:
                batches.append(decoder.feed(piece, now))
                size += len(piece)
            now += self.silence_ms * MS
        batches.append(decoder.reset(size))
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
