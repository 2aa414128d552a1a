"""A list of the SHA-256 of every file of a survey, for hand-over.

It has the format of coreutils' ``sha256sum``: ``sha256sum -c MANIFEST.sha256`` in the survey's folder
compares every file. A signature is made by OpenSSH's ``ssh-keygen -Y sign``, in the namespace
`NAMESPACE`, and verified by ``ssh-keygen -Y verify``.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

from swathe.errors import SurveyError
from swathe.object_storage import files_of
from swathe.safe_files import SafeFolder
from swathe.store.digests import digest_of_file
from swathe.store.folder import SurveyFolder

__all__ = ["MANIFEST", "NAMESPACE", "manifest_text", "sign_manifest", "write_manifest"]

MANIFEST = "MANIFEST.sha256"
NAMESPACE = "swathe-survey"
"""Of the signatures: one made for another purpose is not accepted for a survey, nor the other way."""

_LEFT_OUT = frozenset({MANIFEST, f"{MANIFEST}.sig", ".lock"})
# As coreutils writes a name that has such a character, with a backslash before the digest.
_ESCAPED = {"\\": "\\\\", "\n": "\\n", "\r": "\\r"}


def write_manifest(folder: SurveyFolder) -> Path:
    """Write the manifest of a survey; return its path.

    A signature of an earlier one is removed: it is not of this one.

    Args:
        folder: the survey, locked.

    Raises:
        SurveyError: a file of it is a link, cannot be read, or the manifest cannot be written.
    """
    files = files_of(folder.path)
    try:
        text = manifest_text(folder)
        files.remove(f"{MANIFEST}.sig")
        files.replace(MANIFEST, text.encode("utf-8", "surrogateescape"))
    except OSError as error:
        where = error.filename or folder.path
        raise SurveyError(Path(where), f"no manifest is written: {error.strerror}") from error
    return folder.path / MANIFEST


def manifest_text(folder: SurveyFolder) -> str:
    """Return the manifest of a survey as it is now.

    Raises:
        OSError: a file of it is a link, or cannot be read.
    """
    return "".join(f"{line}\n" for line in _lines(files_of(folder.path)))


def _lines(files: SafeFolder) -> Iterator[str]:
    for name in sorted(files.names()):
        if name in _LEFT_OUT:
            continue
        digest = digest_of_file(files, name)
        if digest is None:
            continue
        written = "".join(_ESCAPED.get(letter, letter) for letter in name)
        yield f"{'' if written == name else chr(92)}{digest.sha256}  {written}"


def sign_manifest(manifest: Path, key: Path) -> Path:
    """Sign a manifest with an SSH key; return the path of the signature.

    Args:
        manifest: made by `write_manifest`.
        key: file of a private key, or of a public one whose private key an agent has.

    Raises:
        SurveyError: ``ssh-keygen`` is missing, or does not sign; the text has its message.
    """
    program = shutil.which("ssh-keygen")
    if program is None:
        message = "is not signed: there is no 'ssh-keygen'; install OpenSSH's client programs"
        raise SurveyError(manifest, message)
    # The text is given by standard input: ssh-keygen would write next to a file by its name.
    command = [program, "-Y", "sign", "-q", "-f", str(key), "-n", NAMESPACE]
    text = manifest.read_bytes()
    done = subprocess.run(command, input=text, capture_output=True, check=False)  # noqa: S603
    signature = done.stdout
    if done.returncode or not signature.startswith(b"-----BEGIN SSH SIGNATURE-----"):
        reason = done.stderr.decode("utf-8", "replace").strip().splitlines()
        message = f"is not signed: ssh-keygen: {reason[-1] if reason else 'no signature'}"
        raise SurveyError(manifest, message)
    target = f"{manifest.name}.sig"
    files_of(manifest.parent).replace(target, signature)
    return manifest.parent / target
