"""A design to start from: a small four-hole whistle of the wanted shape, every key explained."""

from __future__ import annotations

from typing import NamedTuple

from simkit.errors import Fault, InputError
from simkit.vessel.design import Vessel
from simkit.vessel.reader import loads
from simkit.vessel.spelling import did_you_mean
from simkit.vessel.wishes import clay_faults


class _StarterShape(NamedTuple):
    """A shape of 60 ml: what to say of it, its keys, and its length for placing window and holes."""

    about: str
    keys: str
    length_mm: float
    diameters_mm: tuple[float, ...] = (3.46, 4.14, 2.9, 5.16)  # of the holes in the order of `_HOLES`


# All have the same window, about the same holes and about the same air: each starts within 1.5 cents of C5 to G5, as
# played, by the port model.
_STARTS = {
    "sphere": _StarterShape("a ball", "diameter_mm = 48.85", 48.85, (3.51, 4.19, 2.92, 5.2)),
    "ellipsoid": _StarterShape(
        "a ball stretched along, across and up",
        "length_mm = 68            # along, away from the mouth end\n"
        "width_mm = 46             # across\n"
        "height_mm = 36.9          # up",
        68,
        (3.47, 4.16, 2.89, 5.19),
    ),
    "egg": _StarterShape(
        "an ellipsoid with its thick end at one side",
        "length_mm = 68            # along, away from the mouth end\n"
        "width_mm = 46             # across\n"
        "height_mm = 37            # up\n"
        "widest_at = 0.42          # share of the length, from the mouth end (0.5 is an ellipsoid)",
        68,
    ),
    "lens": _StarterShape(
        "a flattened pendant",
        "length_mm = 66            # along, away from the mouth end\n"
        "width_mm = 60             # across\n"
        "height_mm = 30.9          # up\n"
        "rim_mm = 6                # radius of the rounded rim, in a cut across the width",
        66,
        (3.48, 4.19, 2.91, 5.24),
    ),
    "tube": _StarterShape(
        "a round tube",
        'length_mm = 70.0          # ends included\ndiameter_mm = 36\nends = "round"            # or "flat"',
        70.0,
        (3.38, 4.1, 2.83, 5.14),
    ),
    "box": _StarterShape(
        "a box with rounded edges",
        "length_mm = 66            # along, away from the mouth end\n"
        "width_mm = 44             # across\n"
        "height_mm = 22.9          # up\n"
        "corner_mm = 8             # radius of its edges; 0 leaves them sharp",
        66,
        (3.42, 4.2, 2.88, 5.32),
    ),
    "sections": _StarterShape(
        "a body drawn through sections, as over the ribs of a boat",
        "# Each row: along, width, height, rise of its middle, squareness (2 is an ellipse, more is squarer).\n"
        "# A first or last row of width 0 closes round, else flat.\n"
        "sections = [\n"
        "    [ 0,  0.0,  0.0, 0, 2],\n"
        "    [12, 28.9, 25.0, 0, 2],\n"
        "    [35, 42.4, 35.6, 2, 2.2],\n"
        "    [60, 32.8, 29.0, 1, 2],\n"
        "    [78,  0.0,  0.0, 0, 2],\n"
        "]",
        78,
        (3.4, 4.1, 2.85, 5.12),
    ),
    "lobes": _StarterShape(
        "overlapping ellipsoids: here a body and a head",
        "# Each row: where its middle is (along, across, up), then its length, width, height.\n"
        "lobes = [\n"
        "    [31, 0, 0, 62, 43, 38.3],\n"
        "    [58, 0, 7, 30, 27, 26],\n"
        "]",
        62,
        (3.45, 4.17, 2.89, 5.23),
    ),
}

STARTER_SHAPES = tuple(_STARTS)

# (hole, share of the length, around_deg, finger)
_HOLES = (
    ("1", 0.68, -38, "left index"),
    ("2", 0.40, -38, "left middle"),
    ("3", 0.68, 38, "right index"),
    ("4", 0.40, 38, "right middle"),
)
# Each note with how many holes are open in it.
_NOTES = (("C5", 0), ("D5", 1), ("E5", 2), ("F5", 3), ("G5", 4))


def starter(
    shape: str = "egg", title: str = "First whistle", wall_mm: float = 4.0, shrinkage_percent: float = 10.0
) -> str:
    """The text of a commented design file: a chamber of 60 ml with a window and four holes, for C5 to G5.

    An InputError for an unknown shape or impossible clay.
    """
    faults = list(clay_faults(wall_mm=wall_mm, shrinkage_percent=shrinkage_percent))
    if faults:
        raise InputError(faults)
    if shape not in _STARTS:
        allowed = f"one of {', '.join(_STARTS)}" + did_you_mean(shape, _STARTS)
        raise InputError([Fault.of("shape", shape, allowed)])
    start = _STARTS[shape]
    holes = "\n".join(
        _HOLE.format(name=name, along=share * start.length_mm, around=around, diameter=diameter, finger=finger)
        for (name, share, around, finger), diameter in zip(_HOLES, start.diameters_mm, strict=True)
    )
    names = [f'"{name}"' for name, *_ in _HOLES]  # opened one after the other
    notes = "\n".join(_NOTE.format(pitch=pitch, open=", ".join(names[:count])) for pitch, count in _NOTES)
    return _DESIGN.format(
        title=title,
        wall=f"{wall_mm:g}".ljust(15),  # so that the remarks stand in a column
        shrinkage=f"{shrinkage_percent:g}".ljust(5),
        shape=shape,
        pad=" " * max(2, 16 - len(shape)),
        about=start.about,
        keys=start.keys,
        window=0.2 * start.length_mm,  # near the mouth end, clear of the holes
        holes=holes,
        notes=notes,
    )


