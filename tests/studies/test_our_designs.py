"""Our own designs are instruments: hands can play them, clay can hold them, and they are as well tuned as they say."""

import re
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

import simkit
from simkit.body import body_of
from simkit.body.assembly import gap

DESIGNS = sorted((Path(__file__).parents[2] / "studies" / "designs").glob("*.toml"))
MM = 1e-3

# Common practice, no source.
SEALED_SHARE = 0.65  # of a fingertip's breadth: the widest hole that it closes surely
LEAST_HOLE_MM, LEAST_CLAY_MM = 2.5, 3.0


@pytest.fixture(params=DESIGNS, ids=lambda path: path.stem)
def vessel(request):
    return simkit.load(request.param)


def test_every_hole_has_a_finger_of_its_own_that_closes_it(vessel):
    """Of its own within its chamber: hands go from one chamber to the next."""
    for chamber in vessel.chambers:
        fingers = [hole.finger for hole in chamber.holes]
        assert None not in fingers
        assert len(set(fingers)) == len(fingers)
        widest = SEALED_SHARE * vessel.hand.fingertip_mm
        assert all(LEAST_HOLE_MM <= hole.diameter_mm <= widest for hole in chamber.holes)


def test_fingers_have_room_and_clay_stays_between_the_holes(vessel):
    for solid in body_of(vessel).chambers:
        assert min(gap(a, b) for a, b in combinations(solid.all_openings, 2)) >= LEAST_CLAY_MM * MM
        # Fingers lie on the outer surface.
        at = {o.name: o.center + o.length * o.axis for o in solid.openings}
        apart = min(np.linalg.norm(at[a] - at[b]) for a, b in combinations(at, 2))
        assert apart >= vessel.hand.spacing_mm * MM


def test_thumbs_alone_lie_underneath_and_away_from_the_window(vessel):
    for chamber, solid in zip(vessel.chambers, body_of(vessel).chambers, strict=True):
        for hole, opening in zip(chamber.holes, solid.openings, strict=True):
            assert (opening.axis[2] < 0) == ("thumb" in hole.finger)
            assert gap(solid.window, opening) > vessel.hand.fingertip_mm / 2 * MM


@pytest.mark.slow
@pytest.mark.sample
def test_every_note_lies_as_near_its_target_as_the_file_says(vessel):
    text = " ".join(line.strip("# ") for line in Path(vessel.source).read_text(encoding="utf-8").splitlines())
    said = re.search(r"as played.*: there every note lies within ([\d.]+) cents? of its target", text)
    assert said
    assert max(abs(note.by("ports").cents) for note in simkit.predict(vessel, "ports").notes) < float(said[1])
