"""Work that takes its time and can be stopped: tuning, a wish, the judge, sheets, the report.

Each runs in a process of its own, which ends with it; what the rooms log on the way is shown as progress.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from simkit.files import check_output, whole
from simkit.page.finite import finite
from simkit.vessel import loads


def tuned(text: str, source: str, free: list[str]) -> dict[str, Any]:
    """The design with what is free moved until its notes are in tune, and how far that went."""
    from simkit.optimisation.optimising import optimise
    from simkit.optimisation.problem.rewriting import rewritten

    vessel = loads(text, source)
    outcome = optimise(vessel, free)
    return {
        "text": rewritten(text, vessel, outcome.vessel),
        "reached": outcome.reached,
        "said": outcome.verdict,
        "moved": len(outcome.moved),
    }


def wished(scale: str, holes: int, shape: str, fingertip_mm: float) -> dict[str, Any]:
    """The text of a design that plays a scale on so many holes."""
    from simkit.optimisation.designing.wish import wished as granted
    from simkit.vessel.wishes import Wish

    text, outcome = granted(Wish(scale, holes, shape, fingertip_mm))
    return {"text": text, "reached": outcome.reached, "said": outcome.verdict}


def started(shape: str) -> dict[str, Any]:
    """The text of a small whistle to start from."""
    from simkit.vessel.starter import starter

    return {"text": starter(shape), "reached": True, "said": f"a small whistle: {shape}"}


def judged(text: str, source: str, chamber: str, note: int) -> dict[str, Any]:
    """One note by the air meshed as a whole, half a minute: Hz, cents above the target, the doubt, Q."""
    from simkit.sound.answers.prediction import predict
    from simkit.sound.catalogue import catalogue

    vessel = loads(text, source)
    part = vessel.chamber(chamber)
    # One note alone: each costs its own solve.
    only = vessel.with_chamber(part.model_copy(update={"notes": part.notes[note : note + 1]}))
    # The last of the catalogue is the most exact.
    judge = next(model.name for model in reversed(catalogue()) if not model.quick)
    # others sound along as silent chambers
    (found,) = [each for each in predict(only, judge).chambers if each.name == chamber]
    answer = found.notes[0].answer
    return {
        "chamber": chamber,
        "note": note,
        **finite(answer.as_dict()),
        "said": f"{found.notes[0].pitch or 'all covered'}: {answer.cents or 0.0:+.1f} cents by the judge",
    }


def printed(text: str, source: str, folder: str) -> dict[str, Any]:
    """The sheets of a design in a folder, as `simkit sheets` makes them."""
    from simkit.making import with_first_blow, work_of
    from simkit.show.printed import check_sheets, make
    from simkit.tuning import before_holes

    check_sheets(Path(folder), "folder")  # before what takes long
    vessel = loads(text, source)
    work = work_of(vessel)
    make(with_first_blow(work, before_holes(vessel, work.shrinkage)), Path(folder))
    # solids have no picture to be shown
    names = sorted(path.name for path in Path(folder).iterdir() if path.suffix in (".pdf", ".svg"))
    return {"files": names, "said": f"sheets are in {Path(folder).name}"}


def reported(text: str, source: str, page: str) -> dict[str, Any]:
    """The report of a design on one page, as `simkit report` makes it."""
    from simkit.show.report import report

    check_output(page, "output")
    html = report(loads(text, source))  # made before anything is written
    with whole(page, "output") as half:
        half.write_text(html, encoding="utf-8")
    return {"files": [Path(page).name], "said": f"the report is in {Path(page).name}"}
