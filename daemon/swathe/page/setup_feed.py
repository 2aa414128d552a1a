"""From a set-up to its viewers: the newest state some eight times a second, and no backlog."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from typing import Any

from swathe.board.setup_state import SetupState
from swathe.page.gauge_json import gauge_json
from swathe.page.mailbox import event
from swathe.page.viewers import Viewers

__all__ = ["SetupFeed", "setup_json"]

_SECONDS = 0.125


class SetupFeed:
    """Publishes the state of a set-up to its viewers; without any, nothing is computed.

    Args:
        state: returns the present state.

    Attributes:
        mailbox: yields a mailbox for a new viewer, as `Viewers.join`.
    """

    def __init__(self, state: Callable[[], SetupState]) -> None:
        self._state = state
        self._viewers = Viewers()
        self.mailbox = self._viewers.join

    @property
    def viewers(self) -> int:
        """Number of viewers."""
        return len(self._viewers)

    async def run(self) -> None:
        """Publish the state until cancelled."""
        while True:
            self.publish()
            await asyncio.sleep(_SECONDS)

    def publish(self) -> None:
        """Put the present state into every mailbox, in place of one that was not taken yet."""
        if self._viewers:
            self._viewers.put_message("setup", self._message())

    def close_viewers(self) -> None:
        """End every viewer's stream once it has the pending state."""
        self._viewers.close()

    async def first_event(self) -> bytes:
        """Return the first event of a viewer: the present state."""
        return event("messages", b'[["setup",%s]]' % self._message())

    def _message(self) -> bytes:
        return json.dumps(
            setup_json(self._state()), separators=(",", ":"), allow_nan=False
        ).encode()


def setup_json(state: SetupState) -> dict[str, Any]:
    """Return the state of a set-up as JSON values."""
    display = state.display
    return {
        "station": state.station,
        "file": state.file,
        "units": display.length_name,
        "mm_per_unit": display.mm_per_unit,
        "thickness": display.thickness_text(state.gauge.thickness),
        "gauge": gauge_json(state.gauge),
        "gates": [
            {"name": gate.name, "values": gate.values, "changed": sorted(gate.changed)}
            for gate in state.gates
        ],
        "choices": {key: list(values) for key, values in state.choices.items()},
        "locked": state.locked,
        "unsaved": list(state.unsaved),
        "calibration": state.calibration,
        "refused": list(state.refused),
        "reference": state.reference,
        "sensitivity": state.sensitivity,
        "passed": state.passed,
        "checking": state.checking,
    }
