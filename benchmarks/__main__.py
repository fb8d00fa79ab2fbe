"""Every benchmark, one after the other: python benchmarks [NAME ...]. Run it on a machine that has nothing else to do.

Each prints a table of its own; times are of one run, so that their ratios can be compared.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
APART = {"__main__", "vessels"}


def main() -> int:
    """Runs those that are named, else all; the number that failed."""
    known = {script.stem: script for script in sorted(HERE.glob("*.py")) if script.stem not in APART}
    wanted = sys.argv[1:] or list(known)
    unknown = [name for name in wanted if name not in known]
    if unknown:
        sys.stderr.write(f"benchmarks: {', '.join(unknown)}: allowed: {', '.join(known)}\n")
        return 2
    failed = 0
    for name in wanted:
        sys.stdout.write(f"\n== {name} ==\n")
        sys.stdout.flush()
        failed += subprocess.run([sys.executable, known[name]], check=False).returncode != 0
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
