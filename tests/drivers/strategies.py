"""Generators of bytes and settings."""

from typing import Any

from hypothesis import strategies as st

FULL: dict[str, Any] = {
    "columns": [
        {"is": "constant", "text": "R"},
        {"is": "sequence", "wrap": 65536},
        {"is": "device_time", "unit": "us", "bits": 32},
        {
            "is": "time_of_flight",
            "unit": "us",
            "min": 0.0,
            "max": 400.0,
            "no_echo": [999.99, "---"],
        },
        {"is": "thickness", "unit": "in", "empty": "no_echo"},
        {"is": "amplitude", "unit": "%", "min": 0, "max": 110, "empty": "absent"},
        {"is": "status", "valid": ["E", ""], "invalid": ["N"]},
        {"is": "counts", "axis": "scan", "bits": 24},
        {"is": "position", "axis": "index", "unit": "thou"},
        {"is": "ignore"},
    ]
}
"""Settings with every kind of column."""

VARIANTS: list[dict[str, Any]] = [
    FULL,
    FULL | {"checksum": {"kind": "xor", "after": "*"}},
    FULL | {"checksum": {"kind": "sum8", "after": "#", "from": 1}, "other_lines": "ignore"},
    FULL | {"separator": ";", "terminator": "\n", "max_length": 60},
    {
        "separator": " ",
        "terminator": "\r",
        "columns": [
            {"is": "counts", "axis": "scan", "signed": True, "bits": 16},
            {"is": "counts", "axis": "index"},
            {"is": "constant", "text": "OK"},
        ],
    },
    {
        "separator": "\t",
        "terminator": "\n\n",
        "columns": [
            {"is": "thickness", "unit": "mm", "no_echo": [0.0]},
            {"is": "device_time", "unit": "s"},
            {"is": "sequence"},
        ],
    },
]

_plain = st.one_of(
    st.integers(0, 500).map(str),
    st.integers(-(2**64), 2**64).map(str),
    st.decimals(-500, 500, places=3).map(str),
    st.floats(allow_nan=True, allow_infinity=True).map(repr),
)
_odd = st.sampled_from(
    ["", " ", "1_0", "0x1F", "nan", "-inf", "1e999", "1e-999", "1e5", "+5", "--5", ".", "5.", ".5",
     "999.99", "---", "E", "N", "Q", "R", "OK", "1 2", " 7\t", "1\x00", "٣", "16777215", "16777216",
     "9007199254740993", "4294967295", "4294967296", "65535", "65536", "1,5", "0.00000000000000000001"]
)  # fmt: skip
field = st.one_of(_plain, _plain, _odd)


def _column(column: dict[str, Any]) -> st.SearchStrategy[str]:
    """Mostly what belongs into a column."""
    good = {
        "constant": st.just(column.get("text", "")),
        "status": st.sampled_from(["E", "N", ""]),
        "sequence": st.integers(0, 65535).map(str),
        "device_time": st.integers(0, 2**32 - 1).map(str),
        "counts": st.integers(0, 2**15 - 1).map(str),
        "ignore": st.text("abc ", max_size=4),
    }.get(column["is"], st.decimals(0, 100, places=2).map(str))
    return st.one_of(good, good, good, good, good, good, good, field)


@st.composite
def lines(draw: st.DrawFn, settings: dict[str, Any]) -> bytes:
    """A line of the given settings, mostly right, without terminator."""
    parts = [draw(_column(column)) for column in settings["columns"]]
    if draw(st.integers(0, 9)) == 0:
        parts = draw(st.lists(field, min_size=1, max_size=12))
    line = settings.get("separator", ",").join(parts).encode("utf-8")
    checksum = settings.get("checksum")
    if checksum is not None:
        total = 0
        for byte in line[checksum.get("from", 0) :]:
            total = total ^ byte if checksum["kind"] == "xor" else (total + byte) & 255
        if draw(st.integers(0, 7)) == 0:
            total ^= draw(st.integers(0, 255))
        style = draw(st.sampled_from(["%02X", "%02x"]))
        line += checksum["after"].encode() + (style % total).encode()
    terminator = settings.get("terminator", "\r\n").encode("latin-1")
    return bytes(byte for byte in line if byte not in terminator)
