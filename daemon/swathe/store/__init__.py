"""The survey folder: files derived from the journal, for any reader."""

from swathe.store.advice import REBUILD, advice
from swathe.store.aside import set_aside, set_metadata_aside
from swathe.store.attributes import run_attributes, survey_attributes
from swathe.store.checking import SurveyCheck, check_survey
from swathe.store.checkpoint import Checkpoint, CheckpointFile, CheckpointUnusableError
from swathe.store.damage_record import DamageRecord, damage_since
from swathe.store.dataset import dataset_from, dataset_of, open_dataset
from swathe.store.delays import measured_delays
from swathe.store.digest_log import DigestLog
from swathe.store.digests import Digests, FileFault, FileFaultKind, read_digests
from swathe.store.endings import LastRun, ending_text, last_entry_time, last_run
from swathe.store.finding import surveys_below
from swathe.store.folder import SurveyFolder, changes_since, check_same_survey, zones_since
from swathe.store.frozen import Frozen, freeze
from swathe.store.layers import COORDINATES, LAYERS
from swathe.store.manifest import manifest_text, sign_manifest, write_manifest
from swathe.store.minimum_summary import MinimumSummary
from swathe.store.quality import UncertaintySummary
from swathe.store.rebuild import write_all, write_derived
from swathe.store.record import (
    SlipRecord,
    SurveyRecord,
    ZoneRecord,
    read_survey_record,
    record_bytes,
    record_of,
    write_survey_record,
)
from swathe.store.record_text import RecordText
from swathe.store.repair import repair_survey
from swathe.store.replaying import feed_journal, replay, replay_in_parts
from swathe.store.revisions import revisions_in_force
from swathe.store.setup_record import GatesRecord, SensitivityRecord
from swathe.store.verified import (
    VerifiedRecord,
    derived_faults,
    open_arrays,
    read_verified_record,
    unverified_reason,
)
from swathe.store.zarr_store import SurveyArrays

__all__ = [
    "COORDINATES",
    "LAYERS",
    "REBUILD",
    "Checkpoint",
    "CheckpointFile",
    "CheckpointUnusableError",
    "DamageRecord",
    "DigestLog",
    "Digests",
    "FileFault",
    "FileFaultKind",
    "Frozen",
    "GatesRecord",
    "LastRun",
    "MinimumSummary",
    "RecordText",
    "SensitivityRecord",
    "SlipRecord",
    "SurveyArrays",
    "SurveyCheck",
    "SurveyFolder",
    "SurveyRecord",
    "UncertaintySummary",
    "VerifiedRecord",
    "ZoneRecord",
    "advice",
    "changes_since",
    "check_same_survey",
    "check_survey",
    "damage_since",
    "dataset_from",
    "dataset_of",
    "derived_faults",
    "ending_text",
    "feed_journal",
    "freeze",
    "last_entry_time",
    "last_run",
    "manifest_text",
    "measured_delays",
    "open_arrays",
    "open_dataset",
    "read_digests",
    "read_survey_record",
    "read_verified_record",
    "record_bytes",
    "record_of",
    "repair_survey",
    "replay",
    "replay_in_parts",
    "revisions_in_force",
    "run_attributes",
    "set_aside",
    "set_metadata_aside",
    "sign_manifest",
    "survey_attributes",
    "surveys_below",
    "unverified_reason",
    "write_all",
    "write_derived",
    "write_manifest",
    "write_survey_record",
    "zones_since",
]
