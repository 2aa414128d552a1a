"""The keys of the board: what each one does, in a word and in a line."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from rich.cells import cell_len
from rich.text import Text

__all__ = ["KEYS", "SPOT_KEYS", "BoardKey", "key_line", "key_list"]


@dataclass(frozen=True, slots=True)
class BoardKey:
    """One key.

    Attributes:
        key: as it is called.
        short: what it does, for the last line of the board.
        full: likewise, in a line of its own; the guide has the same text.
    """

    key: str
    short: str
    full: str


# Those that matter most come first.
KEYS = (
    BoardKey("n", "next", "go to the next line of a stepped index axis"),
    BoardKey("p", "previous", "go to the previous line"),
    BoardKey("space", "pause", "pause and resume: meanwhile readings count for no cell"),
    BoardKey("g", "continue", "let the crawler continue after it has stopped"),
    BoardKey("i", "I am at", "say where the probe rests: 0, a mark of the part, or a length"),
    BoardKey("c", "check", "check the calibration: Enter reads a step, `r` reads it again"),
    BoardKey("u", "undo", "discard readings, move them to another line, or restore them"),
    BoardKey("a", "acknowledge", "acknowledge the new alarms, with your name"),
    BoardKey("v", "confirm", "say that a doubtful thickness is real or spurious, and why"),
    BoardKey("x", "blocked", "end this line where it is: the rest of it is blocked"),
    BoardKey("l", "line", "go to a line by its number"),
    BoardKey("t", "note", "put a note into the survey"),
    BoardKey("b", "bell", "mute the bell, and switch it on again"),
    BoardKey("arrows", "station", "choose one of several stations; Tab does, too"),
    BoardKey("?", "all keys", "show this list; Esc closes it, other keys act as usual"),
    BoardKey("q", "quit", "end: a run asks for a second q, unless a crawler moves"),
)
SPOT_KEYS = (
    BoardKey("Enter", "take", "take the reading of the spot, as space does"),
    BoardKey("s", "skip", "go to the next spot that is to be read, and leave this one"),
    BoardKey("←→", "spot", "choose the spot before or after in the plan"),
    BoardKey("k", "keep jumpy", "accept a jumpy spot, with your name and reason"),
    BoardKey("r", "read again", "discard what was read at a spot, and read it again"),
    BoardKey("d", "dead", "close a spot at which no reading is possible, with your reason"),
)
"""Those of a run over spots, in addition."""

# Always on the last line, at its end.
_LAST = ("?", "q")


def key_line(keys: Collection[str], width: int) -> Text:
    """Return as many of the keys as fit in a line, those of `_LAST` among them always."""
    shown = [one for one in (*SPOT_KEYS, *KEYS) if one.key in keys or one.key in _LAST]

    def line() -> str:
        return " · ".join(f"{one.key} {one.short}" for one in shown)

    while cell_len(line()) > width and (left := [one for one in shown if one.key not in _LAST]):
        shown.remove(left[-1])
    return Text(line(), style="dim", no_wrap=True, overflow="ellipsis")


def key_list(keys: Collection[str]) -> list[Text]:
    """Return a line for each of the keys, and for those that every board has."""
    shown = [one for one in (*SPOT_KEYS, *KEYS) if one.key in keys or one.key in _LAST]
    width = max(len(one.key) for one in shown)
    lines = [Text("keys, in either case", style="bold")]
    for one in shown:
        text = one.full.replace("`", "")
        lines.append(Text.assemble((f"  {one.key:<{width}}  ", "bold"), text))
    return lines
