"""A divided range as a design file: what stands before the chambers, and each chamber with its holes and notes."""

from __future__ import annotations

import numpy as np

from simkit.body.walls.formulas import EggWall
from simkit.body.walls.wall import cast, normals
from simkit.optimisation.designing.dividing import ChamberPlan, finger, rows
from simkit.optimisation.problem.bounds import root_within
from simkit.vessel.wishes import WishedRange

_SLACK_SHARE = 0.04  # fingers set wider apart than asked, so that a chamber may still shrink
_SIDES, _LOW, _UNDER = 34.0, 75.0, 150.0  # degrees from the top: the two hands' rows, from and to, and the thumbs
_WIDEST_AT = 0.45  # of the length
_LIP_MM = 14.0  # from the mouth end to where the windway opens


def head_text(wish: WishedRange) -> str:
    """Text of the file before the chambers."""
    return _HEAD.format(
        title=f"{wish.scale} from {wish.lowest} to {wish.highest}",
        wall=wish.wall_mm,
        fingertip=wish.fingertip_mm,
        spacing=wish.spacing_mm,
        shrinkage=wish.shrinkage_percent,
    )


_HEAD = """\
# Several chambers in one body. Each has its own window, its own holes and its own notes; the player goes
# from one to the next. Sizes are of the air inside, in the fired piece, in mm. along runs away from the
# player, across to the right; around_deg is 0 on top, 90 to the right, 180 underneath.
title = "{title}"

[clay]
wall_mm = {wall:g}
shrinkage_percent = {shrinkage:g}

[hand]
fingertip_mm = {fingertip:g}         # breadth
spacing_mm = {spacing:g}           # least from middle to middle of two fingers' holes
"""

_CHAMBER = """
[[chamber]]
name = "{name}"              # {notes}
shape = "egg"
length_mm = {length:.2f}
width_mm = {width:.2f}
height_mm = {height:.2f}
widest_at = {widest_at:g}
offset_mm = [0, 0, 0]        # along, across, up

[chamber.voicing]
along_mm = {along:.1f}
around_deg = 180
breath_toward_deg = 0        # away from the player's lips
window_width_mm = {window:.2f}
cut_up_mm = {cut_up:.2f}
windway_height_mm = 0.9
windway_length_mm = {windway:.1f}
edge_deg = 45
"""

_HOLE = """
[[chamber.hole]]
name = "{name}"
along_mm = {along:.1f}
around_deg = {around:.4g}
diameter_mm = {diameter:.2f}
finger = "{finger}"
"""

_NOTE = """
[[chamber.note]]
pitch = "{pitch}"
open = [{opened}]
"""


def chamber_text(wish: WishedRange, name: str, plan: ChamberPlan) -> str:
    """Text of one chamber of the file."""
    window = 0.2 * plan.length_mm  # from the mouth end
    text = _CHAMBER.format(
        name=name,
        notes=" to ".join(map(str, dict.fromkeys((plan.pitches[0], plan.pitches[-1])))),
        length=plan.length_mm,
        width=plan.width_mm,
        height=plan.height_mm,
        widest_at=_WIDEST_AT,
        along=window,
        window=plan.window_width_mm,
        cut_up=plan.cut_up_mm,
        windway=window + _LIP_MM,
    )
    count = len(plan.diameters_mm)
    for n, (along, around) in enumerate(places(wish, plan)):
        text += _HOLE.format(
            name=n + 1, along=along, around=around, diameter=plan.diameters_mm[n], finger=finger(n, count)
        )
    for n, pitch in enumerate(plan.pitches):
        text += _NOTE.format(pitch=pitch, opened=", ".join(f'"{k + 1}"' for k in range(n)))
    return text


def places(wish: WishedRange, plan: ChamberPlan) -> list[tuple[float, float]]:
    """Along (mm) and around (degrees) of every hole in the order they open: two rows on top, thumbs underneath."""
    count, step = len(plan.steps), wish.spacing_mm * (1 + _SLACK_SHARE)
    deep, on_top = rows(count)[0], sum(rows(count))
    middle = 0.57 * plan.length_mm  # of the rows: clear of the window
    row = [middle + ((deep - 1) / 2 - n) * step for n in range(deep)]
    aside = _aside_deg(wish, plan, row[: on_top // 2], step)
    sides = [-1 if n % 2 == 0 else 1 for n in range(count)]  # left, right, left, ... as `finger` gives them
    return [(row[n // 2], s * aside) if n < on_top else (middle, s * _UNDER) for n, s in enumerate(sides)]


def _aside_deg(wish: WishedRange, plan: ChamberPlan, row: list[float], apart_mm: float) -> float:
    """Degrees from the top at which two rows with holes at these places along, mm, are so far apart on the outside."""
    wall = EggWall(1e-3 * plan.width_mm, 1e-3 * plan.length_mm, 1e-3 * plan.height_mm, _WIDEST_AT)

    def room(deg: float) -> float:
        way = np.array([np.sin(np.radians(deg)), 0.0, np.cos(np.radians(deg))])
        inside = [cast(wall, np.array([0.0, 1e-3 * along, 0.0]), way) for along in row]
        outside = [1e3 * p + wish.wall_mm * normals(wall, p)[0] for p in inside if p is not None]  # fingers lie outside
        return min((2 * p[0] for p in outside), default=np.inf) - apart_mm  # from the left to the right hand's hole

    return root_within(room, _SIDES, _LOW)  # lower down the hands cannot hold it
