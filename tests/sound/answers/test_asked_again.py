"""What is kept from one question to the next changes no note: by an update or from memory as if found anew."""

from collections import OrderedDict
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import jve

import simkit
from simkit.body.walls.formulas import EggWall
from simkit.errors import OutOfReach
from simkit.field.reduced.boundary import AirSurface, onto
from simkit.sound import models
from simkit.sound.elements import nearby, palms
from simkit.sound.elements.ducts import _round_share
from simkit.sound.models import playing, port_solutions, port_states, window_apart
from simkit.sound.models.side_by_side import lowest_of

CENTS = 1200 / np.log(2)
WREN = Path(__file__).parents[3] / "studies" / "designs" / "pocket_wren.toml"
SAME = 1e-3  # cents


@pytest.fixture(scope="module")
def wren():
    return simkit.load(WREN)


def cents_apart(one, other):
    return np.abs(CENTS * np.log(one.frequencies_hz / other.frequencies_hz)).max()


def test_other_targets_solve_nothing(wren, monkeypatch):
    before = simkit.predict(wren)

    def never(*_):
        raise AssertionError("solved again")

    monkeypatch.setattr(port_states, "_lowest_in_states", never)
    higher = wren.with_values({"scale.a4_hz": wren.value("scale.a4_hz") * 2 ** (10 / 1200)})
    for asked, lower in ((wren, 0.0), (higher, 10.0)):
        found = simkit.predict(asked)
        assert np.array_equal(found.frequencies_hz, before.frequencies_hz)
        assert found.cents == pytest.approx(before.cents - lower, abs=1e-9)
    with pytest.raises(AssertionError, match="solved again"):
        simkit.predict(wren.with_values({"air.temperature_c": wren.value("air.temperature_c") + 1}))


@pytest.mark.parametrize(
    ("key", "more"),
    [
        pytest.param("air.temperature_c", 2.0, marks=pytest.mark.slow),
        ("body.hole.1.diameter_mm", 0.2),
        ("body.hole.1.along_mm", 1.0),
        ("body.voicing.cut_up_mm", 0.2),
    ],
)
def test_what_was_changed_plays_as_if_it_had_never_been_otherwise(wren, key, more, monkeypatch):
    """The same meshes, without what was found out for openings, hands and states."""
    before = simkit.predict(wren)
    other = wren.with_values({key: wren.value(key) + more})
    found = simkit.predict(other)
    for walls, air in port_solutions._KEPT.items():
        bare = replace(air, chambers=tuple(map(replace, air.chambers)), outside=replace(air.outside))
        monkeypatch.setitem(port_solutions._KEPT, walls, bare)
    monkeypatch.setattr(port_solutions, "_SOLVED", OrderedDict())
    for kept in (palms._between, nearby._returned, playing.nearby_of):
        kept.cache_clear()
    assert cents_apart(found, simkit.predict(other)) < SAME / 100
    assert cents_apart(found, before) > 0.1


def test_the_window_apart_is_the_whole_circuit(wren):
    """A windway that is open before mouths of every size, one that is shut, floors, hands: every state of playing."""
    (case,) = models.cases(wren, state="played")
    whole = case.playing
    asked = [whole, whole.only(()), *(whole.only([part]) for part in whole.parts)]
    asked += [end for pair in whole.extremes for end in pair]
    made = [models.resonator("ports", models.with_playing(case, one)) for one in asked]
    openness = np.array([[0.0, 0, 0], [1, 0, 0], [1, 0, 1], [1, 1, 1]])
    states = made[0].states(openness)
    start = np.stack([each.near_lowest(states) for each in made])
    circuits = [each.circuit for each in made]
    apart = window_apart.lowest_apart(circuits, states, start)
    together = lowest_of(circuits, made[0].rows, states, start)
    assert np.abs(CENTS * np.log(apart / together)).max() < 1e-6
    far = made[0].heavier(200.0).circuit  # a state farther from the first than any of playing
    with pytest.raises(OutOfReach):
        window_apart.lowest_apart([circuits[0], far], states, start[:2])


