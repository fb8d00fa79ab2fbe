"""A body that is known, drawn, traced, and asked: it plays what the body itself plays."""

import runpy
from pathlib import Path

import numpy as np
import pytest

import simkit
from simkit.body import body_of
from simkit.show.outline import ABOVE, RIGHT, outlines

DRAWING = runpy.run_path(str(Path(__file__).with_name("drawing.py")))
layer, polygon, svg = (DRAWING[name] for name in ("layer", "polygon", "svg"))


def drawn(vessel, path):
    """A chamber with its window underneath and its holes on top, drawn from two sides, mouth end at the left."""
    (chamber,) = body_of(vessel).chambers
    (side,), (above,) = (outlines(body_of(vessel), each) for each in (RIGHT, ABOVE))

    def from_side(points):
        return 1e3 * points * [1, -1] + [50, 80]

    def from_above(points):  # along to the right, the piece's right down
        return 1e3 * points[:, ::-1] + [50, 180]

    marks = [
        f'<circle inkscape:label="{hole.name}" cx="{x:.4f}" cy="{y:.4f}" r="{1e3 * hole.radius}"/>'
        for hole in chamber.openings
        for x, y in from_above(hole.center[None, :2])
    ]
    ((x, y),) = from_above(chamber.window.center[None, :2])
    high, wide = 1e3 * chamber.window.height, 1e3 * chamber.window.width
    window = f'<rect x="{x - high / 2}" y="{y - wide / 2}" width="{high}" height="{wide}"/>'
    voicing = vessel.chambers[0].voicing
    long, thick = voicing.windway_length_mm, voicing.windway_height_mm
    way = f'<path d="M{x - high / 2 - long},99 h{long} v{thick} h{-long} z"/>'
    return svg(
        path,
        layer("inside side", polygon(from_side(side))),
        layer("inside above", polygon(from_above(above))),
        layer("holes", *marks),
        layer("window behind", window),
        layer("windway", way),
    )


def test_a_known_body_comes_back_with_its_openings(tmp_path):
    vessel = simkit.new("egg")
    found = simkit.sketch(drawn(vessel, tmp_path / "egg.svg"))
    (was,), (now,) = body_of(vessel).chambers, body_of(found.vessel).chambers
    assert now.volume == pytest.approx(was.volume, rel=3e-3)
    assert found.misfit_mm < 0.3
    for a, b in zip(was.all_openings, now.all_openings, strict=True):
        assert a.name == b.name
        assert np.linalg.norm((b.center - now.wall.box[0]) - (a.center - was.wall.box[0])) < 0.4e-3
        assert (b.radius, b.width, b.height) == pytest.approx((a.radius, a.width, a.height), abs=2e-5)
    voicing, again = vessel.chambers[0].voicing, found.vessel.chambers[0].voicing
    assert again.windway_length_mm == pytest.approx(voicing.windway_length_mm, abs=0.1)
    assert again.windway_height_mm == pytest.approx(voicing.windway_height_mm, abs=0.05)


@pytest.mark.slow
@pytest.mark.parametrize("shape", ["egg", "ellipsoid"])
def test_a_known_body_drawn_and_traced_plays_its_own_notes(shape, tmp_path):
    vessel = simkit.new(shape)
    found = simkit.sketch(drawn(vessel, tmp_path / "body.svg")).vessel
    notes = vessel.chambers[0].notes
    found = found.with_chamber(found.chambers[0].model_copy(update={"notes": notes}))
    own, traced = (simkit.predict(each) for each in (vessel, found))
    off = 1200 * np.log2(traced.frequencies_hz / own.frequencies_hz)
    assert np.abs(off).max() < 3  # 0.3 % of volume, as above, is half as much of the frequency: 2.6 cents
