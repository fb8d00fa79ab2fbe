"""Replies to a page about a design: all of it, its places in a drag, its notes and their derivatives.

These run in a process of their own (`companion`). Each takes plain values and gives plain values, as JSON has them; a
design goes in as its text, and the file's path, by which messages name it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from simkit.body import Body
from simkit.body.inspection import inspect
from simkit.errors import Fault, InputError, SimkitError
from simkit.optimisation.aims.slopes import slopes_beside
from simkit.optimisation.problem.free import Freedom
from simkit.optimisation.problem.limits import LimitRow, Limits
from simkit.optimisation.problem.rewriting import rewritten
from simkit.optimisation.problem.trial import Setting, Trial, drawn
from simkit.page.finite import finite
from simkit.page.handles import handles, let_go, moved
from simkit.page.scene import opening_key, scene
from simkit.sound.answers.prediction import predict
from simkit.sound.blowing.behaviour import NoteBlown
from simkit.sound.blowing.table import blow
from simkit.sound.blowing.timbre import timbre
from simkit.vessel import Vessel, loads, target_of

SETTING = Setting()  # as the notes are played
BROKEN_MM = 1e-3  # a limit is broken by more than rounding


@lru_cache(maxsize=32)
def _read(text: str, source: str) -> Vessel:
    return loads(text, source)


def opened(text: str, source: str) -> dict[str, Any]:
    """A design as the page shows it at first: its parts, what can be dragged, what is seen, what stands in the way."""
    vessel = _read(text, source)
    body = drawn(vessel)
    return {
        "title": vessel.title,
        "chambers": [_chamber(vessel, n) for n in range(len(vessel.chambers))],
        "handles": [handle.as_dict(vessel) for handle in handles(vessel)],
        "scene": scene(vessel, body),
        "limits": broken_limits(vessel, body),
        "cautions": list(vessel.cautions),
    }


_OF_HOLES = ("name", "finger", "along_mm", "around_deg", "diameter_mm")


def _chamber(vessel: Vessel, n: int) -> dict[str, Any]:
    chamber = vessel.chambers[n]
    return {
        "name": chamber.name,
        "voiced": chamber.voicing is not None,
        "holes": [
            {"key": f"{chamber.name}.hole.{hole.name}", **{name: getattr(hole, name) for name in _OF_HOLES}}
            for hole in chamber.holes
        ],
        "notes": [
            {"pitch": note.pitch, "open": list(note.open), "target_hz": target_of(vessel, note)}
            for note in chamber.notes
        ],
    }


def dragged(text: str, source: str, values: Mapping[str, float]) -> dict[str, Any]:
    """Places of everything while numbers are dragged to `values`, and the limits that are broken; no sound yet."""
    before = _read(text, source)
    try:
        vessel = moved(before, values)
    except InputError as why:
        return {"faults": [_fault(before, fault) for fault in why.faults]}
    try:
        body = drawn(vessel)
    except InputError as why:
        return {"faults": [_fault(before, fault) for fault in inspect(vessel) or why.faults]}  # inspect names the place
    # Surfaces are most of a scene: they are sent only when they change.
    walls = [c.wall for c in body.chambers] != [c.wall for c in drawn(before).chambers]
    return {"faults": [], "scene": scene(vessel, body, walls), "limits": broken_limits(vessel, body)}


def sounded(text: str, source: str, values: Mapping[str, float]) -> dict[str, Any]:
    """Pitch of every note by the port model, with numbers at `values`: Hz and cents above the target."""
    before = _read(text, source)
    try:
        return {"faults": [], "notes": _sounded(moved(before, values) if values else before)}
    except SimkitError as why:
        return {"faults": [_fault(before, fault) for fault in getattr(why, "faults", [str(why)])]}


def _sounded(vessel: Vessel) -> list[dict[str, Any]]:
    if not any(chamber.notes for chamber in vessel.chambers):
        # no notes: each chamber with all holes covered
        return [{"hz": note.answer.frequency_hz, "cents": None} for note in predict(vessel).notes]
    trial = _trial(vessel)
    hz = np.concatenate([voice.played / (2 * np.pi) for voice in trial.voices])
    return [{"hz": float(f), "cents": float(c)} for f, c in zip(hz, trial.cents, strict=True)]


@lru_cache(maxsize=2)
def _trial(vessel: Vessel) -> Trial:
    """The design on trial; kept while its slopes are asked for too."""
    return Trial.alone(vessel, SETTING)


def slopes(text: str, source: str, which: str, exact: bool = False) -> dict[str, Any]:
    """Derivatives of every note by every number that can be dragged, cents per its unit, by the port model.

    which: "openings" or "bodies" (a stretched body takes a field on moved meshes). exact: as `slopes_beside`.
    """
    vessel = _read(text, source)
    # Bodies' slopes take far longer, and are asked later.
    numbers = [n for h in handles(vessel) for n in h.numbers if (h.kind == "body") == (which == "bodies")]
    if not numbers or not any(chamber.notes for chamber in vessel.chambers):
        return {"slopes": {}}
    # The same sound with other numbers free: nothing is solved anew.
    free = Freedom(vessel, tuple(numbers))
    trial = Trial(free, free.start, SETTING, vessel, _trial(vessel).body).sounding(_trial(vessel).voices)
    found = slopes_beside(trial, trial.neighbours, exact=exact)
    return {"slopes": {number.name: found[:, n].tolist() for n, number in enumerate(numbers)}}


def predicted(text: str, source: str, values: Mapping[str, float] | None = None) -> dict[str, Any]:
    """Answers of the commands for every note: Hz, cents, the doubt, and how it blows, with numbers at `values`."""
    before = _read(text, source)
    vessel = moved(before, values) if values else before
    predicted = predict(vessel)
    notes = [
        {"hz": note.answer.frequency_hz, "cents": note.answer.cents, "doubt_cents": note.answer.uncertainty_cents}
        for chamber in predicted.chambers
        if chamber.name in _shown(vessel)
        for note in chamber.notes
    ]
    blowing, cautions = _blowing(vessel)
    for note, how in zip(notes, blowing, strict=True):
        note |= how
    # These stand in the state already.
    said = [text for text in (*predicted.cautions, *cautions) if text not in vessel.cautions]
    return {"notes": finite(notes), "cautions": list(dict.fromkeys(said))}


def _shown(vessel: Vessel) -> list[str]:
    """The chambers whose notes are shown: those that have notes, or all, covered, where none has."""
    return [c.name for c in vessel.chambers if c.notes] or [c.name for c in vessel.chambers]


def _blowing(vessel: Vessel) -> tuple[list[dict[str, Any]], tuple[str, ...]]:
    """Blowing behaviour of every note that is shown; nothing of a chamber without a window."""
    # advice takes further solves, and is the command's
    table = blow(vessel, advise=False) if any(chamber.voicing for chamber in vessel.chambers) else None
    by_chamber = {chamber.name: chamber.notes for chamber in table.chambers} if table else {}
    found: list[dict[str, Any]] = []
    for name in _shown(vessel):
        count = max(len(vessel.chamber(name).notes), 1)
        found += [_blows(note.blown) for note in by_chamber.get(name, ())] or [_blows(None)] * count
    return found, table.cautions if table else ()


def _blows(b: NoteBlown | None) -> dict[str, Any]:
    if b is None:
        return {"pressure_pa": None, "margin": None, "speaks": None}
    return {"pressure_pa": b.pressure, "margin": b.overblow_margin, "speaks": bool(b.speaks)}


def finished(text: str, source: str, values: Mapping[str, float]) -> dict[str, Any]:
    """The design's text with numbers at `values` written into it, its remarks kept."""
    before = _read(text, source)
    after = let_go(before, values)
    return {"text": rewritten(text, before, after)}


