"""A copy of objects as bytes, and the objects again from it.

The copy is made by pickle with the arrays' memory apart from it, so that copying is little more than
that of memory. Loading accepts classes of named packages and a short list of others, never a
function: bytes that somebody else wrote could create objects of this program, but run none of what
is not on the list.
"""

from __future__ import annotations

import io
import pickle
from collections.abc import Collection, Iterable, Iterator
from types import FunctionType, MethodType
from typing import Any

__all__ = ["Frozen", "freeze", "thaw"]

_ALLOWED = frozenset(
    {
        *(("builtins", name) for name in ("bytearray", "complex", "dict", "float", "frozenset")),
        *(("builtins", name) for name in ("int", "list", "object", "range", "set", "slice", "str")),
        *(("collections", name) for name in ("Counter", "OrderedDict", "defaultdict", "deque")),
        ("datetime", "date"),
        ("datetime", "datetime"),
        ("datetime", "timedelta"),
        ("datetime", "timezone"),
        ("decimal", "Decimal"),
        ("fractions", "Fraction"),
        ("pathlib", "PosixPath"),
        ("pathlib", "WindowsPath"),
        ("re", "_compile"),
        ("_struct", "Struct"),
        ("numpy", "dtype"),
        ("numpy", "ndarray"),
        # Where numpy keeps them depends on its version.
        *(
            (f"numpy.{core}.{module}", name)
            for core in ("core", "_core")
            for module, name in (
                ("multiarray", "_reconstruct"),
                ("multiarray", "scalar"),
                ("numeric", "_frombuffer"),
            )
        ),
    }
)


class Frozen:
    """A copy of objects as bytes.

    Args:
        pickled: the objects without their arrays' memory.
        buffers: that memory, by array; it is copied.
        scratch: where to copy it to, if it is large enough.

    Attributes:
        pickled: as given.
        sizes: of each array's memory.
        memory: holds the copies, one after the other.
    """

    def __init__(
        self, pickled: bytes, buffers: Iterable[memoryview], scratch: bytearray | None = None
    ) -> None:
        views = list(buffers)
        self.pickled = pickled
        self.sizes = [view.nbytes for view in views]
        total = sum(self.sizes)
        # Memory that was used before is several times as fast as new one: the next copy, which may
        # be a little larger, is to fit.
        fits = scratch is not None and len(scratch) >= total
        self.memory = scratch if scratch is not None and fits else bytearray(total + total // 8)
        for view, part in zip(views, self.parts(), strict=True):
            part[:] = view

    @property
    def nbytes(self) -> int:
        """Size of the copy."""
        return len(self.pickled) + sum(self.sizes)

    def parts(self) -> Iterator[memoryview]:
        """Yield the copied memory of each array."""
        at, memory = 0, memoryview(self.memory)
        for size in self.sizes:
            yield memory[at : at + size]
            at += size


def freeze(state: object, *, most_bytes: int, scratch: bytearray | None = None) -> Frozen | None:
    """Return a copy of `state`; None if it is larger than `most_bytes`.

    Raises:
        Exception: something in it cannot be copied, as pickle reports it.
    """
    buffers: list[pickle.PickleBuffer] = []
    pickled = pickle.dumps(state, protocol=5, buffer_callback=buffers.append)
    views = [buffer.raw() for buffer in buffers]
    if len(pickled) + sum(view.nbytes for view in views) > most_bytes:
        return None
    return Frozen(pickled, views, scratch)


def thaw(pickled: bytes, buffers: Iterable[bytearray], packages: Collection[str]) -> Any:  # noqa: ANN401
    """Return the objects of a copy.

    Args:
        pickled: the objects without their arrays' memory.
        buffers: that memory, by array; it becomes the arrays'.
        packages: whose classes are accepted.

    Raises:
        Exception: the copy is damaged, or has what is not accepted, as pickle reports it.
    """
    return _Unpickler(io.BytesIO(pickled), buffers, packages).load()


class _Unpickler(pickle.Unpickler):
    """Loads objects of `packages` and of what numpy and the standard library need for them."""

    def __init__(
        self, stream: io.BytesIO, buffers: Iterable[bytearray], packages: Collection[str]
    ) -> None:
        super().__init__(stream, buffers=buffers)
        self._packages = packages

    def find_class(self, module: str, name: str) -> Any:  # noqa: ANN401
        if (module, name) == ("builtins", "getattr"):
            return self._bound_method
        if (module, name) in _ALLOWED:
            return super().find_class(module, name)
        if self._is_ours(module):
            found = super().find_class(module, name)
            # A dotted name might lead through an imported module to anywhere.
            if isinstance(found, type) and self._is_ours(found.__module__):
                return found
        message = f"{module}.{name} is not accepted"
        raise pickle.UnpicklingError(message)

    def _is_ours(self, module: str) -> bool:
        return module.split(".", maxsplit=1)[0] in self._packages

    def _bound_method(self, owner: object, name: str) -> MethodType:
        """Return a method of an object of ours, as pickle stores one."""
        function = getattr(type(owner), name, None)
        if not (self._is_ours(type(owner).__module__) and isinstance(function, FunctionType)):
            message = f"{type(owner).__name__}.{name} is not accepted"
            raise pickle.UnpicklingError(message)
        return MethodType(function, owner)
