"""The sweep itself: missing cases go out in batches, and every row is stored as it comes back.

Cases that share their chambers' walls go to the same worker one after the other, which meshes and factors those walls
once. There are never more batches out than workers, so that a worker who comes back gets the rest of its own group.
"""

from __future__ import annotations

import logging
import time
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from simkit.errors import Fault, InputError, OutOfReach
from simkit.files import check_folder
from simkit.machine import cores
from simkit.provenance import provenance
from simkit.sweeps.plan import SweepPlan, read_plan
from simkit.sweeps.store import FILE, Store
from simkit.sweeps.work import CaseResult, SweepCase, cases_of, compute
from simkit.sweeps.workers import Cluster, NoWorkers, OthersExecutor, Processes, Workers, single_threaded, undisturbed

logger = logging.getLogger(__name__)

BATCH_S = 1.0  # a batch is as many cases as take about so long
BATCH_MOST = 50  # cases: what a killed worker costs at most
TRIES_ALONE = 2  # a case whose worker died gets so many tries with a worker to itself


@dataclass(frozen=True)
class Swept:
    """The result of a sweep: where its rows are, and how many were computed, stored before, or failed."""

    file: Path
    cases: int
    stored: int  # rows that were there already
    computed: int
    failed: int  # rows, old and new, that hold an error
    equal: int  # cases whose design another case has too; they share its row
    again: int  # cases begun more than once, because a worker died
    lost: int  # workers that died
    others: int  # rows in the file that other code or other libraries have computed
    made_with: str  # the program, its code and its libraries
    failures: tuple[tuple[int, str, str], ...]  # number, name and error of the first that failed

    def as_dict(self) -> dict[str, Any]:
        """The answer under the keys of the command line's JSON."""
        failures = [{"number": n, "name": name, "error": error} for n, name, error in self.failures]
        return {**vars(self), "file": str(self.file), "failures": failures}

    def __str__(self) -> str:
        said = [f"{self.cases} cases: {self.computed} computed now, {self.stored} stored before, {self.failed} failed"]
        if self.equal:
            said.append(f"{self.equal} are equal to others and share their rows")
        if self.lost:
            what = f"{_counted(self.again, 'case')} begun again" if self.again else "what was cut short was begun again"
            said.append(f"{_counted(self.lost, 'worker')} died; {what}")
        said += [f"case {n} ({name}): {error.splitlines()[0]}" for n, name, error in self.failures]
        if self.failed and not self.computed:
            said.append("what failed before is computed again with `retry`")
        if self.failed > len(self.failures):
            said.append(f"and {self.failed - len(self.failures)} more, in the view cases of the file")
        if self.others:
            what = "row" if self.others == 1 else "rows"
            said.append(f"{self.others} {what} of other code or libraries stay in the file, out of its views")
        return "\n".join([*said, f"rows are in {self.file}", f"made with {self.made_with}"]) + "\n"


def sweep(
    cases: str | Path | SweepPlan,
    folder: str | Path,
    *,
    workers: int | None = None,
    executor: Executor | None = None,
    scheduler: str | None = None,
    retry: bool = False,
) -> Swept:
    """Compute every case of a plan that has no row yet in the folder's file of results.

    workers: so many processes of this machine, else one a core; executor: any of `concurrent.futures` instead, with
    `workers` batches out at once; scheduler: the address of a Dask scheduler instead. retry: failed cases again too.
    A case that goes wrong is a row with its error. Ctrl-C, a crash or a full disk lose nothing that is stored: the
    same call goes on where it stopped. Scripts that call this with processes need `if __name__ == "__main__":`.
    """
    plan = cases if isinstance(cases, SweepPlan) else read_plan(cases)
    if workers is not None and not 1 <= workers <= 1000:
        raise InputError([Fault.of("workers", workers, "1 to 1000")])
    check_folder(folder, "folder")
    by = provenance()
    planned = list(cases_of(plan.variants(), plan.options))
    every: dict[str, SweepCase] = {}
    for case in planned:
        every.setdefault(case.key, case)  # equal designs are computed once
    with Store.opened(Path(folder)) as store:
        if retry:
            store.drop_failed()
        had = store.statuses().keys() & every.keys()  # rows of other plans may be there too
        missing = [case for key, case in every.items() if key not in had]
        run = store.began(plan, planned, by)
        work = _Run(store, plan.options, by.code, plan.count, len(every) - len(missing))
        if missing:
            _run(work, missing, _workers(workers, executor, scheduler))
        store.ended(run, work.computed, len(work.begun_again))
        statuses = store.statuses()
        failed = sum(statuses[key] == "failed" for key in every)
        tail = (len(work.begun_again), work.lost, store.others(by.code), by.maker, tuple(store.failures()))
        return Swept(store.file, plan.count, len(had), work.computed, failed, plan.count - len(every), *tail)


def _workers(workers: int | None, executor: Executor | None, scheduler: str | None) -> Workers:
    if executor is not None:
        return OthersExecutor(executor, workers or cores())
    if scheduler is not None:
        return Cluster.at(scheduler)
    return Processes(workers or cores())


def _run(work: _Run, missing: list[SweepCase], workers: Workers) -> None:
    ended_well = False
    try:
        with single_threaded():
            work.run(missing, workers)
        ended_well = True
    finally:
        workers.stop(now=not ended_well)


