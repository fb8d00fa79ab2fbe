"""How in tune a piece ends when makers with hidden errors follow the bench, beside two plain ways.

Run: python studies/07_a_maker_who_does_not_exist/study.py [--quick] [-o FOLDER]

Takes some minutes (stated below); --quick takes two makers of one design and writes to a folder of its own, named
at the end. Writes result.json, the pictures, and README.md, whose every number comes from result.json by way of
README.template.md.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # before numpy is imported

import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from makers import WAYS, Bench, End, Errors, ends  # beside this file

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))  # what studies share

from drawings.makers import makers_panel, session_panel
from written import filled, rounded, run, write

import simkit
from simkit.making import shrinkage_of
from simkit.making.bench.aim import forecast, order_of
from simkit.making.bench.estimate import estimated
from simkit.making.bench.state import Doubts
from simkit.optimisation.problem.perturbations import aperture_beside
from simkit.show.look import Panel, page, save
from simkit.sound import models
from simkit.sound.models.as_made import AsMade

DESIGNS = HERE.parent / "designs"
MINUTES = 9  # on an ordinary machine that has little else to do
MAKERS = {"pocket_wren": 200, "tide_pendant": 200, "river_yam": 40}
WITHIN = (5.0, 10.0)
RUINED_CENTS = 20.0  # sharper than this beside the piece's own pitch: it cannot be mended with a knife
BAR, NO_BAR = 0.002, 0.005  # of the length: how well the shrinkage to come is known with a test bar, and without
TOLD = {"bench": "the bench", "ear": "by ear", "design": "by the design"}


@dataclass(frozen=True)
class Variant:
    """Something done otherwise on the bench, in words."""

    name: str
    words: str
    errors: Errors
    blows: int = 3
    known: float = BAR


def variants() -> tuple[Variant, ...]:
    """What else may be so: no bar, one blow, no water, every cut missing anew."""
    return (
        Variant("no_bar", "no test bar: shrinkage off by 0.5 point", Errors(size=NO_BAR), known=NO_BAR),
        Variant("one_blow", "every note blown once, not three times", Errors(), blows=1),
        Variant("again", "every cut, not only a hole's first, misses by 0.1 mm", Errors(again=True)),
        Variant("as_modelled", "the true instrument is the port model's to the cent", Errors(model_cents=0.0)),
    )


@cache
def benched(name: str) -> Bench:
    """A design of ours on the bench, its notes' bends by breath from `simkit.blow`."""
    vessel = simkit.load(DESIGNS / f"{name}.toml")
    (case,), (chamber,) = models.cases(vessel, state="played"), vessel.chambers
    blown = simkit.blow(vessel).chambers[0].notes
    # The table gives cents for 10 % more breath.
    bends = np.array([note.blown.bend_cents or 0.0 for note in blown]) / np.log(1.1)
    model = AsMade.of(case, aperture_beside)
    return Bench(vessel, chamber, model, bends, known_to(shrinkage_of(vessel), BAR))


def known_to(shrinkage: Any, share: float) -> Any:
    """The same shrinkage, doubted by so much of the length at every stage."""
    return replace(shrinkage, wet_doubt=share, leather_hard_doubt=share, bone_dry_doubt=share)


def numbers(found: Sequence[End]) -> dict[str, Any]:
    """What the makers' ends come to."""
    own = np.array([end.own for end in found])
    cuts = np.array([end.cuts for end in found])
    worst, sharpest = np.abs(own).max(axis=1), own.max(axis=1)
    pitch = np.array([end.cents.mean() for end in found])
    foretold = [end.cents.mean() - end.foretold for end in found if end.foretold is not None]
    return {
        "makers": len(found),
        "within_percent": {f"{cents:g}": 100 * float((worst <= cents).mean()) for cents in WITHIN},
        "worst_median": float(np.median(worst)),
        "worst_95": float(np.quantile(worst, 0.95)),
        "note_sd": own.std(axis=0).tolist(),
        "ruined_percent": 100 * float((sharpest > RUINED_CENTS).mean()),
        "cuts_mean": float(cuts.mean()),
        "cuts_most": int(cuts.max()),
        "at_most_three_cuts_percent": 100 * float((cuts.max(axis=1) <= 3).mean()),
        "all_met_percent": 100 * float(((worst <= 10) & (cuts.max(axis=1) <= 3)).mean()),
        "pitch_sd": float(pitch.std()),
        "foretold_sd": float(np.sqrt(np.mean(np.square(foretold)))) if foretold else None,
    }


