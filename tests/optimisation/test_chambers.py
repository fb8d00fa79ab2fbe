"""Chambers set side by side in one body, and a divided range from end to end."""

from itertools import combinations
from types import SimpleNamespace

import numpy as np
import pytest

import simkit
from simkit.body import body_of, placed_wall
from simkit.body.between import between
from simkit.body.clay import FIRED_G_PER_ML
from simkit.optimisation import optimise
from simkit.optimisation.aims.breath import Meeting, crossings
from simkit.optimisation.designing import joining
from simkit.optimisation.designing.dividing import NAMES, divided
from simkit.optimisation.designing.drafting import chamber_text, head_text
from simkit.optimisation.designing.joining import Piece, box_mm, mass_g, piece, set_side_by_side
from simkit.optimisation.problem.limits import Limits
from simkit.optimisation.problem.trial import drawn
from simkit.sound.answers.prediction import predict
from simkit.sound.blowing.table import blow
from simkit.vessel import loads
from simkit.vessel.hands import two_jobs
from simkit.vessel.wishes import WishedRange

WISH = WishedRange("G major", "G3", "D6", 3)


@pytest.fixture(scope="module")
def vessel():
    texts = [chamber_text(WISH, name, plan) for name, plan in zip(NAMES[3], divided(WISH), strict=True)]
    return set_side_by_side(loads("\n".join([head_text(WISH), *texts])))


def test_chambers_stand_in_a_row_with_the_clay_asked_for_between_them(vessel):
    walls = [placed_wall(vessel, chamber) for chamber in vessel.chambers]
    least = vessel.clay.least_between_mm
    gaps = [1e3 * between(a, b).thickness for a, b in combinations(walls, 2)]
    assert min(gaps) >= least
    # Each is as near as it may be to one of those before it.
    assert gaps[0] == pytest.approx(least, abs=0.6) and min(gaps[1:]) == pytest.approx(least, abs=0.6)
    body_of(vessel)  # no opening comes out in a neighbour's clay


@pytest.mark.slow  # at once: of two chambers, above
def test_no_opening_comes_out_in_a_neighbour_s_clay():
    """A chamber as small as two fingertips has its holes on its flanks, where they look at the next chamber."""
    wish = WishedRange("C major", "C4", "C7", 4)
    texts = [chamber_text(wish, name, plan) for name, plan in zip(NAMES[4], divided(wish), strict=True)]
    piece = set_side_by_side(loads("\n".join([head_text(wish), *texts])))
    limits, body = Limits(), drawn(piece)
    rows = zip(limits.rows(piece, body), limits.left(piece, body), strict=True)
    assert [str(row) for row, room in rows if room < 0] == []
    body_of(piece)


def test_a_chamber_that_cannot_play_its_notes_is_given_others(monkeypatch):
    """With the tunings left out, the first division's highest chamber taken to be out of reach."""
    hopeless = divided(WISH)[2].pitches
    monkeypatch.setattr(joining, "_meeting", list)

    def alone(vessel):
        notes = [note.pitch for note in vessel.chambers[0].notes]
        return vessel, 64.0 if notes == [str(pitch) for pitch in hopeless] else 1.0

    monkeypatch.setattr(joining, "_alone", alone)
    begun = joining._begun(WISH)
    assert hopeless not in [plan.pitches for plan in begun.plans]
    assert [note.pitch for vessel in begun.tuned for note in vessel.chambers[0].notes] == list(map(str, WISH.pitches))


def test_windways_open_in_one_row_at_the_lips(vessel):
    ends = []
    for chamber in vessel.chambers:
        voicing = chamber.voicing
        ends.append(chamber.offset_mm.along_mm + voicing.along_mm - voicing.cut_up_mm / 2 - voicing.windway_length_mm)
    assert np.ptp(ends) < 0.2


def test_no_finger_has_two_jobs_at_once(vessel):
    for chamber in vessel.chambers:
        holes = [(hole.name, hole.finger) for hole in chamber.holes]
        assert all(two_jobs(holes, note.open) == () for note in chamber.notes)


