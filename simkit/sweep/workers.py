"""Who does the work: processes of this machine, an executor that is handed in, or a cluster.

Any executor of `concurrent.futures` will do. Processes of our own can be replaced when one is killed; a Dask cluster
replaces its own.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Protocol

from simkit.errors import Fault, InputError, OutOfReach
from simkit.sweep.work import settle

_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


class Workers(Protocol):
    """An executor that may be renewed."""

    @property
    def lanes(self) -> int:
        """How many batches can be worked on at once; asked once, when the sweep begins."""

    def executor(self) -> Executor:
        """The executor, started if need be."""

    def renew(self) -> bool:
        """Replaces an executor that has broken; False where that is not ours to do."""

    def gone(self) -> int:
        """How many workers have died, since this was last asked, without breaking the executor."""

    def stop(self, now: bool = False) -> None:
        """Lets the workers go; `now` does not wait for what they are doing."""


@dataclass
class Handed:
    """An executor that belongs to somebody else."""

    given: Executor
    lanes: int

    def executor(self) -> Executor:
        return self.given

    def renew(self) -> bool:
        return False

    def gone(self) -> int:
        return 0

    def stop(self, now: bool = False) -> None:
        pass


@dataclass
class Processes:
    """Processes of this machine, each with single-threaded numerics and one mesh at a time."""

    lanes: int
    _pool: ProcessPoolExecutor | None = field(default=None, repr=False)

    def executor(self) -> ProcessPoolExecutor:
        if self._pool is None:
            import multiprocessing

            # A fresh process each, not a fork: gmsh and threads survive no fork.
            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(self.lanes, mp_context=context, initializer=settle)
        return self._pool

    def renew(self) -> bool:
        self.stop(now=True)
        return True

    def gone(self) -> int:
        return 0  # a pool breaks as a whole

    def stop(self, now: bool = False) -> None:
        pool, self._pool = self._pool, None
        if pool is None:
            return
        processes = list((getattr(pool, "_processes", None) or {}).values())
        if now:
            for process in processes:
                process.kill()
        pool.shutdown(wait=True, cancel_futures=True)


@dataclass
class Cluster:
    """The workers of a Dask scheduler."""

    client: Any
    _seen: set[str] = field(default_factory=set, repr=False)

    @classmethod
    def at(cls, address: str) -> Cluster:
        """Those of the scheduler at an address."""
        try:
            from distributed import Client
        except ImportError as error:
            allowed = "an installation with the extra: pip install simkit[cluster]"
            raise InputError([Fault("--scheduler", "", address, allowed)]) from error
        try:
            return cls(Client(address, timeout="10s", set_as_default=False))
        except (OSError, ValueError) as error:
            allowed = "the address of a Dask scheduler that answers, such as tcp://127.0.0.1:8786"
            raise InputError([Fault("--scheduler", "", address, allowed)]) from error

    @property
    def lanes(self) -> int:
        threads = self.client.nthreads()
        if not threads:
            raise OutOfReach("the scheduler has no workers; start some, then the same command goes on")
        self._seen |= set(threads)
        return sum(threads.values())

    def gone(self) -> int:
        """Workers that the scheduler no longer knows; it has begun what they were at again, elsewhere."""
        here = set(self.client.nthreads())
        gone = self._seen - here
        self._seen = here
        return len(gone)

    def executor(self) -> Executor:
        return self.client.get_executor(pure=False, retries=0)

    def renew(self) -> bool:
        """Dask replaces its workers by itself; all there is to do is to wait until one is there."""
        try:
            self.client.wait_for_workers(1, timeout=60)
        except Exception:  # noqa: BLE001 the client's errors are of many kinds, and any means that nobody is there
            return False
        return True

    def stop(self, now: bool = False) -> None:
        self.client.close(timeout=2 if now else 10)


@contextmanager
def single_threaded() -> Iterator[None]:
    """One thread a process for whatever is started in this block."""
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
