"""The reader of imports that the tests of the architecture rest on."""

from __future__ import annotations

from pathlib import Path

from support.imports import Imported, imports

SOURCE = """
import one.part, two
from typing import TYPE_CHECKING
if TYPE_CHECKING:
    import hidden
else:
    from shown import it
def inner():
    try:
        import three
    except ImportError:
        from . import four
    else:
        import five
    finally:
        import six
    with open("file"):
        for each in range(3):
            while True:
                import seven
match 1:
    case 1:
        class Inner:
            from eight import *
"""


def test_imports_are_found_wherever_they_stand(tmp_path: Path) -> None:
    """In every block of every statement, apart from those for the type checker."""
    path = tmp_path / "module.py"
    path.write_text(SOURCE)
    found = imports(path)
    assert [each.module for each in found] == [
        "one.part", "two", "typing", "hidden", "shown", "three", "five", "six", "", "seven", "eight",
    ]  # fmt: skip
    assert Imported("hidden", typing_only=True) in found
    assert Imported("", ("four",), level=1) in found
    # The other branch counts as for the type checker alone, too: no module of ours has one.
    assert [each.module for each in found if each.typing_only] == ["hidden", "shown"]