PAIR = """
[clay]
wall_mm = 4
[[chamber]]
name = "one"
shape = "sphere"
diameter_mm = 40
[[chamber]]
name = "two"
shape = "sphere"
diameter_mm = 40
offset_mm = [0, 45, 0]
"""


def test_size_and_weight_of_two_balls_that_share_their_clay():
    """Two balls of radius R whose middles are d apart hold 8/3 pi R^3 less a lens pi (4 R + d)(2 R - d)^2/12."""
    vessel = loads(PAIR)
    assert box_mm(vessel) == pytest.approx((48, 93, 48))
    R, d = 24.0, 45.0
    whole = 8 / 3 * np.pi * R**3 - np.pi * (4 * R + d) * (2 * R - d) ** 2 / 12
    clay = (whole - 8 / 3 * np.pi * 20**3) / 1000
    assert mass_g(vessel) == pytest.approx(clay * FIRED_G_PER_ML, rel=0.003)


def test_a_tuning_that_is_cut_short_leaves_the_best_of_the_whole_body(monkeypatch):
    """With the long tunings left out: Ctrl-C while all is tuned in one body, where a hole had come to 5 mm."""
    monkeypatch.setattr(joining, "_alone", lambda vessel: (vessel, 0.0))
    monkeypatch.setattr(joining, "_meeting", list)
    monkeypatch.setattr(joining, "_evened", lambda vessel: (vessel, 0.0))
    best = "body.hole.1.diameter_mm"

    def cut_short(vessel, *_, **__):
        return SimpleNamespace(
            vessel=vessel.with_value(best, 5.0), reached=False, interrupted=True, verdict="G3 stays flat"
        )

    monkeypatch.setattr(joining, "optimise", cut_short)
    kept = []
    with pytest.raises(KeyboardInterrupt):
        piece(WISH, lambda text, verdict: kept.append((text, verdict)))
    assert len(kept) == 2 and loads(kept[-1][0]).value(best) == 5.0
    assert kept[-1][1] == "G3 stays flat"  # what is told is what the file plays
    off = max(abs(note.by("ports").cents) for note in predict(loads(kept[0][0])).notes)
    assert f"up to {off:.0f} cents off yet" in kept[0][1]


@pytest.mark.parametrize(("uneven", "said"), [(12.4, ["breath changes by up to 12 %"]), (4.9, [])])
def test_breath_that_changes_between_chambers_is_told_though_every_note_is_in_tune(uneven, said):
    evidence = SimpleNamespace(aims={Meeting.measures: uneven})
    outcome = SimpleNamespace(reached=True, unisons=(), evidence=evidence)
    cautions = Piece("", outcome, (), (0.1, 0.1, 0.1), 0.0, ()).cautions
    assert [caution.split(" where")[0] for caution in cautions] == said


@pytest.mark.slow
def test_a_range_over_two_chambers_comes_out_in_tune_within_its_box():
    wish = WishedRange("C major", "C5", "G6", 2, box_mm=(150, 150, 80), mass_g=500)
    kept = []
    made = piece(wish, lambda text, verdict: kept.append(text))
    assert made.reached, made.verdict
    assert max(abs(note.by("ports").cents) for note in made.outcome.after.notes) < 1
    assert loads(made.text).chambers[1].notes[-1].pitch == "G6"
    assert len(loads(kept[0]).chambers) == 2
    assert made.box_mm[0] <= 150 and made.mass_g < 500
    # A player's lips move over, the breath stays: the highest note of the one asks what the lowest of the next does.
    below, above = (chamber.notes for chamber in blow(made.vessel).chambers)
    assert above[0].blown.pressure == pytest.approx(below[-1].blown.pressure, rel=0.03)


