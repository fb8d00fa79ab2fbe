"""A chamber as it stands on the bench against the same chamber solved anew, and against laws of similarity."""

import numpy as np
import pytest

import simkit
from simkit.optimisation.problem.perturbations import aperture_beside
from simkit.sound import models
from simkit.sound.models.as_made import AsMade

DESIGN = """
[clay]
wall_mm = 4
[[chamber]]
name = "b"
shape = "ellipsoid"
length_mm = 60
width_mm = 44
height_mm = 36
[chamber.voicing]
along_mm = 12
around_deg = 180
window_width_mm = 10
cut_up_mm = 4
windway_height_mm = 1
windway_length_mm = 20
[[chamber.hole]]
name = "1"
along_mm = 24
around_deg = -40
diameter_mm = 4
[[chamber.hole]]
name = "2"
along_mm = 42
around_deg = 20
diameter_mm = 7
"""
STATES = np.array([[0, 0], [1, 0], [0, 1], [1, 1], [0.5, 1]], float)


def resonator(vessel, **options):
    return models.resonator("ports", models.cases(vessel, **options)[0])


@pytest.fixture(scope="module")
def vessel():
    return simkit.loads(DESIGN, "bench.toml")


@pytest.fixture(scope="module")
def model(vessel):
    return AsMade.of(models.cases(vessel)[0], aperture_beside)


def as_designed(model, count=5):
    return model.designed.rows(np.zeros(count, int))


def cents(a, b):
    return 1200 * np.log2(a.real / b.real)


def test_the_piece_as_designed_is_what_the_port_model_says(vessel, model):
    there = resonator(vessel).lowest(STATES)
    here = model.lowest(as_designed(model), STATES)
    assert cents(here, there) == pytest.approx(0, abs=0.01)  # what the fits over radius leave
    assert here.imag == pytest.approx(there.imag, rel=1e-3)


def test_a_hole_aslant_is_on_the_bench_what_it_is_in_the_design():
    """Its ends are shorter than a square one's there too."""
    case = models.cases(simkit.loads(f"{DESIGN}direction = [0.7, 0.5, 1]\n", "bench.toml"))[0]
    bench, states = AsMade.as_designed(case), STATES[1:4]
    there = models.resonator("ports", case).lowest(states)
    assert cents(bench.lowest(as_designed(bench, 3), states), there) == pytest.approx(0, abs=1e-3)


def test_other_sizes_are_what_solving_anew_gives(vessel, model):
    other = vessel.with_values({
        "b.hole.1.diameter_mm": 2.4,
        "b.hole.2.diameter_mm": 7.9,
        "b.hole.1.wall_mm": 4.6,
        "b.hole.2.wall_mm": 3.5,
    })  # fmt: skip
    made = as_designed(model)
    made = made.but(
        diameters=np.tile([2.4e-3, 7.9e-3], (5, 1)),
        walls=np.column_stack([made.walls[:, 0], [4.6e-3] * 5, [3.5e-3] * 5]),
    )
    assert cents(model.lowest(made, STATES), resonator(other).lowest(STATES)) == pytest.approx(0, abs=0.4)


@pytest.mark.parametrize(("cut_up", "wall"), [(4.4, 4.4)])
def test_another_window_moves_all_notes_as_solving_anew_does(vessel, model, cut_up, wall):
    other = vessel.with_values({"b.voicing.cut_up_mm": cut_up, "b.voicing.wall_mm": wall})
    made = as_designed(model)
    walls = made.walls.copy()
    walls[:, 0] = 1e-3 * wall
    off = cents(
        model.lowest(made.but(cut_up=np.full(5, 1e-3 * cut_up), walls=walls), STATES), resonator(other).lowest(STATES)
    )
    assert np.abs(off).max() < 0.5


def test_a_hole_that_is_not_cut_is_not_there(vessel, model):
    chamber = vessel.chambers[0]
    without = vessel.with_chamber(chamber.model_copy(update={"holes": chamber.holes[:1]}))
    there = resonator(without).lowest(np.array([[0.0], [1.0], [0.5]]))
    made = as_designed(model, 3)
    made = made.but(diameters=made.diameters * [1, 0])
    # Its finger's openness says nothing.
    here = model.lowest(made, np.array([[0, 0], [1, 1], [0.5, 0]], float))
    assert cents(here, there) == pytest.approx(0, abs=0.01)


