"""A journal cut another way, and what a survey's state is after it, to be compared bit for bit."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from random import Random
from typing import Any

import numpy as np
from numpy.typing import NDArray

from swathe.journal import Chunk, Entry, Mark, MarkKind, Tick
from swathe.pipeline import Pipeline, Placed, ProbePath, Revision, RevisionLog
from swathe.pipeline.revisions import REVISION_MARKS
from swathe.station import Station
from swathe.store import record_of

__all__ = ["FIELDS", "Cut", "Seen", "differences", "revisions_of", "state_after", "state_of"]


@dataclass(frozen=True)
class Cut:
    """How a journal is changed without changing what it holds, and how it is fed.

    Attributes:
        seed: source of chance.
        added: share of the places between two entries at which ticks are added.
        removed: share of the ticks that are removed; the last one of a run stays.
        joined: share of the chunks that are joined with the next one of their port and time.
        divided: share of the chunks that are divided, into chunks of one time.
        advance: share of the entries after which collected entries are evaluated, and always at the
            end; None to feed each entry.
    """

    seed: int = 0
    added: float = 0.0
    removed: float = 0.0
    joined: float = 0.0
    divided: float = 0.0
    advance: float | None = None

    def of(self, journal: Iterable[Entry]) -> list[Entry]:
        """Return the journal as it is cut."""
        rng = Random(self.seed)
        entries = list(_divided(journal, self.divided, rng))
        entries = list(_joined(entries, self.joined, rng))
        entries = list(_thinned(entries, self.removed, rng))
        return list(_ticked(entries, self.added, rng))

    def feed(self, pipeline: Pipeline, entries: Iterable[Entry]) -> None:
        """Feed the entries, one by one or collected."""
        if self.advance is None:
            for entry in entries:
                pipeline.feed(entry)
            return
        rng = Random(self.seed + 1)
        for entry in entries:
            pipeline.collect(entry)
            if rng.random() < self.advance:
                pipeline.advance()
        pipeline.advance()


def _divided(entries: Iterable[Entry], share: float, rng: Random) -> Iterator[Entry]:
    for entry in entries:
        if isinstance(entry, Chunk) and len(entry.data) > 1 and rng.random() < share:
            at = rng.randrange(1, len(entry.data))
            yield Chunk(entry.time, entry.port, entry.data[:at])
            yield Chunk(entry.time, entry.port, entry.data[at:])
        else:
            yield entry


def _joined(entries: list[Entry], share: float, rng: Random) -> Iterator[Entry]:
    """Join chunks of a port and time, whatever chunks of other ports are between them."""
    waiting: dict[str, Chunk] = {}
    for entry in entries:
        if not isinstance(entry, Chunk) or any(one.time < entry.time for one in waiting.values()):
            yield from waiting.values()
            waiting.clear()
        if not isinstance(entry, Chunk):
            yield entry
            continue
        before = waiting.pop(entry.port, None)
        data = entry.data if before is None else before.data + entry.data
        joined = Chunk(entry.time, entry.port, data)
        if rng.random() < share:
            waiting[entry.port] = joined
        else:
            yield joined
    yield from waiting.values()


def _thinned(entries: list[Entry], share: float, rng: Random) -> Iterator[Entry]:
    """Leave out ticks after which the same run has another entry: time passes by that as well."""
    for entry, following in zip(entries, [*entries[1:], None], strict=True):
        is_last = following is None or _opens(following)
        if is_last or not isinstance(entry, Tick) or rng.random() >= share:
            yield entry


def _ticked(entries: list[Entry], share: float, rng: Random) -> Iterator[Entry]:
    for before, after in zip([None, *entries], entries, strict=False):
        if before is not None and not _opens(after) and rng.random() < share:
            times = [rng.randint(before.time, after.time) for _ in range(rng.randint(1, 3))]
            yield from map(Tick, sorted(times))
        yield after


def _opens(entry: Entry) -> bool:
    return isinstance(entry, Mark) and entry.kind is MarkKind.OPENED


_PLACE = ("path.time", "path.scan", "path.index")


class Seen:
    """Keeps what a pipeline showed its observer, as columns; where a batch ends does not matter."""

    def __init__(self) -> None:
        self._columns: dict[str, list[NDArray[Any]]] = {}

    def placed(self, placed: Placed) -> None:
        """Keep placed readings."""
        self._keep("placed", placed, placed.scan.shape)

    def moved_along(self, path: ProbePath) -> None:
        """Keep a piece of the path."""
        self._keep("path", path, path.time.shape)

    def delay_changed(self) -> None:
        """Take no notice: every reading is kept."""

    def _keep(self, name: str, rows: Placed | ProbePath, shape: tuple[int, ...]) -> None:
        for column in dataclasses.fields(rows):
            if column.name in ("lost", "unplaced", "others"):
                continue  # of other probes, or times of their own, each in the pieces around it; cells show their effect
            # None stands for no sample; which pieces have it does matter to nobody.
            attribute = "may_be_unread" if column.name == "unread" else column.name
            values = np.asarray(getattr(rows, attribute))
            if values.dtype == object:
                continue  # None: no heading
            if values.ndim < 2:
                values = np.broadcast_to(values, shape)
            self._columns.setdefault(f"{name}.{column.name}", []).append(values.copy())

    @property
    def columns(self) -> dict[str, NDArray[Any]]:
        """The columns so far, by name; samples at which two pieces of path join are kept once."""
        columns = {name: np.concatenate(parts) for name, parts in self._columns.items()}
        place = [columns[name] for name in _PLACE if name in columns]
        if not place:
            return columns
        joins = np.all([np.diff(column, prepend=-np.inf) == 0 for column in place], axis=0)
        return {
            name: column[~joins] if name.startswith("path.") else column
            for name, column in columns.items()
        }


FIELDS: Mapping[str, Callable[[Pipeline], object]] = {
    "grid": lambda p: {k: v for k, v in vars(p.grid).items() if isinstance(v, np.ndarray)},
    "mean": lambda p: p.grid.layer("thickness_mean", slice(None), slice(None)),
    "grid.outside": lambda p: p.grid.outside,
    "measured": lambda p: p.coverage.measured,
    "required": lambda p: p.coverage.required,
    "row": lambda p: p.coverage.row,
    "probe_cell": lambda p: p.coverage.probe_cell,
    "lines": lambda p: [
        (p.coverage.line_done(row), p.line_snapshot(row)) for row in range(p.grid.shape[0])
    ],
    "gaps": lambda p: list(p.coverage.gaps),
    "alarms": lambda p: p.alarms.alarms,
    "checks": lambda p: p.suspect_cells.checks.checks,
    "slips": lambda p: p.slipped_cells.slips,
    "notes": lambda p: p.notes,
    "tallies": lambda p: p.tallies,
    "visits": lambda p: {k: v for k, v in vars(p.grid.visits).items() if isinstance(v, np.ndarray)},
    "minimum": lambda p: (p.minimum.value, p.minimum.position),
    "raw minimum": lambda p: (p.minimum.raw_value, p.minimum.raw_position),
    "places to confirm": lambda p: p.spurious.register.places,
    "listed places": lambda p: p.spurious.register.listed,
    "impossible": lambda p: p.spurious.impossible,
    "progress": lambda p: p.progress(),
    "record": lambda p: record_of(p).model_dump(mode="json"),
    "zones": lambda p: p.requests.zones,
    "requested gaps": lambda p: p.requests.gaps,
    "revisions": lambda p: p.revision_snapshots(),
    "crawler": lambda p: vars(p.crawler),
    "pauses": lambda p: (p.pauses.active, p.pauses.because, p.pauses.by, p.pauses.last_end),
    "line": lambda p: p.line,
    "position": lambda p: p.position,
    "last_sample_times": lambda p: p.last_sample_times,
    "status": lambda p: p.status,
    "runs": lambda p: p.runs,
    "readings": lambda p: p.readings,
    "unplaced": lambda p: p.unplaced,
    "changed spans": lambda p: p.take_changed_spans(),
    "changed gaps": lambda p: p.take_gap_snapshots(),
    "changed alarms": lambda p: p.alarms.take_changed(),
    "changed checks": lambda p: p.suspect_cells.take_changed(),
}
"""What is compared; the last ones are taken, and so change the pipeline."""


def revisions_of(entries: Iterable[Entry]) -> tuple[Revision, ...]:
    """Return the revisions in force of a journal, as a replay is given them before any entry."""
    log, utc_offset = RevisionLog(), 0
    for entry in entries:
        if isinstance(entry, Mark):
            if entry.kind is MarkKind.OPENED:
                utc_offset = entry.detail["utc_ns"] - entry.time
                log.open_run()
            elif entry.kind in REVISION_MARKS:
                log.take(entry.kind, entry.detail, entry.time + utc_offset)
    return log.in_force


def state_of(pipeline: Pipeline) -> dict[str, object]:
    """Return the state of a survey by field; what is taken once is taken."""
    return {name: field(pipeline) for name, field in FIELDS.items()}


def state_after(station: Station, entries: Iterable[Entry], cut: Cut) -> dict[str, object]:
    """Return the state of a survey after a journal that was cut, by field."""
    seen = Seen()
    entries = list(entries)
    pipeline = Pipeline(station, observer=seen, revisions=revisions_of(entries))
    cut.feed(pipeline, cut.of(entries))
    return {**state_of(pipeline), **seen.columns}


def differences(one: Mapping[str, object], other: Mapping[str, object]) -> Iterator[str]:
    """Yield what differs between two states: its name, and both values; bits are compared."""
    for name in {**one, **other}:
        yield from _different(name, one.get(name), other.get(name))


def _different(name: str, one: object, other: object) -> Iterator[str]:
    one, other = _parts(one), _parts(other)
    if isinstance(one, dict) and isinstance(other, dict):
        for key in {**one, **other}:
            yield from _different(f"{name}.{key}", one.get(key), other.get(key))
    elif isinstance(one, list) and isinstance(other, list):
        if len(one) != len(other):
            yield f"{name}: {len(one)} and {len(other)} of them"
        for number, (a, b) in enumerate(zip(one, other, strict=False)):
            yield from _different(f"{name}[{number}]", a, b)
    elif isinstance(one, np.ndarray) and isinstance(other, np.ndarray):
        yield from _different_rows(name, one, other)
    elif repr(one) != repr(other):  # which also compares NaN, and -0.0
        yield f"{name}: {one!r} and {other!r}"


def _different_rows(name: str, one: NDArray[Any], other: NDArray[Any]) -> Iterator[str]:
    if one.dtype != other.dtype or one.shape[1:] != other.shape[1:]:
        yield f"{name}: {one.dtype}{one.shape} and {other.dtype}{other.shape}"
        return
    if one.dtype.names is not None:
        for column in one.dtype.names:
            yield from _different_rows(f"{name}.{column}", one[column], other[column])
        return
    if one.shape != other.shape:
        yield f"{name}: {one.shape[0]} and {other.shape[0]} rows"
    rows = min(len(one), len(other))
    if one[:rows].tobytes() != other[:rows].tobytes():
        row = next(k for k in range(rows) if one[k].tobytes() != other[k].tobytes())
        yield f"{name}[{row}]: {one[row]} and {other[row]}"


def _parts(value: object) -> object:
    """Return a record or a tuple as a dict or a list of its parts."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}
    if hasattr(value, "model_dump"):
        return dict(value)  # type: ignore[call-overload]
    return list(value) if isinstance(value, tuple) else value
