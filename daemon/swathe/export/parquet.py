"""Parquet: every reading with its place, or why it has none."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from swathe.export.reading_columns import READING_COLUMNS, reading_columns
from swathe.export.readings import ReadingParts, fate_name
from swathe.export.source import ExportSource, require
from swathe.object_storage import files_of
from swathe.pipeline import ReadingFate
from swathe.reading_flags import flag_attributes
from swathe.store import read_digests

__all__ = ["write_readings"]

_FLAGS = flag_attributes()


def write_readings(
    source: ExportSource, path: Path, *, on_progress: Callable[[float], None] | None = None
) -> None:
    """Write all readings in the order in which they arrived, from a replay of the journal.

    Memory is that of the replay and of some 300,000 readings. Readings of a survey whose arrays were
    rebuilt with options are those without: the file states it.

    Args:
        source: the survey.
        path: a file that is there, and is written over.
        on_progress: called at intervals with the share that is done, 0 to 1.

    Raises:
        JournalError: the journal cannot be read.
        SwatheError: a package of the extra ``export`` is missing.
    """
    require("pyarrow")
    import pyarrow as pa
    import pyarrow.parquet

    types = {"words": pa.dictionary(pa.int8(), pa.string()), "time": pa.timestamp("ns", tz="UTC")}
    fields = [
        pa.field(name, types.get(kind) or pa.type_for_alias(kind)).with_metadata(
            {"unit": unit, "description": text}
        )
        for name, (kind, unit, text) in READING_COLUMNS.items()
    ]
    schema = pa.schema(fields)
    parts = ReadingParts(source.folder)
    words = pa.array([fate_name(fate) for fate in ReadingFate])
    counts = np.zeros(len(ReadingFate), np.int64)
    with pyarrow.parquet.ParquetWriter(path, schema, compression="zstd") as writer:
        for part in parts:
            counts += np.bincount(part["fate"], minlength=counts.size)
            arrays = []
            for name, (values, known) in reading_columns(part, parts.shape).items():
                mask = None if known is None else ~known
                if name == "place":
                    made = pa.DictionaryArray.from_arrays(pa.array(values), words)
                elif name == "time":
                    made = pa.array(values, pa.int64()).cast(types["time"])
                else:
                    made = pa.array(values, mask=mask)
                arrays.append(made)
            writer.write_batch(pa.record_batch(arrays, schema=schema))
            if on_progress is not None:
                on_progress(parts.share)
        writer.add_key_value_metadata(_stated(source, counts, parts))


def _stated(source: ExportSource, counts: NDArray[np.int64], parts: ReadingParts) -> dict[str, str]:
    """Return what the file states of the survey and of itself."""
    readings = {fate_name(fate): int(counts[fate]) for fate in ReadingFate if counts[fate]}
    stated = source.about()
    stated["readings"] = json.dumps(readings)
    stated["not_in_the_file"] = (
        f"{parts.without_time} records without a time (a device's clock that stood still); damaged "
        "lines; what came with the last entry of a run that was killed"
    )
    stated["grid_rows"], stated["grid_columns"] = (str(count) for count in parts.shape)
    stated["flag_masks"] = json.dumps(_FLAGS["flag_masks"])
    stated["flag_meanings"] = _FLAGS["flag_meanings"]
    if options := read_digests(files_of(source.folder.path)).options:
        stated["arrays_differ"] = (
            f"the survey's arrays were rebuilt with {options}; these readings are those without"
        )
    return {f"survey_{name}": text for name, text in stated.items()}
