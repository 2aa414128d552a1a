"""``swathe listen PORT``: the bytes of a port next to what they mean; captures and suggestions."""

from __future__ import annotations

import contextlib
import sys
import time
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from swathe.cli.app import Exit, app, console, errors
from swathe.cli.listen_poll import polling
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe.listen import Listener, PlainPrinter, PortSnapshot
    from swathe_drivers import PortSettings
    from swathe_drivers.description import Description
    from swathe_drivers.suggest import Hints, Shown, Suggestion

__all__ = ["listen"]

_REFRESH_SECONDS = 0.1
_MOST_PRINTED = 200
_SUGGEST_SECONDS = 20.0


class Sends(StrEnum):
    """What a port sends."""

    ENCODER = "encoder"
    GAUGE = "gauge"
    BOTH = "both"


@app.command()
def listen(
    port: Annotated[
        str,
        typer.Argument(
            help="A device, usb:SERIAL, socket://host:port, rfc2217://host:port or capture:PATH."
        ),
    ],
    baud: Annotated[
        int | None, typer.Option(help="Baud rate; overrides that of the description.")
    ] = None,
    protocol: Annotated[
        Path | None, typer.Option(help="Protocol description to decode the bytes with.")
    ] = None,
    driver: Annotated[
        str | None, typer.Option(help="Driver that needs no settings, in place of --protocol.")
    ] = None,
    seconds: Annotated[
        float | None, typer.Option(min=0, help="Time to listen, s; without it until q or Ctrl-C.")
    ] = None,
    capture: Annotated[Path | None, typer.Option(help="New file to record the bytes in.")] = None,
    suggest: Annotated[
        bool,
        typer.Option("--suggest", help="Propose a description at the end, by default after 20 s."),
    ] = False,
    shows: Annotated[
        list[str] | None,
        typer.Option(
            help="With --suggest, what the device's display shows as the capture ends: '12.41 mm',"
            " 'position=310.5 mm', '64 %', '10.00 mm @ 2.5 s'; more than once for several."
        ),
    ] = None,
    sends: Annotated[
        Sends | None, typer.Option(help="With --suggest, what the port sends, if that is known.")
    ] = None,
    along: Annotated[
        str, typer.Option(help="With --suggest, the axis along which the probe was moved.")
    ] = "scan",
    rates: Annotated[
        bool,
        typer.Option("--rates", help="Try the usual baud rates and print which is readable."),
    ] = False,
    poll: Annotated[
        str | None,
        typer.Option(help=r"Request to send again and again: '?P\r', 'hex:05 03', '?P\r @ 40 ms'."),
    ] = None,
    registers: Annotated[
        bool,
        typer.Option(
            "--registers",
            help="With --suggest, ask a Modbus device for its registers; nothing is written to it.",
        ),
    ] = False,
    unit: Annotated[
        int | None,
        typer.Option(min=0, max=255, help="With --registers, address of the device, if known."),
    ] = None,
    plain: Annotated[
        bool, typer.Option("--plain", help="Print lines instead of the live view.")
    ] = False,
) -> None:
    """Show what a port sends: bytes as hex and text, the fields they decode to, rates and faults.

    Keys: space freezes the view, q quits. With --suggest the proposed description goes to standard
    output, what is unsure about it to standard error. Exit code 0: bytes came, and where there is
    a protocol they made sense, and with --suggest the trial is good, no number is a guess, and what was
    asked for and shown is in the proposal; 1: not.
    """
    from swathe.listen import Listener
    from swathe_drivers.capture import CaptureHeader, CaptureWriter
    from swathe_drivers.suggest import MAX_CAPTURED_BYTES

    hints = _hints(shows or [], sends, along)
    settings, description, per_byte = _settings(port, baud, protocol, driver, suggest=suggest)
    if rates:
        from swathe.cli.listen_rates import print_rates

        good = print_rates(settings, description, seconds)
        raise typer.Exit(Exit.OK if good else Exit.ERROR)
    if suggest and seconds is None and not settings.is_capture:
        seconds = _SUGGEST_SECONDS
    if suggest and registers:
        good = _from_registers(settings, hints, unit, seconds or _SUGGEST_SECONDS)
        raise typer.Exit(Exit.OK if good else Exit.ERROR)
    decoder = description.decoder(ns_per_byte=per_byte) if description else None
    asking = polling(poll) if poll else description
    with contextlib.ExitStack() as stack:
        writer = None
        if capture is not None:
            header = CaptureHeader(
                url=settings.url,
                settings=settings.model_dump(exclude={"url"}),
                description=description.text if description else "",
            )
            writer = stack.enter_context(
                CaptureWriter(capture, header, start_ns=time.monotonic_ns())
            )
        listener = stack.enter_context(
            Listener(
                settings,
                decoder=decoder,
                schedule=asking.schedule(ns_per_byte=per_byte) if asking else None,
                capture=writer,
                keep_bytes=MAX_CAPTURED_BYTES if suggest else 0,
            )
        )
        snapshot = _follow(listener, _title(settings), seconds, plain=plain, quiet=suggest)
    _end(snapshot, capture)
    if suggest:
        talk = tomllib.loads(asking.text).get("talk") if asking else None
        good = _suggest(listener.kept, settings, talk, per_byte, hints)
    else:
        good = snapshot.good
    raise typer.Exit(Exit.OK if good else Exit.ERROR)


