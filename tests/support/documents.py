"""The fenced blocks of the documents, so that tests can run each of them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

__all__ = ["ROOT", "Block", "Commands", "blocks", "documents"]

ROOT = Path(__file__).parent.parent.parent
_FENCE = re.compile(r"^```([a-z-]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True)
class Block:
    """A fenced block.

    Attributes:
        document: path from the top of the tree.
        line: where it begins.
        language: behind the fence.
        text: between the fences.
    """

    document: str
    line: int
    language: str
    text: str

    def __str__(self) -> str:
        return f"{self.document}:{self.line}"


def documents() -> list[Path]:
    """Return README and the pages of the guide; drivers/README.md has a test of its own."""
    return [ROOT / "README.md", *sorted((ROOT / "daemon" / "guide").glob("*.md"))]


def blocks(*languages: str, of: Path | None = None) -> list[Block]:
    """Return the blocks in any of these languages, of one document or of all."""
    found = []
    for path in documents() if of is None else [of]:
        text = path.read_text("utf-8")
        for match in _FENCE.finditer(text):
            line = text.count("\n", 0, match.start()) + 1
            name = path.relative_to(ROOT).as_posix()
            found.append(Block(name, line, match.group(1), match.group(2)))
    return [block for block in found if not languages or block.language in languages]


class Commands:
    """The commands of a document's shell sessions, each to be run once and in order.

    Args:
        document: path from the top of the tree.
    """

    def __init__(self, document: str) -> None:
        text = "".join(block.text for block in blocks("sh-session", of=ROOT / document))
        joined = text.replace("\\\n", " ")
        self.left = [
            " ".join(line.removeprefix("$ ").split())
            for line in joined.splitlines()
            if line.startswith("$ ")
        ]

    def take(self, start: str) -> str:
        """Return the next command, which must begin with `start`, without that."""
        assert self.left, f"no command is left, {start!r} is not in the document"
        command = self.left.pop(0)
        assert command.startswith(start), f"the next command is {command!r}, not {start!r}"
        return command.removeprefix(start).strip()
