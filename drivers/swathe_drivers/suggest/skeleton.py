"""Lines as numbers and words with texts between that stay the same, some parts left out now and then."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Final

__all__ = ["Skeleton", "skeletons_of"]

_SIGNED: Final = (
    r"[+-]?[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]{1,3}(?![0-9A-Za-z])|[+-](?![0-9A-Za-z.+-]))?"
    r"|[+-]?-+\.-+|[+-]?-{2,}"
)
"""A number, perhaps with an exponent or its sign behind it, or dashes in its place."""
_TOKEN: Final = re.compile(rf"{_SIGNED}|[A-Za-z]+| +|[^A-Za-z0-9 ]", re.DOTALL)
_NUMBER: Final = re.compile(_SIGNED)
_NUMBERS: Final = "\0number"
_WORDS: Final = "\0word"
_EITHER: Final = "\0number or word"
_EXPONENT: Final = re.compile(r"[0-9][eE][+-]?[0-9]{1,3}(?![0-9A-Za-z])")
_MOST_ELEMENTS: Final = 40
_LEAST_SHARE: Final = 0.003
_MOST_KINDS: Final = 3


@dataclass(frozen=True, slots=True)
class Skeleton:
    """One kind of line.

    Attributes:
        pattern: a regular expression with a group `c1`, `c2`, ... for each number and word that changes.
        rows: texts of the groups, empty where one takes no part.
        places: number of each line among all of them.
    """

    pattern: str
    rows: list[list[str]]
    places: list[int]


def skeletons_of(lines: Sequence[str]) -> list[Skeleton]:
    """Return the kinds of lines by what is between their numbers, those with most bytes first."""
    started = sum("\x02" in line[:4] for line in lines) > 0.9 * len(lines)
    bodies = [line.rpartition("\x02")[2] for line in lines] if started else list(lines)
    split = [_TOKEN.findall(body) for body in bodies]
    texts = Counter(token for tokens in split for token in set(tokens))
    often = max(3.0, _LEAST_SHARE * len(lines))
    words = {token for token, n in texts.items() if n >= often and token.isalpha()}
    # A word that has rivals at its place is one that changes.
    signatures = [tuple(_sign(token, words) for token in tokens) for tokens in split]
    found: list[Skeleton] = []
    taken: set[tuple[str, ...]] = set()
    counts = Counter(signatures)
    for signature, _ in counts.most_common(12):
        if len(found) == _MOST_KINDS or signature in taken or len(signature) > _MOST_ELEMENTS:
            continue
        if _NUMBERS not in signature:
            continue
        exponents = any(_EXPONENT.search(body) for body in bodies[:50])
        elements, absorbed = _with_optional(signature, counts, len(lines), taken)
        taken |= absorbed
        pattern = _pattern(elements, started=started)
        if exponents:
            pattern = pattern.replace("[-+.0-9]+", "[-+.0-9eE]+")
        whole = re.compile(pattern.encode("latin-1"))
        rows, places = [], []
        for at, line in enumerate(lines):
            match = whole.fullmatch(line.encode("latin-1"))
            if match is not None:
                rows.append([(one or b"").decode("latin-1") for one in match.groups()])
                places.append(at)
        if len(rows) >= 8:
            found.append(Skeleton(pattern, rows, places))
    return found


def _sign(token: str, words: set[str]) -> str:
    if _NUMBER.fullmatch(token):
        return _NUMBERS
    if token.isalpha():
        return token if token in words else _WORDS
    return " " if token.isspace() else token


def _with_optional(
    signature: tuple[str, ...],
    counts: Counter[tuple[str, ...]],
    lines: int,
    taken: set[tuple[str, ...]],
) -> tuple[list[tuple[list[str], bool]], set[tuple[str, ...]]]:
    """Parts of a line in their order, each with whether it may be left out; and what they cover."""
    elements = list(signature)
    optional = [0] * len(elements)  # number of the block that may be left out
    blocks = 0
    absorbed = {signature}
    for other, number in counts.most_common(16):
        if other in taken or other == signature or number < max(3.0, _LEAST_SHARE * lines):
            continue
        codes = _shifted(elements, list(other))
        kinds = {code for code, *_ in codes}
        changed = sum(
            1
            if code == "replace" and _either(elements[a1:a2], other[b1:b2])
            else max(a2 - a1, b2 - b1)
            for code, a1, a2, b1, b2 in codes
            if code != "equal"
        )
        if changed > 0.5 * len(elements) or not kinds <= {"equal", "insert", "delete", "replace"}:
            continue
        if any(
            code == "replace"
            and not _words_only([*elements[a1:a2], *other[b1:b2]])
            and not _either(elements[a1:a2], other[b1:b2])
            for code, a1, a2, b1, b2 in codes
        ):
            continue
        merged: list[str] = []
        marks: list[int] = []
        for code, a1, a2, b1, b2 in codes:
            if code == "insert":
                blocks += 1
                merged += other[b1:b2]
                marks += [blocks] * (b2 - b1)
                continue
            if code == "replace" and _either(elements[a1:a2], other[b1:b2]):
                # A word in place of a number, and of the unit behind it.
                blocks += 1
                merged += [_EITHER, *elements[a1 + 1 : a2]]
                marks += [optional[a1]] + [blocks] * (a2 - a1 - 1)
                continue
            if code == "replace":
                merged += [_WORDS] * (a2 - a1)
                marks += optional[a1:a2]
                continue
            if code == "delete":
                blocks += 1
            merged += elements[a1:a2]
            marks += [blocks] * (a2 - a1) if code == "delete" else optional[a1:a2]
        elements, optional = merged, marks
        absorbed.add(other)
    parts: list[tuple[list[str], bool]] = []
    for at, element in enumerate(elements):
        if at and optional[at] == optional[at - 1]:
            parts[-1][0].append(element)
        else:
            parts.append(([element], optional[at] > 0))
    return parts, absorbed


def _shifted(one: list[str], two: list[str]) -> list[tuple[str, int, int, int, int]]:
    """How one becomes the other, where what is left out begins with a text rather than a number."""
    codes = [list(code) for code in SequenceMatcher(a=one, b=two, autojunk=False).get_opcodes()]
    for before, code, after in zip(codes, codes[1:], codes[2:], strict=False):
        if before[0] != "equal" or after[0] != "equal":
            continue
        first, last, source = (1, 2, one) if code[0] == "delete" else (3, 4, two)
        if code[0] not in ("delete", "insert"):
            continue
        start, end = int(code[first]), int(code[last])
        if source[start] == _NUMBERS and end < len(source) and source[end] == _NUMBERS:
            for part, places in ((before, (2, 4)), (code, (1, 2, 3, 4)), (after, (1, 3))):
                for place in places:
                    part[place] = int(part[place]) + 1
    return [
        (str(code), int(a1), int(a2), int(b1), int(b2))
        for code, a1, a2, b1, b2 in codes
        if int(a2) > int(a1) or int(b2) > int(b1)
    ]


def _either(one: Sequence[str], two: Sequence[str]) -> bool:
    """A number, perhaps with its unit, and a word in its place."""
    if one[0] not in (_NUMBERS, _EITHER) or len(two) != 1 or not _words_only(two):
        return False
    return all(part == " " or part.isalpha() or part == "%" for part in one[1:])


def _words_only(elements: Sequence[str]) -> bool:
    return all(one == _WORDS or one.isalpha() for one in elements)


def _pattern(parts: Sequence[tuple[list[str], bool]], *, started: bool) -> str:
    out = r".{0,3}\x02" if started else ""
    number = 0
    for elements, optional in parts:
        inner = ""
        for element in elements:
            if element == _NUMBERS:
                number += 1
                inner += rf"(?P<c{number}>[-+.0-9]+)"
            elif element == _EITHER:
                number += 1
                inner += rf"(?P<c{number}>[-+.0-9]+|[A-Za-z]+)"
            elif element == _WORDS:
                number += 1
                inner += rf"(?P<c{number}>[A-Za-z]+)"
            elif element == " ":
                inner += " +"
            else:
                inner += re.sub(r"([^A-Za-z0-9])", r"\\\1", element)
        out += f"(?:{inner})?" if optional else inner
    return out