def _settings(
    url: str, baud: int | None, protocol: Path | None, driver: str | None, *, suggest: bool
) -> tuple[PortSettings, Description | None, int]:
    """Return the port's settings, the description in use, and how long a byte takes, ns.

    A capture has settings and perhaps a description of its own.
    """
    from swathe_drivers import PortSettings, read_settings
    from swathe_drivers.capture import CAPTURE, CaptureReader, split_url
    from swathe_drivers.description import parse_description, read_description

    if protocol is not None and driver is not None:
        raise SwatheError("--protocol names its driver itself: leave --driver out")
    # First: what is wrong with it shows without the device, and without its capture.
    given = None if protocol is None else read_description(protocol)
    known: dict[str, object] = {} if baud is None else {"baud": baud}
    settings = read_settings(PortSettings, {"url": url, **known}, key="port")
    text, origin = "", url
    if settings.is_capture:
        path, _ = split_url(url)
        with CaptureReader(path) as reader:
            header = reader.header
        known = {**header.settings, **known}
        text, origin = header.description, header.url
        if suggest and "?" not in url:
            url = f"{CAPTURE}{path}?pace=fast"
    description: Description | None
    if given is not None:
        description = given
    elif driver is not None:
        description = parse_description(f'driver = "{driver}"\n[protocol]\n', "--driver")
    elif text:
        description = parse_description(text, f"description in {url}")
    else:
        description = None
    known_line = {**(description.port if description else {}), **known}
    settings = read_settings(PortSettings, {"url": url, **known_line}, key="port")
    from_line = read_settings(PortSettings, {"url": origin, **known_line}, key="port")
    return settings, description, from_line.ns_per_byte


def _title(settings: PortSettings) -> str:
    """Return the port's address and, of a serial line, how it is read: bits, parity, stop bits."""
    if not settings.ns_per_byte or settings.is_capture:
        return settings.url
    parity = settings.parity[0].upper()
    line = f"{settings.bytesize}{parity}{settings.stopbits}"
    return f"{settings.url}, {settings.baud} baud {line}"


def _follow(
    listener: Listener, title: str, seconds: float | None, *, plain: bool, quiet: bool
) -> PortSnapshot:
    """Show what the port sends until it ends, time is up, or the user has seen enough."""
    from swathe.keys import single_keys
    from swathe.listen import LivePicture, PlainPrinter

    live = console.is_terminal and not plain
    shown = errors if quiet else console  # standard output is the description's
    with contextlib.ExitStack() as stack:
        picture = stack.enter_context(LivePicture(shown, title=title)) if live else None
        printer = None if live or quiet else PlainPrinter(shown)
        key = stack.enter_context(single_keys())
        end = None if seconds is None else time.monotonic() + seconds
        with contextlib.suppress(KeyboardInterrupt):
            while not listener.ended and (end is None or time.monotonic() < end):
                left = _REFRESH_SECONDS if end is None else end - time.monotonic()
                pressed = key(max(0.0, min(_REFRESH_SECONDS, left)))
                if printer is not None:
                    _print_each(listener, printer)
                else:
                    listener.drain()
                if pressed == "q":
                    break
                if picture is not None:
                    if pressed == " ":
                        picture.freeze()
                    picture.show(listener.snapshot())
        if printer is not None:
            _print_each(listener, printer)
        listener.drain()
        snapshot = listener.snapshot()
        if picture is not None:
            picture.show(snapshot)
    return snapshot


def _print_each(listener: Listener, printer: PlainPrinter) -> None:
    """Print chunk by chunk what has arrived; for a while, as a device may send faster than that."""
    for _ in range(_MOST_PRINTED):
        if not listener.drain(most=1):
            return
        printer.show(listener.snapshot())


def _end(snapshot: PortSnapshot, capture: Path | None) -> None:
    """Print a summary to standard error."""
    from swathe.listen import summary

    errors.print(summary(snapshot), soft_wrap=True, highlight=False, markup=False)
    if not snapshot.bytes:
        cause = (
            snapshot.detail
            if snapshot.state != "open"
            else "is the device on, and the cable right?"
        )
        errors.print(f"no bytes came: {cause}", soft_wrap=True, highlight=False, markup=False)
    if capture is not None:
        errors.print(
            f"captured in {capture}; play it with: swathe listen capture:{capture}",
            soft_wrap=True,
            highlight=False,
            markup=False,
        )


