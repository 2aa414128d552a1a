"""The survey folder: files derived from the journal, for any reader."""

from swathe.store.attributes import run_attributes, survey_attributes
from swathe.store.checkpoint import Checkpoint, CheckpointFile, CheckpointUnusableError
from swathe.store.dataset import dataset_of, open_dataset
from swathe.store.delays import measured_delays
from swathe.store.endings import ending_text, is_dead
from swathe.store.finding import surveys_below
from swathe.store.folder import SurveyFolder, changes_since, check_same_survey, zones_since
from swathe.store.frozen import Frozen, freeze
from swathe.store.minimum_summary import MinimumSummary
from swathe.store.quality import UncertaintySummary
from swathe.store.rebuild import write_all, write_derived
from swathe.store.record import (
    SlipRecord,
    SurveyRecord,
    ZoneRecord,
    read_survey_record,
    record_of,
    write_survey_record,
)
from swathe.store.replaying import feed_journal, replay
from swathe.store.revisions import revisions_in_force
from swathe.store.setup_record import GatesRecord, SensitivityRecord
from swathe.store.zarr_store import LAYERS, SurveyArrays

__all__ = [
    "LAYERS",
    "Checkpoint",
    "CheckpointFile",
    "CheckpointUnusableError",
    "Frozen",
    "GatesRecord",
    "MinimumSummary",
    "SensitivityRecord",
    "SlipRecord",
    "SurveyArrays",
    "SurveyFolder",
    "SurveyRecord",
    "UncertaintySummary",
    "ZoneRecord",
    "changes_since",
    "check_same_survey",
    "dataset_of",
    "ending_text",
    "feed_journal",
    "freeze",
    "is_dead",
    "measured_delays",
    "open_dataset",
    "read_survey_record",
    "record_of",
    "replay",
    "revisions_in_force",
    "run_attributes",
    "survey_attributes",
    "surveys_below",
    "write_all",
    "write_derived",
    "write_survey_record",
    "zones_since",
]
