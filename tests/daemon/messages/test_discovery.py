"""Discovery messages: each one fits the convention, and the messages that its values come from."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any

import pytest

from support.contract import payload_schemas
from swathe.messages import Topics
from swathe.messages.asyncapi import asyncapi_document
from swathe.messages.discovery import Discovered, discovery_messages
from swathe.station import BrokerSettings
from swathe.station.broker import check_broker

FOUND = Discovered(
    station="penstock-3",
    part="penstock, 2nd course",
    version="1.2",
    prefix="homeassistant",
    crawls=True,
    index=True,
    encoded=True,
)
# The units that the convention's open documentation allows with each class of device.
UNITS: dict[str, set[str | None]] = {
    "distance": {"mm", "cm", "m", "km", "in", "ft", "yd", "mi"},
    "problem": {None},
}
TOPIC = re.compile(
    r"homeassistant/(sensor|binary_sensor)/swathe_[A-Za-z0-9_-]+/[A-Za-z0-9_-]+/config"
)
FIELD = re.compile(r"value_json\.([a-z_]+)")


def configs(found: Discovered = FOUND) -> dict[str, dict[str, Any]]:
    """Return the config messages that are not empty, by topic."""
    return {topic: json.loads(data) for topic, data in discovery_messages(found).items() if data}


def test_messages_fit_the_convention() -> None:
    """Topics, identities and units are those that the open documentation allows."""
    messages = configs()
    assert len(messages) == 10
    for topic, config in messages.items():
        assert TOPIC.fullmatch(topic)
        assert {"name", "unique_id", "state_topic", "value_template", "availability"} <= set(config)
        assert config["device"]["identifiers"] == ["swathe_penstock-3"]
        assert config["device"]["name"] == "penstock-3: penstock, 2nd course"
        assert config["origin"]["name"] == "Swathe"
        kind, unit = config.get("device_class"), config.get("unit_of_measurement")
        assert (kind == "enum") == ("options" in config)
        assert kind not in UNITS or unit in UNITS[kind]
        assert not (kind == "enum" and (unit or "state_class" in config))
    assert len({config["unique_id"] for config in messages.values()}) == len(messages)


def test_values_are_fields_of_the_messages_with_their_units() -> None:
    """A field that was renamed, or whose unit changed, would leave a dashboard without the value."""
    schemas = payload_schemas(asyncapi_document())
    for config in configs().values():
        kind = config["state_topic"].removeprefix("swathe/penstock-3/")
        model = schemas[kind]["$ref"].rpartition("/")[2]
        fields = schemas[kind]["components"]["schemas"][model]["properties"]
        names = FIELD.findall(config["value_template"])
        assert len(names) == 1
        described = fields[names[0]]
        if unit := config.get("unit_of_measurement"):
            assert f", {unit}" in described["description"]
        if options := config.get("options"):
            assert options == described["enum"]


def test_station_is_unavailable_by_its_last_will() -> None:
    """Each value names the topic of the will and what it means."""
    for config in configs().values():
        (availability,) = config["availability"]
        assert availability["topic"] == Topics("penstock-3").state
        assert "'offline' if value_json.state == 'offline'" in availability["value_template"]


@pytest.mark.parametrize(
    ("other", "cleared"),
    [
        ({"crawls": False}, {"crawler"}),
        ({"index": False}, {"index"}),
        ({"encoded": False}, {"scan", "index"}),
        ({}, set()),
    ],
)
def test_what_a_run_does_not_have_is_cleared(other: dict[str, Any], cleared: set[str]) -> None:
    """A run without a crawler leaves none of an earlier run on the dashboard."""
    messages = discovery_messages(replace(FOUND, **other))
    assert {topic.split("/")[3] for topic, data in messages.items() if not data} == cleared
    assert set(messages) == set(discovery_messages(FOUND))


def test_names_stay_apart() -> None:
    """The convention allows fewer characters than a station's name has."""
    names = ["a.b", "a_b", "a-b", "a.b.", "a..b", "a_b_00000000"]
    found = [set(discovery_messages(replace(FOUND, station=name))) for name in names]
    assert all(TOPIC.fullmatch(topic) for one in found for topic in one)
    assert sum(map(len, found)) == len(set().union(*found))


def test_prefix_is_not_below_the_stations_own_topics() -> None:
    """A station would take its own config messages for those of somebody else."""
    (problem,) = check_broker(BrokerSettings(discovery=True, discovery_prefix="swathe/x"))
    assert "must not begin with 'swathe'" in str(problem)
    assert check_broker(BrokerSettings(discovery_prefix="swathe2")) == []
    for wrong in ("a/#", "+", "", "/a", "a/", "$SYS"):
        with pytest.raises(ValueError, match="discovery_prefix"):
            BrokerSettings(discovery_prefix=wrong)
