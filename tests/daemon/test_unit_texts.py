"""No text for a person has its unit of length written into the source."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import swathe

DAEMON = Path(swathe.__file__).parent
MILLIMETRES = re.compile(r"(^|[\s,(±])mm(\b|²|/)")
ARGUMENTS = "errors of pure functions, whose arguments are mm by their documentation"
SYNTAX = "examples and defaults of lengths with their unit, as a station file or an option has them"
SCHEMA = "descriptions in the schema: numbers in messages are mm always"
ALLOWED = {
    "units.py": SYNTAX,
    "pipeline/progress/fields.py": SCHEMA,
    "display_units.py": "what makes the texts",
    "cli/calibrate_thickness.py": SYNTAX,
    "cli/verify.py": SYNTAX,
    "cli/report.py": SYNTAX,
    "cli/compare.py": SYNTAX,
    "cli/zone_option.py": SYNTAX,
    "comparison/cell_map.py": ARGUMENTS,
    "comparison/comparing.py": ARGUMENTS,
    "comparison/differences.py": ARGUMENTS,
    "comparison/pairs.py": "units of a dataset, which is mm always",
    "comparison/parts.py": ARGUMENTS,
    "comparison/pattern.py": ARGUMENTS,
    "comparison/survey_errors.py": ARGUMENTS,
    "report/comparison_text.py": "what makes the texts of rates",
    "export/diconde.py": "a comment next to attributes that are mm always",
    "document/html.py": "widths of pictures on paper, in CSS",
    "evaluation/levels.py": SYNTAX,
    "evaluation/extremes.py": ARGUMENTS,
    "evaluation/statistics.py": ARGUMENTS,
    "evaluation/zones.py": ARGUMENTS,
    "station/marks.py": SYNTAX,
    "station/motion.py": SYNTAX,
    "station/delays.py": SYNTAX,
    "station/reference_steps.py": SYNTAX,
    "station/spots.py": SYNTAX,
    "cli/init_own.py": SYNTAX,
    "cli/init_questions.py": SYNTAX,
    "draft/own.py": SYNTAX,
    "draft/parts.py": SYNTAX,
    "draft/simulated.py": SYNTAX,
    "draft/simulated_motion.py": SYNTAX,
    "draft/wishes.py": SYNTAX,
    "calibration/beam.py": ARGUMENTS,
    "calibration/encoder_scale.py": ARGUMENTS,
    "calibration/law.py": ARGUMENTS,
    "calibration/materials.py": ARGUMENTS,
    "calibration/step_reading.py": ARGUMENTS,
    "calibration/steps.py": ARGUMENTS,
    "calibration/uncertainty.py": ARGUMENTS,
    "motion/limits/check.py": ARGUMENTS,
    "motion/limits/zones.py": ARGUMENTS,
    "motion/revisit/visits.py": ARGUMENTS,
    "calibration/contradictions.py": "asks whether inches were taken for mm",
    "calibration/readings_file.py": "heading of a file",
    "calibration/record.py": "keys of the record have their unit in their name",
    "cli/simulate.py": "the simulator knows no station file",
    "listen/record_fields.py": "what a device sends, in its own unit",
    "live/axis_trial.py": "what a device sends, and counts per mm, a key of the station file",
    "messages/asyncapi.py": "the unit of numbers in messages",
}
"""Modules that may, and why; the name of the unit alone, ``"mm"``, is no text."""


def texts(tree: ast.Module) -> list[str]:
    """Return the texts of a module but for docstrings, descriptions of fields and help of options."""
    skipped: set[ast.AST] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            skipped.add(node.value)
        elif isinstance(node, ast.keyword) and node.arg in {"description", "help"}:
            skipped |= set(ast.walk(node.value))
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in skipped
    ]


def written_in_mm(source: str) -> list[str]:
    """Return the texts of a module that have a length in mm."""
    found = texts(ast.parse(source))
    return [text for text in found if text != "mm" and MILLIMETRES.search(text)]


def test_texts_have_the_unit_of_the_station() -> None:
    """A length is written by `DisplayUnits`; the exceptions are listed with their reason."""
    found: dict[str, list[str]] = {}
    for path in sorted(DAEMON.rglob("*.py")):
        if texts_in_mm := written_in_mm(path.read_text("utf-8")):
            found[path.relative_to(DAEMON).as_posix()] = texts_in_mm
    example = 'counts_per_mm = 26.07, or wheel = { diameter = "50 mm", pulses = 1024, edges = 4 }'
    assert found.pop("station/check.py", []) == [example]  # its other texts have the unit
    assert {name: lines for name, lines in found.items() if name not in ALLOWED} == {}
    assert sorted(ALLOWED.keys() - found.keys()) == []


def test_texts_in_mm_are_found() -> None:
    """In format strings and plain texts; not where a number's unit is documented."""
    source = (
        '"""Of mm."""\nx: int = Field(description="a mm")\ny = f"{x:.1f} mm wide"\nz = "area mm²"'
    )
    assert sorted(written_in_mm(source)) == [" mm wide", "area mm²"]
