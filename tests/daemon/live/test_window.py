"""How many messages are on their way at once."""

from __future__ import annotations

from swathe.live.window import Window


def test_state_may_always_go_and_small_ones_beside_many() -> None:
    """The many have a share of their own, and so have the small ones."""
    window = Window()
    for number in range(8):
        assert window.ranks == 4
        window.sent(f"swathe/s/gap/{number}")
    assert window.ranks == 2
    for _ in range(4):
        window.sent("swathe/s/progress")
    assert window.ranks == 1
    assert window.in_flight == 12
    window.answered("swathe/s/progress", 0.01)
    assert window.ranks == 2
    window.answered("swathe/s/gap/0", None)
    assert window.ranks == 4


def _many_at_once(window: Window) -> int:
    count = 0
    while window.ranks == 4:
        window.sent("swathe/s/gap/1")
        count += 1
    for _ in range(count):
        window.answered("swathe/s/gap/1", None)
    return count


def test_slow_link_gets_one_of_the_many_at_a_time_a_distant_one_all() -> None:
    """What counts is by how much an answer is later than the soonest one."""
    window = Window()
    for seconds in (0.6, 0.62, 0.65, 0.7):  # a satellite
        window.sent("swathe/s/gap/1")
        window.answered("swathe/s/gap/1", seconds)
    assert _many_at_once(window) == 8
    for seconds in (1.0, 1.5, 2.0, 2.0):
        window.sent("swathe/s/gap/1")
        window.answered("swathe/s/gap/1", seconds)
    assert _many_at_once(window) == 1
    for _ in range(100):
        window.sent("swathe/s/gap/1")
        window.answered("swathe/s/gap/1", 0.6)
    assert _many_at_once(window) == 8
    window.begin()
    assert _many_at_once(window) == 8


def test_nothing_is_in_flight_on_a_new_connection() -> None:
    """What the one before did not answer takes no place."""
    window = Window()
    for number in range(8):
        window.sent(f"swathe/s/gap/{number}")
    window.begin()
    assert (window.in_flight, _many_at_once(window)) == (0, 8)
