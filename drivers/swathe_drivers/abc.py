"""What a driver and its decoder must offer; no logic lives here.

A driver is made of settings and gives decoders. A decoder turns the bytes of one port into
batches; it does no input or output, knows no clock and draws no random number, so that the
same bytes with the same times always give the same batches.
"""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, ClassVar, Protocol, runtime_checkable

from pydantic import BaseModel

from swathe_drivers.records import Batch, ChannelFormat, WaveformFormat

if TYPE_CHECKING:
    from swathe_drivers.talk.answers import AnswerFinder
    from swathe_drivers.talk.schedule import Request


@runtime_checkable
class Decoder(Protocol):
    """Turns the bytes of one port into batches; abilities are read-only attributes."""

    @property
    def axes(self) -> tuple[str, ...]:
        """Names of the axes in the order of the `counts` column; empty without positions."""
        ...

    @property
    def count_periods(self) -> Mapping[str, int | None]:
        """For each axis, the counts after which its counter rolls over; None if it never does."""
        ...

    @property
    def length_axes(self) -> frozenset[str]:
        """Axes whose `counts` are already lengths in mm."""
        ...

    @property
    def gives_readings(self) -> bool:
        """Batches carry readings."""
        ...

    @property
    def gives_positions(self) -> bool:
        """Batches carry positions."""
        ...

    @property
    def combined(self) -> bool:
        """Readings and positions come in the same line, row by row."""
        ...

    @property
    def has_clock(self) -> bool:
        """Records carry the device's own time."""
        ...

    @property
    def clock_wrap_ns(self) -> int | None:
        """The device's clock starts again at 0 after this many ns; None if it never does."""
        ...

    @property
    def sequence_wrap(self) -> int | None:
        """The running number starts again at 0 after this many; None if absent or endless."""
        ...

    @property
    def numbered(self) -> bool:
        """Records carry a running number, one higher for each record."""
        ...

    @property
    def pulse_period_ns(self) -> float | None:
        """Time from one record to the next as the settings give it, ns; None where they do not."""
        ...

    @property
    def held_after(self) -> Mapping[str, int]:
        """Quantities whose value is held when the echo is lost, and repeats from which it is."""
        ...

    @property
    def gives(self) -> frozenset[str]:
        """What is sent of a reading: time_of_flight, thickness, amplitude, waveform."""
        ...

    @property
    def waveform(self) -> WaveformFormat | None:
        """What the samples of the A-scans mean; None if the device sends none."""
        ...

    def feed(self, data: bytes, time_ns: int) -> Batch:
        """Decode the next bytes of the stream.

        Args:
            data: any number of bytes, cut anywhere.
            time_ns: host's monotonic time at which the last of them arrived, ns; never less than
                before.

        Neither the records nor the state that is kept may depend on where the bytes are cut. All
        of the records are known at `time_ns`; only `feed_chunks` has to fill that in.
        Raises nothing, whatever the bytes are: what can't be decoded is a counted fault.
        """
        ...

    def feed_chunks(self, chunks: Sequence[tuple[int, bytes]]) -> Batch:
        """Decode the next chunks of the stream in one go, which costs less than one by one.

        Args:
            chunks: at least one pair of the host's monotonic time of arrival, ns, and bytes.

        Raises nothing, as `feed`; gives the same records, counts and newest faults as feeding them
        one after the other, and for each record the time of the chunk that would have given it
        (`readings_known_at`, `positions_known_at`). `chunkwise.ChunkwiseDecoder` does so for a
        decoder that has `feed` only.
        """
        ...

    def reset(self, offset: int) -> Batch:
        """Forget the line or frame that has only begun; the stream continues at byte `offset`.

        To be called after a port was lost and opened again. The bytes that are dropped are
        reported as one `partial` fault; what was known to be faulty before, by its own reason.
        There are no records in what it returns: no chunk has decided that there is one.
        """
        ...


@runtime_checkable
class ChannelDecoder(Decoder, Protocol):
    """A decoder whose batches have `channels`, further numbers that go with the readings; optional."""

    @property
    def channels(self) -> tuple[ChannelFormat, ...]:
        """What the columns of a batch's `channels` are."""
        ...


@runtime_checkable
class InputsDecoder(Decoder, Protocol):
    """A decoder that knows from which inputs of its device readings may come; optional."""

    @property
    def inputs(self) -> tuple[int, ...] | None:
        """What the column `probe` of readings may hold, rising; None where any number may come."""
        ...


@runtime_checkable
class ToldDecoder(Decoder, Protocol):
    """A decoder that has to know what was sent to the device; optional.

    What it gives depends on the bytes, their times, and the requests with their offsets.
    """

    def asked(self, request: bytes, offset: int) -> None:
        """Take note that `request` was sent when so many bytes of the stream had come.

        To be called before bytes from `offset` on are fed, with offsets that never fall. Raises
        nothing.
        """
        ...


@runtime_checkable
class CuttingDecoder(Decoder, Protocol):
    """A decoder that knows what a request to a device means that sends only answers; optional.

    Of one that does not, the record that has only begun is dropped by `reset`.
    """

    def cut(self) -> Batch:
        """Take note that a request was sent behind the bytes fed so far.

        What has only begun before it begins no record: it is counted as a `partial` fault, and the
        record that begins with it is none. The stream continues. There are no records in what it
        returns, and it raises nothing.
        """
        ...


@runtime_checkable
class NumberingDecoder(Decoder, Protocol):
    """A decoder whose records carry a number that their request has, too; optional.

    Its batches have `readings_request` and `positions_request`. It remembers no request: whether an
    answer is late, or that to another request, is decided by who knows what was sent.
    """

    @property
    def numbers_differ(self) -> bool:
        """No two of some thousand requests in a row have the same number."""
        ...

    def number_of(self, request: bytes) -> int:
        """Return the number that the answer to these bytes carries; raises nothing."""
        ...


@runtime_checkable
class Driver(Protocol):
    """A kind of device; registered under a name in the entry-point group `swathe.drivers`."""

    Settings: ClassVar[type[BaseModel]]
    """The model of the driver's own table in a station file."""

    def __init__(self, settings: Any) -> None:  # noqa: ANN401  each driver takes its own model
        """Take settings that are an instance of `Settings`."""
        ...

    def decoder(self, *, ns_per_byte: int) -> Decoder:
        """A new decoder for one port.

        Args:
            ns_per_byte: time that one byte takes on the line, ns; 0 when unknown or not serial.
        """
        ...


@runtime_checkable
class AskingDriver(Driver, Protocol):
    """A driver that knows where an answer ends, or asks its device by itself; optional."""

    def requests(self) -> "Sequence[Request]":
        """The requests that the device has to be sent again and again; none if it talks by itself."""
        ...

    def answers(self) -> "AnswerFinder | None":
        """A new finder of the end of an answer; None if the settings don't show it."""
        ...


def channels_of(decoder: Decoder) -> tuple[ChannelFormat, ...]:
    """Return the channels of a decoder; none where it is no `ChannelDecoder`."""
    return tuple(decoder.channels) if isinstance(decoder, ChannelDecoder) else ()


def inputs_of(decoder: Decoder) -> tuple[int, ...] | None:
    """Return of which inputs a decoder may send readings; (0,) where it is no `InputsDecoder`.

    None where a column has the number of the input and nobody has listed which ones there are.
    """
    return decoder.inputs if isinstance(decoder, InputsDecoder) else (0,)
