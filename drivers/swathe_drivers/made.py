"""Drivers made from their settings, with what other packages' code raises as a `DriverError`."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Final, TypeVar

from pydantic import BaseModel, ValidationError

from swathe_drivers.abc import AskingDriver, Decoder, Driver
from swathe_drivers.errors import DriverError, SettingsError
from swathe_drivers.failure_text import failure_text
from swathe_drivers.guarded import GuardedDecoder, guarded
from swathe_drivers.registry import load_driver
from swathe_drivers.settings import read_settings
from swathe_drivers.talk.answers import UNKNOWN_QUIET_NS, AnswerFinder, Quiet
from swathe_drivers.talk.echo import EchoDecoder
from swathe_drivers.talk.schedule import Request
from swathe_drivers.talk.settings import TalkSettings

__all__ = ["GuardedFinder", "MadeDriver", "check_driver", "make_driver"]

_PACKAGE: Final = __name__.partition(".")[0]
_Result = TypeVar("_Result")


def check_driver(
    name: str,
    table: Mapping[str, Any],
    *,
    key: str,
    talk: TalkSettings | None = None,
    talk_key: str = "talk",
) -> None:
    """Check the settings of the driver `name`, and that it makes a decoder of them.

    Args:
        name: of the driver.
        table: its settings, as the file has them.
        key: dotted path of the table.
        talk: what is sent to the device; None if nothing is, or its table is wrong.
        talk_key: dotted path of that table.

    Raises:
        SettingsError: carries every problem of the table.
        DriverError: there is no such driver, or its own code fails; names it.
    """
    model = load_driver(name).Settings
    try:
        settings = read_settings(model, dict(table), key=key)
    except SettingsError:
        raise
    except Exception as error:
        message = f"driver {name!r} cannot check its settings: it {failure_text(error)}"
        raise DriverError(message) from error
    _check_polls(settings, talk, talk_key, key)
    made = make_driver(name, table)
    made.decoder(ns_per_byte=0)
    made.requests()
    made.answers()


def _check_polls(settings: BaseModel, talk: TalkSettings | None, key: str, own: str) -> None:
    """Refuse several requests whose answers nothing distinguishes.

    A driver's settings may have `identifies`: whether something in a record shows that it is of the kind
    described. Where nothing does, the answer to another request passes for a record.
    """
    sent = [] if talk is None else list(dict.fromkeys(poll.send for poll in talk.poll))
    for number, record in enumerate(getattr(settings, "record", ())):
        answered = getattr(record, "answers", None)
        if answered is not None and answered not in sent:
            requirement = f"must be one of what {key}.poll sends: {', '.join(map(repr, sent))}"
            raise SettingsError(f"{own}.record[{number}].answers", requirement, answered)
    if len(sent) < 2 or getattr(settings, "identifies", True):
        return
    requirement = (
        "must have one request only, as nothing in a record shows which one it answers: join them in"
        " one message if the device takes that; describe what the answer begins with as a 'constant'"
        " and ignore the others; or give each a table 'record' that 'answers' it"
    )
    raise SettingsError(f"{key}.poll", requirement, sent)


def make_driver(name: str, table: Mapping[str, Any]) -> "MadeDriver":
    """Return the driver `name` with settings that were checked before.

    Raises:
        DriverError: the driver is not there, or cannot be made; names it.
        ValidationError: the settings are wrong.
    """
    driver = load_driver(name)

    def make() -> Driver:
        return driver(driver.Settings.model_validate(dict(table)))

    return MadeDriver(name, _called(name, "cannot be made", make))


@dataclass(frozen=True, slots=True)
class _Fresh:
    """Makes decoders; a checkpoint of the pipeline keeps it, which takes no other kind of function."""

    driver: Driver
    ns_per_byte: int
    echo: bool

    def __call__(self) -> Decoder:
        decoder = self.driver.decoder(ns_per_byte=self.ns_per_byte)
        return EchoDecoder(decoder) if self.echo else decoder


class MadeDriver:
    """A driver whose code cannot hurt: an `AskingDriver` with guarded decoders and finders."""

    Settings: ClassVar[type[BaseModel]] = BaseModel

    def __init__(self, name: str, driver: Driver) -> None:
        """Take the driver, and its name for messages."""
        self.name: Final = name
        self._driver = driver

    def decoder(self, *, ns_per_byte: int, echo: bool = False) -> GuardedDecoder:
        """A new decoder; see `swathe_drivers.abc.Driver.decoder`.

        With `echo` the device sends each request back before its answer, which is left out.

        Raises:
            DriverError: the driver makes none.
        """
        ours = type(self._driver).__module__.partition(".")[0] == _PACKAGE
        return guarded(self.name, _Fresh(self._driver, ns_per_byte, echo), trusted=ours)

    def requests(self) -> Sequence[Request]:
        """What the driver sends by itself; see `swathe_drivers.abc.AskingDriver`.

        Raises:
            DriverError: the driver fails to list it.
        """
        driver = self._driver
        if not isinstance(driver, AskingDriver):
            return ()
        found = _called(self.name, "cannot list its requests", lambda: tuple(driver.requests()))
        return [replace(request, make=self._guarded_make(request)) for request in found]

    @property
    def longest_answer(self) -> int:
        """The most bytes of an answer, as far as the settings show it."""
        return int(getattr(self._driver, "longest_answer", 256))

    def _guarded_make(self, request: Request) -> Callable[[int], bytes]:
        """Return the request's `make`; what it raises is a `ValueError`, by which a port is lost."""

        def make(number: int) -> bytes:
            try:
                return bytes(request.make(number))
            except Exception as error:
                message = f"driver {self.name!r} cannot make a request: it {failure_text(error)}"
                raise ValueError(message) from error

        _called(self.name, "cannot poll its device", lambda: make(0))
        return make

    def answers(self) -> AnswerFinder | None:
        """Finds the end of an answer; see `swathe_drivers.abc.AskingDriver`.

        Raises:
            DriverError: the driver fails to make it.
        """
        driver = self._driver
        if not isinstance(driver, AskingDriver):
            return None
        found = _called(self.name, "cannot find the end of an answer", driver.answers)
        return None if found is None else GuardedFinder(found)


class GuardedFinder:
    """Finds the end of an answer as another does, and by a silence once that one has failed."""

    def __init__(self, finder: AnswerFinder) -> None:
        """Take the finder."""
        self._finder: AnswerFinder = finder

    def begin(self, request: bytes) -> None:
        """A request was sent."""
        try:
            self._finder.begin(request)
        except Exception:  # noqa: BLE001  of code that is not ours
            self._give_up()

    def feed(self, data: bytes, time_ns: int) -> bool:
        """Take the next bytes and return whether the answer is complete with them."""
        try:
            return bool(self._finder.feed(data, time_ns))
        except Exception:  # noqa: BLE001  of code that is not ours
            self._give_up()
        return self._finder.feed(data, time_ns)

    @property
    def settles_at(self) -> int | None:
        """When the answer is complete if nothing comes until then, ns."""
        try:
            found = self._finder.settles_at
            return None if found is None else int(found)
        except Exception:  # noqa: BLE001  of code that is not ours
            self._give_up()
        return None

    def _give_up(self) -> None:
        self._finder = Quiet(UNKNOWN_QUIET_NS)


def _called(name: str, what: str, call: Callable[[], _Result]) -> _Result:
    try:
        return call()
    except (ValidationError, DriverError):
        raise
    except Exception as error:
        message = f"driver {name!r} {what}: it {failure_text(error)}"
        raise DriverError(message) from error