# --- what may not be ------------------------------------------------------------------------------


def broken_limits(vessel: Vessel, body: Body) -> list[dict[str, Any]]:
    """Limits of clay and hands that are broken, by how much, and the openings that each is about."""
    limits = Limits()
    left = limits.left(vessel, body)
    broken = np.flatnonzero(left < -BROKEN_MM)
    rows = limits.rows(vessel, body) if len(broken) else ()  # words are made only where something is to be said
    return [
        {"what": rows[n].what, "rule": rows[n].rule, "lacks": rows[n].lacks(left[n]), "where": _where(rows[n], body)}
        for n in broken.tolist()
    ]


def _where(row: LimitRow, body: Body) -> list[str]:
    """The keys of the openings that a limit names."""
    several = len(body.chambers) > 1
    found = []
    for solid in body.chambers:
        for opening in solid.all_openings:
            name = f"hole {solid.name + ' ' if several else ''}{opening.name}" if opening.is_round else "window"
            if re.search(rf"\b{re.escape(name)}(?!\w)", row.what):  # hole 1, but not hole 10
                found.append(opening_key(solid.name, opening))
    return found


def _fault(vessel: Vessel, fault: Fault | str) -> dict[str, Any]:
    """A fault of a design that cannot be made: what it is, in words without the file's name, and where."""
    if isinstance(fault, str):
        return {"what": fault, "where": []}
    key = fault.key
    known = [key_of for key_of in _keys(vessel) if key == key_of or key.startswith(f"{key_of}.")]
    return {"what": str(Fault("", key, fault.value, fault.allowed)), "where": known}


