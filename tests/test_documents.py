"""What README and the guide show is what Swathe takes: every block is run by a test.

Shell sessions and Python blocks need ports: tests/system/test_documents.py runs those.
"""

from __future__ import annotations

import json
import re
import tomllib
import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, TypeAdapter
from pydantic.fields import FieldInfo

from support.documents import ROOT, Block, blocks, documents
from swathe.messages import CommandMessage
from swathe.station import Station, decoder_of, law_of, parse_station, read_station
from swathe.station.probe_check import put_probes_in
from swathe_simulators import builtin_scenario, load_scenario
from swathe_simulators.device_models import ClockModel, CombinedModel

# How each language is run; a block in another one fails the test below.
RUN_BY = {
    "toml": "test_toml_is_a_station_or_a_part_of_one",
    "json": "test_json_is_a_command",
    "sh": "CI, and test_set_up_commands_are_two",
    "sh-session": "tests/system/test_documents.py, tests/daemon/cli/test_evaluate.py, tests/daemon/export/test_guide.py",
    "python": "tests/system/test_documents.py, tests/daemon/cli/test_evaluate.py, tests/daemon/export/test_guide.py",
    "text": "nobody: a picture of a folder, a formula",
}
MAX_README_LINES = 170
GUIDE = ROOT / "daemon" / "guide"


def whole_station() -> dict[str, Any]:
    """Return README's station, the first TOML block, as tables."""
    return tomllib.loads(blocks("toml", of=ROOT / "README.md")[0].text)


def test_every_block_has_a_test() -> None:
    """No block is in a language that nothing runs, and none is without a language."""
    for block in blocks():
        assert block.language in RUN_BY, block


def test_set_up_commands_are_two() -> None:
    """README has two shell blocks; CI runs the second one, word for word."""
    demo, tests = (block.text.strip() for block in blocks("sh"))
    assert demo.endswith(".venv/bin/swathe demo")
    assert ".venv/bin/pytest" in tests
    assert "n == 2" in (ROOT / ".ci" / "run").read_text("utf-8")


def test_readme_station_is_valid(tmp_path: Path) -> None:
    """README's station is a whole one."""
    station = tmp_path / "profile.toml"
    station.write_text(blocks("toml", of=ROOT / "README.md")[0].text, "utf-8")
    settings, _ = read_station(station)
    assert settings.shape == (1, 1001)


def test_readme_station_is_that_of_the_simulator() -> None:
    """Velocity, zero offset, scale, zero, delay and columns are those that `simulate` serves.

    Nothing else would show a wrong one: a scan of the simulated line looks alike with any velocity.
    """
    readme = (ROOT / "README.md").read_text("utf-8")
    name = re.findall(r"^\$ swathe simulate (\w+)$", readme, flags=re.MULTILINE)
    scenario = load_scenario(builtin_scenario(*name))
    (device,) = scenario.device
    station = parse_station(blocks("toml", of=ROOT / "README.md")[0].text, "profile.toml")
    (instrument,) = station.device
    law, settings = law_of(station), station.device[instrument]
    decoder = decoder_of(settings)
    assert isinstance(device, CombinedModel)
    assert isinstance(device.clock, ClockModel)
    assert device.port.kind == "pty"
    (axis,) = device.axes
    assert law is not None
    assert law.velocity == scenario.part.velocity_mm_per_us
    assert law.zero_offset == device.zero_offset_us
    assert station.survey.nominal_thickness == scenario.part.nominal_mm
    assert (station.scan_axis.start, station.scan.length) == (
        scenario.part.scan_mm[0],
        scenario.part.scan_mm[1] - scenario.part.scan_mm[0],
    )
    assert (station.scan.counts_per_mm, station.scan.zero_count) == (
        axis.counts_per_mm,
        axis.preset,
    )
    assert station.scan.reversed is (axis.sign < 0)
    assert (settings.port, settings.baud) == (f"ports/{device.name}", device.port.baud)
    assert settings.delay == round(device.latency.delay_ms * 1e6)
    assert decoder.gives >= {device.value, "amplitude"}
    assert decoder.count_periods == {axis.axis: 2 ** (device.bits or 0)}
    assert decoder.clock_wrap_ns == 2 ** (device.clock.wrap_bits or 0) * 1000


def test_guide_station_is_valid(tmp_path: Path) -> None:
    """The larger station of the guide is a whole one."""
    station = tmp_path / "penstock.toml"
    station.write_text(blocks("toml", of=GUIDE / "station.md")[0].text, "utf-8")
    settings, _ = read_station(station)
    assert settings.shape == (31, 226)


@pytest.mark.parametrize("block", blocks("toml"), ids=str)
def test_toml_is_a_station_or_a_part_of_one(block: Block) -> None:
    """Each table that is shown may be in a station file as it is there."""
    shown = tomllib.loads(block.text)
    assert shown
    for name, table in shown.items():
        assert name in Station.model_fields, f"{block}: no table [{name}]"
        base = whole_station().get(name, {}) if name in ("scan", "survey") else {}
        whole = {**base, **table} if isinstance(table, dict) else table
        if name == "probe" and isinstance(table, list):
            _, parts, problems = put_probes_in(shown)
            assert parts["probes"], problems
            continue
        kind = Station.model_fields[name].rebuild_annotation()
        TypeAdapter(kind).validate_python(whole)


@pytest.mark.parametrize("block", blocks("json"), ids=str)
def test_json_is_a_command(block: Block) -> None:
    """Each JSON block is a command that a station understands."""
    CommandMessage.model_validate(json.loads(block.text))


