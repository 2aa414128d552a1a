"""The MQTT broker in a station file: address, credentials, and how often messages are published."""

from __future__ import annotations

import ssl
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints, model_validator

from swathe.credentials import secret
from swathe.errors import Problem
from swathe.station.table import StationTable
from swathe.units import Duration

__all__ = ["BrokerSettings", "check_broker", "in_folder", "tls_context"]

_TLS_PORT = 8883
_FILES = ("ca_file", "certificate_file", "key_file")
# Intervals for a shared link of some kbit/s, ns.
_RADIO = {
    "progress_interval": 2_000_000_000,
    "gap_interval": 5_000_000_000,
    "line_interval": 10_000_000_000,
    "port_interval": 30_000_000_000,
}


class BrokerSettings(StationTable):
    """The MQTT broker; ``embedded`` starts one on this machine's loopback interface."""

    embedded: bool = False
    host: str = Field("127.0.0.1", min_length=1)
    port: int = Field(1883, ge=0, le=65_535, description="8883 by default with tls")
    protocol: Literal["auto", "3.1.1", "5"] = "auto"
    username: str | None = Field(None, min_length=1)
    password_variable: str | None = Field(
        None, min_length=1, description="environment variable, never the word"
    )
    tls: bool = Field(False, description="whether the link is encrypted and the broker proves who")
    ca_file: str | None = Field(
        None, min_length=1, description="PEM: who signed the broker; else the system's authorities"
    )
    certificate_file: str | None = Field(None, min_length=1, description="PEM: the station's own")
    key_file: str | None = Field(None, min_length=1, description="PEM: its private key")
    key_password_variable: str | None = Field(
        None, min_length=1, description="environment variable with the key's pass phrase"
    )
    commands: bool = Field(True, description="whether commands over MQTT are obeyed")
    senders: tuple[Annotated[str, StringConstraints(min_length=1, max_length=80)], ...] | None = (
        Field(None, description="whose commands are obeyed, by their `by`; anyone's by default")
    )
    command_lifetime: Duration = Field(
        30_000_000_000,
        ge=1_000_000_000,
        le=3_600_000_000_000,
        description="how far the time in a command may be from this machine's, ns",
    )
    discovery: bool = Field(
        False, description="whether dashboards that read MQTT discovery find the station by itself"
    )
    discovery_prefix: str = Field(
        "homeassistant",
        pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$",
        max_length=100,
        description="first levels of the topics on which such dashboards look",
    )
    gaps: int = Field(
        300,
        ge=10,
        le=100_000,
        description="gaps with a message of their own: all, or of more the largest and nearest",
    )
    radio: bool = Field(False, description="a slow link: longer default intervals")
    progress_interval: Duration = Field(
        250_000_000, ge=20_000_000, description="from progress to progress at least, ns"
    )
    gap_interval: Duration = Field(
        250_000_000,
        ge=0,
        description="of one gap while it grows, doubled each time up to 2 s; open and closed at once, ns",
    )
    line_interval: Duration = Field(500_000_000, ge=0, description="of one line, ns")
    port_interval: Duration = Field(1_000_000_000, ge=0, description="of one port's health, ns")

    @model_validator(mode="before")
    @classmethod
    def _fill(cls, given: Any) -> Any:  # noqa: ANN401  what a TOML table may hold
        """Put in what follows from other keys."""
        if not isinstance(given, dict):
            return given
        filled = dict(given)
        if given.get("radio") is True:
            for name, interval in _RADIO.items():
                filled.setdefault(name, f"{interval} ns")
        if given.get("tls") is True:
            filled.setdefault("port", _TLS_PORT)
        return filled


def in_folder(settings: BrokerSettings, folder: Path) -> BrokerSettings:
    """Return the settings with their files taken from `folder` where they are relative."""
    found = {name: getattr(settings, name) for name in _FILES}
    return settings.model_copy(
        update={name: str(folder / path) for name, path in found.items() if path is not None}
    )


