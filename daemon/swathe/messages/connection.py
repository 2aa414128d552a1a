"""Connecting to a broker: version, password, certificates, and its refusals as text."""

from __future__ import annotations

import logging
import socket
import ssl
from collections.abc import Iterator
from dataclasses import dataclass

import aiomqtt
from aiomqtt import ProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from swathe.credentials import secret
from swathe.errors import SwatheError
from swathe.station import BrokerSettings, tls_context

__all__ = ["BrokerAccess", "ConnectionProblem", "json_properties"]

_KEEPALIVE_SECONDS = 10
_TIMEOUT_SECONDS = 5
# No message of ours is longer, and no more of them wait to be read.
_PACKET_BYTES = 1 << 21
_QUEUED = 20_000
# MQTT 3.1.1, table 3.1: 4 bad user name or password, 5 not authorized; MQTT 5, table 3-1: 134, 135.
_DENIED = (4, 5, 134, 135)
# TLS alerts (RFC 8446, 6.2) by which a broker rejects the client's certificate.
_CLIENT_ALERTS = ("CERTIFICATE_REQUIRED", "UNKNOWN_CA", "BAD_CERTIFICATE", "HANDSHAKE_FAILURE")
# OpenSSL's verify_result of a name that is not in the certificate, and of one that is too old.
_WRONG_NAME, _EXPIRED = (62, 64), (10,)


@dataclass(frozen=True, slots=True)
class ConnectionProblem:
    """Why there is no connection.

    Attributes:
        text: the reason and its remedy.
        refused: whether the broker would refuse again, so that another try at once is of no use.
    """

    text: str
    refused: bool


