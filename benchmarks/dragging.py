"""From a dragged hole to new numbers on the page: what its companion takes, with ten holes, as played; half a minute.

Run: python benchmarks/dragging.py. Times are of the processor, of this run; the way to the browser and back is some
milliseconds more.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from collections.abc import Callable
from pathlib import Path
from statistics import median
from time import process_time

from simkit.page import replies

YAM = Path(__file__).parent.parent / "studies" / "designs" / "river_yam.toml"
PLACES = 12  # of each drag


def milliseconds(work: Callable[..., object], *given: object) -> float:
    """Of the processor, for one answer."""
    start = process_time()
    work(YAM.read_text(encoding="utf-8"), str(YAM), *given)
    return 1e3 * (process_time() - start)


def dragged(what: str, name: str, start: float, step: float, places: int = PLACES) -> None:
    """Drags one number, and prints the middle and the worst of all answers."""
    steps = [{name: start + step * (n + 1)} for n in range(places)]
    shown = [milliseconds(replies.dragged, values) for values in steps]
    heard = [milliseconds(replies.sounded, values) for values in steps]
    print(
        f"{what:24s}shown {median(shown):6.0f} ms, worst {max(shown):6.0f}; "
        f"by the model {median(heard):6.0f} ms, worst {max(heard):6.0f}"
    )


def main() -> None:
    """Print the table."""
    print(f"{'river yam opened':24s}shown {milliseconds(replies.opened):6.0f} ms")
    print(f"{'its first numbers':24s}{milliseconds(replies.sounded, {}):6.0f} ms")
    dragged("a hole moved", "body.hole.4.along_mm", 76.0, 0.25)
    dragged("a hole turned", "body.hole.7.around_deg", -28.0, 0.5)
    dragged("a rim pulled wider", "body.hole.5.diameter_mm", 5.889, 0.05)
    dragged("the window slid", "body.voicing.along_mm", 64.0, 0.25, 4)
    dragged("the body stretched", "body.length", 1.0, 0.004, 4)
    print(f"{'slopes of openings':24s}{milliseconds(replies.slopes, 'openings'):6.0f} ms")
    print(f"{'slopes of the body':24s}{milliseconds(replies.slopes, 'bodies'):6.0f} ms")
    print(f"{'doubts and breath':24s}{milliseconds(replies.predicted):6.0f} ms")


if __name__ == "__main__":
    main()
