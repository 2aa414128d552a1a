"""The contract over MQTT beside the AsyncAPI project's own schema of such documents.

``asyncapi-3.0.0.schema.json.gz`` is ``schemas/3.0.0.json`` of the npm package ``@asyncapi/specs``
6.11.1 (Apache-2.0), packed and otherwise as it is there.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from support.contract import payload_schemas
from swathe.messages.asyncapi import asyncapi_document

_SPECIFICATION = Path(__file__).with_name("asyncapi-3.0.0.schema.json.gz")
# JSON Schema's keywords that came after draft 7, which AsyncAPI 3.0 schemas are a superset of.
_LATER = {"prefixItems", "unevaluatedProperties", "unevaluatedItems", "dependentSchemas", "$defs"}


@pytest.fixture(scope="module")
def judge() -> jsonschema.Draft7Validator:
    """Return the project's schema as a validator."""
    schema = json.loads(gzip.decompress(_SPECIFICATION.read_bytes()))
    return jsonschema.Draft7Validator(schema)


@pytest.fixture
def document() -> dict[str, Any]:
    """Return the document as it is printed."""
    found: dict[str, Any] = json.loads(json.dumps(asyncapi_document()))
    return found


def walk(node: Any) -> Iterator[dict[str, Any]]:
    """Yield every object of a document."""
    if isinstance(node, dict):
        yield node
        for value in node.values():
            yield from walk(value)
    elif isinstance(node, list):
        for value in node:
            yield from walk(value)


def test_document_is_asyncapi_3(
    judge: jsonschema.Draft7Validator, document: dict[str, Any]
) -> None:
    """The project's own schema takes the document, bindings and all."""
    judge.validate(document)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.pop("info"),
        lambda d: d["info"].pop("version"),
        lambda d: d.update(asyncapi="2.6.0"),
        lambda d: d["operations"]["sendGap"].update(action="publish"),
        lambda d: d["operations"]["sendGap"].pop("channel"),
        lambda d: d["operations"]["sendGap"]["bindings"]["mqtt"].update(qos=3),
        lambda d: d["channels"]["gap"].update(topic="x"),
        lambda d: d["components"]["schemas"]["GapMessage"].update(type="record"),
    ],
)
def test_schema_refuses_a_spoilt_document(
    judge: jsonschema.Draft7Validator, document: dict[str, Any], spoil: Any
) -> None:
    """The judge does look: a mistake of each kind is found."""
    spoil(document)
    assert not judge.is_valid(document)


def test_references_lead_somewhere(document: dict[str, Any]) -> None:
    """Every reference stays in the document and leads to something."""
    references = [node["$ref"] for node in walk(document) if "$ref" in node]
    assert len(references) > 50
    for reference in references:
        here: Any = document
        start, *path = reference.split("/")
        assert start == "#"
        for name in path:
            here = here[name]
        assert here


def test_parameters_are_those_of_the_address(document: dict[str, Any]) -> None:
    """Every part of a topic that varies is told, and no other (AsyncAPI 3.0.0, Channel Object)."""
    for channel in document["channels"].values():
        parts = [part[1:-1] for part in channel["address"].split("/") if part.startswith("{")]
        assert list(channel["parameters"]) == parts


def test_payloads_keep_to_draft_7(document: dict[str, Any]) -> None:
    """No keyword of a later JSON Schema, which an AsyncAPI tool need not know."""
    for schema in payload_schemas(document).values():
        jsonschema.Draft7Validator.check_schema(schema)
    for node in walk(document["components"]["schemas"]):
        assert not _LATER & node.keys()


def test_command_has_its_reply(document: dict[str, Any]) -> None:
    """A command names where the reply goes and what ties the two together."""
    operation = document["operations"]["receiveCommand"]
    assert operation["action"] == "receive"
    assert operation["reply"]["address"]["location"] == "$message.payload#/reply_to"
    assert "reply_to" in document["components"]["schemas"]["CommandMessage"]["properties"]
    for kind in ("command", "reply"):
        told = document["components"]["messages"][kind]["correlationId"]
        assert told["location"] == "$message.payload#/id"
