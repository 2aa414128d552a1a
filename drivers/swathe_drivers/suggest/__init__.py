"""From captured bytes to a proposed description; no input or output.

Nothing here knows any device. It examines which bytes recur and how those between them change with time. Each finding states
how sure it is and why, as a proposal that people compare with the manual.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from swathe_drivers.description import DescriptionError, parse_description
from swathe_drivers.suggest.binary import suggest_binary
from swathe_drivers.suggest.findings import SURE, Finding, Suggestion
from swathe_drivers.suggest.lines import is_text
from swathe_drivers.suggest.text import suggest_text

__all__ = ["MAX_CAPTURED_BYTES", "SURE", "Finding", "Suggestion", "suggest"]

MAX_CAPTURED_BYTES: Final = 1 << 20
"""No more than so many of the first bytes are looked at."""

_PARITY: Final = 0.98  # of the bytes


def suggest(
    chunks: Sequence[tuple[int, bytes]],
    *,
    port: Mapping[str, Any] | None = None,
    ns_per_byte: int = 0,
) -> Suggestion:
    """Propose a description for what a port sent.

    Args:
        chunks: time of arrival on the host's monotonic clock, ns, and bytes of each chunk.
        port: what is known of the line (`baud` and the like), for the description.
        ns_per_byte: time that one byte takes on the line, ns; 0 when unknown.

    Returns:
        A description that loads and decodes these bytes, or an empty text and what was found
        so far. Raises nothing, whatever the bytes are.
    """
    line = dict(port or {})
    used: list[tuple[int, bytes]] = []
    total = 0
    for time, data in chunks:
        if total + len(data) > MAX_CAPTURED_BYTES:
            break
        used.append((time, data))
        total += len(data)
    whole = b"".join(data for _, data in used)
    if not whole:
        why = "there are no bytes: is the device on, does it send unasked?"
        return Suggestion("", (Finding("bytes", "none", 1.0, why),))
    if is_text(whole):
        return _tried(suggest_text(used, port=line, ns_per_byte=ns_per_byte), used)
    parity = _parity_of(whole)
    if parity is None:
        return _tried(suggest_binary(used, port=line), used)
    masked = [(time, bytes(byte & 0x7F for byte in data)) for time, data in used]
    line |= {"bytesize": 7, "parity": parity}
    found = suggest_text(masked, port=line, ns_per_byte=ns_per_byte)
    why = "without its highest bit it is text: capture again with this description"
    finding = Finding("line", f"7 bits, {parity} parity", 0.9, why)
    return Suggestion(found.text, (finding, *found.findings))


def _parity_of(data: bytes) -> str | None:
    """The parity in the highest bit of bytes that are text without it."""
    high = sum(byte > 0x7F for byte in data)
    if high < 0.1 * len(data) or not is_text(bytes(byte & 0x7F for byte in data)):
        return None
    odd = sum(byte.bit_count() & 1 for byte in data)
    if odd >= _PARITY * len(data):
        return "odd"
    if odd <= (1 - _PARITY) * len(data):
        return "even"
    return "mark" if high >= _PARITY * len(data) else None


def _tried(found: Suggestion, chunks: Sequence[tuple[int, bytes]]) -> Suggestion:
    """Return the suggestion with a finding on how its description decodes the capture.

    A text that doesn't load is a mistake of this package; it is not returned.
    """
    if not found.text:
        return found
    try:
        decoder = parse_description(found.text, "proposed description").decoder(ns_per_byte=0)
    except DescriptionError as error:
        why = f"what was found contradicts itself: {error}"
        contradiction = Finding("description", "none", 1.0, why)
        return Suggestion("", (*found.findings, contradiction))
    batch = decoder.feed_chunks(chunks)
    records = max(batch.readings.size, batch.positions.size)
    faults = Counter({str(reason): number for reason, number in batch.n_faults.items()})
    count = faults.total()
    reasons = ", ".join(f"{number} {reason}" for reason, number in sorted(faults.items()))
    what = f"{records} records, {batch.n_ignored} lines ignored, {count} faults"
    why = "the capture it came from, decoded with it"
    if reasons:
        why += f" ({reasons}; the first line is as a rule only half there)"
    good = records > 0 and count <= 1 + 0.02 * records
    return replace(
        found, findings=(*found.findings, Finding("trial", what, 0.95 if good else 0.3, why))
    )
