"""From captured bytes to proposed descriptions; no input or output.

Nothing here knows any device. Ways to cut the bytes into records, checksums, divisions into fields and roles of
these are searched, and compared by how much of the bytes they explain. Each finding says what it rests on,
and each description is tried with its own driver on the capture before it is proposed.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from swathe_drivers.suggest.binary import suggest_binary
from swathe_drivers.suggest.echoes import has_check, may_be_its_own, own_or_cut, without_echoes
from swathe_drivers.suggest.findings import Basis, Finding, OpenQuestion, Suggestion
from swathe_drivers.suggest.hints import Hints, Shown, parse_shown
from swathe_drivers.suggest.lines import is_text
from swathe_drivers.suggest.text import suggest_text
from swathe_drivers.suggest.trial import tried
from swathe_drivers.suggest.writing import with_talk
from swathe_drivers.talk.settings import to_bytes

__all__ = [
    "MAX_CAPTURED_BYTES",
    "Basis",
    "Finding",
    "Hints",
    "OpenQuestion",
    "Shown",
    "Suggestion",
    "parse_shown",
    "suggest",
]

MAX_CAPTURED_BYTES: Final = 1 << 20
"""No more than so many of the first bytes are looked at."""

_PARITY: Final = 0.98  # of the bytes
_MOST_OTHERS: Final = 3
_MOST_FINDINGS: Final = 4
_MOST_TROUBLE: Final = 0.3
_MORE_READINGS: Final = 1.02
_GIVEN: Final = frozenset({"thickness", "time_of_flight", "amplitude", "counts", "position"})


def suggest(
    chunks: Sequence[tuple[int, bytes]],
    *,
    port: Mapping[str, Any] | None = None,
    talk: Mapping[str, Any] | None = None,
    ns_per_byte: int = 0,
    hints: Hints | None = None,
) -> Suggestion:
    """Propose a description for what a port sent.

    Args:
        chunks: time of arrival on the host's monotonic clock, ns, and bytes of each chunk.
        port: what is known of the line (`baud` and the like), for the description.
        talk: what was sent to the device meanwhile, as under `[talk]`, for the description.
        ns_per_byte: time that one byte takes on the line, ns; 0 when unknown.
        hints: what is known beforehand.

    Returns:
        The description that explains most, with the next best in `others`; or an empty text and what
        was found so far. Raises nothing, whatever the bytes are.
    """
    known = hints or Hints()
    requests = [to_bytes(str(poll["send"])) for poll in (talk or {}).get("poll", ())]
    bare, echoed = without_echoes(chunks, requests)
    if echoed and may_be_its_own(requests):
        own = _suggested(chunks, dict(port or {}), ns_per_byte, known)
        if not has_check(own):
            cut = _suggested(bare, dict(port or {}), ns_per_byte, known)
            own, echoed = own_or_cut(own, cut)
        else:
            echoed = False
        best = own
    else:
        best = _suggested(bare, dict(port or {}), ns_per_byte, known)
    if not talk:
        return best
    talk = {**talk, "echo": True} if echoed else talk
    others = [replace(one, text=with_talk(one.text, talk)) for one in best.others]
    text = with_talk(best.text, talk) if best.text else ""
    return replace(best, text=text, others=tuple(others))


def _suggested(
    chunks: Sequence[tuple[int, bytes]], line: dict[str, Any], ns_per_byte: int, known: Hints
) -> Suggestion:
    """Return the best description of the bytes."""
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
        return Suggestion("", (Finding("bytes", "none", Basis.SHOWN, why),))
    if is_text(whole):
        found = suggest_text(used, port=line, ns_per_byte=ns_per_byte, hints=known)
        return _best(found, used, ns_per_byte, known)
    parity = _parity_of(whole)
    if parity is None:
        found = suggest_binary(used, port=line, hints=known)
        if _may_be_text(whole):
            found += suggest_text(used, port=line, ns_per_byte=ns_per_byte, hints=known)
        return _best(found, used, ns_per_byte, known)
    masked = [(time, bytes(byte & 0x7F for byte in data)) for time, data in used]
    line |= {"bytesize": 7, "parity": parity}
    best = _best(
        suggest_text(masked, port=line, ns_per_byte=ns_per_byte, hints=known),
        masked,
        ns_per_byte,
        known,
    )
    why = "without its highest bit it is text: capture again with this description"
    finding = Finding("line", f"7 bits, {parity} parity", Basis.LIKELY, why)
    return replace(best, findings=(finding, *best.findings))


def _may_be_text(data: bytes) -> bool:
    """Most bytes are text; the others may be checks behind lines."""
    printable = sum(0x20 <= byte < 0x7F for byte in data)
    return printable > 0.6 * len(data)


def _best(
    found: Sequence[Suggestion],
    chunks: Sequence[tuple[int, bytes]],
    ns_per_byte: int,
    hints: Hints,
) -> Suggestion:
    """The best of the suggestions by their trials, with the next ones."""
    if not found:
        why = (
            "no bytes come again and again at equal distances, between two marks, or behind their length:"
            " a wrong baud rate or parity, or A-scans without a frame?"
        )
        return Suggestion("", (Finding("frames", "not found", Basis.LIKELY, why),))
    ranked = sorted(
        (tried(one, chunks, ns_per_byte, hints) for one in found), key=lambda one: -one.rank
    )
    usable = [one for one in ranked if one.text]
    if not usable:
        return ranked[0]
    best = usable[0]
    usable = sorted(usable, key=lambda one: not _reads_more(one, best))  # else the best stays first
    others = tuple(one for one in usable[1:] if one.text != usable[0].text and _is_good(one))[
        :_MOST_OTHERS
    ]
    if _is_nonsense(usable[0]):
        why = "what comes nearest gives faults rather than records: no driver has this format, or the capture is damaged"
        nothing = Finding("description", "nothing found", Basis.LIKELY, why)
        return Suggestion(
            "", (*usable[0].findings[:_MOST_FINDINGS], usable[0].findings[-1], nothing)
        )
    return replace(usable[0], others=others)


def _reads_more(one: Suggestion, best: Suggestion) -> bool:
    """Whether a description reads more values than the best, and all that it gives: none is passed over."""
    if not _is_good(one) or one.trouble > best.trouble or len(one.unmet) > len(best.unmet):
        return False
    more = one.readings > _MORE_READINGS * best.readings > 0
    return more and _given(one) >= _given(best)


def _given(one: Suggestion) -> frozenset[str]:
    return frozenset(re.findall(r'^\s*[^#\s].*\bis = "(\w+)"', one.text, re.MULTILINE)) & _GIVEN


def _is_nonsense(one: Suggestion) -> bool:
    """The trial has so many faults that the description is no description of these bytes."""
    return one.trouble > _MOST_TROUBLE


def _is_good(one: Suggestion) -> bool:
    return one.good


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
