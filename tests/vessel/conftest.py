"""A design with every key written, and a sound one per shape."""

import pytest

SURROUNDINGS = """
title = "Harbour dove"

[air]
temperature_c = 22
humidity_percent = 60
pressure_pa = 99000
co2_ppm = 800

[breath]
temperature_c = 33
humidity_percent = 90
co2_percent = 4.5
clay_c = 28

[clay]
wall_mm = 5.0
shrinkage_percent = 11.0
edge_radius_mm = 0.4
edge_inside_radius_mm = 0.2

[player]
mouth_ml = 60
face_mm = 25
hover_mm = 15

[hand]
fingertip_mm = 17.0
spacing_mm = 20
span_mm = 180

[scale]
a4_hz = 442
temperament = "just"
tonic = "D"

[jet]
receptivity = 0.4

[free]
"body.length_mm" = [80, 110]
"body.hole.2.diameter_mm" = "= body.hole.1.diameter_mm"
"""

OPENINGS = """
[chamber.voicing]
along_mm = 16
around_deg = 180
breath_toward_deg = 10
window_width_mm = 12
cut_up_mm = 5.5
windway_height_mm = 1.4
windway_length_mm = 32
edge_deg = 40
edge_offset_mm = 0.2
wall_mm = 4
edge_radius_mm = 0.1

[[chamber.hole]]
name = "1"
along_mm = 34
around_deg = -25
diameter_mm = 6.0
wall_mm = 4.5
edge_radius_mm = 0.5
edge_inside_radius_mm = 0.6
finger = "left index"

[[chamber.hole]]
name = "2"
along_mm = 34
around_deg = 25
diameter_mm = 6.5

[[chamber.note]]
pitch = "C5"
open = []

[[chamber.note]]
pitch = "D5"
cents = -3
open = ["1"]
"""

EGG = 'shape = "egg"\nlength_mm = 96\nwidth_mm = 62\nheight_mm = 50\nwidest_at = 0.42\n'

SHAPE_KEYS = {
    "sphere": "diameter_mm = 60",
    "ellipsoid": "length_mm = 96\nwidth_mm = 62\nheight_mm = 50",
    "egg": "length_mm = 96\nwidth_mm = 62\nheight_mm = 50\nwidest_at = 0.42",
    "lens": "length_mm = 70\nwidth_mm = 60\nheight_mm = 30\nrim_mm = 6",
    "tube": 'length_mm = 80\ndiameter_mm = 30\nends = "round"',
    "box": "length_mm = 80\nwidth_mm = 50\nheight_mm = 30\ncorner_mm = 4",
    "sections": "sections = [[0, 0, 0, 0, 2], [20, 40, 30, 2, 2.5], [60, 40, 30, 4, 3], [90, 20, 15, 6, 2]]",
    "lobes": "lobes = [[40, 0, 0, 80, 40, 40], [80, 5, 10, 30, 25, 25]]",
    "scan": 'file = "inside.stl"',
}


@pytest.fixture
def dove() -> str:
    """The text of a design with every key written."""
    return f'{SURROUNDINGS}\n[[chamber]]\nname = "body"\n{EGG}offset_mm = [0, 0, 0]\nturn_deg = 15\n{OPENINGS}'


@pytest.fixture
def plain():
    """A function from the name of a shape, and keys to write instead of its usual ones, to a plain chamber."""

    def text(shape: str, keys: str | None = None) -> str:
        keys = SHAPE_KEYS[shape] if keys is None else keys
        return f'[clay]\nwall_mm = 4\n[[chamber]]\nname = "body"\nshape = "{shape}"\n{keys}\n'

    return text
