r"""Protocol descriptions: a device's wire protocol in a file of its own, to be shared.

A description is a TOML file::

    about = "Bench gauge, firmware 2, manual page 41"   # optional, for people
    driver = "delimited"                                # the default

    [port]                                              # optional: what its line needs
    baud = 9600
    parity = "even"

    [protocol]                                          # the driver's own settings
    terminator = "\r\n"
    columns = [{ is = "thickness", unit = "mm" }]

    [talk]                                              # optional: what is sent to the device
    poll = [{ send = "MEAS?\n", every = "20 ms" }]

A station file names it in place of `driver` and `protocol`; `swathe listen` takes it to show
what a port sends.
"""

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel, ConfigDict, Field

from swathe_drivers.abc import Decoder
from swathe_drivers.errors import DriverError, SettingsError
from swathe_drivers.made import check_driver, make_driver
from swathe_drivers.registry import load_driver
from swathe_drivers.settings import read_settings
from swathe_drivers.talk import Schedule, TalkSettings, make_schedule
from swathe_drivers.toml_excerpt import toml_excerpt
from swathe_drivers.transport import PortSettings, SerialSettings

MAX_DESCRIPTION_BYTES: Final = 1 << 20
"""A description is not larger, bytes."""


class DescriptionError(DriverError):
    """A protocol description can't be used; all its problems are reported at once.

    Attributes:
        name: the file.
        problems: what is wrong, each with its key.
    """

    def __init__(self, name: str, problems: Iterable[SettingsError | str]) -> None:
        self.name = name
        self.problems = tuple(problems)
        super().__init__(name, self.problems)

    def __str__(self) -> str:
        lines = (line for problem in self.problems for line in str(problem).splitlines())
        return "\n".join(f"{self.name}: {line}" for line in lines)


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    about: str = ""
    driver: str = Field(default="delimited", min_length=1)
    port: SerialSettings = SerialSettings()
    protocol: dict[str, Any]
    talk: TalkSettings | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Description:
    """A checked protocol description.

    Attributes:
        name: of the file it came from.
        text: the file's text.
        about: the author's note on it.
        driver: name of the driver.
        port: its settings of the line; only the keys that are there.
        protocol: the driver's settings, as they are in the file.
        talk: what is sent to the device; None if the file has none.
    """

    name: str
    text: str
    about: str
    driver: str
    port: dict[str, Any]
    protocol: dict[str, Any]
    talk: TalkSettings | None = None

    def port_settings(self, url: str, **others: object) -> PortSettings:
        """Settings of the port `url`; `others` override those of the description.

        Raises:
            SettingsError: the address or one of the others can't be.
        """
        return read_settings(PortSettings, {"url": url, **self.port, **others}, key="port")

    def decoder(self, *, ns_per_byte: int) -> Decoder:
        """A new decoder, which raises nothing; see `swathe_drivers.guarded`.

        Raises:
            DriverError: the driver makes none.
        """
        driver = make_driver(self.driver, self.protocol)
        echo = self.talk is not None and self.talk.echo
        return driver.decoder(ns_per_byte=ns_per_byte, echo=echo)

    def schedule(self, *, ns_per_byte: int = 0) -> Schedule | None:
        """What is sent to the device, and when; None if nothing is. Raises as `decoder`."""
        driver = make_driver(self.driver, self.protocol)
        return make_schedule(driver, self.talk, ns_per_byte=ns_per_byte)


def read_description(path: Path) -> Description:
    """The description in the file at `path`.

    Raises:
        DescriptionError: there is no such file, it is no TOML, or a key in it is wrong; names
            the file and every such key.
    """
    try:
        if path.stat().st_size > MAX_DESCRIPTION_BYTES:
            raise DescriptionError(
                str(path), [f"must be at most {MAX_DESCRIPTION_BYTES:,} bytes long"]
            )
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise DescriptionError(str(path), ["there is no such file; check the path"]) from None
    except (OSError, UnicodeDecodeError) as error:
        reason = f"must be a readable UTF-8 text: {error}"
        raise DescriptionError(str(path), [reason]) from error
    return parse_description(text, str(path))


def parse_description(text: str, name: str) -> Description:
    """The description that `text` holds; `name` names it in errors.

    Raises:
        DescriptionError: as `read_description`.
    """
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        excerpt = toml_excerpt(text, error)
        raise DescriptionError(name, [f"must be TOML: {error}\n{excerpt}"]) from error
    problems: list[SettingsError | str] = []
    file: _File | None = None
    try:
        file = read_settings(_File, tables, key="")
    except SettingsError as error:
        problems += _each(error)
    called = tables.get("driver", _File.model_fields["driver"].default)
    protocol = tables.get("protocol")
    if isinstance(called, str) and called:
        try:
            load_driver(called)
            if isinstance(protocol, dict):
                check_driver(
                    called, protocol, key="protocol", talk=None if file is None else file.talk
                )
        except SettingsError as error:
            problems += _each(error)
        except DriverError as error:
            problems.append(SettingsError("driver", f"must be a working driver: {error}", called))
    if problems or file is None:
        raise DescriptionError(name, problems)
    return Description(
        name=name,
        text=text,
        about=file.about,
        driver=file.driver,
        port=file.port.model_dump(exclude_unset=True),
        protocol=file.protocol,
        talk=file.talk,
    )


def _each(error: SettingsError) -> list[SettingsError]:
    """The problems of an error, one by one."""
    first = SettingsError(error.key, error.requirement, error.value)
    return [first, *error.others]
