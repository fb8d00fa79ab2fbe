"""Processes that compute beside the server: asked by name, answering in JSON, stopped by ending them.

So the server's loop never waits for a model, what hangs can be stopped, and what has crashed is started anew. A
companion reads one request a line on its standard input and writes lines on its standard output: progress, then the
answer. It lives no longer than the server: once its input is closed it ends, and all that it started with it.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import queue
import signal
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from importlib import import_module
from typing import Any

from simkit import plugins
from simkit.child import answers_alone, helper_environment
from simkit.errors import SimkitError

LONGEST_LINE = 64_000_000  # bytes of one answer
ASKABLE = ("replies", "long_work")  # the modules beside this one whose functions can be asked


class Refused(Exception):
    """A question that cannot be answered; the message is for the person at the page."""


class Stopped(Exception):
    """The companion was ended before it answered."""


class Companion:
    """One process and the way to it; started when it is first asked, and again after it has ended."""

    def __init__(self) -> None:
        self._process: asyncio.subprocess.Process | None = None
        self._turn = asyncio.Lock()  # answers carry no number: the next is of the question before it
        self._over = False

    @property
    def over(self) -> bool:
        """Whether it has been ended for good."""
        return self._over

    async def start(self) -> None:
        """Start the process, if it is not there; it loads what it needs by itself."""
        if self._over:
            raise Stopped
        if self._process is None or self._process.returncode is not None:
            self._process = await asyncio.create_subprocess_exec(
                sys.executable,
                "-P",  # no module of the folder that the page was opened in can take the place of one of ours
                "-c",
                f"from {__name__} import serve; serve()",
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                env=helper_environment(),
                start_new_session=True,  # Ctrl-C comes to the server alone, and that ends the companions
                limit=LONGEST_LINE,  # a design's surfaces are megabytes; asyncio's own limit is 64 KiB
            )

    async def ask(self, what: str, *given: Any, progress: Callable[[str], None] | None = None) -> Any:
        """The answer of `module.function` to plain values; one after the other.

        Refused where it says why not, Stopped where it was ended.
        """
        async with self._turn:
            await self.start()
            process = self._process
            assert process is not None and process.stdin and process.stdout
            try:
                process.stdin.write(json.dumps([what, given]).encode() + b"\n")
                await process.stdin.drain()
                while line := await process.stdout.readline():
                    kind, value = json.loads(line)
                    if kind == "answer":
                        return value
                    if kind == "refused":
                        raise Refused(value)  # the process lives on: it has answered
                    if progress is not None:
                        progress(value)
            except (BrokenPipeError, ConnectionResetError):
                pass
            except asyncio.CancelledError:
                self.stop()  # an answer that nobody waits for would be taken for the next one's
                raise
            self.stop()
            await process.wait()  # or the next to ask would take it for a living one
            raise Stopped

    def stop(self, for_good: bool = False) -> None:
        """End the process with all that it has started; for good: and none is started again."""
        self._over = self._over or for_good  # who is over stays so, whoever stops it again
        if self._process is not None and self._process.returncode is None:
            with suppress(ProcessLookupError):
                os.killpg(self._process.pid, signal.SIGKILL)  # start_new_session made it the head of its group

    async def end(self) -> None:
        """End it for good, and wait until it is gone."""
        self._over = True
        self.stop()
        if self._process is not None:
            await self._process.wait()


# --- the companion's side -------------------------------------------------------------------------


class _Progress(logging.Handler):
    """Handler that passes on what the rooms log as lines of progress."""

    def __init__(self, say: Callable[[str, Any], None]) -> None:
        super().__init__(level=logging.INFO)
        self._say = say

    def emit(self, record: logging.LogRecord) -> None:
        self._say("progress", record.getMessage())


def serve() -> None:
    """Answer requests until the input is closed."""
    answers = answers_alone()  # what a library prints goes to standard error, not among the answers

    def say(kind: str, value: Any) -> None:
        answers.write(json.dumps([kind, value]).encode() + b"\n")
        answers.flush()

    logger = logging.getLogger("simkit")
    logger.setLevel(logging.INFO)  # the rooms tell their progress at this level
    logger.addHandler(_Progress(say))
    # Read by a thread of its own, which so sees at once that the input is closed, even in the middle of an answer.
    asked: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_read, args=(asked,), daemon=True).start()
    while True:
        what, given = json.loads(asked.get())
        # Only public functions of the two modules: what a page sends decides which of them runs.
        module, _, name = what.partition(".")
        if module not in ASKABLE or name.startswith("_"):
            say("refused", f"{what} is nothing that can be asked")
            continue
        try:
            answer = getattr(import_module(f"simkit.page.{module}"), name)(*given)
        except SimkitError as why:
            say("refused", str(why))
        except Exception as why:
            if by := plugins.raised_by(why):
                say("refused", str(by))
                continue
            # the traceback is for who started the server, not for the page
            logging.getLogger(__name__).exception("%s failed", what)
            say("refused", f"that failed inside simkit ({type(why).__name__}: {why}); the terminal says more")
        else:
            say("answer", answer)


def _read(asked: queue.SimpleQueue[bytes]) -> None:
    for line in sys.stdin.buffer:
        asked.put(line)
    with suppress(ProcessLookupError):
        os.killpg(0, signal.SIGKILL)  # whoever asked is gone: with all that was started here
