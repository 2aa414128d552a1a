"""``swathe service STATION.toml``: print a systemd unit that runs a station."""

from __future__ import annotations

import getpass
import re
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from swathe.cli.app import AreaOption, app
from swathe.errors import SwatheError

if TYPE_CHECKING:
    from swathe.station import Station

__all__ = ["service", "unit_text"]

_UNIT = """\
# Swathe station {name}: save it as /etc/systemd/system/{unit}.service, then
#   systemctl daemon-reload
#   systemctl enable --now {unit}.service
#   journalctl --namespace=swathe --unit={unit}.service
# Keys: systemd.unit(5), systemd.service(5), systemd.exec(5), systemd.kill(5).

[Unit]
Description=Swathe station {name}
Wants=network-online.target
After=network-online.target time-sync.target
StartLimitIntervalSec=300
StartLimitBurst=5

[Service]
Type=notify
NotifyAccess=main
ExecStart={command}
WorkingDirectory={folder}
User={user}
SupplementaryGroups={groups}
# A crawler is never armed by a service: whoever arms it stands by.

# Ended in order is 0 (covered) or 3 (not covered yet). Not begun again by itself: 2 wrong usage,
# 3 somebody stopped it, 4 a fault stopped the crawler, 5 the journal is damaged.
Restart=on-failure
RestartSec=5
SuccessExitStatus=3
RestartPreventExitStatus=2 3 4 5
WatchdogSec=30
TimeoutStartSec=120
TimeoutStopSec=60
KillSignal=SIGTERM
KillMode=mixed

LogNamespace=swathe
CacheDirectory=swathe/{unit}
Environment=XDG_CACHE_HOME=/var/cache/swathe/{unit} MPLCONFIGDIR=/var/cache/swathe/{unit}
Environment=PYTHONUNBUFFERED=1 PYTHONFAULTHANDLER=1
{credentials}
UMask=0027
NoNewPrivileges=yes
CapabilityBoundingSet=
ProtectSystem=strict
ProtectHome={home}
ReadWritePaths={writable}
PrivateTmp={temporary}
ProtectProc=invisible
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectHostname=yes
# Neither PrivateDevices nor ProtectClock: both would close the serial ports.
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK
RestrictNamespaces=yes
RestrictSUIDSGID=yes
RestrictRealtime=yes
LockPersonality=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallErrorNumber=EPERM

[Install]
WantedBy=multi-user.target
"""
_CREDENTIALS = "/etc/swathe"


@app.command()
def service(
    station: Annotated[Path, typer.Argument(help="The station file.")],
    area: AreaOption = "",
    user: Annotated[str, typer.Option("--user", help="Who runs it; by default whoever asks.")] = "",
    group: Annotated[
        str, typer.Option("--group", help="Group that may use the serial ports.")
    ] = "dialout",
) -> None:
    """Print a systemd unit that runs a station, begins again after a failure and is watched.

    Secrets that the station file names become credentials, files in /etc/swathe.
    """
    from swathe.station import read_station, survey_folder

    settings, _ = read_station(station, area=area)
    typer.echo(
        unit_text(
            settings,
            station.absolute(),
            survey_folder(settings, station).absolute(),
            area=area,
            user=user or getpass.getuser(),
            group=group,
        ),
        nl=False,
    )


def unit_text(
    settings: Station, station: Path, survey: Path, *, area: str, user: str, group: str
) -> str:
    """Return the unit.

    Args:
        settings: the station file's.
        station: its path, and
        survey: that of the survey's folder; both absolute.
        area: of the station file, or empty.
        user: who runs it.
        group: that may use the serial ports.

    Raises:
        SwatheError: a path or name has no place in a unit; or the page's token would be new at each
            start, and nobody would be shown it.
    """
    from swathe.page.access import is_loopback

    page = settings.page
    if page is not None and page.token_variable is None and not is_loopback(page.host):
        message = (
            "the page of a service needs a token that is known: name one in 'page.token_variable'"
        )
        raise SwatheError(message)
    program = shutil.which("swathe", path=str(Path(sys.executable).parent))
    command = [program] if program else [sys.executable, "-m", "swathe"]
    command += ["--log", "keys", "run", str(station)]
    if area:
        command += ["--area", area]
    unit = "swathe-" + re.sub(r"[^A-Za-z0-9_.-]", "-", settings.name)
    used = (station, survey, Path(command[0]))
    home = any(path.is_relative_to(top) for path in used for top in ("/home", "/root"))
    temporary = any(path.is_relative_to(top) for path in used for top in ("/tmp", "/var/tmp"))  # noqa: S108
    return _UNIT.format(
        name=_plain(settings.name),
        unit=unit,
        command=" ".join(_quoted(word, command=True) for word in command),
        folder=_plain(str(station.parent)),
        user=_plain(user),
        groups=_plain(group),
        credentials="".join(
            f"LoadCredential={_plain(name)}:{_CREDENTIALS}/{_plain(name)}\n"
            for name in _secrets(settings)
        ),
        home="read-only" if home else "yes",
        temporary="no" if temporary else "yes",
        # An older survey is renamed next to the new one.
        writable=_quoted(str(survey.parent)),
    )


def _secrets(settings: Station) -> list[str]:
    """Return the names of the secrets of a station file, each once."""
    named = [settings.page.token_variable if settings.page is not None else None]
    if (broker := settings.broker) is not None:
        named += [broker.password_variable, broker.key_password_variable]
    return list(dict.fromkeys(name for name in named if name))


def _plain(text: str) -> str:
    """Return a text that a unit takes as it is; ``%`` would begin a specifier.

    Raises:
        SwatheError: it has a character that is none of a name.
    """
    if not text.isprintable() or not text:
        message = f"{text!r} cannot be written into a unit: it has a control character, or nothing"
        raise SwatheError(message)
    return text.replace("%", "%%")


def _quoted(word: str, *, command: bool = False) -> str:
    """Return a word of a list, as in systemd.syntax(7); in a command ``$`` would begin a variable."""
    plain = _plain(word).replace("$", "$$") if command else _plain(word)
    if re.fullmatch(r"[A-Za-z0-9_./%$@:+-]+", plain):
        return plain
    escaped = plain.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
