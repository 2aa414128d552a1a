"""What ``swathe listen`` shows: a live view on a terminal, or plain lines."""

from __future__ import annotations

from typing import Self

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from swathe.listen.listener import PortSnapshot, ReceivedChunk, latency_text, quoted

__all__ = ["LivePicture", "PlainPrinter", "readable", "summary"]

_SIDE_BY_SIDE = 128  # columns of a terminal from which on bytes and fields are side by side
_MOST_ROW_BYTES = 32
_PLAIN_BYTES = 64
_LISTED_FAULTS = 4
_SHOWN_SENT = 32
_NOTHING = (
    "no byte yet: is the device on, are cable and baud rate right? Some devices have to be asked;"
    " a description states how, in its table [talk]"
)


def readable(data: bytes) -> str:
    """Return bytes as text, one character each; control characters as their pictures."""
    return "".join(map(_character, data))


def _character(byte: int) -> str:
    if byte < 0x20:
        return chr(0x2400 + byte)  # Unicode's control pictures, such as one for CR
    return chr(byte) if byte < 0x7F else "·"


def _gap(seconds: float | None) -> str:
    if seconds is None:
        return ""
    return f"+{seconds * 1e3:.1f} ms" if seconds < 10 else f"+{seconds:.1f} s"


def _counted(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def summary(snapshot: PortSnapshot) -> str:
    """Return counts, rates and faults in one line."""
    received = f"{_counted(snapshot.bytes, 'byte')} in {_counted(snapshot.chunks, 'chunk')}"
    parts = [f"{received}, {snapshot.byte_rate:,.0f} bytes/s"]
    if snapshot.sent:
        last = snapshot.newest_sent
        last = f"{last[:_SHOWN_SENT]}..." if len(last) > _SHOWN_SENT else last
        parts.append(f"{snapshot.sent:,} sent, the last {last}")
    if snapshot.latencies:
        parts.append(f"answers after {latency_text(snapshot.latencies)}")
    if snapshot.decoded:
        parts.append(f"{_counted(snapshot.records, 'record')}, {snapshot.record_rate:,.1f}/s")
        if snapshot.ignored:
            parts.append(f"{_counted(snapshot.ignored, 'line')} ignored")
        if snapshot.missing:
            parts.append(f"{_counted(snapshot.missing, 'record')} missing by their number")
        reasons = ", ".join(
            f"{count:,} {reason}" for reason, count in sorted(snapshot.faults.items())
        )
        parts.append(f"faults: {reasons or 'none'}")
    return "; ".join(parts)


class PlainPrinter:
    """Prints every chunk, the records and the faults as lines; to be shown each chunk."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._chunk = self._record = self._faults = 0
        self._state = ""

    def show(self, snapshot: PortSnapshot) -> None:
        """Print what is new."""
        if snapshot.state != self._state and snapshot.detail:
            self._state = snapshot.state
            self._print(f"port {snapshot.state}: {snapshot.detail}")
        records = [record for record in snapshot.newest_records if record.number > self._record]
        for chunk in snapshot.newest_chunks:
            if chunk.number > self._chunk:
                self._print(_plain_chunk(chunk))
        shown = len({record.number for record in records})
        if (lost := snapshot.records - self._record - shown) > 0:
            self._print(f"({lost:,} records not shown)")
        for record in records:
            fields = ", ".join(f"{name} {value}" for name, value in record.fields)
            self._print(f"{record.time:10.4f} s  record {record.number}: {fields}")
        count = sum(snapshot.faults.values())
        if new := min(count - self._faults, len(snapshot.newest_faults)):
            for fault in snapshot.newest_faults[-new:]:
                self._print(f"fault at {fault}")
        self._chunk = snapshot.chunks
        self._record = snapshot.records
        self._faults = count

    def _print(self, line: str) -> None:
        self._console.print(line, soft_wrap=True, highlight=False, markup=False)


def _plain_chunk(chunk: ReceivedChunk) -> str:
    shown = chunk.data[:_PLAIN_BYTES]
    more = f" and {len(chunk.data) - len(shown)} more" if len(shown) < len(chunk.data) else ""
    return f"{chunk.time:10.4f} s {_gap(chunk.gap):>11}  byte {chunk.offset}: {quoted(shown)}{more}"


class LivePicture:
    """A live view: bytes next to what they mean, rates, and what is wrong."""

    def __init__(self, console: Console, *, title: str) -> None:
        self._console = console
        self._title = title
        self._live = Live(console=console, auto_refresh=False, transient=False)
        self._frozen: PortSnapshot | None = None
        self._newest: PortSnapshot | None = None

    def __enter__(self) -> Self:
        self._live.__enter__()
        return self

    def __exit__(self, *error: object) -> None:
        self._frozen = None
        if self._newest is not None:
            self._live.update(self._render(self._newest), refresh=True)
        self._live.__exit__(None, None, None)

    def freeze(self) -> None:
        """Hold the bytes and records that are shown, or follow the newest again."""
        self._frozen = None if self._frozen is not None else self._newest

    def show(self, snapshot: PortSnapshot) -> None:
        """Draw again."""
        self._newest = snapshot
        self._live.update(self._render(snapshot), refresh=True)

    def _render(self, snapshot: PortSnapshot) -> RenderableType:
        held = self._frozen or snapshot
        width = self._console.width - 4
        side_by_side = snapshot.decoded and width >= _SIDE_BY_SIDE
        faults = _fault_lines(snapshot)
        room = max(6, self._console.height - 8 - len(faults))
        body: RenderableType
        if not snapshot.chunks:
            body = Text(_NOTHING)
        elif not snapshot.decoded:
            body = _byte_table(held, rows=room, row_bytes=_fit(width))
        elif side_by_side:
            row_bytes = _fit(width - 11 * (1 + _fields(held)))
            grid = Table.grid(padding=(0, 3))
            grid.add_row(
                _byte_table(held, rows=room, row_bytes=row_bytes), _record_table(held, room)
            )
            body = grid
        else:
            half = room // 2
            body = Group(
                _byte_table(held, rows=half - 1, row_bytes=_fit(width)),
                Text(""),
                _record_table(held, half - 1),
            )
        state = Text(
            f"port {snapshot.state}: {snapshot.detail}",
            style="" if snapshot.state == "open" else "bold",
        )
        return Panel(
            Group(state, Text(summary(snapshot)), Text(""), body, *faults),
            title=Text(f"{self._title}{'  FROZEN' if self._frozen else ''}"),
            subtitle="space resumes · q quits" if self._frozen else "space freezes · q quits",
        )


def _fit(width: int) -> int:
    """Return how many bytes a row has in so many columns: time and gap, then 4 columns each."""
    return max(8, min(_MOST_ROW_BYTES, (width - 26) // 32 * 8))


def _fields(snapshot: PortSnapshot) -> int:
    return len(snapshot.newest_records[-1].fields) if snapshot.newest_records else 4


def _byte_table(snapshot: PortSnapshot, *, rows: int, row_bytes: int) -> Table:
    """Return the newest bytes as hex and text, a chunk beginning a row of its own."""
    lines: list[tuple[str, str, str, str]] = []
    for chunk in reversed(snapshot.newest_chunks):
        pieces = [
            (
                f"{chunk.time:.3f}" if at == 0 else "",
                _gap(chunk.gap) if at == 0 else "",
                chunk.data[at : at + row_bytes].hex(" "),
                readable(chunk.data[at : at + row_bytes]),
            )
            for at in range(0, len(chunk.data), row_bytes)
        ]
        lines = [*pieces, *lines]
        if len(lines) >= rows - 1:
            break
    table = Table(box=None, pad_edge=False, padding=(0, 1))
    table.add_column("s", justify="right", no_wrap=True, min_width=8)
    table.add_column("since", justify="right", no_wrap=True, min_width=11, style="dim")
    table.add_column("bytes", no_wrap=True, min_width=3 * row_bytes - 1)
    table.add_column("text", no_wrap=True, min_width=row_bytes)
    for time, gap, hexed, text in lines[-(rows - 1) :]:
        table.add_row(time, gap, hexed, Text(text))
    return table


def _record_table(snapshot: PortSnapshot, rows: int) -> RenderableType:
    """Return the newest records, a column for each field."""
    if not snapshot.newest_records:
        return Text("no record yet")
    table = Table(box=None, pad_edge=False, padding=(0, 1))
    table.add_column("s", justify="right", no_wrap=True)
    for name, _ in snapshot.newest_records[-1].fields:
        table.add_column(name, justify="right", no_wrap=True)
    for record in snapshot.newest_records[-(rows - 1) :]:
        table.add_row(f"{record.time:.3f}", *(value for _, value in record.fields))
    return table


def _fault_lines(snapshot: PortSnapshot) -> list[Text]:
    """Return the newest faults, the last one at the bottom."""
    if not snapshot.newest_faults:
        return []
    lines = [Text(""), Text("newest faults", style="bold")]
    lines += [
        Text(str(fault), no_wrap=True, overflow="ellipsis")
        for fault in snapshot.newest_faults[-_LISTED_FAULTS:]
    ]
    return lines
