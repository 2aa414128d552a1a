"""Values that look held, and those that do not."""

import random

import numpy as np
import pytest
from numpy.typing import NDArray

from drivers.suggest.streams import as_chunks
from swathe_drivers.description import parse_description
from swathe_drivers.suggest import suggest
from swathe_drivers.suggest.held import find_held


def gauge(
    seed: int, *, resolution: float, noise: float, count: int = 3000, rough: float = 0.2
) -> NDArray[np.float64]:
    """Values of a probe that moves over a wall."""
    rng = np.random.default_rng(seed)
    wall = 10.0 + rough * np.sin(np.arange(count) / 17.0)
    return np.round((wall + rng.normal(0, noise, count)) / resolution) * resolution


@pytest.mark.parametrize("resolution", [0.001, 0.01, 0.1])
@pytest.mark.parametrize("noise", [0.0, 0.005, 0.05])
@pytest.mark.parametrize("rough", [0.0, 0.2])
def test_values_of_chance_are_not_held(resolution: float, noise: float, rough: float) -> None:
    """Coarse, quiet and flat: a value that often repeats is not held because it repeats."""
    for seed in range(20):
        values = gauge(seed, resolution=resolution, noise=noise, rough=rough)
        assert find_held(values) is None


@pytest.mark.parametrize("length", [50, 500])
def test_held_value_is_found_with_the_repeats_that_tell_it(length: int) -> None:
    """The longest run, and a number that chance does not reach."""
    for seed in range(20):
        values = gauge(seed, resolution=0.01, noise=0.02)
        values[1000 : 1000 + length] = values[999]
        held = find_held(values)
        assert held is not None
        assert (held.value, held.repeats >= length) == (values[999], True)
        assert 5 <= held.after <= 20
        assert held.share < 0.3


def test_missing_values_are_no_repeats() -> None:
    """A gauge that shows that it has no echo holds nothing."""
    values = gauge(1, resolution=0.01, noise=0.02)
    values[1000:1500] = np.nan
    assert find_held(values) is None
    assert find_held(values[:0]) is None


def test_suggest_proposes_held_after_as_a_guess() -> None:
    """The proposed description has the key, and says why it is to be compared."""
    source = random.Random(5)
    values = gauge(3, resolution=0.01, noise=0.02, count=600)
    values[300:400] = values[299]
    lines = ((n / 50, b"%d;%.2f\r\n" % (n % 1000, value)) for n, value in enumerate(values))
    found = suggest(as_chunks(lines, source))
    columns = parse_description(found.text, "proposed").protocol["columns"]
    (thickness,) = [column for column in columns if column["is"] == "thickness"]
    assert 5 <= thickness["held_after"] <= 20
    (finding,) = [one for one in found.unsure if "thickness" in one.what]
    assert "times more without a change" in finding.why
