"""The topic of each message.

::

    swathe/STATION/state            retained; also the last will
    swathe/STATION/progress         retained
    swathe/STATION/crawler          retained; where a crawler may move in the run
    swathe/STATION/line/NUMBER      retained
    swathe/STATION/gap/NUMBER       retained, closed gaps too; of very many the largest and nearest
    swathe/STATION/gaps             retained; of very many: where all of them are
    swathe/STATION/check/NUMBER     retained; calibration checks
    swathe/STATION/checking         retained; the check in progress, or the one that is due
    swathe/STATION/alarm/NUMBER     retained, those that are over too
    swathe/STATION/alarms           retained; how many alarms there are
    swathe/STATION/rescan           retained; gaps that are to be scanned again next
    swathe/STATION/revisions        retained; readings that were discarded or moved
    swathe/STATION/confirm          retained; places whose thickness is to be confirmed
    swathe/STATION/port/DEVICE      retained
    swathe/STATION/spot/NUMBER      retained; a spot of a plan without an encoder
    swathe/STATION/spots            retained; the spot to be read, and what the gauge reads
    swathe/STATION/command          commands to the station
    swathe/STATION/reply/ID         the reply to the command with that id
    swathe/STATION/reply/without.id  the reply to what has no id
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ROOT", "Topics"]

ROOT = "swathe"


@dataclass(frozen=True, slots=True)
class Topics:
    """Topics of one station."""

    station: str

    @property
    def state(self) -> str:
        """Topic of the state."""
        return f"{ROOT}/{self.station}/state"

    @property
    def progress(self) -> str:
        """Topic of the progress."""
        return f"{ROOT}/{self.station}/progress"

    @property
    def crawler(self) -> str:
        """Topic of the crawler."""
        return f"{ROOT}/{self.station}/crawler"

    @property
    def command(self) -> str:
        """Topic of commands."""
        return f"{ROOT}/{self.station}/command"

    @property
    def rescan(self) -> str:
        """Topic of the gaps that are to be scanned again next."""
        return f"{ROOT}/{self.station}/rescan"

    @property
    def revisions(self) -> str:
        """Topic of the readings that were discarded or moved."""
        return f"{ROOT}/{self.station}/revisions"

    @property
    def confirm(self) -> str:
        """Topic of the places whose thickness is to be confirmed."""
        return f"{ROOT}/{self.station}/confirm"

    @property
    def checking(self) -> str:
        """Topic of the calibration check in progress, or due."""
        return f"{ROOT}/{self.station}/checking"

    @property
    def spots(self) -> str:
        """Topic of the spot that is to be read."""
        return f"{ROOT}/{self.station}/spots"

    def spot(self, number: int) -> str:
        """Topic of one spot."""
        return f"{ROOT}/{self.station}/spot/{number}"

    @property
    def own(self) -> tuple[str, ...]:
        """Filters of all that the station publishes, but for replies."""
        root = f"{ROOT}/{self.station}"
        one = (
            self.state,
            self.progress,
            self.crawler,
            self.checking,
            self.alarms,
            self.rescan,
            self.revisions,
            self.confirm,
            self.spots,
            self.gap_index,
        )
        many = ("line", "gap", "check", "alarm", "port", "spot")
        return *one, *(f"{root}/{kind}/+" for kind in many)

    def is_gap(self, topic: str) -> bool:
        """Return whether a topic is that of a gap."""
        return topic.startswith(f"{ROOT}/{self.station}/gap/")

    def line(self, number: int) -> str:
        """Topic of one line's summary."""
        return f"{ROOT}/{self.station}/line/{number}"

    def gap(self, number: int) -> str:
        """Topic of one gap."""
        return f"{ROOT}/{self.station}/gap/{number}"

    @property
    def gap_index(self) -> str:
        """Topic of where all open gaps are."""
        return f"{ROOT}/{self.station}/gaps"

    def check(self, number: int) -> str:
        """Topic of one calibration check."""
        return f"{ROOT}/{self.station}/check/{number}"

    @property
    def alarms(self) -> str:
        """Topic of how many alarms there are."""
        return f"{ROOT}/{self.station}/alarms"

    def alarm(self, number: int) -> str:
        """Topic of one alarm."""
        return f"{ROOT}/{self.station}/alarm/{number}"

    def port(self, device: str) -> str:
        """Topic of one port's health."""
        return f"{ROOT}/{self.station}/port/{device}"

    @property
    def reply_without_id(self) -> str:
        """Topic of the reply to what has no id; no id has a dot."""
        return self.reply("without.id")

    def reply(self, command_id: str) -> str:
        """Topic of the reply to one command."""
        return f"{ROOT}/{self.station}/reply/{command_id}"
