"""Delays between tries."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swathe_drivers.backoff import Backoff


def test_next_delay_doubles_up_to_the_cap() -> None:
    """Without jitter the delays are first, doubled, and at last the cap."""
    backoff = Backoff(first=0.1, cap=1.0, factor=2, jitter=0)
    assert [backoff.next_delay() for _ in range(6)] == [0.1, 0.2, 0.4, 0.8, 1.0, 1.0]
    assert backoff.tries == 6
    backoff.reset()
    assert (backoff.next_delay(), backoff.tries) == (0.1, 1)


def test_next_delay_is_shortened_by_the_random_share() -> None:
    """The random source given is the only one used."""
    backoff = Backoff(first=1.0, cap=8.0, factor=2, jitter=0.5, random_source=lambda: 0.5)
    assert [backoff.next_delay() for _ in range(3)] == [0.75, 1.5, 3.0]


@given(st.lists(st.floats(0, 1, exclude_max=True), min_size=1, max_size=2000))
def test_next_delay_stays_in_bounds(draws: list[float]) -> None:
    """However long the outage, a delay is positive and at most the cap."""
    backoff = Backoff(first=0.1, cap=2.0, jitter=0.5, random_source=iter(draws).__next__)
    for _ in draws:
        assert 0.05 <= backoff.next_delay() <= 2.0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"first": 0.0}, "'first' must be > 0 and <= 'cap' (got 0.0 and 2.0)"),
        ({"first": 3.0}, "'first' must be > 0 and <= 'cap' (got 3.0 and 2.0)"),
        ({"factor": 0.5}, "'factor' must be >= 1 (got 0.5)"),
        ({"jitter": 1.0}, "'jitter' must be >= 0 and < 1 (got 1.0)"),
    ],
)
def test_backoff_with_bad_argument_says_which(arguments: dict[str, float], message: str) -> None:
    """A mistake in the call is told by name, requirement and value."""
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        Backoff(**arguments)  # type: ignore[arg-type]
