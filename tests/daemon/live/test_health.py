"""What the daemon notices is journalled when it changes, and not more often."""

from __future__ import annotations

from typing import Any

from daemon.handmade import MS, START, Motion, feed, run, station_text
from swathe.journal import Mark, MarkKind, Tick
from swathe.live.health import Health
from swathe.station import AlarmKind

S = 1_000_000_000
KIND = AlarmKind.WRONG_TOKENS


class Bench:
    """Notes the marks of a `Health`, whose clock a test sets."""

    def __init__(self) -> None:
        self.now = 0
        self.marks: list[tuple[str, bool, str]] = []
        self.health = Health(self._mark, clock=lambda: self.now)

    def _mark(self, kind: MarkKind, **detail: Any) -> None:
        assert kind is MarkKind.HEALTH
        assert detail["about"] == str(KIND)
        self.marks.append((detail["of"], detail["holds"], detail["detail"]))


def test_only_changes_are_journalled() -> None:
    """Nothing to notice is no mark; beginning and end are marks at once."""
    bench = Bench()
    for text in ("", "", "2 guesses", "2 guesses", "", ""):
        bench.health.show(KIND, text)
    assert bench.marks == [("", True, "2 guesses"), ("", False, "")]


def test_count_that_rises_is_journalled_every_two_seconds() -> None:
    """With its newest text; each place by itself."""
    bench = Bench()
    for k in range(80):  # eight seconds
        bench.now = k * S // 10
        bench.health.show(KIND, f"{k + 1} guesses")
    bench.health.show(KIND, "1 guess", "10.1.2.3")
    assert bench.marks == [
        ("", True, "1 guesses"),
        ("", True, "21 guesses"),
        ("", True, "41 guesses"),
        ("", True, "61 guesses"),
        ("10.1.2.3", True, "1 guess"),
    ]


def test_alarm_is_raised_follows_its_text_and_ends() -> None:
    """As of any other condition: at instants, and over once its reason is."""
    pipeline = run(
        station_text(), Motion(lambda ms: (ms / 100,), lambda _: 10.0, 0, 1000).entries()
    )

    def note(ms: int, text: str) -> None:
        detail = {"about": str(KIND), "of": "", "holds": bool(text), "detail": text}
        feed(pipeline, [Mark(START + ms * MS, MarkKind.HEALTH, detail), Tick(START + ms * MS + S)])

    def seen() -> list[tuple[str, bool]]:
        return [(a.detail, a.until is None) for a in pipeline.alarms.alarms if a.kind is KIND]

    note(1100, "1 guess")
    assert seen() == [("1 guess", True)]
    note(3000, "7 guesses")
    assert seen() == [("7 guesses", True)]
    note(5000, "")
    pipeline.feed(Tick(START + 9 * S))
    assert seen() == [("7 guesses", False)]


def test_what_is_followed_is_shown_with_each_tick() -> None:
    """As if it had been shown: only changes are journalled."""
    bench, texts = Bench(), iter(("", "behind", "behind", ""))
    bench.health.follow(KIND, lambda: next(texts))
    for _ in range(4):
        bench.health.show_followed()
    assert bench.marks == [("", True, "behind"), ("", False, "")]
