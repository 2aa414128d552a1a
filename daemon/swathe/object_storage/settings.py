"""Who may use a bucket and where it is: the variables and files that programs for S3 share.

Nothing of it is ever written anywhere: an error names the variable, never its value.
"""

from __future__ import annotations

import configparser
import os
from pathlib import Path

from swathe.credentials import secret

__all__ = ["s3_settings"]

_KEYS = {
    "aws_access_key_id": "AWS_ACCESS_KEY_ID",
    "aws_secret_access_key": "AWS_SECRET_ACCESS_KEY",
    "aws_session_token": "AWS_SESSION_TOKEN",
}
# Variables of other ways to be known, which the library follows by itself.
_OTHER_WAYS = (
    "AWS_SKIP_SIGNATURE",
    "AWS_WEB_IDENTITY_TOKEN_FILE",
    "AWS_CONTAINER_CREDENTIALS_RELATIVE_URI",
    "AWS_CONTAINER_CREDENTIALS_FULL_URI",
    "AWS_METADATA_ENDPOINT",
)


def s3_settings() -> tuple[dict[str, str], bool]:
    """Return settings of S3 by the library's names, and whether there is a way to be known.

    Environment variables hold, then the service manager's credentials of the same names, then the
    profile ``AWS_PROFILE`` of ``~/.aws/credentials`` and ``~/.aws/config``, or of the files that
    ``AWS_SHARED_CREDENTIALS_FILE`` and ``AWS_CONFIG_FILE`` name.

    Raises:
        SwatheError: a credential of the service manager cannot be read.
    """
    found = {
        key: value for key, name in _KEYS.items() if (value := secret(name)) is not None and value
    }
    profile = os.environ.get("AWS_PROFILE", "default")
    if "aws_access_key_id" not in found:
        own = _section("AWS_SHARED_CREDENTIALS_FILE", "credentials", profile)
        found |= {key: own[key] for key in _KEYS if own.get(key)}
    name = profile if profile == "default" else f"profile {profile}"
    config = _section("AWS_CONFIG_FILE", "config", name)
    region = os.environ.get("AWS_REGION") or os.environ.get("AWS_DEFAULT_REGION")
    found["region"] = region or config.get("region") or "us-east-1"
    endpoint = os.environ.get("AWS_ENDPOINT_URL_S3") or os.environ.get("AWS_ENDPOINT_URL")
    if endpoint := endpoint or config.get("endpoint_url"):
        found["endpoint"] = endpoint
    known = "aws_access_key_id" in found and "aws_secret_access_key" in found
    return found, known or any(os.environ.get(name) for name in _OTHER_WAYS)


def _section(variable: str, name: str, section: str) -> dict[str, str]:
    """Return a section of one of the files; empty where there is none, or none that can be read."""
    named = os.environ.get(variable)
    try:
        path = Path(named) if named else Path.home() / ".aws" / name
        parser = configparser.RawConfigParser()
        parser.read_string(path.read_text("utf-8"))
        return dict(parser[section]) if section in parser else {}
    except (OSError, RuntimeError, UnicodeDecodeError, configparser.Error):
        return {}
