"""Patterns of settings files: bounded time whatever pattern and line are, and Python's meaning.

Python's `re`, which is another matcher, is the reference for what a pattern means. Known patterns that
backtrack catastrophically are from OWASP, "Regular expression Denial of Service - ReDoS", from
R. Cox, "Regular Expression Matching Can Be Simple And Fast" (2007), and from J. Graham-Cumming,
"Details of the Cloudflare outage on July 2, 2019".
"""

from __future__ import annotations

import pickle
import re
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from swathe_drivers.errors import SettingsError
from swathe_drivers.lines import PatternDriver, PatternSettings
from swathe_drivers.motion.gcode import GCodeSettings
from swathe_drivers.motion.text import TextSettings
from swathe_drivers.patterns import MAX_SIZE, MAX_WORK, LinePattern, PatternError
from swathe_drivers.records import FaultReason
from swathe_drivers.settings import read_settings

LONGEST = 4096

CATASTROPHIC = [
    r"(a+)+",  # OWASP
    r"([a-zA-Z]+)*",
    r"(a|aa)+",
    r"(a|a?)+",
    r"(.*a){11}",
    r"(.*a){50}",
    r"^(([a-z])+.)+[A-Z]([a-z])+$",  # OWASP: the name of a Java class
    r"^([a-zA-Z0-9])(([\-.]|[_]+)?([a-zA-Z0-9]+))*(@){1}[a-z0-9]+[.]{1}(([a-z]{2,3})|([a-z]{2,3}[.]{1}[a-z]{2,3}))$",
    "a?" * 40 + "a" * 40,  # Cox
    r".*.*=.*",  # Graham-Cumming
    r"(\d+)+mm",
]  # fmt: skip
LINES = [b"a" * 60 + b"!", b"7" * 60, b"a" * LONGEST + b"!", b"ab" * (LONGEST // 2), b"x=" * 2000]


@pytest.mark.parametrize("text", CATASTROPHIC)
def test_catastrophic_pattern_ends(text: str) -> None:
    """Each ends with every line; a backtracking matcher does not within years."""
    pattern = LinePattern(text)
    for line in LINES:
        found = pattern.spans(line)
        assert found is None or found[0] == (0, len(line))


def test_line_of_60_digits_is_a_fault() -> None:
    """The pattern with nested repeats of a station file, and the line that fits all but its end."""
    table = {
        "terminator": "\n",
        "pattern": r"(?P<t>(?:\d+)+)mm",
        "columns": {"t": {"is": "thickness", "unit": "mm"}},
    }
    driver = PatternDriver(read_settings(PatternSettings, table, key="protocol"))
    found = driver.decoder(ns_per_byte=0).feed(b"7" * 60 + b"\n" + b"12mm\n", 0)
    assert found.n_faults == {FaultReason.UNKNOWN_LINE: 1}
    assert found.readings["thickness"].tolist() == [12.0]


def test_two_threads_may_match_at_once() -> None:
    """Each gets its own groups."""
    pattern = LinePattern(r"(?:(\d)|x)*")
    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(pattern.spans, [b"1x" * 2000, b"x2x" * 1000] * 50))
    assert found == [[(0, 4000), (3998, 3999)], [(0, 3000), (2998, 2999)]] * 50


@pytest.mark.parametrize(
    ("text", "requirement"),
    [
        ("(", r"must be a regular expression: missing \), unterminated"),
        ("(?=a)b", "bounded time, without look-around"),
        (r"(a)\1", "references to groups"),
        ("a*+b", "possessive repeats"),
        (r"a\Z", r"\\Z"),
        (r"\z", "bad escape"),
        ("(?P<n>a)(?P<n>b)", "redefinition of group name"),
        ("a{,5}", r"must give both ends of a repeat: '\{0,5\}' instead of '\{,5\}'"),
        ("[[:alpha:]]", "ossible nested set"),
        ("(?U)a+", "unknown extension"),
        ("a" * MAX_SIZE, f"must be shorter or repeat less: it has {MAX_SIZE + 4} steps, {MAX_SIZE} at"),
        ("(a{1000}){1000}", "bounded time"),
        ("a{1001}", "bounded time"),
    ],
)  # fmt: skip
def test_pattern_is_refused_with_the_cure(text: str, requirement: str) -> None:
    """What cannot be matched in bounded time, and what two matchers read differently."""
    with pytest.raises(PatternError, match=requirement):
        LinePattern(text)


@pytest.mark.parametrize(
    ("model", "table", "told"),
    [
        (PatternSettings, {"pattern": "(?P<t>a)(?!b)", "columns": {}}, "'x.pattern' must be a regular"),
        (PatternSettings,
         {"pattern": "(?P<t>.{300})", "max_length": 65536, "columns": {"t": {"is": "thickness", "unit": "mm"}}},
         "'x.max_length' must be <= "),
        (GCodeSettings, {"answers": {"position": r"(a)\1"}}, "'x.answers.position' must be a regular"),
        (GCodeSettings, {"answers": {"idle": "\u2713"}}, "'x.answers.idle' must consist of characters"),
        (GCodeSettings, {"home": "G28 {word:>999999999}"}, "'x.home' must be a valid template: '>999999999'"),
        (GCodeSettings, {"home": "{word.__class__}"}, "'x.home' must hold only known values in braces: word"),
        (TextSettings, {"move": "GO {scan:999999999f}"}, "'x.move' must be a valid template: '999999999f'"),
        (TextSettings, {"move": "GO {scan:{speed}}"}, "'x.move' must be a valid template"),
        (TextSettings, {"move": "GO {scan!r}"}, "'x.move' must be a valid template"),
    ],
)  # fmt: skip
def test_settings_name_the_key(model: Any, table: dict[str, Any], told: str) -> None:
    """A pattern, or a template whose width would take a gigabyte, is refused when it is read."""
    axis: dict[str, Any] = {"min_mm": 0, "max_mm": 9, "speed_mm_per_s": 1}
    if model is not PatternSettings:
        table = {"stop": "S", "axes": {"scan": axis}, **table}
    if model is GCodeSettings:
        table = {**table, "axes": {"scan": {**axis, "word": "X"}}}
    with pytest.raises(SettingsError) as caught:
        read_settings(model, table, key="x")
    problems = [str(caught.value), *(str(other) for other in caught.value.others)]
    assert any(text.startswith(told) for text in problems), problems


def test_longest_line_depends_on_the_pattern() -> None:
    """The limit is on the product of its steps and the line's bytes."""
    text = r"(?P<t>.{300})"
    longest = MAX_WORK // LinePattern(text).size
    table = {"pattern": text, "columns": {"t": {"is": "thickness", "unit": "mm"}}}
    assert PatternSettings.model_validate(table | {"max_length": longest}).max_length == longest
    with pytest.raises(ValueError, match=f"must be <= {longest} for this pattern"):
        PatternSettings.model_validate(table | {"max_length": longest + 1})


def test_pattern_is_pickled_by_its_text() -> None:
    """A checkpoint of the pipeline holds decoders."""
    pattern = pickle.loads(pickle.dumps(LinePattern(r"(?P<a>\d+)\xb5")))  # noqa: S301  made here
    assert (pattern.named(b"12\xb5"), pattern.named(b"12")) == ({"a": "12"}, None)


@pytest.mark.parametrize("cut", [1, 7, 1000])
def test_anchors_see_their_own_line_only(cut: int) -> None:
    """`^`, `$` and word boundaries do not depend on what is before in the same chunk."""
    table = {
        "terminator": "\n",
        "pattern": r"^\b(?P<t>\d+)\b$",
        "columns": {"t": {"is": "thickness", "unit": "mm"}},
    }
    decoder = PatternDriver(PatternSettings.model_validate(table)).decoder(ns_per_byte=0)
    data = b"1\n22\n333\n"
    found = [decoder.feed(data[at : at + cut], at) for at in range(0, len(data), cut)]
    assert [t for batch in found for t in batch.readings["thickness"]] == [1.0, 22.0, 333.0]


_ATOMS = st.sampled_from(["a", "b", "1", ".", r"\d", r"\w", "[ab]", "[^a]", r"\b", "$", " ", "ab"])
_PATTERNS = st.recursive(
    _ATOMS,
    lambda inner: st.one_of(
        st.lists(inner, min_size=1, max_size=3).map("".join),
        st.lists(inner, min_size=2, max_size=3).map(lambda parts: f"(?:{'|'.join(parts)})"),
        st.tuples(inner, st.sampled_from(["*", "+", "?", "*?", "{2}", "{0,3}"])).map(
            lambda pair: f"(?:{pair[0]}){pair[1]}"
        ),
    ),
    max_leaves=8,
)


@settings(max_examples=300)
@given(st.lists(_PATTERNS, min_size=1, max_size=3), st.text("ab1 .", max_size=8))
def test_pattern_means_what_it_means_to_python(parts: list[str], line: str) -> None:
    """The same lines fit, and the groups are at the same places."""
    text = "".join(f"({part})" for part in parts).encode()
    found, reference = (
        LinePattern(text.decode()).spans(line.encode()),
        re.fullmatch(text, line.encode()),
    )
    assert found == (
        None if reference is None else [reference.span(n) for n in range(len(parts) + 1)]
    )


@settings(max_examples=60)
@given(_PATTERNS, st.text("ab1 .", min_size=1, max_size=5), st.sampled_from(["*", "+", "{20}"]))
def test_every_accepted_pattern_ends_with_a_long_line(text: str, part: str, repeat: str) -> None:
    """Repeated once more, against 4 kB that almost fit."""
    pattern = LinePattern(f"(?:({text}){repeat})+")
    line = (part.encode() * LONGEST)[: LONGEST - 1] + b"\xff"
    found = pattern.spans(line)
    assert found is None or found[0] == (0, LONGEST)
