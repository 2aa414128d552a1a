"""How a broker is met: version, password, certificates, and what its refusals mean in words."""

from __future__ import annotations

import logging
import os
import socket
import ssl
from collections.abc import Iterator
from dataclasses import dataclass

import aiomqtt
from aiomqtt import ProtocolVersion

from swathe.errors import SwatheError
from swathe.station import BrokerSettings, tls_context

__all__ = ["BrokerAccess", "ConnectionProblem"]

_KEEPALIVE_SECONDS = 10
_TIMEOUT_SECONDS = 5
# MQTT 3.1.1, table 3.1: 4 bad user name or password, 5 not authorized; MQTT 5, table 3-1: 134, 135.
_NOT_LET_IN = (4, 5, 134, 135)
# TLS alerts (RFC 8446, 6.2) by which a broker says that the client's certificate is not good.
_CLIENT_ALERTS = ("CERTIFICATE_REQUIRED", "UNKNOWN_CA", "BAD_CERTIFICATE", "HANDSHAKE_FAILURE")
# OpenSSL's verify_result of a name that is not in the certificate, and of one that is too old.
_WRONG_NAME, _EXPIRED = (62, 64), (10,)


@dataclass(frozen=True, slots=True)
class ConnectionProblem:
    """Why there is no link.

    Attributes:
        text: in words, with the mend.
        refused: whether the broker would say the same again: trying often is no use.
    """

    text: str
    refused: bool


class _Ear(logging.Handler):
    """Hears what the MQTT library logs: of some errors of TLS it says a word nowhere else."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.heard = ""

    def emit(self, record: logging.LogRecord) -> None:
        self.heard = record.getMessage()


class BrokerAccess:
    """Makes clients of one broker.

    Args:
        settings: the broker.

    Raises:
        SwatheError: an environment variable with a password is not set, or a file of the TLS
            settings cannot be used; says which.
    """

    def __init__(self, settings: BrokerSettings) -> None:
        self.settings = settings
        self._ear = _Ear()
        self._logger = logging.Logger("swathe.broker")  # noqa: LOG001  one of our own, heard by us
        self._logger.addHandler(self._ear)
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
        """Return the protocol versions to try, in this order and round again."""
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
        self._ear.heard = ""
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
            # Messages are small and far apart: none is to wait for the next one to go with it.
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        )

    def explain(self, error: BaseException, *, met: bool) -> ConnectionProblem:
        """Return what an error of a client means.

        Args:
            error: as it came.
            met: whether the link had stood before it.
        """
        for cause in _causes(error):
            code = getattr(cause, "rc", None)
            code = getattr(code, "value", code)
            if isinstance(cause, aiomqtt.exceptions.MqttConnectError) and code in _NOT_LET_IN:
                return ConnectionProblem(self._not_let_in(), refused=True)
            if isinstance(cause, ssl.SSLCertVerificationError):
                return ConnectionProblem(self._unproven(cause), refused=True)
            if isinstance(cause, ssl.SSLError):
                return self._no_tls(cause)
            if isinstance(cause, ConnectionResetError) and self.settings.tls and not met:
                # A broker without TLS takes our greeting for rubbish; one that just starts may too.
                text = f"no TLS is spoken at {self.address}: look at 'broker.port' and 'broker.tls'"
                return ConnectionProblem(text, refused=False)
            if isinstance(cause, socket.gaierror):
                text = f"there is no host {self.settings.host!r}: look at 'broker.host'"
                return ConnectionProblem(text, refused=False)
            if isinstance(cause, ConnectionRefusedError):
                return ConnectionProblem(f"no broker answers at {self.address}", refused=False)
        if any(alert in self._ear.heard for alert in _CLIENT_ALERTS):
            return ConnectionProblem(self._wants_certificate(), refused=True)
        text = str(error) or type(error).__name__
        if not met:
            text = f"no broker speaks here, look at 'broker.port' and 'broker.tls' ({text})"
        return ConnectionProblem(text, refused=False)

    def _wants_certificate(self) -> str:
        named = self.settings.certificate_file
        got = "none is told" if named is None else f"it does not take {named}"
        return f"the broker asks for a certificate of ours ('broker.certificate_file'): {got}"

    def _not_let_in(self) -> str:
        settings = self.settings
        if settings.username is None:
            mend = "it asks for 'broker.username' and 'broker.password_variable'"
            return f"the broker lets nobody in without a name: {mend}"
        variable = settings.password_variable
        mend = "'broker.password_variable' is not told" if variable is None else f"or {variable}"
        return f"the broker does not let user {settings.username!r} in: wrong name, {mend}" + (
            "" if variable is None else " holds a wrong password"
        )

    def _unproven(self, error: ssl.SSLCertVerificationError) -> str:
        settings = self.settings
        if error.verify_code in _WRONG_NAME:
            mend = "put the name that is in it into 'broker.host'"
            return f"the broker's certificate is not for {settings.host!r}: {mend}"
        if error.verify_code in _EXPIRED:
            return "the broker's certificate has expired: it needs a new one, or the clock is wrong"
        if settings.ca_file is None:
            mend = "name its authority's certificate in 'broker.ca_file'"
            return f"the broker's certificate is signed by nobody this machine knows: {mend}"
        mend = f"look at 'broker.ca_file', {settings.ca_file}"
        return f"the broker's certificate is not signed by whom it should be: {mend}"

    def _no_tls(self, error: ssl.SSLError) -> ConnectionProblem:
        reason = str(error.reason or error)
        if any(alert in reason for alert in _CLIENT_ALERTS):
            return ConnectionProblem(self._wants_certificate(), refused=True)
        mend = "look at 'broker.port' and 'broker.tls'"
        return ConnectionProblem(
            f"no TLS is spoken at {self.address}: {mend} ({reason})", refused=True
        )


def _causes(error: BaseException) -> Iterator[BaseException]:
    """Yield an error and what lies behind it; the MQTT library hides some of it."""
    seen: BaseException | None = error
    while seen is not None:
        yield seen
        seen = seen.__cause__ or seen.__context__


def _secret(key: str, variable: str | None) -> str | None:
    if variable is None:
        return None
    secret = os.environ.get(variable)
    if secret is None:
        what = "the broker's password" if key == "password_variable" else "the key's pass phrase"
        message = (
            f"'broker.{key}' names {variable}, which is not set: put {what} into that "
            "environment variable"
        )
        raise SwatheError(message)
    return secret
