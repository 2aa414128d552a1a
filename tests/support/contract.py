"""The contract over MQTT, read from its AsyncAPI document as somebody without Python would."""

from __future__ import annotations

from typing import Any

__all__ = ["payload_schemas", "retained"]


def payload_schemas(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Return the JSON Schema of each kind's payload; references are resolved within it."""
    components = document["components"]
    return {
        kind: {**message["payload"], "components": {"schemas": components["schemas"]}}
        for kind, message in components["messages"].items()
    }


def retained(document: dict[str, Any]) -> dict[str, bool]:
    """Return, by topic, whether what is said on it is retained."""
    told = {}
    for operation in document["operations"].values():
        channel = document["channels"][operation["channel"]["$ref"].rpartition("/")[2]]
        told[channel["address"]] = operation["bindings"]["mqtt"]["retain"]
    return told
