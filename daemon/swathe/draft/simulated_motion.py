"""The crawler of a simulated scenario as tables of a station file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from swathe.draft.simulated_devices import gauge_of_scenario, simulated_address
from swathe.draft.simulated_probes import readings_each
from swathe.draft.tables import KeyDraft, TableDraft
from swathe.report.styles import MOTION_CAUTION

if TYPE_CHECKING:
    from swathe_simulators import Scenario

__all__ = ["motion_tables"]

# From the ends of its travel, where it crashes, mm.
_ROOM = 10.0


def motion_tables(scenario: Scenario, ports: str) -> list[TableDraft]:
    """Return ``[motion]`` with what belongs to it; nothing where no crawler is commanded.

    Args:
        scenario: whose crawler it is.
        ports: folder of the links to the pseudo-terminals.
    """
    motion = scenario.motion
    if motion.kind != "commanded":
        return []
    motion_port = [KeyDraft("port", simulated_address(motion.port, motion.name, ports))]
    if motion.port.baud is not None:
        motion_port.append(KeyDraft("baud", motion.port.baud))
    word = motion.index_word
    degrees = []
    if motion.index_units_per_mm != 1:
        degrees = [KeyDraft("scale", motion.index_units_per_mm, "the machine's number for a mm")]
    return [
        TableDraft(
            "motion",
            (
                KeyDraft("driver", "gcode", "or text, registers"),
                *motion_port,
                KeyDraft(
                    "arm_allowed", True, "simulated; of a real one false unless the site allows"
                ),
            ),
            f"CAUTION: {MOTION_CAUTION}\n"
            "Nothing moves without `run --arm`, or the word 'arm' typed at this machine; see "
            "`swathe plan` first.",
        ),
        TableDraft(
            "motion.protocol",
            (
                KeyDraft("arm", ("G21", "G90", "M17"), "mm, absolute, drives on"),
                KeyDraft("disarm", ("M18",), "drives off"),
                KeyDraft("query", "?", "where it is"),
                KeyDraft("query_is_line", False, "sent without a line end"),
                KeyDraft("stop", "!"),
                KeyDraft("answers", {"homed": f"homed (?:(?P<scan>X)|(?P<index>{word}))"}),
            ),
        ),
        TableDraft(
            "motion.protocol.axes.scan",
            (
                KeyDraft("word", "X"),
                KeyDraft(
                    "min_mm", motion.scan_limits_mm[0] + _ROOM, "short of the ends of the rails"
                ),
                KeyDraft("max_mm", motion.scan_limits_mm[1] - _ROOM),
                KeyDraft("speed_mm_per_s", motion.speed_mm_per_s, "the highest"),
                KeyDraft("acceleration_mm_per_s2", motion.acceleration_mm_per_s2),
            ),
            "No move leaves these, whatever the plan says.",
        ),
        TableDraft(
            "motion.protocol.axes.index",
            (
                KeyDraft("word", word),
                KeyDraft("min_mm", motion.index_limits_mm[0] + _ROOM),
                KeyDraft("max_mm", motion.index_limits_mm[1] - _ROOM),
                KeyDraft("speed_mm_per_s", motion.index_speed_mm_per_s),
                KeyDraft("acceleration_mm_per_s2", motion.index_acceleration_mm_per_s2),
                *degrees,
            ),
        ),
        TableDraft(
            "motion.plan",
            (
                KeyDraft(
                    "reading_rate",
                    readings_each(gauge_of_scenario(scenario)),
                    'readings/s: the speed follows; or speed = "80 mm/s"',
                ),
                KeyDraft("clearance", "3 mm", "from an excluded zone to the probe's centre"),
            ),
        ),
        TableDraft(
            "motion.guard",
            (
                KeyDraft("disagreement", "3 mm", "by which motor and encoder may differ, at rest"),
                KeyDraft("first_move", "10 mm", "of each axis before the raster, short and slow"),
                KeyDraft(
                    "encoder_silence", "500 ms", "that the encoder may be silent while driven"
                ),
                KeyDraft("when_stopped", "end", "or wait: for a person, who presses g"),
                KeyDraft(
                    "recoveries", 1000, "simulated: it resumes by itself; 0 on a real crawler"
                ),
            ),
            "What stops it at once.",
        ),
        TableDraft(
            "motion.homing",
            (
                KeyDraft("axes", ("index", "scan"), "in this order; keep the path clear"),
                KeyDraft("sets_encoder", True, "the encoder's position is set at the reference"),
            ),
        ),
        TableDraft(
            "motion.retry",
            (
                KeyDraft("tries", 3, "passes over one gap, each 0.6 times as fast"),
                KeyDraft(
                    "resumptions", 1000, "after a command without an answer; few on a real one"
                ),
            ),
        ),
    ]