def new(shape: str = "egg", *, wall_mm: float | None = None, shrinkage_percent: float | None = None) -> Vessel:
    """A design to start from: a small whistle of that shape with a window and four holes, for C5 to G5.

    wall_mm: else 4; shrinkage_percent: else 10. An InputError for an unknown shape or impossible clay.

    >>> new("sphere").chambers[0].shape.kind
    'sphere'
    """
    wall_mm = 4.0 if wall_mm is None else wall_mm
    shrinkage_percent = 10.0 if shrinkage_percent is None else shrinkage_percent
    return loads(starter(shape, wall_mm=wall_mm, shrinkage_percent=shrinkage_percent), "a new design")


_HOLE = """\
[[chamber.hole]]
name = "{name}"
along_mm = {along:.0f}
around_deg = {around}
diameter_mm = {diameter}
finger = "{finger}"
"""

_NOTE = """\
[[chamber.note]]
pitch = "{pitch}"
open = [{open}]
"""

_DESIGN = """\
# A design for simkit. Everything after a # is a remark.
#
# Sizes are those of the AIR INSIDE, in the FIRED piece, in millimetres.
# A chamber's are from 1 to 1000, a window's from 0.3, a hole's from 0.1, a wall's from 0.1 to 100 (0 is a thin shell).
# Hold the piece with its mouth end towards you:
#
#     seen from above                     seen from the mouth end
#
#         far end                               around_deg = 0
#        .-------.                                .-------.
#      .'         '.       ^                    .'    |    '.
#     /             \\      |                   /      |      \\
#    |  (1)     (3)  |     |  along_mm   -90  |       o       |  90
#    |               |     |                   \\    axis     /
#    |  (2)     (4)  |     |                    '.         .'
#     \\             /      |                      '-[___]-'
#      '.  .---.  .'       |                     window at 180
#        '-|   |-'         0
#          |   |
#     mouth end; across_mm runs to the right, up_mm towards you from the paper
#
# A hole sits where the line from the axis at along_mm, in the direction around_deg, first
# meets the wall (in sections: from the middle of the section there). It is cut square to the wall,
# or, from the same place, along a direction of its own, such as direction = [0, 0, 1] (along, across, up).
# The window may have one too; the windway then runs square to it.
#
# The window, cut open along the breath (the outside is up):
#
#     #################|                   .-'#####
#     #### clay #######|                .-'########
#     #################|             .-'###########   edge_deg is the angle of this slope
#     windway  ->   ->   ->   ->   <' edge ########
#     #################|
#     #################|<-cut_up_mm->|   air inside
#
#     windway_height_mm is the height of the windway, window_width_mm runs into the paper; a windway that is not level
#     with the window but comes down to it has a windway_slope_deg, such as 8

title = "{title}"

[clay]
wall_mm = {wall} # thickness of the wall
shrinkage_percent = {shrinkage} # wet to fired, along a line; measure your own clay

# A figure: an outside of its own in place of the even wall, and solid parts of clay joined to it. Each is any shape
# that a chamber can have, placed by offset_mm and turned by turn_deg, tilt_deg (far end up) and roll_deg. Holes and
# windway then run through the clay that is there; wall_mm is the least that is wanted.
# [outside]
# shape = "ellipsoid"
# length_mm = 96
# width_mm = 62
# height_mm = 56
# offset_mm = [-10, 0, 0] # along, across, up
# [[part]]
# name = "left front leg"
# shape = "ellipsoid"
# length_mm = 34
# width_mm = 15
# height_mm = 15
# offset_mm = [20, -14, -14]
# tilt_deg = -90          # its far end points down

[hand]                    # what the fingers allow; simkit optimise keeps to it
fingertip_mm = 17         # breadth
spacing_mm = 16           # least from middle to middle of two holes, outside

# [air] says what the piece is played in; without it 20 degrees C, half humid.
# [air]
# temperature_c = 20
# humidity_percent = 50

[[chamber]]
name = "body"
shape = "{shape}"{pad}# {about}
{keys}

# Where breath becomes sound. Without it the chamber is a plain resonator.
[chamber.voicing]
along_mm = {window:.0f}             # middle of the window
around_deg = 180          # 180 is underneath
breath_toward_deg = 0     # 0: the breath runs away from the mouth end
window_width_mm = 11.8
cut_up_mm = 4.1           # from the windway's exit to the edge
windway_height_mm = 1.2
windway_length_mm = 25
edge_deg = 45

# What the windway runs through to the lips. In pictures and solids there is always one; written, the air around it
# counts in the notes too. Its other keys: length_mm (beyond the body), width_mm and height_mm (at the lips), roof_mm,
# lips_width_mm.
# [chamber.mouthpiece]
# floor_mm = 3            # clay under the windway; sides_mm beside it
# lips_height_mm = 1.8    # of the windway at the lips: it tapers evenly to windway_height_mm at its exit

# The holes, in the order in which the fingerings are drawn. Larger sounds higher.
{holes}
# The notes, and the holes open for each; all others are covered, [] covers all.
{notes}"""
