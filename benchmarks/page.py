"""How large the page of a design is, and how soon a real browser has opened it, all pictures shown.

Run: python benchmarks/page.py. Of this run, on this machine; the seconds are those of the browser's own clock from
the start of the navigation to its load event, the median of five. Needs Chromium.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import re
import shutil
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path
from time import process_time

import simkit
from simkit.show.report import report

HERE = Path(__file__).parent
DESIGNS = ("pocket_wren", "three_terns")
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
# A page of ours runs no scripts; a copy runs this one, when all of it is there: milliseconds since it was asked for.
PROBE = "<script>addEventListener('load', () => { document.title = 'opened ' + performance.now(); });</script></body>"


def opened(page: str, folder: Path) -> float:
    """Seconds that a browser takes to open a page."""
    file = folder / "page.html"
    file.write_text(re.sub("<meta http-equiv=.*?>", "", page).replace("</body>", PROBE), encoding="utf-8")
    options = ("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking")
    profile = f"--user-data-dir={folder / 'profile'}"
    seconds = []
    for _ in range(5):
        command = [str(BROWSER), *options, profile, "--dump-dom", file.as_uri()]
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
        found = re.search("<title>opened ([0-9.]+)</title>", done.stdout)
        assert found is not None, done.stderr
        seconds.append(float(found[1]) / 1000)
    return statistics.median(seconds)


def told(name: str, page: str, seconds: float | None, folder: Path) -> None:
    """One line of the table."""
    made = "" if seconds is None else f"  made in {seconds:5.1f} s"
    shown = f"  opened in {opened(page, folder):.2f} s" if BROWSER else "  no Chromium here to open it"
    print(f"{name:36s} {len(page.encode()) / 1e6:6.2f} MB{shown}{made}", flush=True)


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        for name in DESIGNS:
            start = process_time()
            page = report(simkit.load(HERE.parent / "studies" / "designs" / f"{name}.toml"))
            told(name, page, process_time() - start, folder)
        subprocess.run([sys.executable, HERE.parent / "studies" / "pages.py", "-o", folder / "studies"], check=True)
        for file in sorted((folder / "studies").glob("*.html")):
            told(file.stem, file.read_text(encoding="utf-8"), None, folder)


if __name__ == "__main__":
    main()
