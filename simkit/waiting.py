"""Progress of a long piece of work: one line on standard error, nothing on standard output.

Work that is over within two seconds says nothing. The rooms report where they are through the standard `logging`,
at level INFO under the name `simkit`; the latest such message is what is shown.
"""

from __future__ import annotations

import logging
import sys
import threading
import time
from types import TracebackType

SILENT_S = 2.0  # shorter waits need no explanation
EVERY_S = 10.0  # between plain lines, where there is no terminal to draw on


class Waiting(logging.Handler):
    """Shows what is going on and for how many seconds, once two seconds have passed.

    On a terminal one line is drawn over and over and wiped at the end; elsewhere a plain line is written now and then.
    """

    def __init__(self, doing: str, silent_s: float = SILENT_S, every_s: float = EVERY_S):
        super().__init__(level=logging.INFO)
        self.doing = doing
        self.silent_s = silent_s
        self.every_s = every_s
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._show, daemon=True)

    def emit(self, record: logging.LogRecord) -> None:
        """Take a room's message as the thing to show."""
        self.doing = record.getMessage()

    def __enter__(self) -> Waiting:
        self._began = time.monotonic()
        self._logger = logging.getLogger("simkit")
        self._level = self._logger.level
        self._logger.setLevel(logging.INFO)  # else INFO is dropped before any handler sees it
        self._logger.addHandler(self)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._over.set()
        self._thread.join()
        self._logger.removeHandler(self)
        self._logger.setLevel(self._level)

    def _line(self) -> str:
        return f"{self.doing} ... {time.monotonic() - self._began:.0f} s"

    def _show(self) -> None:
        if self._over.wait(self.silent_s):
            return
        if sys.stderr.isatty():
            self._draw()
            return
        while True:
            sys.stderr.write(f"simkit: {self._line()}\n")
            sys.stderr.flush()
            if self._over.wait(self.every_s):
                return

    def _draw(self) -> None:
        from rich.console import Console

        with Console(stderr=True).status(self._line()) as status:
            while not self._over.wait(0.25):
                status.update(self._line())