def _hints(shows: list[str], sends: Sends | None, along: str) -> Hints:
    """Return what is known beforehand."""
    from swathe_drivers.suggest import Hints, parse_shown

    try:
        shown = tuple(parse_shown(text) for text in shows)
    except ValueError as error:
        raise SwatheError(f"--shows {error}") from None
    return Hints(shows=shown, contents=None if sends is None else sends.value, axis=along)


def _suggest(
    kept: list[tuple[int, bytes]],
    settings: PortSettings,
    talk: Mapping[str, Any] | None,
    per_byte: int,
    hints: Hints,
) -> bool:
    """Print the proposed description, and what it rests on to standard error."""
    from swathe_drivers.suggest import suggest

    line = settings.model_dump(exclude={"url"}, exclude_defaults=True)
    if per_byte:  # a line with a rate of its own
        line = {"baud": settings.baud, **line}
    found = suggest(kept, port=line, talk=talk, ns_per_byte=per_byte, hints=hints)
    while sys.stdin.isatty() and errors.is_terminal and (answers := _ask(found, hints)):
        hints = replace(hints, shows=(*hints.shows, *answers))
        found = suggest(kept, port=line, talk=talk, ns_per_byte=per_byte, hints=hints)
    return _print_found(found)


def _from_registers(settings: PortSettings, hints: Hints, unit: int | None, seconds: float) -> bool:
    """Print the description proposed for a Modbus device."""
    from swathe.listen.register_scan import suggested_from_registers

    def say(text: str) -> None:
        errors.print(text, highlight=False, markup=False, soft_wrap=True)

    return _print_found(
        suggested_from_registers(settings, hints, unit=unit, seconds=seconds, say=say)
    )


def _print_found(found: Suggestion) -> bool:
    """Print a description, and what it rests on to standard error; return whether there is one."""
    from swathe_drivers.suggest import Basis

    for finding in found.findings:
        style = None if finding.basis is Basis.SHOWN else "bold"
        mark = "  " if finding.basis is Basis.SHOWN else "? "
        errors.print(f"{mark}{finding}", style=style, highlight=False, markup=False, soft_wrap=True)
    for question in found.questions:
        errors.print(f"to be answered: {question}", highlight=False, markup=False, soft_wrap=True)
    for number, other in enumerate(found.others, 1):
        what = next((str(one) for one in other.findings if one.about == "trial"), "")
        text = f"another description decodes it, too ({number}): {_kinds_of(other.text)}; {what}"
        errors.print(text, highlight=False, markup=False, soft_wrap=True)
    if not found.text:
        errors.print("no description can be proposed from these bytes", soft_wrap=True)
        return False
    if not found.good:
        errors.print(
            "its trial is not good: correct it by the manual before you use it", soft_wrap=True
        )
    for finding in found.guessed:
        errors.print(
            f"a guess, and its numbers may be wrong: {finding.about}, {finding.what}: compare it with the manual"
            " or the display before you use it",
            style="bold", highlight=False, markup=False, soft_wrap=True,
        )  # fmt: skip
    for sentence in found.unmet:
        errors.print(
            f"not in the proposal: {sentence}",
            style="bold", highlight=False, markup=False, soft_wrap=True,
        )  # fmt: skip
    typer.echo(found.text, nl=False)
    return found.good and not found.guessed and not found.unmet


def _kinds_of(text: str) -> str:
    """Return what a description's records give, in a few words."""
    from swathe_drivers.description import parse_description

    found = parse_description(text, "proposed description")
    decoder = found.decoder(ns_per_byte=0)
    gives = [f"{axis} position" for axis in decoder.axes] + sorted(decoder.gives)
    return f"driver {found.driver}, {', '.join(gives)}"


def _ask(found: Suggestion, hints: Hints) -> list[Shown]:
    """Return what the user answers to the questions; nothing more where all were asked once."""
    from swathe_drivers.suggest import parse_shown

    known = {shown.quantity for shown in hints.shows}
    answers: list[Shown] = []
    for question in found.questions:
        if not question.quantity or question.quantity in known:
            continue
        known.add(question.quantity)
        while text := typer.prompt(f"{question.text} Enter: skip", default="", err=True):
            named = text if "=" in text else f"{question.quantity}={text}"
            try:
                answers.append(parse_shown(named))
            except ValueError as error:
                errors.print(f"it {error}", highlight=False, markup=False, soft_wrap=True)
                continue
            break
    return answers
