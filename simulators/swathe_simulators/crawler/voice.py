"""The crawler's answers, with what chance does to them."""

from __future__ import annotations

import numpy as np

from swathe_simulators.crawler.link import Link
from swathe_simulators.crawler_models import CommandedModel

_MOST_JUNK = 12


class Voice:
    """Says lines on the crawler's port."""

    def __init__(self, model: CommandedModel, link: Link, seed: np.random.SeedSequence) -> None:
        self._mishap = model.mishap
        self._delay_s = model.answer_delay_ms / 1e3
        self._link = link
        # One stream per mishap: a garbled answer more loses no acknowledgement.
        lost, garbage = seed.spawn(2)
        self._lost, self._garbage = np.random.default_rng(lost), np.random.default_rng(garbage)

    def say(self, text: str, now_s: float) -> str:
        """Answer at a world time; return what garbage came before it, if any."""
        data, junk = text.encode("ascii") + b"\n", b""
        if self._garbage.random() < self._mishap.garbage:
            size = int(self._garbage.integers(1, _MOST_JUNK + 1))
            junk = self._garbage.bytes(size).replace(b"\n", b"\r")
            own_line = self._garbage.random() < 0.5
            data = junk + (b"\n" if own_line else b"") + data
        self._link.say(now_s + self._delay_s, data)
        return repr(junk) if junk else ""

    def loses(self) -> bool:
        """Draw whether the next acknowledgement is lost."""
        return bool(self._lost.random() < self._mishap.lost_acknowledgement)
