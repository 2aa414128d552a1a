"""Where columns are: the way for lines as they should be agrees with that for any lines."""

from __future__ import annotations

import random

import numpy as np
import pytest

from swathe_drivers.delimited.fields import Fields, Splitter


def split(
    lines: list[bytes], columns: int, rest: bytes = b""
) -> tuple[list[int], list[list[bytes]]]:
    """Columns of each line, and the texts of those that have as many as they should."""
    data = bytearray(b"".join(line + b"\n" for line in lines) + rest)
    block = np.frombuffer(data, np.uint8)
    sizes = np.array([len(line) for line in lines], np.int64)
    ends = np.cumsum(sizes + 1) - 1
    splitter = Splitter(separator=b",", columns=columns)
    separators = splitter.find(block[: int(ends[-1])])
    first, counts = splitter.count(separators, ends - sizes, ends)
    keep = counts == columns
    starts, ends = (ends - sizes)[keep], ends[keep]
    fields = splitter.split(data, block, separators, first[keep], starts, ends)
    return counts.tolist(), [texts_of(fields, row) for row in range(fields.rows)]


def texts_of(fields: Fields, row: int) -> list[bytes]:
    """All columns of a line."""
    return [fields.text(column, row) for column in range(fields.starts.shape[0])]


@pytest.mark.parametrize("columns", [1, 2, 3, 5])
@pytest.mark.parametrize("odd", [0.0, 0.2])
def test_columns_are_those_of_python(columns: int, odd: float) -> None:
    """With all lines as they should be, and with some that have too few or too many."""
    source = random.Random(columns)
    for _ in range(200):
        lines = []
        for _ in range(source.randrange(1, 9)):
            count = source.randrange(1, 7) if source.random() < odd else columns
            lines.append(b",".join(source.choice([b"", b"1", b"2.5"]) for _ in range(count)))
        rest = source.choice([b"", b"1,", b"1,2,3,4"])
        counts, found = split(lines, columns, rest)
        wanted = [line.split(b",") for line in lines]
        assert counts == [len(parts) for parts in wanted]
        assert found == [parts for parts in wanted if len(parts) == columns]


@pytest.mark.parametrize(
    "lines",
    [[b"1,2,3,4", b"5,6"], [b"1,2", b"3,4,5,6"], [b"1", b"2,3,4,5,6"], [b"1,2,3,4,5", b"6"]],
)
def test_as_many_separators_as_lines_should_have_are_not_enough(lines: list[bytes]) -> None:
    """What one line has too many, another has too few: none is taken for right."""
    counts, found = split([*lines, b"7,8,9"], 3)
    assert counts == [*(line.count(b",") + 1 for line in lines), 3]
    assert found == [[b"7", b"8", b"9"]]


def test_texts_are_those_of_the_rows_given() -> None:
    """In their order."""
    fields = Fields(
        bytearray(b"ab,c;d,ef;"),
        np.frombuffer(b"ab,c;d,ef;", np.uint8),
        np.array([[0, 5], [3, 7]]),
        np.array([[2, 6], [4, 9]]),
    )
    assert fields.texts(1, None) == fields.texts(1, np.array([0, 1])) == [b"c", b"ef"]
    assert fields.texts(0, np.array([1])) == [b"d"]
