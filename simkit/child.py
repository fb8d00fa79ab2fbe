"""Work in a process of its own that can be stopped: gmsh has no time limit and takes no Ctrl-C.

The helper reads one pickled call on its standard input and writes the pickled answer on its standard output. It lives
no longer than whoever asked: once its input is closed it ends.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from math import ceil
from typing import Any, BinaryIO, TypeVar

from simkit import plugins
from simkit.errors import OutOfReach
from simkit.machine import end_after

T = TypeVar("T")
WAITING = 10  # times the processor's seconds that may pass by the clock


def in_own_process(work: Callable[..., T], *given: Any, seconds: float, what: tuple[str, str]) -> T:
    """work(*given) by another process; OutOfReach where that works longer than `seconds` or ends without an answer.

    `work` is a function of a module; what it raises is raised here. `what` begins and ends the message. The seconds
    are the processor's, so that a busy machine cuts nothing short; by the clock it may be WAITING times as long.
    """
    # -P: the folder that we happen to run in is no place to import from, unless our own path has it.
    command = [sys.executable, "-P", "-c", f"from {__name__} import serve; serve({seconds})"]
    with subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=helper_environment(),
        start_new_session=True,  # Ctrl-C comes to us alone, and we end the helper
    ) as helper:
        assert helper.stdin and helper.stdout  # pipes, as asked
        timer = threading.Timer(WAITING * seconds, helper.kill)
        timer.start()
        try:
            with suppress(BrokenPipeError):
                helper.stdin.write(pickle.dumps((work, given)))
                helper.stdin.flush()
            answered = helper.stdout.read()
            # SIGXCPU ends a process that has used up its seconds, where the system knows such a limit.
            late = timer.finished.is_set() or helper.wait() == -getattr(signal, "SIGXCPU", 0)
        finally:
            timer.cancel()
            helper.kill()
            with suppress(BrokenPipeError):
                helper.stdin.close()
    # Killed by the timer, by the limit or by the system: there is not even a failure to read.
    if not answered:
        why = (
            f"not done after {seconds / 60:.2g} minutes" if late else "ended without a word, perhaps for want of memory"
        )
        raise OutOfReach(f"{what[0]}: {why}; {what[1]}")
    done, answer = pickle.loads(answered)
    if not done:
        raise answer
    found: T = answer
    return found


def helper_environment() -> dict[str, str]:
    """Environment in which a helper finds every module that this process does."""
    # An empty entry means the current folder, which a list of paths drops.
    return {**os.environ, "PYTHONPATH": os.pathsep.join(path or os.getcwd() for path in sys.path)}


def answers_alone() -> BinaryIO:
    """A helper's standard output, kept for answers: whatever else is printed goes to standard error."""
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    return answers


_answers: BinaryIO | None = None  # of a helper


def give_up(failure: Exception) -> None:
    """In a helper, answer with a failure and end at once, from within a library that nothing else can stop; in any
    other process do nothing."""
    if _answers is not None:
        _answer(False, failure)


def _answer(done: bool, answer: Any) -> None:
    assert _answers is not None
    with _answers:
        pickle.dump((done, answer), _answers)
    os._exit(0)  # at once: the thread that waits on the input would hold up the end


def serve(seconds: float | None = None) -> None:
    """The helper's side; it ends when it has worked that long."""
    if seconds is not None:
        end_after(ceil(seconds))
    global _answers
    _answers = answers_alone()
    gc.disable()  # it ends with its answer; to search for cycles meanwhile takes a thirtieth of its time
    work, given = pickle.load(sys.stdin.buffer)
    threading.Thread(target=_end_with_the_asker, daemon=True).start()
    try:
        answered = True, work(*given)
    except Exception as failure:  # noqa: BLE001 raised again by whoever asked
        answered = False, plugins.raised_by(failure) or failure  # which lines it came through does not travel
    _answer(*answered)


def _end_with_the_asker() -> None:
    sys.stdin.buffer.read()
    os._exit(1)
