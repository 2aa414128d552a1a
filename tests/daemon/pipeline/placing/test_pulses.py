"""Times from pulse numbers and steady rates, against the moments at which the records were made."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from swathe.pipeline.placing.pulse_line import PulseRows, fitted_line
from swathe.pipeline.placing.pulses import PulseTimes
from swathe.pipeline.placing.timing import TimeBaseKind, Timing

MS = 1_000_000
START = 5_000 * MS
DELAY_MS = 12.0

Times = NDArray[np.int64]
Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Stream:
    """What arrived: running numbers, arrivals and journal times in ns, and when each was made, ms."""

    sequence: Times
    arrival: Times
    known: Times
    made: Numbers

    def __getitem__(self, rows: slice) -> Stream:
        return Stream(self.sequence[rows], self.arrival[rows], self.known[rows], self.made[rows])


def stream(
    made: Numbers,
    numbers: Times | None = None,
    *,
    seed: int = 1,
    jitter: float = 3.0,
    stall: tuple[float, float] | None = None,
    line: float = 0.0,
) -> Stream:
    """Return the delivery of records made at times in ms: in order, each late by some ms.

    Args:
        made: when, ms, rising.
        numbers: that the device sends; their count by default.
        seed: of the delays.
        jitter: mean delay beyond the shortest one, exponential, ms.
        stall: nothing arrives from the first time, ms, on; at the second all that waited.
        line: time that a record takes on the line, ms; what waited comes one after the other.
    """
    rng = np.random.default_rng(seed)
    arrival = made + DELAY_MS + rng.exponential(jitter, made.size)
    if stall is not None:
        held = (arrival >= stall[0]) & (arrival < stall[1])
        arrival[held] = stall[1]
    arrival = np.maximum.accumulate(arrival - line * np.arange(made.size))
    arrival += line * (np.arange(made.size) + 1) - line
    at = START + np.rint(arrival * MS).astype(np.int64)
    polled = -(-at // (5 * MS)) * 5 * MS  # the port is read every 5 ms
    sequence = np.arange(made.size) if numbers is None else numbers
    return Stream(sequence.astype(np.int64), at, polled, made)


def times(base: PulseTimes, sent: Stream, cuts: list[int] | None = None) -> Timing:
    """Return the timing of all records, given to the base in pieces between whole chunks."""
    parts = []
    borders = sorted({0, *(cuts or []), sent.made.size})
    for begin, end in itertools.pairwise(borders):
        piece = sent[begin:end]
        base.take(piece.arrival, piece.sequence, piece.arrival, piece.known)
        now = sent.known[end] if end < sent.made.size else sent.known[-1]
        parts.append(base.resolve(int(now)))
    parts.append(base.resolve(int(sent.known[-1]) + 1, flush=True))
    return Timing.joined([part for part in parts if part.time.size])


def errors(timing: Timing, sent: Stream) -> Numbers:
    """Return by how much the times are late, ms; the fixed delay is known."""
    assert timing.time.size == sent.made.size
    return np.asarray((timing.time - START) / MS - DELAY_MS - sent.made, np.float64)


def rms(values: Numbers) -> float:
    """Return the root of the mean square."""
    return float(np.sqrt(np.mean(values**2)))


def regular(count: int, period: float = 4.0) -> Numbers:
    """Return when a device with a steady rate makes its records, ms."""
    return np.asarray(np.arange(count) * period, np.float64)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("numbered", [True, False])
def test_times_of_a_steady_device_lose_the_jitter(seed: int, numbered: bool) -> None:
    """3 ms of jitter leave less than 0.4 ms; by arrival it would be more than 3 ms."""
    sent = stream(regular(5000) * 1.0003, seed=seed)
    base = PulseTimes(numbered=numbered)
    found = times(base, sent)
    assert rms(errors(found, sent)) < 0.4
    assert rms((sent.arrival - START) / MS - DELAY_MS - sent.made) > 3.0
    assert np.all(found.time <= sent.arrival)
    assert (base.breaks, base.lost) == (0, 0)
    assert not found.missing.any()
    assert not found.smear.any()


@pytest.mark.parametrize("wrap", [256, 1000, 65_536])
def test_pulse_numbers_roll_over_and_show_what_is_lost(wrap: int) -> None:
    """A hundred lost records of 5000 shift nothing, and are missing where they were."""
    rng = np.random.default_rng(3)
    kept = np.sort(rng.choice(5000, 4900, replace=False))
    numbers = (kept + wrap - 10) % wrap
    sent = stream(regular(5000)[kept], numbers, seed=4)
    found = times(PulseTimes(numbered=True, wrap=wrap), sent)
    assert rms(errors(found, sent)) < 0.4
    assert found.missing.tolist() == [0, *(np.diff(kept) - 1).tolist()]


def test_pulse_number_that_rolls_over_during_a_silence_is_counted_by_the_time() -> None:
    """3 s without a record at 4 ms are 750 numbers: nearly three turns of a byte."""
    made = regular(2000)
    kept = np.flatnonzero((made < 3000) | (made >= 6000))
    sent = stream(made[kept], kept % 256, jitter=1.0)
    base = PulseTimes(numbered=True, wrap=256)
    found = times(base, sent)
    assert rms(errors(found, sent)) < 0.3
    assert base.breaks == 0
    assert found.missing.max() == 750


def test_records_sent_twice_have_one_time() -> None:
    """Both copies have the same number, and count once."""
    order = np.repeat(np.arange(3000), np.where(np.arange(3000) % 40 == 7, 2, 1))
    sent = stream(regular(3000)[order], order)
    found = times(PulseTimes(numbered=True), sent)
    assert rms(errors(found, sent)) < 0.4
    copies = np.flatnonzero(np.diff(order) == 0)
    assert (found.time[copies] == found.time[copies + 1]).all()
    assert not found.missing.any()


def test_numbering_that_begins_again_is_followed_from_there() -> None:
    """A device that is off for 0.4 s begins at 0 at another phase; no time is off by a period."""
    made = np.concatenate((regular(2000), 8000 + 401.7 + regular(2000)))
    numbers = np.concatenate((np.arange(2000) + 500, np.arange(2000)))
    sent = stream(made, numbers, jitter=1.0)
    base = PulseTimes(numbered=True, wrap=65_536)
    found = times(base, sent)
    assert base.breaks == 1
    # Seen at once: nothing waits longer than for another line.
    assert (found.known - sent.known).max() < 1000 * MS
    assert np.abs(errors(found, sent)).max() < 2.0
    assert rms(errors(found, sent)) < 0.3


@pytest.mark.parametrize("numbered", [True, False])
@pytest.mark.parametrize("second", [2.0, 10.0])
def test_change_of_rate_is_found(numbered: bool, second: float) -> None:
    """From 4 ms to 2 or 10 ms: the records behind the change have times by the new rate."""
    made = np.concatenate((regular(2000), 8000 + regular(2000, second)))
    sent = stream(made, jitter=1.0)
    base = PulseTimes(numbered=numbered)
    found = errors(times(base, sent), sent)
    assert base.period_ns is None  # all was flushed
    assert base.breaks >= 1
    # Those around the change may have been taken for late ones.
    assert rms(found) < 1.5
    assert rms(found[:1950]) < 0.4
    assert rms(found[2300:]) < 0.4


@pytest.mark.parametrize("numbered", [True, False])
@pytest.mark.parametrize("seconds", [0.3, 5.0])
def test_records_that_were_held_up_keep_their_times(numbered: bool, seconds: float) -> None:
    """All that waited comes at once: its last record proves the numbers of the others."""
    sent = stream(regular(5000), stall=(8000.0, 8000.0 + 1000 * seconds), jitter=1.0)
    base = PulseTimes(numbered=numbered)
    found = times(base, sent)
    assert base.breaks == 0
    assert rms(errors(found, sent)) < 0.4
    assert np.abs(errors(found, sent)).max() < 3.0


@pytest.mark.parametrize("numbered", [True, False])
def test_queue_that_is_worked_off_is_waited_for(numbered: bool) -> None:
    """After a stall of 3 s a line that is busy for half of the time needs 3 s to catch up."""
    sent = stream(regular(4000), stall=(6000.0, 9000.0), jitter=1.0, line=2.0)
    base = PulseTimes(numbered=numbered, period_ns=4.0 * MS)
    found = times(base, sent)
    assert (base.breaks, base.lost) == (0, 0)
    assert rms(errors(found, sent)) < 0.5


@pytest.mark.parametrize("seed", range(3))
def test_delays_longer_than_the_period_are_removed_from_the_first_second_on(seed: int) -> None:
    """6 ms of jitter behind a busy line: the newest records lift a line that is still uncertain."""
    sent = stream(regular(5000) * 1.0003, seed=seed, jitter=6.0, line=1.7)
    found = errors(times(PulseTimes(numbered=True), sent), sent)
    assert rms(found) < 0.8
    assert rms(found[500:]) < 0.6


def test_device_whose_rate_changes_all_the_time_is_by_arrival_for_a_while() -> None:
    """After four lines that broke within ten seconds no other is sought for as long."""
    periods = np.repeat(np.tile([4.0, 7.0], 10), 250)
    made = np.cumsum(periods)
    sent = stream(made, jitter=0.3)
    base = PulseTimes(numbered=True)
    found = times(base, sent)
    assert base.breaks == 4
    waited = found.time[-1500:] == sent.arrival[-1500:]
    assert waited.all()


def test_line_gives_no_time_later_than_an_arrival() -> None:
    """A record below the line was not made after it came."""
    number = np.arange(10, dtype=np.int64)
    none = np.zeros(10, np.int64)
    arrival = START + number * 4 * MS
    line = fitted_line(PulseRows(number, arrival, arrival, none, none), 4.0 * MS)
    assert line is not None
    early = arrival - np.where(number == 5, 3 * MS, 0)
    found = line.times(PulseRows(number, early, early, none, none))
    assert (found <= early).all()
    assert found[5] == early[5]


def test_count_finds_lost_records() -> None:
    """Five single losses and one of ten records, with a known period: found, and where about."""
    lost = np.array([1500, 2000, 2500, 3000, 3500, *range(4000, 4010)])
    kept = np.setdiff1d(np.arange(5000), lost)
    sent = stream(regular(5000)[kept], jitter=1.0)
    base = PulseTimes(numbered=False, period_ns=4.0 * MS)
    found = times(base, sent)
    assert base.lost == 15
    assert found.missing.sum() == 15
    assert base.breaks == 0
    off = errors(found, sent)
    assert rms(off) < 0.5
    assert np.count_nonzero(np.abs(off) > 2.0) < 20  # those between the loss and the next in time
    # Just behind a lost record it is in doubt which ones were behind it, and the smear says so.
    assert found.smear[np.abs(off) > 2.0].all()
    doubted = found.smear > 0
    assert 5 <= np.count_nonzero(doubted) < 100
    assert (np.abs(found.smear[doubted] - 4 * MS) < 1000).all()
    assert (found.uncertainty[doubted] >= 1.99 * MS).all()


def test_count_finds_records_sent_twice() -> None:
    """Behind a copy all would be a period late by their count; none was ever early."""
    order = np.repeat(np.arange(4000), np.where(np.arange(4000) == 2000, 2, 1))
    sent = stream(regular(4000)[order], jitter=1.0)
    base = PulseTimes(numbered=False, period_ns=4.0 * MS)
    off = errors(times(base, sent), sent)
    assert base.breaks == 0
    assert rms(off[:1990]) < 0.4
    assert rms(off[2100:]) < 0.4


def test_count_finds_the_period_behind_losses() -> None:
    """One in 50 records is lost: by its count alone the device would seem 2 % slower."""
    kept = np.flatnonzero(np.arange(10_000) % 50 != 17)
    sent = stream(regular(10_000)[kept], jitter=0.5)
    base = PulseTimes(numbered=False)
    parts = []
    for begin in range(0, kept.size, 100):
        piece = sent[begin : begin + 100]
        base.take(piece.arrival, piece.sequence, piece.arrival, piece.known)
        parts.append(base.resolve(int(piece.known[-1])))
    assert base.kind is TimeBaseKind.RATE
    assert base.period_ns == pytest.approx(4.0 * MS, rel=1e-3)
    late = Timing.joined([part for part in parts if part.time.size])
    second_half = slice(kept.size // 2, late.time.size)
    off = (late.time - START) / MS - DELAY_MS - sent.made[: late.time.size]
    assert rms(off[second_half]) < 0.3


@pytest.mark.parametrize("numbered", [True, False])
@pytest.mark.parametrize("seed", range(4))
def test_irregular_device_has_times_of_arrival_and_their_smear(numbered: bool, seed: int) -> None:
    """Independent intervals are no rate: what looks like one for a moment is not claimed."""
    rng = np.random.default_rng(seed)
    made = np.cumsum(4.0 * (0.25 + rng.exponential(0.75, 5000)))
    sent = stream(made, seed=seed)
    base = PulseTimes(numbered=numbered)
    parts = []
    for begin in range(0, made.size, 50):
        piece = sent[begin : begin + 50]
        base.take(piece.arrival, piece.sequence, piece.arrival, piece.known)
        parts.append(base.resolve(int(piece.known[-1])))
        assert base.kind is TimeBaseKind.ARRIVAL
    found = Timing.joined([part for part in parts if part.time.size])
    assert found.time.tolist() == sent.arrival[: found.time.size].tolist()
    assert (found.smear[600:] > 3 * MS).all()


def test_records_wait_until_a_line_is_proven_and_then_for_the_window() -> None:
    """Half a second at first; later 100 ms. What waits is known to wait."""
    sent = stream(regular(1000), jitter=0.2)
    base = PulseTimes(numbered=True)
    base.take(sent.arrival, sent.sequence, sent.arrival, sent.known)
    first = int(sent.known[0])
    assert base.held_since == first
    assert base.resolve(first + 499 * MS).time.size == 0
    assert base.held_since == first
    found = base.resolve(first + 2000 * MS)
    assert found.known[0] >= first + 500 * MS
    assert found.known[0] <= first + 700 * MS
    assert (np.diff(found.known) >= 0).all()
    wait = found.known[300:] - sent.known[300 : found.time.size]
    assert wait.min() > 0
    assert wait.max() <= 100 * MS
    assert base.held_since == sent.known[found.time.size]


def test_flush_gives_all_that_waits_and_begins_again() -> None:
    """At the end of a run nothing is lost, not even before a line is known."""
    sent = stream(regular(20))
    base = PulseTimes(numbered=True)
    found = times(base, sent)
    assert found.time.tolist() == sent.arrival.tolist()
    assert base.held_since is None
    later = stream(regular(1000), np.arange(1000) + 700)
    found = times(base, later)
    assert rms(errors(found, later)) < 0.8
    assert not found.missing.any()


def test_given_period_that_is_wrong_is_not_believed() -> None:
    """A description says 4 ms, the device makes a record every 10 ms."""
    sent = stream(regular(1500, 10.0), jitter=1.0)
    base = PulseTimes(numbered=True, period_ns=4.0 * MS)
    base.take(sent.arrival, sent.sequence, sent.arrival, sent.known)
    found = base.resolve(int(sent.known[-1]))
    assert base.period_ns == pytest.approx(10.0 * MS, rel=1e-3)
    off = (found.time - START) / MS - DELAY_MS - sent.made[: found.time.size]
    assert rms(off) < 0.5


@pytest.mark.parametrize(("given", "differs"), [(4.0, False), (4.03, False), (5.0, True)])
def test_period_that_contradicts_the_given_one_is_reported_once(
    given: float, differs: bool
) -> None:
    """From the journal time on at which it was found; within 1 % they are the same."""
    sent = stream(regular(2000), np.arange(2000))
    base = PulseTimes(numbered=True, period_ns=given * MS)
    times(base, sent)
    assert len(base.contradictions) == differs
    if differs:
        ((known, period),) = base.contradictions
        assert period == pytest.approx(4.0 * MS, rel=1e-3)
        assert START < known < START + 3000 * MS


def _scenes() -> list[tuple[str, Stream, bool]]:
    rng = np.random.default_rng(11)
    kept = np.flatnonzero(rng.random(4000) > 0.01)
    jumps = np.concatenate((regular(1500), 6200 + regular(1500, 7.0)))
    wild = np.cumsum(rng.exponential(4.0, 3000))
    return [
        ("plain", stream(regular(4000)), True),
        ("lost", stream(regular(4000)[kept], kept % 256), True),
        ("counted, lost", stream(regular(4000)[kept], jitter=1.0), False),
        ("stalled", stream(regular(4000), stall=(7000, 9000)), False),
        ("restarted", stream(jumps, np.r_[np.arange(1500), np.arange(1500)]), True),
        ("irregular", stream(wild), False),
    ]


@pytest.mark.parametrize(("name", "sent", "numbered"), _scenes(), ids=lambda value: str(value)[:16])
@pytest.mark.parametrize("seed", range(3))
def test_times_do_not_depend_on_batches(name: str, sent: Stream, numbered: bool, seed: int) -> None:
    """However the records come, each has the same time, known at the same time."""
    wrap = 256 if name == "lost" else None
    whole = times(PulseTimes(numbered=numbered, wrap=wrap), sent)
    rng = np.random.default_rng(seed)
    begins = np.flatnonzero(np.diff(sent.known)) + 1  # chunks are never divided
    cuts = rng.choice(begins, rng.integers(5, begins.size // 2), replace=False).tolist()
    cut = times(PulseTimes(numbered=numbered, wrap=wrap), sent, cuts)
    for column in ("time", "known", "missing", "uncertainty", "smear"):
        assert np.array_equal(getattr(whole, column), getattr(cut, column)), column
