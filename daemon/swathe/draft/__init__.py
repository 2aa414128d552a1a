"""New station files: from a few answers, or from a simulated scenario, to a commented TOML text."""

from swathe.draft.files import refuse_existing, write_station_files
from swathe.draft.simulated import SimulatedDraft, simulated_draft
from swathe.draft.tables import KeyDraft, TableDraft, station_file_text
from swathe.draft.wishes import PlanWishes

__all__ = [
    "KeyDraft",
    "PlanWishes",
    "SimulatedDraft",
    "TableDraft",
    "refuse_existing",
    "simulated_draft",
    "station_file_text",
    "write_station_files",
]
