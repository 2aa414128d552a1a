"""Reading scenario files, and saying all that is wrong with one at once."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from swathe_simulators.crawler_models import CommandedModel
from swathe_simulators.device_models import CountsModel, EchoModel
from swathe_simulators.probe_models import faulty_probes
from swathe_simulators.protocol import block_size, frame_size
from swathe_simulators.scenario_models import (
    CouplingLossModel,
    Scenario,
    SlipModel,
    StepsModel,
)
from swathe_simulators.step_block import unknown_steps

# By the key of the union: a key like `part.steps` may be called like a tag.
_TAGS = {
    "motion": {"raster", "hand", "steps", "commanded"},
    "device": {"encoder", "gauge", "combined"},
    "fault": {
        *("coupling_loss", "slip", "dead_probe", "weak_probe"),
        *("probe_offset", "swapped_probes", "late_probe"),
    },
    "clock": {"ticking", "absent"},
}
_TYPE_WORDS = {
    "float": "a number",
    "int": "a whole number",
    "string": "a text",
    "bool": "true or false",
    "list": "a list",
    "tuple": "a list",
    "model": "a table",
    "dict": "a table",
}


class ScenarioError(ValueError):
    """A scenario that can't be played.

    Attributes:
        path: the file.
        problems: one sentence each, in the shape `'key' must … (got …)`.
    """

    def __init__(self, path: Path, problems: list[str]) -> None:
        self.path = path
        self.problems = problems
        super().__init__(f"{path}: " + "; ".join(problems))


def builtin_scenarios() -> list[str]:
    """Return the names of the scenarios that come with the package."""
    folder = resources.files("swathe_simulators") / "scenarios"
    names = [Path(entry.name) for entry in folder.iterdir()]
    return sorted(name.stem for name in names if name.suffix == ".toml")


def builtin_scenario(name: str) -> Path:
    """Return the path of a scenario that comes with the package.

    Raises:
        KeyError: no such scenario; the message lists those there are.
    """
    if name not in builtin_scenarios():
        known = ", ".join(builtin_scenarios())
        raise KeyError(f"no built-in scenario {name!r}; there are: {known}")
    return Path(str(resources.files("swathe_simulators") / "scenarios" / f"{name}.toml"))


def load_scenario(path: Path) -> Scenario:
    """Read a scenario file.

    Raises:
        ScenarioError: the file is no TOML text or does not describe a scenario; the error
            names the file and every key that is wrong, and what is asked of it.
        OSError: the file can't be read.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except UnicodeDecodeError as error:
        raise ScenarioError(path, [f"must be a UTF-8 text: {error}"]) from error
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(path, [f"must be valid TOML: {error}"]) from error
    try:
        scenario = Scenario.model_validate(data)
    except ValidationError as error:
        raise ScenarioError(path, [_sentence(detail) for detail in error.errors()]) from error
    problems = _cross_checks(scenario)
    if problems:
        raise ScenarioError(path, problems)
    return scenario


def _key(location: tuple[int | str, ...]) -> str:
    parts: list[str] = []
    owner = ""
    for part in location:
        if isinstance(part, int):
            parts[-1] += f"[{part}]"
        # pydantic puts the tag of a union between the key and the keys inside it.
        elif part in _TAGS.get(owner, ()):
            owner = ""
        else:
            parts.append(part)
            owner = part
    return ".".join(parts)


def _sentence(detail: ErrorDetails) -> str:
    kind, context = detail["type"], detail.get("ctx", {})
    got: Any = detail["input"]
    limits = {
        "greater_than": (">", "gt"),
        "greater_than_equal": (">=", "ge"),
        "less_than": ("<", "lt"),
        "less_than_equal": ("<=", "le"),
    }
    if kind in limits:
        sign, name = limits[kind]
        must = f"must be {sign} {context[name]:g}"
    elif kind == "missing":
        must, got = "must be given", None
    elif kind == "extra_forbidden":
        must = "must be left out, as there is no such key"
    elif kind == "value_error":
        must = str(context["error"])
    elif kind == "literal_error":
        must = f"must be {context['expected']}"
    elif kind in ("union_tag_invalid", "union_tag_not_found"):
        must = f"must have a kind of {context.get('expected_tags') or 'its own'}"
    elif kind == "string_pattern_mismatch":
        must = "must be letters, digits, '-', '_' and '.', a letter or digit first"
    elif kind == "int_from_float":
        must = "must be a whole number"
    elif kind == "finite_number":
        must = "must be a finite number"
    elif kind.removesuffix("_type").removesuffix("_parsing") in _TYPE_WORDS:
        must = f"must be {_TYPE_WORDS[kind.removesuffix('_type').removesuffix('_parsing')]}"
    else:
        must = f"must be right: {detail['msg']}"
    if isinstance(got, dict):
        got = "a table" if got else "an empty table"
    shown = "nothing" if got is None else got
    return f"'{_key(detail['loc'])}' {must} (got {shown})"


def _cross_checks(scenario: Scenario) -> list[str]:
    problems: list[str] = []
    names = [model.name for model in scenario.device]
    for number, name in enumerate(names):
        if name in names[:number]:
            problems.append(f"'device[{number}].name' must differ from all others (got {name})")
    if isinstance(scenario.motion, CommandedModel):
        if scenario.motion.name in names:
            name = scenario.motion.name
            problems.append(f"'motion.name' must differ from all devices' (got {name})")
        names.append(scenario.motion.name)
    if isinstance(scenario.motion, StepsModel):
        problems += unknown_steps(scenario.part, scenario.motion)
    targets = {
        **{f"inject[{n}].device": entry.device for n, entry in enumerate(scenario.inject)},
        **{f"unplug[{n}].device": entry.device for n, entry in enumerate(scenario.unplug)},
    }
    for key, target in targets.items():
        if target not in names:
            problems.append(f"'{key}' must be one of {', '.join(names)} (got {target})")
    probes = [probe.name for probe in scenario.probes]
    twice = sorted({name for name in probes if probes.count(name) > 1})
    problems += [f"'device' must have probes of different names (got {name})" for name in twice]
    for number, fault in enumerate(scenario.fault):
        if isinstance(fault, CouplingLossModel | SlipModel):
            continue
        for name in faulty_probes(fault):
            if name not in probes:
                known = ", ".join(probes) or "none, as no device has probes"
                problems.append(f"'fault[{number}]' must be of a probe: {known} (got {name})")
    for number, instrument in enumerate(scenario.device):
        baud = instrument.port.baud
        # Letter, star, check and line end are 6 bytes; columns as wide as they usually get.
        length = 6 + (11 if instrument.clock is not False else 0)
        if isinstance(instrument, CountsModel):
            length += 7 * (len(instrument.axes) + (instrument.heading is not None))
        if isinstance(instrument, EchoModel):
            length += 14 * instrument.at_once + (4 if instrument.sends in ("input", "turns") else 0)
        sent = "lines"
        if isinstance(instrument, EchoModel) and instrument.waveform is not None:
            length, sent = block_size(instrument.waveform), "blocks"
        elif isinstance(instrument, EchoModel) and instrument.sends == "frame":
            counts = 0
            if isinstance(instrument, CountsModel):
                counts = len(instrument.axes) + (instrument.heading is not None)
            length, sent = frame_size(len(instrument.probes), counts), "frames"
        if baud is not None and instrument.rate_hz * length * 10 > baud:
            most = baud / (length * 10)
            problems.append(
                f"'device[{number}].rate_hz' must be <= {most:.0f} for {sent} of about "
                f"{length} bytes at {baud} baud (got {instrument.rate_hz:g})"
            )
    return problems
