"""Every benchmark, one after the other, and one table of what matters: python benchmarks [NAME ...].

Run it on a machine that has nothing else to do: some ten minutes. Each prints a table of its own as it goes; the lines
that a reader asks for first stand together at the end. Times are of one run, so that their ratios can be compared; a
plain loop, timed first and last, tells how fast the machine was. `bends`, `floors`, `second_opinion`, `slants`,
`windows` and `wishes` (most of them ten minutes and more) run only where they are named; `modes` and `second_opinion`
want another finite-element library, and say so where it is missing.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from time import process_time

HERE = Path(__file__).parent
APART = {"__main__", "vessels"}
LONG = {"bends", "floors", "second_opinion", "slants", "windows", "wishes"}
# How the lines begin that go into the table at the end.
FIRST = {
    "blow": ("blowing them in one batch", "blowing them one by one"),
    "changes": (
        "river yam",
        "asked again",
        "as played",
        "a hole",
        "the cut-up",
        "the body",
        "a widened hole",
        "all 65,536",
    ),
    "chambers": ("3 chambers", "every note, new meshes", "diameters"),
    "dragging": ("a hole moved", "a rim", "the body stretched"),
    "figure": ("set-up with",),
    "door": ("python, nothing else", "simkit --help"),
    "modes": ("to 0.",),
    "optimise": ("12 diameters", "and the chamber's shape"),
    "page": ("pocket_wren", "three_terns"),
    "ports": ("set-up, 12", "all 4,096", "the plain way", "ports, set-up", "set-up grows", "peak memory with"),
    "resolved": ("together", "peak memory", "another fingering"),
    "second_opinion": ("  NGSolve, extrapolated",),
    "sweep": ("beyond the work", "two workers"),
    "wishes": ("eight holes", "a wish that cannot", "three chambers", "four chambers"),
}


def plain_loop() -> str:
    """Seconds of the processor for three million additions: how fast this machine is just now."""
    start, total = process_time(), 0
    for n in range(3_000_000):
        total += n
    return f"a plain loop of three million additions takes {process_time() - start:.3f} s"


def ran(name: str) -> tuple[bool, list[str]]:
    """Runs one benchmark, showing its lines as they come; whether it ended well, and the lines for the table."""
    sys.stdout.write(f"\n== {name} ==\n")
    sys.stdout.flush()
    kept = []
    with subprocess.Popen([sys.executable, HERE / f"{name}.py"], stdout=subprocess.PIPE, text=True) as process:
        for line in process.stdout or ():
            sys.stdout.write(line)
            sys.stdout.flush()
            if line.startswith(FIRST.get(name, ())):
                kept.append(line.strip())
    absent = [start for start in FIRST.get(name, ()) if not any(line.startswith(start.strip()) for line in kept)]
    return process.returncode == 0, kept + [f"printed no line that begins with {start!r}" for start in absent]


def main() -> int:
    """Runs those that are named, else all but the longest; 1 where one failed."""
    known = sorted(script.stem for script in HERE.glob("*.py") if script.stem not in APART)
    wanted = sys.argv[1:] or [name for name in known if name not in LONG]
    unknown = [name for name in wanted if name not in known]
    if unknown:
        sys.stderr.write(f"benchmarks: {', '.join(unknown)}: allowed: {', '.join(known)}\n")
        return 2
    table, failed = [f"{'':16s}{plain_loop()}"], []
    for name in wanted:
        well, kept = ran(name)
        table += [f"{name:16s}{line}" for line in kept]
        if not well:
            failed.append(name)
            table.append(f"{name:16s}did not end well")
    table.append(f"{'':16s}{plain_loop()}")
    sys.stdout.write("\n== all in one table ==\n" + "\n".join(table) + "\n")
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())
