"""The account of commands: random sequences end every command exactly once."""

from __future__ import annotations

import random

import pytest

from drivers.motion.machine import gcode
from swathe_drivers.motion import CommandOutcome, EventKind, MotionEvent
from swathe_drivers.motion.account import Account
from swathe_drivers.motion.receipts import Endings, Job, Work

SECOND = 1_000_000_000


@pytest.mark.parametrize("seed", range(40))
def test_every_command_ends_once_and_never_moves_unarmed(seed: int) -> None:
    """Acknowledgements, refusals, time-outs, stops and losses in any order leave nothing open."""
    source = random.Random(seed)
    codec = gcode(in_flight=source.choice([1, 3]), arm=["M17"] * source.randrange(3)).codec(
        ns_per_byte=0
    )
    account = Account(codec)
    jobs: list[Job] = []
    ended: list[Job] = []
    flying: list[Work] = []
    now = 0
    generation = account.generation

    def settle(endings: Endings) -> None:
        ended.extend(job for job, _, _ in endings.found)

    for _ in range(400):
        now += source.randrange(SECOND // 2)
        endings = Endings()
        act = source.random()
        if act < 0.3:
            make = codec.arm if source.random() < 0.3 or not account.armed else None
            job = Job(make() if make is not None else codec.move({"scan": 1.0}, speed=1))
            jobs.append(job)
            account.submit(job)
        elif act < 0.6:
            work = account.next(now, endings)
            if work is not None:
                assert work.generation == account.generation
                account.written(work, now, "" if source.random() < 0.9 else "gone", endings)
                flying.append(work)
        elif act < 0.85 and flying:
            kind = EventKind.ACKNOWLEDGED if source.random() < 0.8 else EventKind.REFUSED
            number = codec._pending.answered()
            account.take(MotionEvent(kind=kind, time=now, number=number), now, endings)
        elif act < 0.95:
            account.expired(now, endings, [])
        else:
            account.drop(endings, source.choice([CommandOutcome.STOPPED, CommandOutcome.LOST]), "")
            assert not account.armed
            assert account.generation == generation + 1
        generation = account.generation
        settle(endings)
        assert account.busy == len(jobs) - len(ended)
        patience = account.patience(now)
        assert patience is None or patience >= 0
    endings = Endings()
    account.drop(endings, CommandOutcome.LOST, "end")
    settle(endings)
    assert sorted(map(id, ended)) == sorted(map(id, jobs))


def test_timed_out_command_is_followed_by_a_silence() -> None:
    """Nothing is sent until a late acknowledgement would have come."""
    codec = gcode(timeout_s=2.0).codec(ns_per_byte=0)
    account = Account(codec)
    first, second = (Job(codec.move({"scan": scan}, speed=1)) for scan in (1.0, 2.0))
    account.submit(first)
    endings = Endings()
    work = account.next(0, endings)
    assert work is not None
    account.written(work, 0, "", endings)
    assert account.patience(0) == pytest.approx(2.0)
    assert account.expired(2 * SECOND, endings, []) is None
    assert [(job, outcome) for job, outcome, _ in endings.found] == [
        (first, CommandOutcome.UNANSWERED)
    ]
    account.submit(second)
    assert account.next(2 * SECOND, endings) is None
    assert account.patience(2 * SECOND) == pytest.approx(0.5)
    assert account.next(2 * SECOND + SECOND // 2, endings) is not None
