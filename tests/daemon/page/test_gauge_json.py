"""The state of a gauge as JSON values."""

from __future__ import annotations

import json

import numpy as np
import pytest

from daemon.echo_model import settings
from swathe.echo import view_ascan
from swathe.page.gauge_json import ascan_json


@pytest.mark.parametrize("size", [300, 1000, 1001, 4096, 65_536])
def test_no_peak_is_lost_and_the_stream_stays_small(size: int) -> None:
    """However long an A-scan is, about a thousand samples are sent; each spike is at its time."""
    rng = np.random.default_rng(7)
    for at in (0, 17, size // 3, size - 1):
        wave = rng.standard_normal(size).astype(np.float32)
        wave[at] = 90.0
        view = view_ascan(
            wave,
            interval_us=0.01,
            start_us=0.5,
            settings=settings({"start": "0.6 us", "width": "1 us"}),
        )
        found = ascan_json(view)
        assert len(json.dumps(found)) < 12_000
        samples = np.array(found["trace"])
        assert samples.max() == 90.0
        time = found["start"] + found["interval"] * samples.argmax()
        assert time == pytest.approx(0.5 + 0.01 * at, abs=2 * found["interval"])
        end = found["start"] + found["interval"] * (samples.size - 1)
        assert end == pytest.approx(view.end_us, abs=0.02 * size / 500)


def test_gates_as_they_are_drawn() -> None:
    """Places, levels and points are those of the view; what is not there is null."""
    view = view_ascan(
        np.zeros(512, np.float32), interval_us=0.02, start_us=0.0, settings=settings()
    )
    (gate,) = ascan_json(view)["gates"]
    assert (gate["begin"], gate["end"], gate["levels"]) == (1.0, 9.0, [20.0])
    assert (gate["time"], gate["level"], gate["second_time"]) == (None, None, None)
    assert gate["problem"] == "no echo reaches 20 %"