@pytest.mark.slow
def test_four_chambers_over_three_octaves_come_out_in_tune():
    """The highest chamber, of 17 ml, is no wider than two fingertips. Notes that two chambers share are in unison with
    a silent neighbour, which pulls the lower chamber's: of those the mean of the two resonances is in tune."""
    made = piece(WishedRange("C major", "G3", "G6", 4, overlap=1))
    assert made.reached, made.verdict
    notes = simkit.predict(loads(made.text), "ports").chambers
    shared = {(pair.chamber, pair.pitch): pair.cents for pair in made.outcome.pairs}
    assert sorted(pitch for _, pitch in shared) == ["C6", "F5", "G4"]
    for chamber in notes:
        for note in chamber.notes:
            off = shared.get((chamber.name, note.pitch), note.by("ports").cents)
            assert abs(off) < 1, (chamber.name, note.pitch)
    left, rows = (each(made.vessel, drawn(made.vessel)) for each in (Limits().left, Limits().rows))
    assert [str(row) for row, room in zip(rows, left, strict=True) if room < -0.01] == []


def test_crossings_are_where_one_chamber_takes_over_and_at_notes_that_two_share():
    low, high = np.array([196.0, 220.0, 247.0]), np.array([262.0, 294.0])
    assert crossings([low, high]) == ((2, 3),)
    assert crossings([high, low]) == ((4, 0),)  # the higher chamber may stand first in the file
    shared = np.array([220.1, 247.0, 294.0])
    assert crossings([low, shared]) == ((1, 3), (2, 4))
    assert crossings([low]) == ()


GROWING = """
clay.wall_mm = 4
[[chamber]]
name = "one"
shape = "sphere"
diameter_mm = 44
[chamber.voicing]
along_mm = 8
around_deg = 180
breath_toward_deg = 0
window_width_mm = 9
cut_up_mm = 4
windway_height_mm = 0.9
windway_length_mm = 20
edge_deg = 90
[[chamber.note]]
pitch = "B4"
open = []
[[chamber]]
name = "two"
shape = "sphere"
diameter_mm = 40
offset_mm = [0, 46.2, 0]
[chamber.voicing]
along_mm = 8
around_deg = 180
breath_toward_deg = 0
window_width_mm = 9
cut_up_mm = 4
windway_height_mm = 0.9
windway_length_mm = 20
edge_deg = 90
[[chamber.note]]
pitch = "C#5"
open = []
"""


@pytest.mark.slow
def test_chambers_that_grow_slide_apart():
    """Each sounds above its only note, and 0.2 mm of clay can be spared between: without sliding both are stuck."""
    start = loads(GROWING)
    stuck, free = (optimise(start, may) for may in ("size", ["size", "offsets"]))
    assert free.worst_cents < 1 < stuck.worst_cents
    assert free.vessel.value("two.offset_mm.across_mm") > start.value("two.offset_mm.across_mm")
    assert 1e3 * between(*(placed_wall(free.vessel, c) for c in free.vessel.chambers)).thickness > 3.99


@pytest.mark.slow
def test_chambers_are_shaped_to_nest_where_their_box_is_too_small_for_two_balls():
    """Side by side the two balls measure 96 mm across; larger, as their notes want them, they are to keep within 88."""
    text = GROWING
    for size in (44, 40):
        sizes = f'shape = "ellipsoid"\nlength_mm = {size}\nwidth_mm = {size}\nheight_mm = {size}'
        text = text.replace(f'shape = "sphere"\ndiameter_mm = {size}', sizes)
    start, limits = loads(text), Limits(box_mm=(70, 88, 70))
    stuck = optimise(start, ["size", "offsets"], limits=limits)
    assert stuck.broken or stuck.worst_cents > 5
    nested = optimise(start, ["shape", "offsets", "two.offset_mm.along_mm", "two.turn_deg"], limits=limits)
    assert nested.reached, nested.verdict
    along, across, up = box_mm(nested.vessel)
    assert max(along, up) < 70.05 and across < 88.05
    assert 1e3 * between(*(placed_wall(nested.vessel, c) for c in nested.vessel.chambers)).thickness > 3.99