def _keys(vessel: Vessel) -> Iterator[str]:
    for chamber in vessel.chambers:
        if chamber.voicing:
            yield f"{chamber.name}.voicing"
        yield from (f"{chamber.name}.hole.{hole.name}" for hole in chamber.holes)


# --- sounds, combinations, the bench --------------------------------------------------------------


def blown(text: str, source: str) -> dict[str, Any]:
    """Blowing behaviour of every note, as the command `blow` has it in JSON, with its target and its resonances."""
    vessel = _read(text, source)
    table = blow(vessel, advise=False)
    chambers = []
    for chamber in table.chambers:
        written = vessel.chamber(chamber.name)
        motion = chamber.blown.loop.motion
        notes, tones = [], timbre(chamber.blown)
        for n, each in enumerate(chamber.notes):
            tone = tones[n]
            note = written.notes[n] if written.notes else None
            rings = [
                {"hz": float(w.real / (2 * np.pi)), "q": float(w.real / (2 * w.imag)) if w.imag > 0 else None}
                for w in np.atleast_1d(motion.omega[n])
                if w
            ]
            target = target_of(vessel, note) if note else None
            notes.append(each.as_dict() | {"chamber": chamber.name, "target_hz": target, "resonances": rings})
            notes[-1]["tone"] = tone and tone.as_dict()
        chambers.append({"name": chamber.name, "holes": [hole.name for hole in written.holes], "notes": notes})
    return {"chambers": finite(chambers), "cautions": list(table.cautions)}


MOST_CHARTED = 12  # holes: 4,096 combinations


def charted(text: str, source: str) -> dict[str, Any]:
    """Hz of every combination of holes by the port model, as played; bit i of a place in the list is hole i, open."""
    from simkit.sound import models

    vessel = _read(text, source)
    chambers = []
    for case in models.cases(vessel, state="played"):
        holes = [hole.name for hole in vessel.chamber(case.chamber.name).holes]
        hz = None
        if len(holes) <= MOST_CHARTED:
            # Bit i of the row's number: hole i.
            openness = (np.arange(2 ** len(holes))[:, None] >> np.arange(len(holes)) & 1).astype(float)
            hz = (models.resonator("ports", case).lowest(openness).real / (2 * np.pi)).tolist()
        chambers.append({"name": case.chamber.name, "holes": holes, "hz": hz})
    return {"chambers": chambers}


def benched(text: str, source: str, log: str, given: Mapping[str, Any]) -> dict[str, Any]:
    """The bench's answer for the design of a file, as `tune` has it in JSON; what is given goes into the log."""
    from simkit.making import stage
    from simkit.tuning import tune

    known = {name: given[name] for name in _BENCH if given.get(name) is not None}
    if "stage" in known:
        known["stage"] = stage(known["stage"])  # the page sends words
    # Who only looks begins no log.
    kept = log if known.keys() - {"chamber"} or Path(log).exists() else None
    vessel = _read(text, source)
    if vessel.clay.shrinkage_percent is None and not Path(log).exists():
        allowed = (
            "a number from 0 to 25, what your clay shrinks from wet to fired: write it into the file, under [clay]"
        )
        raise InputError([Fault(vessel.source, "clay.shrinkage_percent", None, allowed)])
    found: dict[str, Any] = finite(tune(vessel, log=kept, **known).as_dict())
    return found


_BENCH = (
    "chamber", "stage", "temperature_c", "heard", "cut", "volume_ml", "wall_mm", "filled", "sure", "own_pitch", "undo",
    "window_changed",
)  # fmt: skip