class _LastWarning(logging.Handler):
    """Keeps the last warning of the MQTT library, which reports some TLS errors nowhere else."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.text = ""

    def emit(self, record: logging.LogRecord) -> None:
        self.text = record.getMessage()


class BrokerAccess:
    """Makes clients of one broker.

    Args:
        settings: the broker.

    Raises:
        SwatheError: an environment variable with a password is not set, or a file of the TLS
            settings cannot be used; the text names it.
    """

    def __init__(self, settings: BrokerSettings) -> None:
        self.settings = settings
        self._warning = _LastWarning()
        self._logger = logging.Logger("swathe.broker")  # noqa: LOG001  read here only
        self._logger.addHandler(self._warning)
        self._password = _secret("password_variable", settings.password_variable)
        _secret("key_password_variable", settings.key_password_variable)
        try:
            self._tls = tls_context(settings)
        except ValueError as error:
            raise SwatheError(str(error)) from error

    @property
    def address(self) -> str:
        """Host and port."""
        return f"{self.settings.host}:{self.settings.port}"

    def versions(self) -> list[ProtocolVersion]:
        """Return the protocol versions to try in turn."""
        settings = self.settings
        if settings.protocol == "5":
            return [ProtocolVersion.V5]
        if settings.protocol == "3.1.1" or settings.embedded:
            return [ProtocolVersion.V311]
        return [ProtocolVersion.V5, ProtocolVersion.V311]

    def client(
        self, identifier: str, version: ProtocolVersion, *, will: aiomqtt.Will | None = None
    ) -> aiomqtt.Client:
        """Return a client; entering it connects."""
        self._warning.text = ""
        return aiomqtt.Client(
            self.settings.host,
            self.settings.port,
            identifier=identifier,
            username=self.settings.username,
            password=self._password,
            protocol=version,
            clean_session=None if version is ProtocolVersion.V5 else True,
            keepalive=_KEEPALIVE_SECONDS,
            timeout=_TIMEOUT_SECONDS,
            will=will,
            tls_context=self._tls,
            logger=self._logger,
            properties=_limits(version),
            max_queued_incoming_messages=_QUEUED,
            # Messages are small and far apart: none should wait to share a packet with the next.
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        )

    def explain(self, error: BaseException, *, met: bool) -> ConnectionProblem:
        """Return the meaning of a client's error.

        Args:
            error: of the client.
            met: whether the broker was connected before it.
        """
        for cause in _causes(error):
            code = getattr(cause, "rc", None)
            code = getattr(code, "value", code)
            if isinstance(cause, aiomqtt.exceptions.MqttConnectError) and code in _DENIED:
                return ConnectionProblem(self._denied(), refused=True)
            if isinstance(cause, ssl.SSLCertVerificationError):
                return ConnectionProblem(self._untrusted(cause), refused=True)
            if isinstance(cause, ssl.SSLError):
                return self._no_tls(cause)
            if isinstance(cause, ConnectionResetError) and self.settings.tls and not met:
                # A broker without TLS resets the connection; so may one that is just starting.
                text = f"no TLS at {self.address}: check 'broker.port' and 'broker.tls'"
                return ConnectionProblem(text, refused=False)
            if isinstance(cause, socket.gaierror):
                text = f"there is no host {self.settings.host!r}: check 'broker.host'"
                return ConnectionProblem(text, refused=False)
            if isinstance(cause, ConnectionRefusedError):
                return ConnectionProblem(f"no broker answers at {self.address}", refused=False)
        if any(alert in self._warning.text for alert in _CLIENT_ALERTS):
            return ConnectionProblem(self._certificate_required(), refused=True)
        text = str(error) or type(error).__name__
        if not met:
            text = f"no MQTT broker here: check 'broker.port' and 'broker.tls' ({text})"
        return ConnectionProblem(text, refused=False)

    def _certificate_required(self) -> str:
        named = self.settings.certificate_file
        given = "none is given" if named is None else f"it does not accept {named}"
        return f"the broker requires a client certificate ('broker.certificate_file'): {given}"

    def _denied(self) -> str:
        settings = self.settings
        if settings.username is None:
            remedy = "add 'broker.username' and 'broker.password_variable'"
            return f"the broker requires a user name: {remedy}"
        variable = settings.password_variable
        remedy = "'broker.password_variable' is missing" if variable is None else f"or {variable}"
        return f"the broker denies access to user {settings.username!r}: wrong name, {remedy}" + (
            "" if variable is None else " holds a wrong password"
        )

    def _untrusted(self, error: ssl.SSLCertVerificationError) -> str:
        settings = self.settings
        if error.verify_code in _WRONG_NAME:
            remedy = "put the name that is in it into 'broker.host'"
            return f"the broker's certificate is not for {settings.host!r}: {remedy}"
        if error.verify_code in _EXPIRED:
            return "the broker's certificate has expired: it needs a new one, or the clock is wrong"
        if settings.ca_file is None:
            remedy = "name its authority's certificate in 'broker.ca_file'"
            return f"the broker's certificate is not signed by an authority that this machine trusts: {remedy}"
        remedy = f"check 'broker.ca_file', {settings.ca_file}"
        return f"the broker's certificate is not signed by the expected authority: {remedy}"

    def _no_tls(self, error: ssl.SSLError) -> ConnectionProblem:
        reason = str(error.reason or error)
        if any(alert in reason for alert in _CLIENT_ALERTS):
            return ConnectionProblem(self._certificate_required(), refused=True)
        remedy = "check 'broker.port' and 'broker.tls'"
        return ConnectionProblem(f"no TLS at {self.address}: {remedy} ({reason})", refused=True)


def json_properties(version: ProtocolVersion) -> Properties | None:
    """Return the properties of our messages, where the protocol has any."""
    if version is not ProtocolVersion.V5:
        return None
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ContentType = "application/json"
    return properties


def _limits(version: ProtocolVersion) -> Properties | None:
    """Return what a broker may send at the most, where the protocol lets us say so."""
    if version is not ProtocolVersion.V5:
        return None
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = _PACKET_BYTES
    return properties


def _causes(error: BaseException) -> Iterator[BaseException]:
    """Yield an error and its causes; the MQTT library wraps some of them."""
    cause: BaseException | None = error
    while cause is not None:
        yield cause
        cause = cause.__cause__ or cause.__context__


def _secret(key: str, variable: str | None) -> str | None:
    if variable is None:
        return None
    value = secret(variable)
    if value is None:
        what = "the broker's password" if key == "password_variable" else "the key's pass phrase"
        message = (
            f"'broker.{key}' names {variable}, which is not set: put {what} into that "
            "environment variable, or into the credential of that name"
        )
        raise SwatheError(message)
    return value