def test_without_losses_pitch_goes_as_one_over_size(vessel):
    """Similarity: 10 % of linear shrinkage still to come is 1200 log2(1/0.9) = 182.40 cents; and the mouth's air."""
    lossless = AsMade.of(models.cases(vessel, lossless=True)[0], aperture_beside)
    made = as_designed(lossless)
    wet = lossless.lowest(made.but(size=np.full(5, 1 / 0.9)), STATES)
    assert cents(lossless.lowest(made, STATES), wet) == pytest.approx(182.4037, abs=1e-3)


def test_with_losses_the_layers_of_slow_air_do_not_shrink(model):
    made = as_designed(model)
    rise = cents(model.lowest(made, STATES), model.lowest(made.but(size=np.full(5, 1 / 0.9)), STATES))
    assert np.all((rise > 182.40 - 3) & (rise < 182.40))


def test_slopes_are_those_of_differences(model):
    made = as_designed(model).but(diameters=np.array([[3e-3, 6e-3]] * 4 + [[0, 7e-3]]), size=np.linspace(1, 1.1, 5))
    openness = np.array([[0, 0], [1, 0], [0, 1], [1, 1], [1, 1]], float)
    _, slopes = model.sloped(made, openness)

    def difference(name, column=None):
        ends = []
        for side in (1, -1):
            value = getattr(made, name).copy()
            step = 1e-3 * np.max(value) * side
            value[..., column if column is not None else slice(None)] += step
            if name == "diameters":
                value = np.where(made.diameters > 0, value, 0)
            ends.append((np.log(model.lowest(made.but(**{name: value}), openness).real), step))
        return (ends[0][0] - ends[1][0]) / (ends[0][1] - ends[1][1])

    assert slopes.volume == pytest.approx(difference("volume"), rel=1e-4)
    assert slopes.cut_up == pytest.approx(difference("cut_up"), rel=1e-4)
    for n in range(3):
        assert slopes.walls[:, n] == pytest.approx(difference("walls", n), rel=1e-3, abs=1e-3)
    for n in range(2):
        assert slopes.diameters[:, n] == pytest.approx(difference("diameters", n), rel=1e-3, abs=1e-3)


def test_many_at_once_are_each_alone(model):
    made, openness = as_designed(model, 3), np.array([[0, 0], [1, 0], [1, 1]], float)
    made = made.but(diameters=made.diameters * [[1, 1], [0.8, 0], [0.5, 1.1]], volume=np.array([1, 0.97, 1.02]))
    together = model.lowest(made, openness)
    for n in range(3):
        assert model.lowest(made.rows(np.array([n])), openness[[n]])[0] == pytest.approx(together[n], rel=1e-6)


def test_the_airs_of_very_many_pieces_are_those_of_each_alone(vessel):
    """Pieces that differ, more than are balanced at once."""
    played = AsMade.of(models.cases(vessel, state="played")[0], aperture_beside)
    made = as_designed(played, 1500)
    made = made.but(diameters=made.diameters * np.linspace(0.8, 1.2, 1500)[:, None])
    openness = np.tile(STATES, (300, 1))
    found = played.drift(made, openness)
    assert np.ptp(found[2::5]) > 0  # each has its own
    for some in (slice(5), slice(1020, 1030), slice(1490, None)):
        alone = [played.drift(made.rows(np.array([n])), openness[n : n + 1])[0] for n in np.arange(1500)[some]]
        assert found[some] == pytest.approx(alone, rel=1e-12)


def test_the_clay_under_the_windway_grows_with_the_piece(vessel):
    """Air of one kind without losses knows no size: a larger piece is as much lower (Rayleigh, Sound, 381)."""
    (case,) = models.cases(vessel, lossless=True, state="played")
    floored = models.with_playing(case, case.playing.only(["floor"]))
    model = AsMade.as_designed(floored)
    one, larger = (model.designed.but(size=np.array([size])) for size in (1.0, 1.1))
    covered = np.zeros((1, 2))
    assert model.lowest(larger, covered) == pytest.approx(model.lowest(one, covered) / 1.1, rel=1e-6)
    flush = AsMade.as_designed(models.with_playing(case, case.playing.only(())))
    assert -70 < cents(model.lowest(one, covered), flush.lowest(one, covered))[0] < -20
