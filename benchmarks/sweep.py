"""What a sweep costs beyond its work, and what a second worker buys on cases that each want a mesh of their own.

Run: python benchmarks/sweep.py. Times of the clock are of this run, on this machine, and mean little where others use
it too. Beside them stands what does not depend on that: processor time of the busiest worker, his start included, and
of the parent, all of it counted as if the workers waited for it.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import sqlite3
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from time import perf_counter, process_time

import numpy as np

from simkit.sweeps import running, sweep, work

DESIGN = Path(__file__).parent.parent / "studies" / "designs" / "pocket_wren.toml"
QUICK = """
base = "{design}"
compute = ["predict"]
[[variation]]
name = "air"
"air.temperature_c" = {{ from = 5, to = 35, count = {count} }}
[predict]
model = "lumped"
"""
MESHED = """
base = "{design}"
compute = ["resonances"]
[[variation]]
name = "length"
"body.length_mm" = {{ from = 55, to = 60, count = {count} }}
[resonances]
count = 3
"""


def clocked(cases, options, code):
    """What a worker does, with all the processor time that it has used since its start in place of its name."""
    return [replace(row, worker=f"{row.worker} {process_time()}") for row in work.compute(cases, options, code)]


@dataclass(frozen=True)
class Taken:
    """Seconds of a sweep: of the clock, of its cases by their own clocks, of the processor."""

    clock: float
    cases: float
    parent: float  # processor
    workers: tuple[float, ...]  # processor, each worker with its start

    @property
    def path(self) -> float:
        """What no second worker shortens further, s of the processor: the parent, then the busiest worker."""
        return self.parent + max(self.workers)


def swept(text: str, count: int, workers: int) -> Taken:
    """What a sweep of so many cases takes."""
    with tempfile.TemporaryDirectory() as folder:
        cases = Path(folder) / "cases.toml"
        cases.write_text(text.format(design=DESIGN.as_posix(), count=count))
        began, used = perf_counter(), process_time()
        found = sweep(cases, Path(folder) / "out", workers=workers)
        gone, used = perf_counter() - began, process_time() - used
        assert found.failed == 0, found
        with sqlite3.connect(found.file) as database:
            (inside,) = database.execute("select sum(seconds) from results").fetchone()
            last: dict[str, float] = {}
            for (told,) in database.execute("select worker from results"):
                name, seconds = told.split()
                last[name] = max(last.get(name, 0.0), float(seconds))
        return Taken(gone, inside, used, tuple(last.values()))


def main() -> None:
    """Print the table."""
    running.compute = clocked
    counts = [50, 200, 800]
    beyond = []
    for count in counts:
        taken = swept(QUICK, count, 1)
        beyond.append(taken.clock - taken.cases)
        print(f"{count:4d} quick cases, one worker: {taken.clock:6.2f} s, of which the cases {taken.cases:6.2f} s")
    per_case, start = np.polyfit(counts, beyond, 1)
    print(f"beyond the work: {1e3 * per_case:.2f} ms a case, {start:.2f} s to start")
    one, two = (swept(MESHED, 40, workers) for workers in (1, 2))
    for taken in (one, two):
        busy = " and ".join(f"{seconds:.1f}" for seconds in taken.workers)
        print(f"40 cases that each want a mesh: {taken.clock:5.1f} s; of the processor: parent {taken.parent:.2f} s, "
              f"workers {busy} s")  # fmt: skip
    times, spared = one.clock / two.clock, one.path / two.path
    print(f"two workers against one: {times:.2f} times by the clock, {spared:.2f} times by the processor")


if __name__ == "__main__":
    main()