@pytest.mark.parametrize(
    "path",
    [*documents(), ROOT / "DEVELOPERS.md"],
    ids=lambda path: path.relative_to(ROOT).as_posix(),
)
def test_links_and_paths_exist(path: Path) -> None:
    """Every link to a file, every heading that is linked, and every test that is named exists."""
    text = path.read_text("utf-8")
    headings = {
        re.sub(r"[^\w -]", "", line.lstrip("# ").lower()).strip().replace(" ", "-")
        for line in text.splitlines()
        if line.startswith("#")
    }
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        file, _, heading = target.partition("#")
        assert not file or (path.parent / file).exists(), f"{path.name} links to {target}"
        if not file:
            assert heading in headings, f"{path.name} has no heading {heading}"
    for named in re.findall(r"\b((?:tests|daemon|drivers|simulators)/[\w/.-]*[\w/])", text):
        assert (ROOT / named).exists() or (ROOT / "daemon" / named).exists(), (
            f"{path.name}: {named}"
        )


def test_readme_is_three_screens() -> None:
    """README stays short enough to read at once; the rest is in the guide."""
    assert len((ROOT / "README.md").read_text("utf-8").splitlines()) <= MAX_README_LINES


def test_readme_lists_every_command() -> None:
    """Each command of `swathe --help` is in README's table, and no other."""
    from typer.main import get_command

    import swathe.cli.main  # noqa: F401  registers every command
    from swathe.cli.app import app

    group = get_command(app)
    assert hasattr(group, "commands")
    table = (ROOT / "README.md").read_text("utf-8").partition("| command |")[2].partition("\n\n")[0]
    assert set(re.findall(r"`swathe (\w+)", table)) == set(group.commands)


def tables_of(model: type[BaseModel], path: str = "") -> Iterator[tuple[str, type[BaseModel]]]:
    """Yield path and model of each table of the station file, as its heading names it.

    What is in `protocol` and `talk` is the drivers' own: drivers/README.md has it, and
    tests/drivers/test_readme.py checks that.
    """
    yield path, model
    for name, field in model.model_fields.items():
        for inner in models_in(field.annotation):
            if not field.exclude and not inner.__module__.startswith("swathe_drivers."):
                yield from tables_of(inner, f"{path}.{name}".lstrip("."))


def models_in(annotation: object) -> Iterator[type[BaseModel]]:
    """Yield the models within a type such as ``X | None`` or ``dict[str, X]``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in typing.get_args(annotation):
        yield from models_in(argument)


def key_tables() -> Iterator[tuple[str, list[str], dict[str, str]]]:
    """Yield document, paths in the heading, and default by key of each table of keys."""
    for path in documents():
        for section in re.split(r"^#+ ", path.read_text("utf-8"), flags=re.MULTILINE)[1:]:
            heading, _, text = section.partition("\n")
            paths = re.findall(r"`\[+([\w.]+?)(?:\.NAME)?\]+`", heading)
            if heading == "All tables":
                paths = [""]
            rows: dict[str, str] = {}
            for keys, default in re.findall(
                r"^\| (`[^|]+`) \| [^|]*\| ([^|]+) \| [^|]+ \|$", text, flags=re.MULTILINE
            ):
                names = re.findall(r"`(\w+)`", keys)
                defaults = default.split(", ") if len(names) > 1 else [default]
                rows |= dict(zip(names, defaults, strict=True))
            if paths:
                yield path.name, paths, rows


def assert_default(where: str, text: str, field: FieldInfo) -> None:
    """Fail unless `text` is what the guide may state as the default of `field`."""
    if text == "required":
        assert field.is_required(), where
        return
    assert not field.is_required(), f"{where} is required"
    default = field.get_default(call_default_factory=True)
    if text == "none":
        assert not default or isinstance(default, BaseModel), f"{where}: {default}"
        return
    kind: TypeAdapter[Any] = TypeAdapter(field.rebuild_annotation())
    assert kind.validate_python(tomllib.loads(f"key = {text.strip('`')}")["key"]) == default, where


def test_guide_names_every_key_of_the_station_file() -> None:
    """Each table has one table of keys in the guide: its keys, no other, with their defaults."""
    models = dict(tables_of(Station))
    described: list[str] = []
    for document, paths, rows in key_tables():
        fields: dict[str, FieldInfo] = {}
        for path in paths:
            assert path in models, f"{document}: no table [{path}]"
            fields |= {k: f for k, f in models[path].model_fields.items() if not f.exclude}
        assert rows.keys() == fields.keys(), f"{document}: {paths}"
        for name, text in rows.items():
            assert_default(f"{document}: {paths} {name}", text, fields[name])
        described += paths
    assert len(described) == len(set(described))
    covered = {models[path] for path in described}
    missing = [path for path, model in models.items() if model not in covered]
    assert missing == []


def threats() -> list[list[str]]:
    """Return the rows of the table of threats: from, threat, what holds, and its tests."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8").partition("## Threats\n")[2]
    rows = [line for line in text.partition("\n## ")[0].splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in rows[1:]]


def test_every_threat_names_tests_that_there_are() -> None:
    """Each line has a test or a program that shows it; a test that is renamed is renamed there too."""
    found = threats()
    assert len(found) > 25
    for *threat, tests in found:
        assert all(threat), threat
        names = re.findall(r"`([^`]+)`", tests)
        assert names, threat
        for name in names:
            path = ROOT / name if name.startswith("tests/") else ROOT / "tests" / "daemon" / name
            assert path.is_file(), (threat, name)
            text = path.read_text("utf-8")
            assert "\ndef test_" in text or "\nasync def test_" in text or "\ndef main" in text, (
                name
            )
