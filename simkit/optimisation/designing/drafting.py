"""A divided range as a design file: what stands before the chambers, and each chamber with its holes and notes."""

from __future__ import annotations

from simkit.optimisation.designing.dividing import ChamberPlan, finger, rows
from simkit.vessel.wishes import WishedRange

_SLACK_SHARE = 0.04  # fingers set wider apart than asked, so that a chamber may still shrink
_SIDES, _UNDER = 34.0, 150.0  # degrees from the top: the two hands' rows, the thumbs
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
widest_at = 0.45
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
around_deg = {around:g}
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
    window = 0.2 * plan.length_mm
    text = _CHAMBER.format(
        name=name,
        notes=" to ".join(map(str, dict.fromkeys((plan.pitches[0], plan.pitches[-1])))),
        length=plan.length_mm,
        width=plan.width_mm,
        height=plan.height_mm,
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
    count = len(plan.diameters_mm)
    deep, on_top = rows(count)[0], sum(rows(count))
    middle = 0.57 * plan.length_mm
    found = []
    for n in range(count):
        side = -1 if n % 2 == 0 else 1
        if n < on_top:
            step = wish.spacing_mm * (1 + _SLACK_SHARE)
            found.append((middle + ((deep - 1) / 2 - n // 2) * step, side * _SIDES))
        else:
            found.append((middle, side * _UNDER))
    return found
