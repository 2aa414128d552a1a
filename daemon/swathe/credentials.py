"""Secrets from outside the station file: by environment variable, or by the service manager's files.

A secret is named in the station file and never written there. systemd gives a service its credentials
as files in ``$CREDENTIALS_DIRECTORY`` (systemd.exec(5), `LoadCredential=`), which other processes do
not see, unlike its environment.
"""

from __future__ import annotations

import os
from pathlib import Path

from swathe.errors import SwatheError

__all__ = ["secret"]

_LONGEST = 4096


def secret(name: str) -> str | None:
    """Return the secret of a name: the environment variable, or else the credential; None if neither.

    A line break at the end of a credential's file does not belong to it.

    Raises:
        SwatheError: the credential cannot be read, or is no text of some lines.
    """
    if (value := os.environ.get(name)) is not None:
        return value
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    if not folder or not name or Path(name).name != name:
        return None
    path = Path(folder) / name
    try:
        with path.open("rb") as file:
            data = file.read(_LONGEST + 1)
        if len(data) > _LONGEST:
            message = (
                f"the credential {path} is longer than {_LONGEST} bytes: it must be one secret"
            )
            raise SwatheError(message)
        return data.decode().removesuffix("\n").removesuffix("\r")
    except FileNotFoundError:
        return None
    except OSError as error:
        message = f"the credential {path} cannot be read: {error.strerror}"
        raise SwatheError(message) from error
    except UnicodeDecodeError:
        message = f"the credential {path} is not UTF-8: it must be a text"
        raise SwatheError(message) from None
