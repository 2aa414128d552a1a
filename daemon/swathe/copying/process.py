"""The process that keeps a survey's copy while a run goes on: ``python -m swathe.copying.process``.

A process of its own, at a lower priority, so that nothing it does holds up the run: it only reads the
survey's folder. It reads words from standard input: ``end`` as the run has ended and nobody writes to the survey;
the input's end means that the run is gone, and ends it at once. It prints its state as JSON, a line
whenever it changes.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import threading
import time
from pathlib import Path

from swathe.copying.target import CopyTarget, copy_of
from swathe.copying.uploading import Uploader
from swathe.errors import JournalError, SurveyError, SwatheError
from swathe.object_storage import StorageError
from swathe.store import SurveyFolder
from swathe_drivers.backoff import Backoff

__all__ = ["keep_copy"]

_NICE = 10
# A look at the folder is to take no more than this share of the time.
_LOOK_SHARE = 0.02
_FIRST_SECONDS = 0.5


class _Input:
    """What the run says, read by a thread of its own."""

    def __init__(self) -> None:
        self.ended = threading.Event()
        self.gone = threading.Event()
        self.spoken = threading.Event()
        threading.Thread(target=self._read, name="copy.input", daemon=True).start()

    def _read(self) -> None:
        for line in sys.stdin:
            if line.strip() == "end":
                self.ended.set()
                self.spoken.set()
        self.gone.set()
        self.spoken.set()


def keep_copy(folder: str, to: str, every: float, patience: float) -> int:
    """Keep the copy until the run has ended; return 0 if it is verified.

    Args:
        folder: of the survey.
        to: URL below which the copy is.
        every: s from look to look.
        patience: s for which a storage that does not answer is waited for once the run has ended.
    """
    with contextlib.suppress(OSError, AttributeError):
        os.nice(_NICE)
    said = _Input()
    backoff = Backoff(first=1.0, cap=30.0)
    reached = time.monotonic()
    uploader: Uploader | None = None
    pause, url = _FIRST_SECONDS, ""
    survey = SurveyFolder(Path(folder))
    while not said.gone.is_set():
        ended = said.ended.is_set()
        try:
            if uploader is None:
                url = copy_of(survey, to)
                uploader = Uploader(
                    survey.path, CopyTarget.of(url, patient=False), stop=said.gone.is_set
                )
            uploader.send_new(ended=ended)
            if ended:
                status = uploader.verify()
                text = _differences(status.differs)
                _say(url, uploader, "verified" if status.verified else "incomplete", text)
                return 0 if status.verified else 1
            _say(url, uploader, "copying")
            backoff.reset()
            reached = time.monotonic()
            pause = max(every, uploader.look_seconds / _LOOK_SHARE)
        except (StorageError, OSError) as error:
            _say(url, uploader, "waiting", str(error))
            pause = backoff.next_delay()
            reached = reached if ended else time.monotonic()
            if ended and time.monotonic() - reached > patience:
                _say(url, uploader, "incomplete", str(error))
                return 1
        except (JournalError, SurveyError) as error:
            # The run has not written its first entry, or what it wrote is read in a moment.
            if ended:
                _say(url, uploader, "incomplete", str(error))
                return 1
        except SwatheError as error:
            _say(url, uploader, "incomplete", str(error))
            return 1
        if not said.ended.is_set() or ended:
            said.spoken.wait(pause)
            if not said.gone.is_set():
                said.spoken.clear()
    return 1


def _differences(names: tuple[str, ...]) -> str:
    if not names:
        return ""
    more = f" and {len(names) - 3} more" if len(names) > 3 else ""
    return f"differs in {', '.join(names[:3])}{more}"


def _say(url: str, uploader: Uploader | None, state: str, text: str = "") -> None:
    status = uploader.status if uploader is not None else None
    line = {
        "state": state,
        "url": url,
        "text": text,
        "files": status.files if status else 0,
        "sent": status.sent if status else 0,
        "waiting": status.waiting if status else 0,
    }
    print(json.dumps(line), flush=True)


if __name__ == "__main__":
    sys.exit(keep_copy(sys.argv[1], sys.argv[2], float(sys.argv[3]), float(sys.argv[4])))
