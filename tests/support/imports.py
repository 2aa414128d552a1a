"""What a source file imports, read from its statements alone: expressions hold no import."""

from __future__ import annotations

import ast
import functools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Imported:
    """One import statement.

    Attributes:
        module: that is imported, or that `names` come from; empty for `from . import`.
        names: that are imported from it; empty for `import module`.
        level: of a relative import; 0 for an absolute one.
        typing_only: whether it stands under ``if TYPE_CHECKING``.
    """

    module: str
    names: tuple[str, ...] = ()
    level: int = 0
    typing_only: bool = False


@functools.cache
def imports(source: Path) -> tuple[Imported, ...]:
    """Return every import statement of a file, wherever in it."""
    return tuple(_found(ast.parse(source.read_text("utf-8")).body, typing_only=False))


def _found(body: list[ast.stmt], *, typing_only: bool) -> Iterator[Imported]:
    for node in body:
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield Imported(alias.name, typing_only=typing_only)
        elif isinstance(node, ast.ImportFrom):
            names = tuple(alias.name for alias in node.names)
            yield Imported(node.module or "", names, node.level, typing_only)
        else:
            below = typing_only or (
                isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
            )
            for inner in _bodies(node):
                yield from _found(inner, typing_only=below)


def _bodies(node: ast.stmt) -> Iterator[list[ast.stmt]]:
    """Yield the blocks of statements within one statement."""
    for name in ("body", "orelse", "finalbody"):
        if inner := getattr(node, name, None):
            yield inner
    for holder in (*getattr(node, "handlers", ()), *getattr(node, "cases", ())):
        yield holder.body
