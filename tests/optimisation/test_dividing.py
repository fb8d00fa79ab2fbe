"""Dividing a range over chambers, by rules that can be worked out by hand."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from simkit.errors import InputError
from simkit.optimisation.designing.dividing import FINGERS, checked, divided, finger, planned, rows
from simkit.optimisation.designing.drafting import chamber_text, head_text, places
from simkit.optimisation.problem.limits import Limits
from simkit.optimisation.problem.trial import drawn
from simkit.pitch import Tuning, note
from simkit.vessel import loads
from simkit.vessel.hands import two_jobs
from simkit.vessel.wishes import WishedRange

WISH = WishedRange("G major", "G3", "D6", 3, overlap=1)
ROW = WishedRange("G major", "G3", "C5", 2, overlap=0)


@pytest.fixture(scope="module")
def plans():
    return divided(WISH)


def hz(pitch):
    return Tuning().frequency(pitch)


def test_the_range_s_notes_are_those_of_the_scale():
    assert " ".join(map(str, WISH.pitches[:8])) == "G3 A3 B3 C4 D4 E4 F#4 G4"
    assert len(WISH.pitches) == 19 and str(WISH.pitches[-1]) == "D6"
    # From any degree, whatever octave the scale is named with.
    assert [str(p) for p in WishedRange("C4 major", "A3", "D4", 1).pitches] == ["A3", "B3", "C4", "D4"]


def check_shared(wish, parts):
    played = [pitch for plan in parts for pitch in plan.pitches]
    assert len(parts) == wish.chambers
    assert sorted({p.key for p in played}) == [p.key for p in wish.pitches]
    assert len(played) == len(wish.pitches) + (wish.chambers - 1) * wish.overlap
    for below, above in pairwise(parts):
        assert below.pitches[len(below.pitches) - wish.overlap :] == above.pitches[: wish.overlap]


def test_chambers_take_all_notes_and_share_those_at_the_crossings(plans):
    check_shared(WISH, plans)


@pytest.mark.parametrize("overlap", [0, pytest.param(2, marks=pytest.mark.slow)])
def test_two_chambers_share_as_many_notes_as_asked(overlap):
    wish = replace(ROW, overlap=overlap)
    check_shared(wish, divided(wish))


def test_no_other_division_has_a_stronger_weakest_chamber(plans):
    """Every way to cut 19 notes in three that share a note, by brute force."""
    notes, top = WISH.pitches, WISH.pitches[-1]
    costs = {}
    for first in range(3, FINGERS + 2):
        for second in range(3, FINGERS + 2):
            parts = notes[:first], notes[first - 1 : first + second - 1], notes[first + second - 2 :]
            if len(parts[2]) < 3 or len(parts[2]) > FINGERS + 1 or len(parts[1]) < second:
                continue
            costs[first, second] = max(planned(WISH, part, top).cost for part in parts)
    assert max(plan.cost for plan in plans) == pytest.approx(min(costs.values()))


def test_each_chamber_obeys_the_hand_rule(plans):
    """f^2 = (c/2 pi)^2 K/V: each hole brings what its step wants (physics of the Helmholtz resonator)."""
    from simkit.air import moist_air
    from simkit.optimisation.designing.dividing import hole_conductivity, window_conductivity

    for plan in plans:
        volume = np.pi / 6 * np.prod([1e-3 * v for v in (plan.length_mm, plan.width_mm, plan.height_mm)])
        K = window_conductivity(WISH.wall_mm, plan.cut_up_mm, plan.window_width_mm)
        for pitch, diameter in zip(plan.pitches, (None, *plan.diameters_mm), strict=True):
            K += hole_conductivity(WISH.wall_mm, diameter) if diameter else 0.0
            f = moist_air().sound_speed / (2 * np.pi) * np.sqrt(K / volume)
            assert f == pytest.approx(hz(pitch), rel=2e-3)
        assert plan.weakness == pytest.approx((hz(plan.pitches[-1]) / hz(plan.pitches[0])) ** 2)


def test_all_windows_have_one_cut_up_so_that_breath_runs_on(plans):
    assert len({plan.cut_up_mm for plan in plans}) == 1


@pytest.mark.parametrize("holes", range(1, FINGERS + 1))
def test_every_hole_of_a_chamber_has_a_finger_of_its_own(holes):
    fingers = [finger(n, holes) for n in range(holes)]
    assert len(set(fingers)) == holes
    assert two_jobs([(str(n), f) for n, f in enumerate(fingers)], []) == ()
    assert sum(rows(holes)) == (8 if holes > 8 else min(holes, 6))


def test_fingers_have_room_and_the_file_can_be_read(plans):
    for plan in plans:
        vessel = loads(head_text(WISH) + chamber_text(WISH, "body", plan))
        (chamber,) = vessel.chambers
        assert [n.pitch for n in chamber.notes] == [str(p) for p in plan.pitches]
        assert [len(n.open) for n in chamber.notes] == list(range(len(plan.pitches)))
        on_top = [(along, around) for along, around in places(WISH, plan) if abs(around) < 90]
        rows_of = {side: sorted(a for a, r in on_top if r * side > 0) for side in (-1, 1)}
        for row in rows_of.values():
            assert all(np.diff(row) >= WISH.spacing_mm - 1e-9)
            assert all(0 < a < plan.length_mm for a in row)


@pytest.mark.parametrize(
    "wish",
    [
        WISH,
        WishedRange("C major", "G3", "G6", 4, overlap=1),
        WishedRange("C major", "C5", "G6", 2, fingertip_mm=20),
        WishedRange("D pentatonic", "D5", "A6", 2, wall_mm=3),
    ],
)
def test_hands_can_have_every_hole_of_a_draft(wish):
    """Also where a chamber is no wider than a finger's spacing: only growing it could mend that afterwards."""
    for plan in divided(wish):
        vessel = loads(head_text(wish) + chamber_text(wish, "body", plan))
        limits, body = Limits(), drawn(vessel)
        left, rows = limits.left(vessel, body), limits.rows(vessel, body)
        assert [str(row) for row, room in zip(rows, left, strict=True) if room < 0] == []


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"chambers": 5}, "chambers = 5: allowed: 1 to 4"),
        ({"chambers": 1}, "chambers = 1: allowed: more of them for 19 notes"),
        ({"highest": "B3"}, "ends = 'G3 B3': allowed: a range with 9 to 40 notes"),
        ({"highest": "H9"}, "ends = 'H9'"),
        ({"highest": "D9", "chambers": 4}, "ends = 'G3 D9': allowed: from C3 to C8"),
        ({"scale": "G mayor"}, "scale"),
        ({"overlap": 7}, "overlap = 7"),
    ],
)
def test_what_cannot_be_wished_is_refused(changes, words):
    wish = WishedRange(**{**vars(WISH), **changes})
    with pytest.raises(InputError) as said:
        divided(wish)
    assert words in str(said.value)


def test_a_window_takes_no_more_than_two_thirds_of_its_chamber():
    """The hand rule alone would end a window of 17 mm in a chamber 18 mm wide."""
    for plan in divided(WishedRange("C major", "C4", "C7", 4)):
        assert plan.cut_up_mm <= plan.window_width_mm < 0.66 * plan.width_mm


def test_a_range_too_high_for_fingers_and_windows_is_refused_with_what_it_would_want():
    with pytest.raises(InputError, match=r"ends = 'C6 C8'.*would want a chamber \d+ mm long for its holes, \d mm wide"):
        divided(WishedRange("C major", "C6", "C8", 2))


def test_another_division_leaves_out_what_a_chamber_cannot_play(plans):
    other = divided(WISH, [plans[0].pitches])
    assert plans[0].pitches not in [plan.pitches for plan in other]
    assert max(plan.cost for plan in other) > max(plan.cost for plan in plans)


def test_notes_of_a_wish_are_checked_once():
    assert checked(WISH)[0] == note("G3")
