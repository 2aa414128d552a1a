"""Config messages by which dashboards of homes and plants find a station's values by themselves.

Source: the MQTT discovery convention as its open documentation has it (topics
``PREFIX/COMPONENT/NODE/OBJECT/config``, retained JSON; components ``sensor`` and ``binary_sensor``),
which several home and plant dashboards read. Values come from the station's own topics; no message
of them is changed or doubled for it.
"""

from __future__ import annotations

import json
import re
import zlib
from dataclasses import dataclass
from typing import Any, get_args

from swathe.messages.crawler import CrawlerState
from swathe.messages.models import RunState
from swathe.messages.topics import Topics

__all__ = ["Discovered", "discovery_messages"]

_UNSAFE = re.compile(r"[^A-Za-z0-9_-]")
# A state in such a dashboard has at most 255 characters.
_TEXT = "{{{{ value_json.{field}[:250] }}}}"
_NUMBER = "{{{{ value_json.{field} }}}}"
_MM = {"unit_of_measurement": "mm", "device_class": "distance", "state_class": "measurement"}


@dataclass(frozen=True, slots=True)
class Discovered:
    """What is to be found.

    Attributes:
        station: name of the station.
        part: what is measured.
        version: of Swathe.
        prefix: first levels of the topics.
        crawls: whether a crawler may move in this run.
        index: whether there is an index axis.
        encoded: whether the probe has a position.
    """

    station: str
    part: str
    version: str
    prefix: str
    crawls: bool
    index: bool
    encoded: bool


@dataclass(frozen=True, slots=True)
class _Entity:
    """A value that a dashboard shows.

    Attributes:
        key: part of its identity and topic.
        name: as it is shown.
        topic: of the station, on which the value comes.
        template: of its message.
        facts: what else is known of it, in the convention's words.
        component: kind of value.
    """

    key: str
    name: str
    topic: str
    template: str
    facts: dict[str, Any]
    component: str = "sensor"


def discovery_messages(found: Discovered) -> dict[str, bytes]:
    """Return the config message of each topic; an empty one clears what this run does not have.

    Args:
        found: the station and what it has.
    """
    topics = Topics(found.station)
    node = f"swathe_{_identity(found.station)}"
    label = f"{found.station}: {found.part}" if found.part else found.station
    shared = {
        # The last will is a state as well.
        "availability": [
            {
                "topic": topics.state,
                "value_template": "{{ 'offline' if value_json.state == 'offline' else 'online' }}",
            }
        ],
        "qos": 1,
        "device": {"identifiers": [node], "name": label, "sw_version": found.version},
        "origin": {"name": "Swathe", "sw_version": found.version},
    }
    has = {
        "crawler": found.crawls,
        "scan": found.encoded,
        "index": found.encoded and found.index,
    }
    messages = {}
    for one in _entities(topics):
        topic = f"{found.prefix}/{one.component}/{node}/{one.key}/config"
        config = {
            "name": one.name,
            "unique_id": f"{node}_{one.key}",
            "state_topic": one.topic,
            "value_template": one.template,
            **one.facts,
            **shared,
        }
        text = json.dumps(config, ensure_ascii=False) if has.get(one.key, True) else ""
        messages[topic] = text.encode()
    return messages


def _identity(name: str) -> str:
    """Return a name as the convention's topics allow it; another one for each other name."""
    safe = _UNSAFE.sub("_", name)
    return safe if safe == name else f"{safe}_{zlib.crc32(name.encode()):08x}"


def _entities(topics: Topics) -> list[_Entity]:
    def number(
        key: str, name: str, topic: str, field: str, digits: int, unit: dict[str, str]
    ) -> _Entity:
        facts = {**unit, "suggested_display_precision": digits}
        return _Entity(key, name, topic, _NUMBER.format(field=field), facts)

    def word(key: str, name: str, topic: str, options: tuple[str, ...]) -> _Entity:
        facts = {"device_class": "enum", "options": [*options]}
        return _Entity(key, name, topic, _NUMBER.format(field="state"), facts)

    progress = topics.progress
    share = {"unit_of_measurement": "%", "state_class": "measurement"}
    count = {"state_class": "measurement"}
    return [
        word("state", "State", topics.state, get_args(RunState)),
        _Entity("todo", "To do", topics.state, _TEXT.format(field="todo"), {}),
        number("share", "Measured", progress, "percent", 2, share),
        number("minimum", "Minimum thickness", progress, "minimum", 2, _MM),
        number("gaps", "Open gaps", progress, "open_gaps", 0, count),
        number("alarms", "Alarms", topics.alarms, "raised", 0, count),
        _Entity(
            "alarm",
            "Alarm",
            topics.alarms,
            "{{ 'ON' if value_json.raised > 0 else 'OFF' }}",
            {"device_class": "problem", "json_attributes_topic": topics.alarms},
            component="binary_sensor",
        ),
        word("crawler", "Crawler", topics.crawler, get_args(CrawlerState)),
        number("scan", "Scan position", progress, "scan", 1, _MM),
        number("index", "Index position", progress, "index", 1, _MM),
    ]