def of_design(name: str, count: int) -> tuple[dict[str, Any], Panel]:
    """All three ways with one design, and how they end as a picture."""
    bench = benched(name)
    found = {way: ends(bench, Errors(), way, range(count)) for way in WAYS}
    notes = [note.pitch for note in bench.chamber.notes]
    shown = {TOLD[way]: np.array([end.own for end in found[way]]) for way in TOLD}
    title = f"{bench.vessel.title}: how in tune {count} makers end"
    told = {
        "name": name,
        "title": bench.vessel.title,
        "notes": notes,
        "holes": len(bench.chamber.holes),
        "cents_per_tenth_mm": tenths(bench),
        "ways": {way: numbers(found[way]) for way in WAYS},
    }
    return told, makers_panel(title, notes, shown)


def tenths(bench: Bench) -> list[float]:
    """What 0.1 mm of each hole's diameter does to the note that judges it, cents, in the order of the cuts."""
    piece = bench.start
    seen = forecast(estimated(bench.model, piece), 1e3 * bench.model.designed.diameters[0])
    return [0.1 * float(seen.by_mm[note, hole]) for hole, note in order_of(piece.openness, piece.targets)]


def of_variants(name: str, count: int, tried: Sequence[Variant]) -> list[dict[str, Any]]:
    """The bench with something done otherwise."""
    bench, told = benched(name), []
    for variant in tried:
        known = known_to(bench.shrinkage, variant.known)
        other = replace(bench, blows=variant.blows, shrinkage=known)
        found = ends(other, variant.errors, "bench", range(count))
        told.append({"name": variant.name, "words": variant.words, **numbers(found)})
    return told


def session(name: str, seed: int, folder: Path) -> list[dict[str, Any]]:
    """One maker's visits to the bench."""
    bench = replace(benched(name), diary=True)
    (end,) = ends(bench, Errors(), "bench", [seed])
    rows = [(v.hole, v.note, v.true_cents, v.believed_cents, v.doubt_cents) for v in end.visits]
    title = f"{bench.vessel.title}: one maker at the bench, {len(rows)} cuts"
    save(page(session_panel(title, rows)), folder / "session.png")
    return [asdict(visit) for visit in end.visits]


def study(folder: Path, quick: bool) -> dict[str, Any]:
    """Tries all makers and writes result.json, README.md and the pictures to a folder."""
    makers = {"pocket_wren": 2} if quick else MAKERS
    designs, panels = [], []
    for name, count in makers.items():
        told, panel = of_design(name, count)
        designs.append(told)
        panels.append(panel)
        sys.stderr.write(f"{name}: {count} makers\n")
    save(page(*panels), folder / "makers.png")
    first = next(iter(makers))
    result = {
        "minutes": MINUTES,
        "state": "played",
        "ruined_cents": RUINED_CENTS,
        "errors": asdict(Errors()),
        "bench_doubts": asdict(Doubts()),
        "designs": designs,
        "variants": of_variants(first, makers[first], variants()[:1] if quick else variants()),
        "session": session(first, 0, folder),
    }
    result = rounded(result, 3)
    write(folder, result, filled(HERE, result))
    return result


if __name__ == "__main__":
    run(study, HERE, __doc__, "two makers of one design")
