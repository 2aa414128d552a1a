"""Copies of objects: what comes back, and what is never accepted."""

from __future__ import annotations

import os
import pickle
import re
import subprocess
from collections import Counter, deque
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from swathe.journal import MarkKind, Tick
from swathe.pipeline import CellState
from swathe.store import Frozen, freeze
from swathe.store.frozen import thaw
from swathe.units import QuantityReader, duration_ns

OURS = ("swathe", "swathe_drivers")


def again(state: object) -> Any:
    """Return a state after a copy."""
    frozen = freeze(state, most_bytes=1 << 20)
    assert frozen is not None
    return thaw(frozen.pickled, map(bytearray, frozen.parts()), OURS)


def test_objects_come_back_with_their_arrays_and_identities() -> None:
    """Arrays are writable, shared objects stay shared, methods are bound to the copied object."""
    values = np.arange(12, dtype=np.int64).reshape(3, 4)
    reader = QuantityReader("length", "mm", "1 mm")
    state = {
        "values": values,
        "same": values,
        "strided": values[:, 1],
        "record": np.zeros(2, [("time", "<i8"), ("valid", "?")]),
        "empty": np.zeros((0, 3), np.float32),
        "scalar": np.float64(1.5),
        "kind": MarkKind.NOTE,
        "state": CellState.SKIPPED,
        "queue": deque([1, 2], maxlen=5),
        "counter": Counter("aab"),
        "path": Path("a") / "b",
        "pattern": re.compile(rb"\d+"),
        "set": {1, (2, "x")},
        "tick": Tick(4),
        "reader": reader,
        "method": reader.__call__,
    }
    found = again(state)
    assert found["values"].tolist() == values.tolist()
    assert found["same"] is found["values"]
    found["values"][0, 0] = 99
    assert values[0, 0] == 0
    assert found["strided"].tolist() == [1, 5, 9]
    assert found["record"].dtype == np.dtype([("time", "<i8"), ("valid", "?")])
    assert found["empty"].shape == (0, 3)
    assert found["method"].__self__ is found["reader"]
    assert found["method"]("1 in") == 25.4
    for name in ("scalar", "kind", "state", "queue", "counter", "path", "pattern", "set", "tick"):
        assert found[name] == state[name], name
        assert type(found[name]) is type(state[name]), name


def test_copy_is_apart_from_what_changes_later() -> None:
    """The scan continues while the copy is written."""
    values = np.zeros(1000)
    frozen = freeze(values, most_bytes=1 << 20)
    assert frozen is not None
    values[:] = 7
    assert not thaw(frozen.pickled, map(bytearray, frozen.parts()), OURS).any()
    assert frozen.nbytes == len(frozen.pickled) + 8000


def test_memory_is_used_again_where_it_is_large_enough() -> None:
    """A smaller state fits into the memory of a larger one, not the other way round."""
    first = freeze([np.ones(10), np.ones(3)], most_bytes=1 << 20)
    assert first is not None
    second = freeze([np.full(4, 2.0), np.full(2, 3.0)], most_bytes=1 << 20, scratch=first.memory)
    assert second is not None
    assert second.memory is first.memory
    parts = thaw(second.pickled, map(bytearray, second.parts()), OURS)
    assert [part.tolist() for part in parts] == [[2.0] * 4, [3.0] * 2]
    again_larger = freeze(np.ones(14), most_bytes=1 << 20, scratch=first.memory)
    assert again_larger is not None
    assert again_larger.memory is first.memory  # a state that has grown a little fits
    third = freeze(np.ones(100), most_bytes=1 << 20, scratch=second.memory)
    assert third is not None
    assert third.memory is not second.memory


def test_state_that_is_too_large_is_not_copied() -> None:
    """The limit is that of objects and arrays together."""
    state = [np.zeros(1000, np.uint8), "x"]
    frozen = freeze(state, most_bytes=1 << 20)
    assert isinstance(frozen, Frozen)
    assert freeze(state, most_bytes=frozen.nbytes) is not None
    assert freeze(state, most_bytes=frozen.nbytes - 1) is None


class _Call:
    """Pickles as the call of a function."""

    def __init__(self, function: object, *args: object) -> None:
        self.call = function, args

    def __reduce__(self) -> Any:
        return self.call


@pytest.mark.parametrize(
    "made",
    [
        _Call(os.system, "true"),
        _Call(subprocess.Popen, ["true"]),
        _Call(eval, "1"),
        _Call(exec, "1"),
        _Call(duration_ns, "1 s"),  # ours, but a function
        _Call(getattr, os, "system"),
        _Call(getattr, QuantityReader("length", "mm", ""), "__class__"),
        _Call(getattr, "text", "upper"),
        _Call(pickle.loads, pickle.dumps(1)),
    ],
)
def test_calls_are_not_accepted(made: object) -> None:
    """Neither functions, ours included, nor classes of other packages, nor attributes but methods."""
    with pytest.raises((pickle.UnpicklingError, TypeError)):
        thaw(pickle.dumps(made), [], OURS)


@pytest.mark.parametrize(
    ("module", "name"),
    [
        (b"swathe.store.frozen", b"io.open"),  # through a module that ours imports
        (b"swathe.store.frozen", b"pickle.Unpickler"),
        (b"swathe.store.frozen", b"FunctionType"),
        (b"swathe_other", b"X"),
        (b"posix", b"system"),
    ],
)
def test_names_that_lead_elsewhere_are_not_accepted(module: bytes, name: bytes) -> None:
    """What counts is the class that is found, not the module that it is asked of."""
    asked = b"\x80\x05\x8c" + bytes([len(module)]) + module
    asked += b"\x8c" + bytes([len(name)]) + name + b"\x93."
    with pytest.raises(pickle.UnpicklingError, match="is not accepted"):
        thaw(asked, [], OURS)


def test_class_of_another_package_is_accepted_if_it_is_named() -> None:
    """As a driver's package is."""
    pickled = pickle.dumps(_Call(subprocess.CompletedProcess, ["x"], 0))
    with pytest.raises(pickle.UnpicklingError, match=r"subprocess\.CompletedProcess"):
        thaw(pickled, [], OURS)
    assert thaw(pickled, [], (*OURS, "subprocess")).args == ["x"]
