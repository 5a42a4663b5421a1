"""No thread ends quietly: what one raises and nobody catches is logged and counted, for the deciding loop to judge."""

import logging
import threading
import time
from collections import deque

LOG = logging.getLogger(__name__)

MOST = 3
WITHIN_S = 3600.0


class Mishaps:
    """Uncaught exceptions of threads. `install` once; `too_many` when the program had better start anew."""

    def __init__(self) -> None:
        self._at_s: deque[float] = deque(maxlen=MOST)
        self.count = 0

    def install(self) -> None:
        """From now on, of every thread of this process."""
        threading.excepthook = self._note

    def too_many(self, mono_s: float) -> bool:
        """Whether there have been `MOST` within the last hour."""
        return len(self._at_s) == MOST and mono_s - self._at_s[0] < WITHIN_S

    def _note(self, what: threading.ExceptHookArgs) -> None:
        self.count += 1
        self._at_s.append(time.monotonic())
        name = what.thread.name if what.thread is not None else "unknown"
        error = what.exc_value or what.exc_type()
        LOG.error("The thread %s has ended by an exception.", name, exc_info=error)
