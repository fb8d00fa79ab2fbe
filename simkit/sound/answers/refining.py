"""Convergence of an answer with the mesh: the same asked on cells of full, middling and half size.

Richardson 1911, Phil. Trans. R. Soc. A 210, 307: an answer that errs like the power p of the cells' size moves by
2^(p/2) less in the second of two steps of the root of two. So the steps give the order, and the error that is left.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
from numpy.typing import ArrayLike

from simkit.columns import cell, text_table
from simkit.errors import Fault, InputError
from simkit.field.fem.modes import closed_modes
from simkit.frozen import frozen
from simkit.sound import models
from simkit.sound.catalogue import able, is_known, model_of, names
from simkit.sound.models.resonator import openness_of_all
from simkit.vessel import Vessel

STEP = 2**0.5
CLOSED = "closed"


@frozen
class Halved:
    """Frequencies on three meshes, and the mesh's error in the first by them.

    names (n,): what each frequency is of; sizes (3,): the cells' size over the standard, the last half of the first;
    hz (3, n); order (n,): the power of the size with which what the mesh adds falls away, NaN where the two steps go
    opposite ways or grow, so that no power fits; settled_hz (n,): without a mesh, by that power, or as the last mesh
    has it where none fits.
    """

    names: tuple[str, ...]
    sizes: np.ndarray
    hz: np.ndarray
    order: np.ndarray
    settled_hz: np.ndarray

    def __repr__(self) -> str:
        return f"Halved({len(self.names)} frequencies, off by at most {np.abs(self.left_cents[0]).max():.2g} cents)"

    def __str__(self) -> str:
        rows = zip(self.names, self.hz[0], self.settled_hz, self.left_cents[0], self.order, strict=True)
        texts = ((name, cell(hz, 2), cell(free, 2), cell(left, 2), cell(p)) for name, hz, free, left, p in rows)
        return text_table(("what", "Hz", "without a mesh", "off by cents", "order"), texts)

    @property
    def left_cents(self) -> np.ndarray:
        """Deviation of each mesh's frequencies from the extrapolated ones, cents (3, n)."""
        return np.asarray(1200 * np.log2(self.hz / self.settled_hz))


def extrapolated(names: Iterable[str], sizes: ArrayLike, hz: ArrayLike) -> Halved:
    """Limit and order of convergence of answers hz (3, n) on cells of `sizes` (3,), each step by one factor.

    >>> halves = extrapolated(["tone"], [1.0, 0.5, 0.25], [[400 + 1.6], [400 + 0.1], [400 + 0.00625]])
    >>> round(float(halves.order[0]), 9), round(float(halves.settled_hz[0]), 9)
    (4.0, 400.0)
    """
    sizes, hz = np.asarray(sizes, float), np.asarray(hz, float)
    first, second = hz[0] - hz[1], hz[1] - hz[2]
    falls = (first * second > 0) & (np.abs(second) < np.abs(first))
    # The second step over the first, 2^(-p/2) for the power p.
    shrink = np.where(falls, second / np.where(falls, first, 1.0), np.nan)
    order = np.log(shrink) / np.log(sizes[1] / sizes[0])
    # The steps yet to come: a geometric series.
    beyond = np.where(falls, second * shrink / (1 - np.where(falls, shrink, 0.0)), 0.0)
    return Halved(tuple(names), sizes, hz, order, hz[2] - beyond)


def halved(
    vessel: Vessel, model: str = "ports", *, lossless: bool = False, mesh: float = 1.0, count: int = 6
) -> Halved:
    """Ask a model for the notes of a design on cells of `mesh` times the standard size, and down to half of that.

    model: one that has a mesh, for the notes as `predict` has them (without notes, all holes covered), or "closed" for
    the `count` lowest modes of each chamber shut flush. Half the size takes some ten times as long and much more
    memory: `resolved` says so where it is too much.
    """
    if model != CLOSED and not (is_known(model) and model_of(model).meshed):
        meshed = able("meshed")
        without = ", ".join(name for name in names() if name not in meshed)
        allowed = f"{', '.join(meshed)} or {CLOSED}; {without} has no mesh"
        raise InputError([Fault.of("model", model, allowed)])
    models.cases(vessel, lossless=lossless, mesh=mesh / 2)  # the smallest first, before any time is spent
    sizes = mesh / STEP ** np.arange(3)  # two steps of the root of two: full, middling, half
    ask: Callable[..., dict[str, float]] = _closed if model == CLOSED else _notes
    found = [ask(vessel, model, lossless, float(size), count) for size in sizes]
    return extrapolated(found[0], sizes, [list(each.values()) for each in found])


def _closed(vessel: Vessel, model: str, lossless: bool, mesh: float, count: int) -> dict[str, float]:
    """Modes are of the shape, so without losses."""
    found: dict[str, float] = {}
    for case in models.cases(vessel, lossless=True, mesh=mesh):
        modes = closed_modes(case.chamber.wall, count, mesh=mesh)
        hz = case.airs.chamber.sound_speed * modes.k / (2 * np.pi)
        found |= {f"{case.chamber.name} {n}": float(f) for n, f in enumerate(hz, 1)}
    return found


def _notes(vessel: Vessel, model: str, lossless: bool, mesh: float, count: int) -> dict[str, float]:
    found: dict[str, float] = {}
    for case in models.cases(vessel, lossless=lossless, mesh=mesh):
        resonator = models.resonator(model, case)
        notes = [(note.pitch, note.open) for note in vessel.chamber(case.chamber.name).notes] or [("all covered", ())]
        openness = openness_of_all(resonator.holes, [opened for _, opened in notes])
        for n, ((pitch, _), omega) in enumerate(zip(notes, resonator.lowest(openness), strict=True), 1):
            if omega:
                found[f"{case.chamber.name} {n} {pitch}"] = float(omega.real) / (2 * np.pi)
    return found
