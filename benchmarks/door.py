"""How long `simkit --help` takes, beside a Python that does nothing.

Run: python benchmarks/door.py. Seconds on the wall, the best of nine; of this run, on this machine.
"""

from __future__ import annotations

import subprocess
import sys
from time import perf_counter


def best(*arguments: str, times: int = 9) -> float:
    """The shortest of several runs of Python, s."""
    seconds = []
    for _ in range(times):
        start = perf_counter()
        subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
        seconds.append(perf_counter() - start)
    return min(seconds)


def main() -> None:
    """Print the table."""
    print(f"python, nothing else  {best('-c', ''):6.3f} s")
    print(f"simkit --help         {best('-m', 'simkit', '--help'):6.3f} s")


if __name__ == "__main__":
    main()
