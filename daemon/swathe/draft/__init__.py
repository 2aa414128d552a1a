"""New station files: from a few answers, or from a simulated scenario, to a commented TOML text."""

from swathe.draft.files import refuse_existing, write_station_files
from swathe.draft.own import description_files, encoded_axes, needed_scales, own_tables
from swathe.draft.own_devices import LISTEN, DeviceWish, OwnDevice, own_device, sources_text
from swathe.draft.port_trial import PortTrial, described_in_words, try_port
from swathe.draft.simulated import SimulatedDraft, simulated_draft
from swathe.draft.tables import KeyDraft, TableDraft, station_file_text
from swathe.draft.wishes import PlanWishes

__all__ = [
    "LISTEN",
    "DeviceWish",
    "KeyDraft",
    "OwnDevice",
    "PlanWishes",
    "PortTrial",
    "SimulatedDraft",
    "TableDraft",
    "described_in_words",
    "description_files",
    "encoded_axes",
    "needed_scales",
    "own_device",
    "own_tables",
    "refuse_existing",
    "simulated_draft",
    "sources_text",
    "station_file_text",
    "try_port",
    "write_station_files",
]
