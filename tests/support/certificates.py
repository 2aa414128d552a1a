"""Certificates made for a test with the system's ``openssl``: an authority, a server, clients."""

from __future__ import annotations

import subprocess
from pathlib import Path

from support.broker import require

__all__ = ["Authority"]


class Authority:
    """Signs certificates.

    Args:
        folder: where the files are made.
        name: of the authority, and of its file.
    """

    def __init__(self, folder: Path, name: str = "authority") -> None:
        self._openssl = require("openssl", "openssl")
        self._folder = folder
        self.certificate = folder / f"{name}.pem"
        self._key = folder / f"{name}.key"
        self._run(
            *("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1"),
            *("-nodes", "-days", "2", "-subj", f"/CN={name}"),
            *("-addext", "basicConstraints=critical,CA:TRUE"),
            *("-addext", "keyUsage=critical,keyCertSign,cRLSign"),
            *("-keyout", self._key, "-out", self.certificate),
        )

    def _run(self, *arguments: object) -> None:
        subprocess.run([self._openssl, *map(str, arguments)], check=True, capture_output=True)

    def sign(self, name: str, *, host: str = "IP:127.0.0.1", phrase: str = "") -> tuple[Path, Path]:
        """Return a certificate and its key, made for a host or for nobody's in particular."""
        certificate, key = self._folder / f"{name}.pem", self._folder / f"{name}.key"
        request, extras = self._folder / f"{name}.csr", self._folder / f"{name}.ext"
        protect = ("-passout", f"pass:{phrase}") if phrase else ("-nodes",)
        self._run(
            *("req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", *protect),
            *("-subj", f"/CN={name}", "-keyout", key, "-out", request),
        )
        extras.write_text(f"subjectAltName={host}\nbasicConstraints=CA:FALSE\n")
        self._run(
            *("x509", "-req", "-in", request, "-days", "2", "-CA", self.certificate),
            *("-CAkey", self._key, "-CAcreateserial", "-extfile", extras, "-out", certificate),
        )
        return certificate, key
