"""Which gaps the broker has where there are many."""

from __future__ import annotations

import random

from swathe.live.gap_share import GapPlace, GapShare


def test_few_gaps_are_all_published_closed_ones_too() -> None:
    """Up to the limit nothing is left out."""
    share = GapShare(3)
    assert share.place("a", is_open=True, cells=5) == GapPlace(send=True)
    assert share.place("b", is_open=False, cells=1) == GapPlace(send=True)
    assert share.place("c", is_open=True, cells=2) == GapPlace(send=True)
    assert share.place("a", is_open=True, cells=1) == GapPlace(send=True)


def test_open_and_large_ones_displace_others() -> None:
    """A closed gap goes first, then the smallest; what is no larger is left out."""
    share = GapShare(2)
    share.place("a", is_open=True, cells=5)
    share.place("b", is_open=False, cells=100)
    assert share.place("c", is_open=True, cells=3) == GapPlace(send=True, clear="b")
    assert share.place("d", is_open=True, cells=3) == GapPlace(send=False)
    assert share.place("e", is_open=False, cells=900) == GapPlace(send=False)
    assert share.place("d", is_open=True, cells=4) == GapPlace(send=True, clear="c")
    assert "d" in share
    assert "c" not in share
    # As one closes, the largest of those left out has room.
    assert share.place("a", is_open=False, cells=5) == GapPlace(send=True, again="c")
    assert share.place("c", is_open=True, cells=3) == GapPlace(send=True, clear="a")


def test_broker_has_the_largest_open_gaps_whatever_the_order() -> None:
    """20,000 gaps that open and close at random, against sorting them all."""
    rng = random.Random(5)
    share = GapShare(50)
    gaps: dict[str, tuple[bool, int]] = {}
    kept: set[str] = set()
    for _ in range(20_000):
        topic = f"g{rng.randrange(2000)}"
        before = gaps.get(topic)
        # A gap grows while it is open, and is closed for good.
        if before is not None and not before[0]:
            continue
        gaps[topic] = (rng.random() < 0.7, (before[1] if before else 0) + rng.randrange(1, 9))
        todo = [topic]
        while todo:
            one = todo.pop()
            placed = share.place(one, is_open=gaps[one][0], cells=gaps[one][1])
            if placed.send:
                kept.add(one)
            kept.discard(placed.clear)
            if placed.again:
                todo.append(placed.again)
        assert len(kept) <= 50
        open_gaps = sorted((cells for is_open, cells in gaps.values() if is_open), reverse=True)
        shown = sorted((gaps[one][1] for one in kept if gaps[one][0]), reverse=True)
        assert shown == open_gaps[: len(shown)]
        assert len(shown) == min(50, len(open_gaps))
    assert all(one in share for one in kept)
