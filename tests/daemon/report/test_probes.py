"""Several probes in a report: what came from each, and where each of them is."""

from __future__ import annotations

from typing import Any, cast

import pytest

from support.arrays.judge import judge_array
from support.arrays.scenes import ArrayScene, ArrayWorld, array_world
from swathe.document.material import ReportMaterial
from swathe.document.model import DataTable
from swathe.document.probes_part import probe_facts
from swathe.pipeline.progress.probe_snapshot import ProbeSnapshot
from swathe.report import survey_lines
from swathe.report.probes import echo_share, probe_lines
from swathe.store import SurveyRecord, record_of


@pytest.fixture(scope="module")
def surveyed() -> tuple[ArrayWorld, SurveyRecord]:
    """Return a scan with three probes, of which one dies, and its record."""
    dead = {"kind": "dead_probe", "probe": "p1", "from_s": 0.8}
    scene = ArrayScene(ports="mixed", probes=3, length_mm=64.0, passes=1, faults=(dead,))
    world = array_world(scene)
    return world, record_of(judge_array(world).pipeline)


def test_each_probe_has_a_line_with_what_came_from_it(
    surveyed: tuple[ArrayWorld, SurveyRecord],
) -> None:
    """As many readings as were placed, and the share of them that truly had an echo."""
    world, record = surveyed
    lines = [line for line in survey_lines(record) if line.startswith("probe ")]
    assert lines == probe_lines(record)
    assert [line.split(":")[0] for line in lines] == ["probe p0", "probe p1", "probe p2"]
    assert ", 100.0 % of them with an echo; newest echo 2027-01-15 08:00:0" in lines[0]
    rows = world.recording.sent["many"].rows
    share = rows["valid"][rows["probe"] == 2].mean()
    assert 0.2 < share < 0.6
    found = record.progress.probes[1]
    assert found.echoes / found.readings == pytest.approx(share, abs=0.02)
    assert f"{100 * found.echoes / found.readings:.1f} % of them with an echo" in lines[1]
    assert found.alone
    assert lines[1].endswith(" UTC; without an echo at the end, while other probes had some")
    assert lines[0].endswith(" UTC")


def test_probe_without_anything_is_said_to_have_none() -> None:
    """No share of no readings, and no time of no echo."""
    probe = ProbeSnapshot.model_validate(
        {
            "name": "p1",
            "state": "no readings",
            "alone": False,
            "last_echo": None,
            "readings": 0,
            "echoes": 0,
        }
    )
    assert echo_share(probe) == "–"
    record = cast("Any", type("Record", (), {}))()
    record.progress = cast("Any", type("Progress", (), {}))()
    record.progress.probes, record.overlaps = (probe,), ()
    assert probe_lines(record) == ["probe p1: 0 readings with a position; no echo at all"]


def test_document_has_a_table_of_the_probes(surveyed: tuple[ArrayWorld, SurveyRecord]) -> None:
    """With device, input, offsets and figures; what is not stated is said to be so."""
    world, record = surveyed
    of = cast("ReportMaterial", type("Material", (), {"station": world.station, "record": record}))
    (table,) = probe_facts(of)
    assert isinstance(table, DataTable)
    assert all(len(row) == len(table.heads) == len(table.words) for row in table.rows)
    first = record.progress.probes[0]
    assert table.rows[0][:7] == (
        "p0", "single", "0", "-4", "not stated", "that of the station", f"{first.readings:,}",
    )  # fmt: skip
    assert table.rows[1][:4] == ("p1", "many, input 2", "6", "0")
    assert table.rows[0][7] == "100.0 %"
    for row, probe in zip(table.rows, record.progress.probes, strict=True):
        assert probe.last_echo is not None
        assert row[6:] == (
            f"{probe.readings:,}",
            echo_share(probe),
            f"{probe.last_echo:%Y-%m-%d %H:%M:%S}",
        )
    assert table.rows[1][7] != table.rows[0][7]
    single = type("Material", (), {"station": None, "record": record})
    assert list(probe_facts(cast("ReportMaterial", single))) == []
