"""The devices at hand: each port with the description of what it sends."""

from __future__ import annotations

import contextlib
import itertools
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from swathe.draft.port_trial import PortTrial, try_capture, try_port
from swathe.errors import SwatheError
from swathe_drivers import Decoder, Description, PortSettings, SettingsError, read_settings
from swathe_drivers.capture import CAPTURE
from swathe_drivers.description import parse_description, read_description
from swathe_drivers.examples import example, example_names

__all__ = ["LISTEN", "DeviceWish", "OwnDevice", "own_device", "sources_text"]

LISTEN = "listen"
"""As the source of a description: it is proposed from what the port sends."""


@dataclass(frozen=True, slots=True)
class DeviceWish:
    """A port and where its protocol is described.

    Attributes:
        role: ``gauge`` or ``encoder``.
        port: its address.
        source: a description's file, the name of a bundled one, ``capture:FILE`` or ``listen``.
        trial: what was received at the port already, for ``listen``.
    """

    role: str
    port: str
    source: str
    trial: PortTrial | None = None


@dataclass(frozen=True, slots=True)
class OwnDevice:
    """A device with its description.

    Attributes:
        name: in the station file.
        port: its address.
        file: the description, as the station file names it.
        description: what it holds.
        text: of the file, where it is to be written next to the station file; else empty.
        unsure: what of it is to be compared with the manual.
    """

    name: str
    port: str
    file: str
    description: Description
    text: str = ""
    unsure: tuple[str, ...] = ()

    @property
    def decoder(self) -> Decoder:
        """A decoder of it, for what it gives."""
        return self.description.decoder(ns_per_byte=0)


def sources_text() -> str:
    """Return what the source of a description may be."""
    names = ", ".join(example_names())
    return (
        f"a description's file, capture:FILE, {LISTEN} (the port is opened and read), or a bundled "
        f"example ({names})"
    )


def own_device(
    wish: DeviceWish,
    folder: Path,
    *,
    trial: Callable[[str], PortTrial] = try_port,
    force: bool = False,
) -> OwnDevice:
    """Return a device with its description.

    Args:
        wish: port and source.
        folder: of the station file, to which a file's name is relative.
        trial: receives at a port.
        force: whether a description of that name which is there is replaced; else another name is
            taken, unless it is the same.

    Raises:
        SwatheError: there is no such port or source, or no description can be proposed; names the
            option.
        DescriptionError: the file is no description.
    """
    try:
        read_settings(PortSettings, {"url": wish.port}, key="port")
    except SettingsError as error:
        message = f"'--{wish.role}' {error.requirement} (got {wish.port!r})"
        raise SwatheError(message) from error
    source = wish.source
    if source == LISTEN or source.startswith(CAPTURE):
        found = wish.trial
        if found is None or source != LISTEN:
            found = try_capture(source) if source.startswith(CAPTURE) else trial(wish.port)
        if not found.text:
            message = (
                f"'--{wish.role}-protocol': nothing can be proposed for {found.url}: {found.summary}; "
                "describe it by the manual (drivers/README.md) and name that file"
            )
            raise SwatheError(message)
        file = _free_name(folder, wish.role, found.text, force=force)
        return _written(wish, file, found.text, found.unsure)
    path = Path(source)
    if path.is_file():
        description = read_description(path)
        file = Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
        return OwnDevice(wish.role, wish.port, file, description)
    if source in example_names():
        text = example(source).text
        return _written(wish, _free_name(folder, source, text, force=force), text)
    message = f"'--{wish.role}-protocol' must be {sources_text()} (got {source!r})"
    raise SwatheError(message)


def _written(wish: DeviceWish, file: str, text: str, unsure: tuple[str, ...] = ()) -> OwnDevice:
    return OwnDevice(wish.role, wish.port, file, parse_description(text, file), text, unsure)


def _free_name(folder: Path, name: str, text: str, *, force: bool) -> str:
    """Return the name of a file that is not there, or has the same text, or is to be replaced."""
    for number in itertools.count(1):
        file = f"{name}.toml" if number == 1 else f"{name}-{number}.toml"
        path = folder / file
        if force or not (path.exists() or path.is_symlink()):
            return file
        with contextlib.suppress(OSError, UnicodeDecodeError):
            if path.read_text(encoding="utf-8") == text:
                return file
    raise AssertionError
