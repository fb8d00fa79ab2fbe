"""Workers of a sweep: processes of this machine, an executor that is handed in, or a cluster.

Any executor of `concurrent.futures` will do. Our own processes are replaced when one is killed; a Dask cluster
replaces its own.
"""

from __future__ import annotations

import logging
import os
import signal
import threading
from abc import ABC, abstractmethod
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing import resource_tracker
from typing import Any

from simkit.errors import Fault, InputError, OutOfReach
from simkit.sweeps.work import become_worker

COMES_BACK_S = 10.0  # a scheduler is waited for so long, at first and when it is lost
WORKERS_BACK_S = 60.0  # and workers so long, where none is left

_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


class NoWorkers(Exception):
    """No worker is left; the text says who is gone."""


class Workers(ABC):
    """An executor that may be renewed; as it is here it reports by itself when a worker dies."""

    patience: float | None = None  # s without an answer after which to check that workers are left
    lanes: int  # batches that can be worked on at once; asked once, when the sweep begins

    @abstractmethod
    def executor(self) -> Executor:
        """The executor, started if need be."""

    @abstractmethod
    def renew(self) -> None:
        """Replace an executor that has broken, or wait until it has recovered; else NoWorkers."""

    def check(self) -> None:  # noqa: B027 most executors have nothing to check
        """Raise NoWorkers where no batch that is out can ever come back."""

    def died(self) -> int:
        """Number of workers that have died since this was last asked."""
        return 0

    def stop(self, now: bool = False) -> None:  # noqa: B027 not ours to stop, unless we have started them
        """Let the workers go; `now` does not wait for what they are doing."""


@dataclass
class OthersExecutor(Workers):
    """An executor that belongs to somebody else."""

    given: Executor
    lanes: int

    def executor(self) -> Executor:
        return self.given

    def renew(self) -> None:
        raise NoWorkers("the workers of the executor that was handed in are gone")


@dataclass
class Processes(Workers):
    """Processes of this machine, each with single-threaded numerics and one mesh at a time."""

    lanes: int
    _pool: ProcessPoolExecutor | None = field(default=None, repr=False)
    _broken: int = field(default=0, repr=False)

    def executor(self) -> ProcessPoolExecutor:
        if self._pool is None:
            import multiprocessing

            # A fresh process each, not a fork: gmsh and threads survive no fork.
            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(self.lanes, mp_context=context, initializer=become_worker)
        return self._pool

    def renew(self) -> None:
        self.stop(now=True)  # the next one to ask starts a new pool
        self._broken += 1

    def died(self) -> int:
        broken, self._broken = self._broken, 0
        return broken  # a pool breaks as a whole, whichever of its workers died

    def stop(self, now: bool = False) -> None:
        pool, self._pool = self._pool, None
        if pool is None:
            return
        # Python 3.11 has no public way to kill a pool's processes.
        processes = list((getattr(pool, "_processes", None) or {}).values())
        if now:
            for process in processes:
                process.kill()  # none is asked: it may hang in gmsh or a solver
        pool.shutdown(wait=True, cancel_futures=True)


@dataclass
class Cluster(Workers):
    """The workers of a Dask scheduler.

    A scheduler that is started again has forgotten what was out: the client finds it again if it comes back within
    COMES_BACK_S, and those cases are begun once more as soon as it has workers.
    """

    client: Any
    address: str
    patience: float | None = 5.0
    _seen: set[str] = field(default_factory=set, repr=False)

    @classmethod
    def at(cls, address: str) -> Cluster:
        """Workers of the scheduler at an address."""
        try:
            from distributed import Client, Security
        except ImportError as error:
            allowed = "an installation with the extra: pip install simkit[cluster]"
            raise InputError([Fault.of("scheduler", address, allowed)]) from error
        # What the client would log of a lost scheduler is said by us, once and with what to do.
        logging.getLogger("distributed.client").setLevel(logging.CRITICAL)
        _check_certificates(Security, address)
        try:
            return cls(Client(address, timeout=COMES_BACK_S, set_as_default=False), address)
        except (OSError, ValueError) as error:
            allowed = "the address of a Dask scheduler that answers, such as tcp://127.0.0.1:8786"
            raise InputError([Fault.of("scheduler", address, allowed)]) from error

    @property
    def lanes(self) -> int:  # type: ignore[override] # counted when it is asked for
        threads = self._threads()
        if not threads:
            raise OutOfReach(f"the scheduler at {self.address} has no workers; start some, then the same call goes on")
        self._seen |= set(threads)
        return sum(threads.values())  # a batch for each thread

    def _threads(self) -> dict[str, int]:
        """Threads by worker; none where the scheduler does not answer."""
        try:
            return dict(self.client.nthreads())
        except Exception:  # noqa: BLE001 the client's errors are of many kinds, and each means that nobody answered
            return {}

    def died(self) -> int:
        """Workers that the scheduler no longer knows; it has begun their cases again elsewhere."""
        here = set(self._threads())
        gone = self._seen - here
        self._seen = here
        return len(gone)

    def executor(self) -> Executor:
        # Pure: equal submissions would run once; retries are ours to count.
        return self.client.get_executor(pure=False, retries=0)

    def renew(self) -> None:
        """Dask replaces its workers by itself; all there is to do is to wait until one is there."""
        try:
            self.client.wait_for_workers(1, timeout=WORKERS_BACK_S)
        except Exception as error:
            who = "is gone" if self.client.status != "running" else "has had no workers for a minute"
            raise NoWorkers(f"the scheduler at {self.address} {who}") from error

    def check(self) -> None:
        if not self._threads():
            self.renew()

    def stop(self, now: bool = False) -> None:
        self.client.close(timeout=2 if now else 10)


@contextmanager
def undisturbed() -> Iterator[None]:
    """Ctrl-C waits for the end of the block, and a process that is started in it never receives it.

    A worker that is interrupted while it starts, or loses the sweep meanwhile, would print a traceback.
    """
    if threading.current_thread() is not threading.main_thread() or (before := signal.getsignal(signal.SIGINT)) is None:
        yield
        return
    resource_tracker.ensure_running()  # it would lift the mask below as it starts
    interrupts: list[int] = []
    signal.signal(signal.SIGINT, lambda number, frame: interrupts.append(number))
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})  # a process inherits the mask of blocked signals
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        signal.signal(signal.SIGINT, before)
        if interrupts:  # now that it disturbs nothing
            signal.raise_signal(signal.SIGINT)


def _check_certificates(security: Any, address: str) -> None:
    """Refuse an address that Dask's own configuration has no certificates for, or forbids: the client would hang."""
    try:
        found = security().get_connection_args("client")
    except OSError as error:
        allowed = f"certificates that can be read, as Dask's configuration names them ({error.strerror or error})"
        raise InputError([Fault.of("scheduler", address, allowed)]) from error
    encrypted = address.startswith("tls://")
    if encrypted and found.get("ssl_context") is None:
        allowed = "a tls:// address only with certificates in Dask's configuration (distributed.comm.tls)"
    elif found.get("require_encryption") and not encrypted:
        allowed = "an address that starts with tls://, since Dask's configuration asks for encryption"
    else:
        return
    raise InputError([Fault.of("scheduler", address, allowed)])


@contextmanager
def single_threaded() -> Iterator[None]:
    """One thread a process for whatever is started in this block."""
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))  # before it starts: libraries read them once, as they are loaded
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
