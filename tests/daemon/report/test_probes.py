"""Several probes in a report: what came from each, and where each of them is."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any, cast

import pytest

from daemon.handmade import feed, station
from daemon.pipeline.checks.test_checks_by_probe import SIDE, check, pass_
from daemon.pipeline.checks.test_checks_by_probe import surveyed as surveyed_by
from daemon.pipeline.test_probes import text_of
from daemon.report.test_evaluation_text import wall
from support.arrays.judge import judge_array
from support.arrays.scenes import ArrayScene, ArrayWorld, array_world
from swathe.board.stations import StationView
from swathe.board.texts import check_text
from swathe.document.material import ReportMaterial
from swathe.document.model import DataTable
from swathe.document.probes_part import probe_facts
from swathe.document.quality_part import _checks
from swathe.evaluation import evaluate_arrays
from swathe.pipeline.progress.overlap_snapshot import OverlapSnapshot
from swathe.pipeline.progress.probe_snapshot import ProbeSnapshot
from swathe.report import survey_lines
from swathe.report.evaluation_json import evaluation_json
from swathe.report.evaluation_text import EvaluationText
from swathe.report.probes import doubt_lines, echo_share, probe_lines
from swathe.report.summary import check_line
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


def test_report_lists_the_checks_of_each_probe() -> None:
    """Lines, tables and the check itself name the probe, and its suspect cells are counted."""
    text = text_of(SIDE)
    pipeline = surveyed_by(SIDE, pass_(SIDE, 0), check(3000, 0, 12.0), check(3200, 1, 12.5))
    record = record_of(pipeline)
    assert [one.probe for one in record.checks] == ["gauge", "second"]
    first, second = (line for line in probe_lines(record) if line.startswith("probe "))
    assert first.endswith("; calibration checked 2027-01-15 08:00 UTC")
    assert second.endswith(
        "; check 2 FAILED, and none has passed since; 21 cells of it are suspect"
    )
    failed = check_line(record.checks[1], record.display)
    assert failed.startswith(
        "check 2 of probe second (interval) of 2027-01-15 08:00 UTC by K: FAILED"
    )
    of = type("Material", (), {"station": station(text), "record": record})
    (table,) = probe_facts(cast("ReportMaterial", of))
    assert isinstance(table, DataTable)
    assert [row[-2:] for row in table.rows] == [
        ("passed 2027-01-15 08:00", "0"),
        ("no. 2 FAILED", "21"),
    ]
    assert table.heads[-2:] == ("check", "suspect cells")
    assert all(len(row) == len(table.heads) == len(table.words) for row in table.rows)
    checks = _checks(record)
    assert [row[:2] for row in checks.rows] == [("1", "gauge"), ("2", "second")]
    assert all(len(row) == len(checks.heads) == len(checks.words) for row in checks.rows)


def test_evaluation_names_the_probes_that_are_in_doubt() -> None:
    """The one whose check failed with its suspect cells, and what two differ by; nothing of the other."""
    pipeline = surveyed_by(SIDE, pass_(SIDE, 0), check(3000, 0, 12.0), check(3200, 1, 12.5))
    record = record_of(pipeline)
    (line,) = doubt_lines(record)
    assert (
        line
        == "probe second; check 2 FAILED, and none has passed since; 21 cells of it are suspect"
    )
    pair = OverlapSnapshot(probe="gauge", other="second", more=0.05, standard=0.01, columns=40)
    record = record.model_copy(update={"overlaps": (pair,)})
    assert doubt_lines(record)[1] == probe_lines(record)[-1]
    found = replace(evaluate_arrays(wall()), record=record)
    texts = [part for part in EvaluationText(found).heading() if isinstance(part, str)]
    assert [text for text in texts if text in doubt_lines(record)] == doubt_lines(record)
    document = json.loads(evaluation_json(found))["record"]
    assert [one["suspect"] for one in document["probes"]] == [0, 21]
    assert document["overlaps"][0]["more"] == 0.05


def test_board_shows_a_failed_probe_rather_than_another_ones_newer_pass() -> None:
    """Until it has passed itself; of one probe the newest check is shown."""
    pipeline = surveyed_by(SIDE, check(0, 1, 12.5), check(200, 0, 12.0))
    view = StationView("bench")
    view.checks = {one.number: one for one in record_of(pipeline).checks}
    assert check_text(view.last_check).startswith("calibration check 1 of probe second FAILED, ")
    feed(pipeline, check(400, 1, 12.0))
    view.checks = {one.number: one for one in record_of(pipeline).checks}
    assert check_text(view.last_check).startswith("calibration check 3 of probe second passed, ")
