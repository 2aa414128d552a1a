"""The manifest of a survey, as coreutils and OpenSSH verify it."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from daemon.surveys import RUNS, write_survey
from support.broker import require
from swathe.errors import SurveyError
from swathe.store import SurveyFolder, replay, sign_manifest, write_derived, write_manifest

SIGNER = "station@penstock.example"


@pytest.fixture
def survey(tmp_path: Path) -> SurveyFolder:
    """Return a survey with files of odd names that a person added."""
    folder = write_survey(tmp_path / "survey", RUNS[:1])
    write_derived(folder, replay(folder))
    for name in ("photo of the weld.jpg", "back\\slash", "line\nfeed", "-dash", "straße.txt"):
        (folder.path / name).write_bytes(name.encode())
    return folder


@pytest.fixture
def key(tmp_path: Path) -> Path:
    """Return an Ed25519 key without a passphrase."""
    path = tmp_path / "key"
    program = require("ssh-keygen", "openssh-client")
    subprocess.run([program, "-q", "-t", "ed25519", "-N", "", "-C", SIGNER, "-f", path], check=True)
    return path


def compared(survey: SurveyFolder) -> subprocess.CompletedProcess[str]:
    """Return what coreutils finds."""
    command = [require("sha256sum", "coreutils"), "--check", "--strict", "MANIFEST.sha256"]
    return subprocess.run(command, cwd=survey.path, capture_output=True, text=True, check=False)


def verified(survey: SurveyFolder, key: Path, *, namespace: str = "swathe-survey") -> bool:
    """Return whether OpenSSH accepts the signature."""
    signers = key.with_name("signers")
    public = key.with_suffix(".pub").read_text().split()
    signers.write_text(f"{SIGNER} {public[0]} {public[1]}\n")
    command = [require("ssh-keygen", "openssh-client"), "-Y", "verify", "-f", str(signers)]
    command += ["-I", SIGNER, "-n", namespace, "-s", str(survey.path / "MANIFEST.sha256.sig")]
    text = (survey.path / "MANIFEST.sha256").read_bytes()
    return subprocess.run(command, input=text, capture_output=True, check=False).returncode == 0


def test_coreutils_finds_every_file_good(survey: SurveyFolder) -> None:
    """`sha256sum --check --strict` reads the manifest, odd names included, and lists each file once."""
    with survey:
        path = write_manifest(survey)
    found = compared(survey)
    assert found.returncode == 0, found.stdout + found.stderr
    files = [p for p in survey.path.rglob("*") if p.is_file()]
    assert len(found.stdout.splitlines()) == len(files) - 2  # neither itself nor the lock
    assert path.read_text().count("\n") == len(files) - 2


def test_coreutils_finds_a_changed_file(survey: SurveyFolder) -> None:
    """One byte more in a journal file, and the manifest does not match."""
    with survey:
        write_manifest(survey)
    with (survey.journal / "0001.mcap").open("ab") as stream:
        stream.write(b"\0")
    found = compared(survey)
    assert found.returncode == 1
    assert "journal/0001.mcap: FAILED" in found.stdout


def test_openssh_verifies_the_signature(survey: SurveyFolder, key: Path) -> None:
    """It holds for this manifest in our namespace, and for nothing else."""
    with survey:
        manifest = write_manifest(survey)
    assert sign_manifest(manifest, key) == survey.path / "MANIFEST.sha256.sig"
    assert verified(survey, key)
    assert not verified(survey, key, namespace="git")
    with survey:
        again = write_manifest(survey)
    assert not (survey.path / "MANIFEST.sha256.sig").exists()
    sign_manifest(again, key)
    again.write_bytes(again.read_bytes() + b"0" * 64 + b"  other\n")
    assert not verified(survey, key)


def test_key_that_does_not_sign_is_named(survey: SurveyFolder, tmp_path: Path) -> None:
    """The message of ssh-keygen is passed on, and no signature is left."""
    require("ssh-keygen", "openssh-client")
    with survey:
        manifest = write_manifest(survey)
    with pytest.raises(SurveyError, match=r"is not signed: ssh-keygen: .*no key"):
        sign_manifest(manifest, tmp_path / "no key")
    assert not (survey.path / "MANIFEST.sha256.sig").exists()


def test_missing_program_is_named(
    survey: SurveyFolder, key: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without OpenSSH the manifest is there, and the error names the remedy."""
    with survey:
        manifest = write_manifest(survey)
    monkeypatch.setenv("PATH", "")
    with pytest.raises(SurveyError, match="install OpenSSH"):
        sign_manifest(manifest, key)


def test_link_in_a_survey_is_refused(survey: SurveyFolder, tmp_path: Path) -> None:
    """A manifest states nothing about files outside of the survey."""
    (tmp_path / "outside").write_text("outside")
    (survey.path / "photo.jpg").symlink_to(tmp_path / "outside")
    with survey, pytest.raises(SurveyError, match=r"photo\.jpg: no manifest is written: .*link"):
        write_manifest(survey)
