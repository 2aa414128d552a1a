"""What the report states of the beam, from a record of a survey whose lines are too far apart."""

from __future__ import annotations

from daemon import handmade
from swathe.report.beam import beam_lines
from swathe.store import record_of

TABLES = '\n[probe]\ndiameter = "6.35 mm"\nfrequency = "5 MHz"\n'
INDEX = '[index]\nlength = "6 mm"\nresolution = "6 mm"\nmode = "stepped"\n'


def test_share_width_and_warning_are_stated() -> None:
    """One line of two, 6 mm apart, under 1.63 mm: 13.6 % of the area, and what it means."""
    text = handmade.station_text(index=INDEX, survey='nominal_thickness = "8 mm"')
    motion = handmade.Motion(lambda ms: (-2 + 24 * ms / 1000,), lambda _: 8.0, 0, 1000)
    record = record_of(handmade.run(text + TABLES, motion.entries()))
    share, width, warning = beam_lines(record)
    assert record.footprint_percent is not None
    assert abs(record.footprint_percent - 100 * 0.514 * 6.35 / 2 / 12) < 0.3
    assert share.endswith(f": {record.footprint_percent:.2f} % of the required area")
    assert width == "beam on the back wall: 1.63 mm wide (-6 dB); a smaller pit may be missed"
    assert warning.startswith("WARNING: the index axis steps by 6 mm, but the beam is 1.63 mm wide")


def test_unknown_beam_is_not_mentioned() -> None:
    """Without a probe nothing is stated, of any share."""
    record = record_of(handmade.run(handmade.station_text()))
    assert beam_lines(record) == []
    assert record.footprint_percent is None
    assert beam_lines(record.model_copy(update={"plan": None})) == []