@dataclass
class _Run:
    """The state of a run: what is out, what has come back, what died."""

    store: Store
    options: Mapping[str, Mapping[str, Any]]
    code: str
    count: int
    stored: int
    computed: int = 0
    lost: int = 0
    begun_again: set[str] = field(default_factory=set)
    _alone: Counter[str] = field(default_factory=Counter)
    _lanes: list[deque[SweepCase]] = field(default_factory=list)
    _out: dict[Future[list[CaseResult]], tuple[deque[SweepCase], list[SweepCase]]] = field(default_factory=dict)
    _came: list[tuple[SweepCase, CaseResult]] = field(default_factory=list)
    _mean_s: float = BATCH_S
    _began: float = field(default_factory=time.monotonic)

    def run(self, missing: list[SweepCase], workers: Workers) -> None:
        """Compute the cases that are missing."""
        lanes = workers.lanes
        groups = deque(_groups(missing, lanes))
        suspects: deque[SweepCase] = deque()
        try:
            while groups or any(self._lanes) or suspects or self._out:
                # A suspect alone: if its worker dies too it was this case.
                if suspects and not self._out:
                    self._send(workers, deque([suspects.popleft()]))
                while not suspects and len(self._out) < lanes and (lane := self._lane(groups)):
                    self._send(workers, lane)
                self._keep()  # everyone has something to do by now: nobody waits for the disk
                suspects += self._await(workers)
                self.lost += workers.died()
        except NoWorkers as error:
            self._keep()
            raise OutOfReach(f"{error}; {self._stored()}, and the same call goes on from there") from error
        finally:
            self._keep()  # what has come is kept whatever happens

    def _lane(self, groups: deque[deque[SweepCase]]) -> deque[SweepCase] | None:
        """Cases for a free worker: the rest of its last group, else another group, else half of a busy worker's."""
        busy = [lane for lane, _ in self._out.values()]
        self._lanes = [lane for lane in self._lanes if lane]
        for lane in self._lanes:
            if not any(lane is other for other in busy):  # identity: two groups may be equal
                return lane
        if groups:
            self._lanes.append(groups.popleft())
        else:
            longest = max(self._lanes, key=len, default=None)
            if longest is None:
                return None
            self._lanes.append(deque(longest.pop() for _ in range(-(-len(longest) // 2))))  # half, rounded up
        return self._lanes[-1]

    def _send(self, workers: Workers, lane: deque[SweepCase]) -> None:
        cases = [lane.popleft() for _ in range(min(self._size(), len(lane)))]
        try:
            with undisturbed():  # a process of our own may start here
                future = workers.executor().submit(compute, cases, self.options, self.code)
        except Exception as error:  # noqa: BLE001 whatever it is, nobody took the cases: they come back like a dead worker's
            future = Future()
            future.set_exception(error)
        self._out[future] = lane, cases

    def _await(self, workers: Workers) -> list[SweepCase]:
        """Take what has come back; return the cases whose worker died."""
        # Then the worker that died had this case and no other.
        alone = len(self._out) == 1 and len(next(iter(self._out.values()))[1]) == 1
        while not (done := wait(self._out, timeout=workers.patience, return_when=FIRST_COMPLETED).done):
            workers.check()
        died: list[SweepCase] = []
        while done:
            future = done.pop()
            _, cases = self._out.pop(future)
            # compute never raises for a case, so what a future raises is about its worker.
            rows = None if future.cancelled() or future.exception() else future.result()
            if rows is None:
                died += cases
                # A pool that breaks takes all that is out with it: see what is saved before it is renewed.
                done |= wait(self._out).done
            else:
                self._take(zip(cases, rows, strict=True))
        if not died:
            return []
        return self._begin_again(died, alone, workers)

    def _begin_again(self, died: list[SweepCase], alone: bool, workers: Workers) -> list[SweepCase]:
        self.begun_again |= {case.key for case in died}
        workers.renew()
        if not alone:
            return died
        (case,) = died
        self._alone[case.key] += 1
        if self._alone[case.key] < TRIES_ALONE:
            return died
        error = "its worker died each time (killed, or out of memory)"
        self._take([(case, CaseResult(case.key, "failed", 0.0, None, error, None, ""))])
        return []

    def _take(self, rows: Iterable[tuple[SweepCase, CaseResult]]) -> None:
        rows = list(rows)
        self._came += rows
        taken = sum(row.seconds for _, row in rows) / max(1, len(rows))
        # The first of a group has its walls to mesh; the mean forgets it soon.
        self._mean_s = 0.5 * (self._mean_s + taken)

    def _keep(self) -> None:
        """Store the rows that have come back."""
        if self._came:
            self.store.keep(self._came, self.code)
            self.computed += len(self._came)
            self._came = []
            logger.info(self._progress())

    def _size(self) -> int:
        return min(BATCH_MOST, max(1, int(BATCH_S / max(self._mean_s, 1e-6))))

    def _progress(self) -> str:
        gone = time.monotonic() - self._began
        rate = self.computed / max(gone, 1e-9)  # of what this run has computed: stored rows cost nothing
        left = max(0, self.count - self.stored - self.computed)
        ahead = f", {rate:.3g} a second, {_duration(left / rate)} left" if self.computed and left else ""
        return f"{self._stored()}{ahead}"

    def _stored(self) -> str:
        return f"{self.stored + self.computed} of {self.count} cases are stored"


def _groups(cases: list[SweepCase], lanes: int) -> Iterator[deque[SweepCase]]:
    """Cases in groups that share their walls, large ones divided so that every lane has work."""
    by_walls: dict[str, list[SweepCase]] = {}
    for case in cases:
        by_walls.setdefault(case.walls, []).append(case)
    most = max(1, -(-len(cases) // lanes))  # rounded up
    for group in by_walls.values():
        for start in range(0, len(group), most):
            yield deque(group[start : start + most])


def _duration(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def _counted(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"


__all__ = ["FILE", "Swept", "sweep"]
