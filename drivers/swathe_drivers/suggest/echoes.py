"""Requests that a polled device sends back before it answers."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from swathe_drivers.suggest.findings import Basis, Finding, OpenQuestion, Suggestion

__all__ = ["has_check", "may_be_its_own", "own_or_cut", "without_echoes"]

_FEWEST: Final = 8
_SHORTEST: Final = 2


def without_echoes(
    chunks: Sequence[tuple[int, bytes]], requests: Sequence[bytes]
) -> tuple[list[tuple[int, bytes]], bool]:
    """Return chunks without the requests that were sent back, and whether there were any.

    A request of one byte is looked for at the beginning of chunks only, as it may be part of an answer.

    Args:
        chunks: time of arrival, ns, and bytes of each.
        requests: what was sent again and again.
    """
    data = b"".join(piece for _, piece in chunks)
    dropped = bytearray(len(data))
    found = False
    for request in requests:
        places = _places(data, chunks, request)
        if len(places) < _FEWEST or len(places) * len(request) < 0.01 * len(data):
            continue
        found = True
        for at in places:
            dropped[at : at + len(request)] = b"\1" * len(request)
    if not found:
        return list(chunks), False
    kept = []
    at = 0
    for time, piece in chunks:
        left = bytes(
            b for b, gone in zip(piece, dropped[at : at + len(piece)], strict=True) if not gone
        )
        at += len(piece)
        if left:
            kept.append((time, left))
    return kept, True


def may_be_its_own(requests: Sequence[bytes]) -> bool:
    """Return whether an answer may begin with what was sent though nothing is echoed.

    Many a device begins its answers with the command they are to; with the end of its line it does not.
    """
    return not all(request.endswith((b"\r", b"\n")) for request in requests)


def has_check(found: Suggestion) -> bool:
    """Return whether a good description was found in which a checksum fits."""
    return found.good and any(
        one.about == "checksum" and one.what != "none" and one.basis is Basis.SHOWN
        for one in found.findings
    )


def own_or_cut(own: Suggestion, cut: Suggestion) -> tuple[Suggestion, bool]:
    """Choose whether what answers begin with is their own or an echo, and say so.

    Args:
        own: what was found in the answers as they came, without a checksum.
        cut: what was found without that which was sent.

    Returns:
        The description, and whether there are echoes.
    """
    if has_check(cut):
        why = "answers begin with what was sent, and the checksum fits without it only"
        finding = Finding("echo", "true", Basis.LIKELY, why)
        return replace(cut, findings=(finding, *cut.findings)), True
    merits = [(bool(one.text), one.good, not one.unmet, not one.guessed) for one in (own, cut)]
    chosen, echoed = (cut, True) if merits[1] > merits[0] else (own, False)
    why = "answers begin with what was sent, which may as well be their own; no checksum tells"
    finding = Finding("echo", str(echoed).lower(), Basis.GUESS, why)
    text = "Does the device send each command back, or do its answers begin with it?"
    question = OpenQuestion(text, "see the manual: 'echo' under [talk]")
    chosen = replace(
        chosen, findings=(finding, *chosen.findings), questions=(*chosen.questions, question)
    )
    return chosen, echoed


def _places(data: bytes, chunks: Sequence[tuple[int, bytes]], request: bytes) -> list[int]:
    if len(request) < _SHORTEST:
        starts, at = [], 0
        for _, piece in chunks:
            if piece.startswith(request):
                starts.append(at)
            at += len(piece)
        return starts if len(starts) >= 0.9 * len(chunks) else []
    places = []
    at = data.find(request)
    while at >= 0:
        places.append(at)
        at = data.find(request, at + len(request))
    return places
