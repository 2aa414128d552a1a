"""Objects that are closed at the end of a `with` block; no logic of their own lives here."""

from abc import ABC, abstractmethod
from types import TracebackType
from typing import Self


class Closing(ABC):
    """A context manager that is open once it is made, and closed at the end of the block."""

    @abstractmethod
    def close(self) -> None:
        """Release what is held; harmless twice."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()


class Starting(Closing):
    """A context manager that is started at the beginning of the block, and closed at its end."""

    @abstractmethod
    def start(self) -> None:
        """Begin; raises `DriverUsageError` if it is started already."""

    def __enter__(self) -> Self:
        self.start()
        return self