@pytest.mark.parametrize(
    ("thing", "kept"),
    [
        (palms.Palms(np.zeros(3), 0.06, np.array(palms.PALM)), palms._between),
        (nearby.RigidBall(np.array([0.0, -0.25, 0.0]), 0.09), nearby._returns),
    ],
)
def test_things_send_back_to_moved_points_as_if_these_had_always_been_there(thing, kept):
    """Also where a point comes nearer than all others, so that a ball's series must go on for longer."""
    rng = np.random.default_rng(3)
    places, k = rng.normal(size=(10, 3)) * [0.02, 0.03, 0.02], np.linspace(0.0, 50.0, 4)
    moved = places.copy()
    moved[[2, 7]] += [1e-3, -2e-3, 5e-4]
    nearer = np.concatenate([places, [[0.0, -0.13, 0.0]]])
    for asked in (places, moved, moved[::-1], moved[:6], np.concatenate([moved, places]), nearer, places):
        found = thing.returned(asked, k)
        kept.cache_clear()
        anew = thing.returned(asked, k)
        assert np.abs(found - anew).max() < 1e-12 * np.abs(anew).max()
        thing.returned(places, k)


def test_thin_layers_in_a_round_bore_are_bessel_functions():
    z = np.linspace(20.0, 300.0, 400) * np.exp(-1j * np.linspace(0.7, 0.9, 5))[:, None]
    z = z[np.abs(z.imag) > 14.5][None]
    assert np.abs(_round_share(z) / (2 * jve(1, z) / (z * jve(0, z))) - 1).max() < 1e-12
    thick = np.array([3.0 - 3.0j, 30.0 - 20.0j])
    assert np.array_equal(_round_share(thick), 2 * jve(1, thick) / (thick * jve(0, thick)))


def test_points_slide_onto_a_ball_moved_out_where_their_line_meets_it():
    """|p + s a| = R + t, the nearer of the two: a quadratic."""
    radius, clay = 0.03, 0.006
    surface = AirSurface((EggWall(2 * radius, 2 * radius, 2 * radius),), clay, outside=True)
    rng = np.random.default_rng(1)
    axis = rng.normal(size=(40, 3))
    axis /= np.linalg.norm(axis, axis=1, keepdims=True)
    center = surface.walls[0].box.mean(axis=0)
    aside = np.cross(axis, rng.normal(size=(40, 3)))
    points = center + (radius + clay) * axis + 0.2 * radius * aside / np.linalg.norm(aside, axis=1, keepdims=True)
    found, shift, foot = onto(surface, points, axis)
    from_center = points - center
    along, off = np.einsum("ij,ij->i", from_center, axis), np.einsum("ij,ij->i", from_center, from_center)
    exact = -along + np.sqrt(along**2 - off + (radius + clay) ** 2)
    assert shift == pytest.approx(exact, abs=1e-12)
    assert foot == pytest.approx(center + (found - center) * radius / (radius + clay), abs=1e-12)


def test_points_slide_onto_an_egg_as_step_by_step(monkeypatch):
    surface = AirSurface((EggWall(0.062, 0.096, 0.05, 0.42),), 0.005, outside=True)
    start = surface.walls[0].sheets(1)[0]
    at, out = start.points[2:-2].reshape(-1, 3)[::7], start.normals[2:-2].reshape(-1, 3)[::7]
    lean = out + 0.2 * np.roll(out, 1, axis=1)
    lean /= np.linalg.norm(lean, axis=1, keepdims=True)
    together = onto(surface, at + 0.004 * out, lean)
    monkeypatch.setattr("simkit.field.reduced.boundary._onto_offset", lambda *_: None)
    apart = onto(surface, at + 0.004 * out, lean)
    assert together[0] == pytest.approx(apart[0], abs=1e-9)
    assert apart[2] is None and together[2] is not None
