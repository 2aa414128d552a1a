"""A proposed description put to the test: it decodes the bytes that it came from."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from swathe_drivers.description import DescriptionError, parse_description
from swathe_drivers.suggest.findings import Finding, Suggestion


def tried(found: Suggestion, chunks: Sequence[tuple[int, bytes]]) -> Suggestion:
    """The suggestion, and what came of decoding the capture with it.

    A text that doesn't load is a mistake of this package; it is not handed out.
    """
    if not found.text:
        return found
    try:
        decoder = parse_description(found.text, "proposed description").decoder(ns_per_byte=0)
    except DescriptionError as error:
        why = f"what was found contradicts itself: {error}"
        doubt = Finding("description", "none", 1.0, why)
        return Suggestion("", (*found.findings, doubt))
    batch = decoder.feed_chunks(chunks)
    records = max(batch.readings.size, batch.positions.size)
    faults = Counter({str(reason): number for reason, number in batch.n_faults.items()})
    count = faults.total()
    told = ", ".join(f"{number} {reason}" for reason, number in sorted(faults.items()))
    what = f"{records} records, {batch.n_ignored} lines ignored, {count} faults"
    why = "the capture it came from, decoded with it"
    if told:
        why += f" ({told}; the first line is as a rule only half there)"
    good = records > 0 and count <= 1 + 0.02 * records
    return replace(
        found, findings=(*found.findings, Finding("trial", what, 0.95 if good else 0.3, why))
    )
