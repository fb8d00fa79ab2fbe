"""What a sweep costs beyond its work, and what a second worker buys on cases that each want a mesh of their own.

Run: python benchmarks/sweep.py. Times are of the clock, of this run, on this machine: run it on a quiet one.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import sqlite3
import tempfile
from pathlib import Path
from time import perf_counter

import numpy as np

from simkit.sweep import sweep

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


def swept(text: str, count: int, workers: int) -> tuple[float, float]:
    """Seconds of the clock for a sweep, and seconds that its cases took by themselves."""
    with tempfile.TemporaryDirectory() as folder:
        cases = Path(folder) / "cases.toml"
        cases.write_text(text.format(design=DESIGN.as_posix(), count=count))
        began = perf_counter()
        found = sweep(cases, Path(folder) / "out", workers=workers)
        gone = perf_counter() - began
        assert found.failed == 0, found
        with sqlite3.connect(found.file) as database:
            (inside,) = database.execute("select sum(seconds) from results").fetchone()
        return gone, inside


def main() -> None:
    """Print the table."""
    counts = [50, 200, 800]
    beyond = []
    for count in counts:
        gone, inside = swept(QUICK, count, 1)
        beyond.append(gone - inside)
        print(f"{count:4d} quick cases, one worker: {gone:6.2f} s, of which the cases {inside:6.2f} s")
    per_case, start = np.polyfit(counts, beyond, 1)
    print(f"beyond the work: {1e3 * per_case:.2f} ms a case, {start:.2f} s to start")
    (one, _), (two, _) = (swept(MESHED, 40, workers) for workers in (1, 2))
    print(f"40 cases that each want a mesh: {one:.1f} s with one worker, {two:.1f} s with two: {one / two:.2f} times")


if __name__ == "__main__":
    main()
