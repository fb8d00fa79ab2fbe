"""Walls of shapes of other packages, tried before anything leans on them."""

from __future__ import annotations

import numpy as np

from simkit import plugins
from simkit.body.walls.primitives import Sheet
from simkit.body.walls.triangulated import SurfaceError
from simkit.body.walls.wall import Wall
from simkit.errors import SimkitError
from simkit.vessel.shapes import GROUP, FurtherShape

VOLUMES_AGREE = 0.06  # of the volume: a ball's 24 by 24 rings enclose 2 percent less
ON_WALL = 1e-3  # of the size, for rings that should lie on the wall


def further_wall(shape: FurtherShape) -> Wall:
    """The wall of a shape of another package; the fault of its plug-in where that raises or is no wall."""
    try:
        with np.errstate(all="ignore"):  # what overflows is found below as no number
            wall = shape.wall()
            said = _unsound(wall) if isinstance(wall, Wall) else f"it is a {type(wall).__name__}, allowed: a Wall"
    except (SimkitError, SurfaceError):  # said on purpose
        raise
    except Exception as error:
        raise plugins.misfit(GROUP, shape.kind, f"its wall: {plugins.in_line(error)}") from error
    if said:
        raise plugins.misfit(GROUP, shape.kind, f"its wall: {said}")
    found: Wall = wall
    return found


def _unsound(wall: Wall) -> str:
    """The reason why a wall cannot be meshed or measured; nothing where it can. What its parts raise is let through."""
    box, sheets = np.asarray(wall.box, float), wall.sheets()
    if box.shape != (2, 3) or not np.isfinite(box).all() or not (box[1] > box[0]).all():
        return f"its box is {box.tolist()}, allowed: the lower and the upper corner (2, 3), m"
    # In this order: what comes later leans on what comes before.
    said = _no_rings(sheets) or _off_formula(wall, sheets)
    if said:
        return said
    every = np.concatenate([sheet.points.reshape(-1, 3) for sheet in sheets])
    past = float(max((box[0] - every).max(), (every - box[1]).max()))
    if past > ON_WALL * float(np.ptp(box)):
        return f"its rings reach {1e3 * past:.3g} mm beyond its box"
    wall.solid(), wall.complaint(), wall.creased, wall.caution  # asked only so that what they raise is raised here
    # Within the rings by Gauss's law: a third of the integral of x . n.
    enclosed = sum(float(np.einsum("ni,ni->", *sheet.facets)) / 3 for sheet in sheets)
    volume = float(wall.volume)
    # Sheets that overlap, as of several bodies in one, enclose more than there is.
    least = (1 - VOLUMES_AGREE) * enclosed if len(sheets) == 1 else 0.0
    if not least < volume < (1 + VOLUMES_AGREE) * enclosed:
        return f"its volume is {1e6 * volume:.4g} ml, and its rings enclose {1e6 * enclosed:.4g} ml"
    return ""


def _no_rings(sheets: tuple[Sheet, ...]) -> str:
    for sheet in sheets:
        shape, normals = np.shape(sheet.points), np.shape(sheet.normals)
        if len(shape) != 3 or shape[2] != 3 or normals != shape:
            return f"a sheet of it has points {shape} and normals {normals}, allowed: (rings, around, 3) both"
        if not (np.isfinite(sheet.points).all() and np.isfinite(sheet.normals).all()):
            return "a sheet of it has points or normals that are no numbers"
    return "" if sheets else "it has no sheets"


def _off_formula(wall: Wall, sheets: tuple[Sheet, ...]) -> str:
    """The fault of a formula whose numbers are none, or not of the wall that the sheets cover; else nothing."""
    # Without poles, where a slope may vanish, and without the column that comes twice.
    points = np.concatenate([sheet.points[1:-1, :-1].reshape(-1, 3) for sheet in sheets])
    taylor, count = wall.taylor(points), len(points)
    for name, values, right in (
        ("value", wall.level(points), (count,)),
        ("slope", taylor.slope, (count, 3)),
        ("hessian", taylor.hessian, (count, 3, 3)),
    ):
        if np.shape(values) != right:
            return f"the {name} of its formula is {np.shape(values)} at {count} points, allowed: {right}"
        if not np.isfinite(values).all():
            return f"the {name} of its formula is no number somewhere on it"
    off = taylor.value / np.maximum(np.linalg.norm(taylor.slope, axis=1), 1e-300)
    # Sheets of several bodies may run on inside of others, where the formula is negative.
    far = float(off.max() if len(sheets) > 1 else np.abs(off).max())
    if far > ON_WALL * float(np.ptp(wall.box)):
        return f"its rings lie up to {1e3 * far:.3g} mm off the place where its formula is 0"
    return ""
