"""How long it takes from a wish to a tuned file: one chamber, several, one that cannot be met; and how well it ends.

Run: python benchmarks/wishes.py [NAME ...]. Each is the whole command, in a process of its own: seconds of the
processor, the start of Python in them, and the most memory held. A plain loop is timed beside them; quote ratios.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import shlex
import subprocess
import sys
import tempfile
from pathlib import Path
from time import process_time

import simkit

WISHES = {
    "eight holes": '--scale "C5 major" --holes 8',
    "ten notes on seven holes": '--scale "A4 minor" --holes 7 --notes 10',
    "a wish that cannot be met": '--scale "C4 chromatic" --holes 12 --fingertip-mm 7',
    "two chambers": '--scale "D major" --range "D4 A5" --chambers 2',
    "a drone in unison": '--scale "D major" --range "D4 D5" --chambers 1 --drone A4',
    "three chambers": '--scale "C chromatic" --range "F3 G5" --chambers 3',
    "four chambers": '--scale "C major" --range "G3 G6" --chambers 4 --overlap 1',
}


def plain_loop() -> float:
    """Seconds of the processor for three million additions: how fast this machine is just now."""
    start, total = process_time(), 0
    for n in range(3_000_000):
        total += n
    return process_time() - start


def wished(options: str, folder: Path) -> tuple[float, float, int, float, str]:
    """Seconds of the processor, most memory in MB, exit status, the worst note in cents, what the command said last."""
    file = folder / "wish.toml"
    command = [sys.executable, "-m", "simkit", "new", *shlex.split(options), "-o", str(file), "--overwrite"]
    with tempfile.TemporaryFile("w+", encoding="utf-8") as said:
        process = subprocess.Popen(command, stderr=said, stdout=subprocess.DEVNULL)
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        said.seek(0)
        lines = [line for line in said.read().splitlines() if not line.startswith("simkit: ")]
    worst = max(abs(note.answer.cents or 0.0) for note in simkit.predict(simkit.load(file), "ports").notes)
    memory = used.ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10)
    text = "; ".join(line for line in lines if not line.startswith(("wrote", "caution")))
    return used.ru_utime + used.ru_stime, memory, process.returncode, worst, text


def main() -> None:
    """Print the table."""
    names = sys.argv[1:] or list(WISHES)
    print(f"{'a plain loop':28s}{plain_loop():7.2f} s")
    with tempfile.TemporaryDirectory() as folder:
        for name in names:
            seconds, memory, status, worst, said = wished(WISHES[name], Path(folder))
            print(
                f"{name:28s}{seconds:7.1f} s {memory:6.0f} MB   worst note {worst:.2f} cents, exit {status}", flush=True
            )
            if status:
                print(f"{'':28s}{said[:300]}", flush=True)
    print(f"{'a plain loop':28s}{plain_loop():7.2f} s")


if __name__ == "__main__":
    main()