def check_broker(settings: BrokerSettings) -> list[Problem]:
    """Return what is wrong between the keys, and with the files that they name."""
    problems: list[Problem] = []
    if settings.password_variable is not None and settings.username is None:
        remedy = "a password goes with a user name"
        problems.append(Problem("broker.username", "is required", None, remedy))
    named = [name for name in _FILES if getattr(settings, name) is not None]
    if named and not settings.tls:
        remedy = f"'broker.{named[0]}' is for an encrypted link; or remove it"
        problems.append(Problem("broker.tls", "must be true", False, remedy))
    if settings.discovery_prefix.split("/")[0] == "swathe":
        remedy = "topics below it are the stations' own; name the prefix of the dashboard"
        problems.append(
            Problem(
                "broker.discovery_prefix",
                "must not begin with 'swathe'",
                settings.discovery_prefix,
                remedy,
            )
        )
    if settings.embedded and settings.tls:
        remedy = "the embedded broker is for this machine only; name a broker of your own"
        problems.append(Problem("broker.tls", "must be false with embedded", True, remedy))
    if settings.tls and not problems:
        try:
            tls_context(settings)
        except _FileError as error:
            problems.append(error.problem)
    return problems


class _FileError(ValueError):
    """A file of the TLS settings cannot be used."""

    def __init__(self, key: str, requirement: str, got: object, remedy: str) -> None:
        self.problem = Problem(f"broker.{key}", requirement, got, remedy)
        super().__init__(str(self.problem))


def tls_context(settings: BrokerSettings) -> ssl.SSLContext | None:
    """Return how the broker is checked and the station proves itself; None without TLS.

    Raises:
        ValueError: a file is missing or none; the text names key, file and remedy.
    """
    if not settings.tls:
        return None
    for name in _FILES:
        _require(name, getattr(settings, name))
    try:
        context = ssl.create_default_context(cafile=settings.ca_file)
    except (ssl.SSLError, OSError) as error:
        requirement = "must name certificates in PEM form"
        remedy = f"ask who runs the broker for the authority's certificate ({_why(error)})"
        raise _FileError("ca_file", requirement, settings.ca_file, remedy) from error
    if settings.certificate_file is None:
        if settings.key_file is not None:
            remedy = "a key without its certificate proves nothing"
            raise _FileError("certificate_file", "is required", None, remedy)
        return context
    try:
        context.load_cert_chain(
            settings.certificate_file, settings.key_file, password=lambda: _pass_phrase(settings)
        )
    except (ssl.SSLError, OSError) as error:
        raise _chain_error(settings, error) from error
    return context


def _chain_error(settings: BrokerSettings, error: Exception) -> _FileError:
    why = _why(error)
    if "KEY_VALUES_MISMATCH" in why:
        requirement = "must be the certificate's key"
        remedy = f"it belongs to another one than {settings.certificate_file}"
        return _FileError("key_file", requirement, settings.key_file, remedy)
    if settings.key_file is None:
        remedy = f"{settings.certificate_file} holds no certificate together with its key ({why})"
        return _FileError("key_file", "is required", None, remedy)
    if _is_encrypted(settings.key_file):
        requirement = "must name the variable with the key's pass phrase"
        remedy = f"{settings.key_file} cannot be opened with what it has ({why})"
        return _FileError(
            "key_password_variable", requirement, settings.key_password_variable, remedy
        )
    requirement = "must name a certificate in PEM form, and key_file its key"
    remedy = f"look at {settings.certificate_file} and {settings.key_file} ({why})"
    return _FileError("certificate_file", requirement, settings.certificate_file, remedy)


def _is_encrypted(path: str) -> bool:
    return b"ENCRYPTED" in Path(path).read_bytes()


def _pass_phrase(settings: BrokerSettings) -> str:
    # Without an answer of ours the TLS library would ask at the terminal and wait.
    return secret(settings.key_password_variable or "") or ""


def _require(key: str, path: str | None) -> None:
    if path is None:
        return
    try:
        with Path(path).open("rb"):
            return
    except OSError as error:
        requirement = "must name a readable file"
        remedy = f"{error.strerror}; a relative path is taken from the station file's folder"
        raise _FileError(key, requirement, path, remedy) from error


def _why(error: Exception) -> str:
    reason = getattr(error, "reason", None)
    return str(reason or getattr(error, "strerror", None) or error)
