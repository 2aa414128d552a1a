"""Which records of a chunk are faulty, and why."""

from collections.abc import Callable, Iterable

from swathe_drivers.records import FaultReason


class Faulty:
    """The first fault of each record that has one, told in the order of its columns."""

    def __init__(self) -> None:
        self.by_row: dict[int, tuple[FaultReason, str]] = {}

    def add(self, row: int, reason: FaultReason, detail: str) -> None:
        """Note a fault; only the first of a record stays."""
        self.by_row.setdefault(row, (reason, detail))

    def add_all(
        self, rows: Iterable[int], reason: FaultReason, detail: Callable[[int], str]
    ) -> None:
        """Note a fault of each of `rows`; `detail` makes its sentence."""
        for row in rows:
            self.add(row, reason, detail(row))
