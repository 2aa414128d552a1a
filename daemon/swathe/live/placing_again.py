"""Places a survey again while its run is journalled, with what later marks say about all of it.

These are the delays that it has measured, and what operators discarded or moved.

The journal is replayed from its start in a thread, as a rebuild does, and then followed until the
new pipeline knows all that the present one does. Until then the present one is what everybody sees.
"""

from __future__ import annotations

import time

from swathe.journal import JournalCursor
from swathe.live.resumption import feed_rest
from swathe.pipeline import Pipeline, PlacingObserver
from swathe.store import SurveyFolder, feed_journal, measured_delays, revisions_in_force

__all__ = ["PlacingAgain"]

# After each block the loop gets its turn: a crawler may be moving, and its guards look often.
_GIVE_WAY_SECONDS = 0.0005


class PlacingAgain:
    """A second pipeline over the whole journal of a survey; its methods may run in another thread.

    Args:
        folder: the survey; its journal has the marks.
        observer: is shown readings and path.

    Attributes:
        pipeline: the new state so far.
        observer: as given.
        share: of the journal that is replayed, 0 to 1.
        stopped: set it to end the replay early.
    """

    def __init__(self, folder: SurveyFolder, *, observer: PlacingObserver | None) -> None:
        self.observer = observer
        self.share = 0.0
        self.stopped = False
        self.pipeline = Pipeline(
            folder.plan(),
            observer=observer,
            delays=measured_delays(folder),
            revisions=revisions_in_force(folder),
        )
        self._cursor = JournalCursor(folder.journal, growing=True)

    def replay(self) -> bool:
        """Replay what the journal holds; return False if it was stopped.

        Raises:
            JournalError: the journal cannot be read.
        """
        feed_journal(self.pipeline, self._cursor, on_progress=self._note, stop=self._give_way)
        return not self.stopped

    def follow(self) -> bool:
        """Feed what was journalled since; return whether it was little.

        Raises:
            JournalError: the journal cannot be read.
        """
        return feed_rest(self.pipeline, self._cursor)

    def _note(self, share: float) -> None:
        self.share = share

    def _give_way(self) -> bool:
        time.sleep(_GIVE_WAY_SECONDS)
        return self.stopped
