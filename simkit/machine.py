"""Differences between operating systems: processors, locks, limits and memory of a process."""

from __future__ import annotations

import errno
import os
import sys


def cores() -> int:
    """Number of processors for this process: those it is bound to where the system can bind (Linux), else all."""
    bound = getattr(os, "sched_getaffinity", None)
    return len(bound(0)) if bound else os.cpu_count() or 1


def lock(handle: int, wait: bool = False) -> None:
    """Hold an open file or folder for this process alone, until it is closed or the process ends, however it ends.

    Raises BlockingIOError where another process holds it, unless told to wait, and any other OSError where the place
    or the system knows no such locks.
    """
    try:
        import fcntl
    except ImportError as none:
        raise OSError(errno.ENOLCK, "no locks on this system") from none
    fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))


def end_after(seconds: int) -> None:
    """End this process when it has computed for so long, where the system knows such a limit."""
    try:
        import resource
    except ImportError:
        return
    # At the first the process gets SIGXCPU, five seconds later it is killed, should something have caught that.
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 5))


def most_memory() -> float:
    """The most memory that this process has held, in bytes; Linux counts it in KiB, macOS in bytes."""
    import resource

    held = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return float(held if sys.platform == "darwin" else 1024 * held)
