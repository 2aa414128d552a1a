"""Values that a device holds when it has lost the echo, in each kind of description."""

from typing import Any

import pytest
from pydantic import ValidationError

from swathe_drivers.registry import load_driver

DELIMITED: dict[str, Any] = {"columns": [{"is": "thickness", "unit": "mm", "held_after": 8}]}
FIXED: dict[str, Any] = {"columns": {"1-6": {"is": "thickness", "unit": "mm", "held_after": 8}}}
FRAMES: dict[str, Any] = {
    "framing": {"kind": "fixed", "sync": [170], "length": 3},
    "fields": [{"is": "thickness", "type": "u2", "unit": "mm", "held_after": 8}],
}
FIELD = {"is": "thickness", "register": 4, "type": "float32", "unit": "mm", "held_after": 8}
MODBUS: dict[str, Any] = {
    "unit": 7,
    "every": "10 ms",
    "reads": [{"registers": "input", "fields": [FIELD]}],
}


@pytest.mark.parametrize(
    ("name", "settings"),
    [
        ("delimited", DELIMITED),
        ("fixed_columns", FIXED),
        ("frames", FRAMES),
        ("modbus", MODBUS),
    ],
)
def test_decoder_has_what_is_held_and_after_how_many_repeats(
    name: str, settings: dict[str, Any]
) -> None:
    """The daemon finds held values by it; without the key there are none."""
    driver = load_driver(name)
    decoder = driver(driver.Settings.model_validate(settings)).decoder(ns_per_byte=0)
    assert decoder.held_after == {"thickness": 8}
    plain = driver.Settings.model_validate(_without(settings))
    assert driver(plain).decoder(ns_per_byte=0).held_after == {}


def _without(table: Any) -> Any:
    if isinstance(table, dict):
        return {key: _without(value) for key, value in table.items() if key != "held_after"}
    return [_without(one) for one in table] if isinstance(table, list) else table


def test_no_repeat_is_not_held() -> None:
    """A value that came once is a measurement."""
    settings = load_driver("delimited").Settings
    with pytest.raises(ValidationError, match="held_after"):
        settings.model_validate({"columns": [{"is": "thickness", "unit": "mm", "held_after": 0}]})
