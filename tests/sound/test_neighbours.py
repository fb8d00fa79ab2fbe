"""Chambers that hear each other, against the two-resonator formula with closed forms for the air between them.

Two resonators that share air: omega = (w1 + w2)/2 +- sqrt((w1 - w2)^2/4 + c^2) (Rayleigh 1896, The Theory of Sound,
section 310; Morse & Ingard 1968, Theoretical Acoustics, section 3.2; from memory). For chambers of volume V that
sound alone at k0, c/w0 = -V k0^2 D/2 with D the mutual term of the outside air in 1/m.
On a rigid sphere of radius R, D = -(1/4 pi R) sum_l (2l + 1) P_l(cos angle) h_l(kR) / (kR h_l'(kR)), h of the second
kind (spherical waves, any textbook); at rest (1/4 pi R)[2/d - ln(1 + 2/d)], d the chord over R.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.special import eval_legendre, spherical_jn, spherical_yn

from simkit.errors import OutOfReach
from simkit.sound import models
from simkit.sound.elements.nearby import Nearby
from simkit.sound.elements.returned import Returned
from simkit.sound.models.neighbours import coupling, sorted_out
from simkit.sound.models.roots import lowest
from simkit.sound.models.side_by_side import lowest_of
from simkit.vessel import loads

MM = 1e-3
WALL_MM, DIAMETER_MM = 5.0, 60.0

BALL = """
[clay]
wall_mm = {wall}
[[chamber]]
name = "ball"
shape = "sphere"
diameter_mm = {diameter}
[[chamber.hole]]
name = "1"
along_mm = 30
around_deg = 0
diameter_mm = 8
[[chamber.hole]]
name = "2"
along_mm = 30
around_deg = {around}
diameter_mm = 8
"""


def outside_mutual(k, radius, angle_deg, terms=400):
    """D of two points on a rigid sphere."""
    x, degree = k * radius, np.arange(terms)
    cosine = np.cos(np.deg2rad(angle_deg))
    with np.errstate(all="ignore"):  # the high degrees overflow; their ratio is that of rest
        h = spherical_jn(degree, x) - 1j * spherical_yn(degree, x)
        steep = spherical_jn(degree, x, derivative=True) - 1j * spherical_yn(degree, x, derivative=True)
        ratio = h / (x * steep)
    rest = -1 / (degree + 1)
    ratio = np.where(np.isfinite(ratio), ratio, rest)
    # What differs from rest converges at once; the sum at rest has a closed form.
    chord = 2 * np.sin(np.deg2rad(angle_deg) / 2)
    still = (2 / chord - np.log(1 + 2 / chord)) / (4 * np.pi * radius)
    return still - ((2 * degree + 1) * eval_legendre(degree, cosine) * (ratio - rest))[:60].sum() / (4 * np.pi * radius)


@cache
def two_on_one_ball(angle_deg, lossless=True, second_volume=1.0):
    """The circuit of two chambers whose openings lie on one sphere: each chamber the ball as one opening sees it.

    Inside the ball's own field serves twice, without what ties the two openings to each other there.
    """
    vessel = loads(BALL.format(wall=WALL_MM, diameter=DIAMETER_MM, around=angle_deg))
    (case,) = models.cases(vessel, lossless=lossless)
    circuit = models.resonator("ports", case).circuit
    field, apart = circuit.field, np.eye(2)
    modes = np.concatenate([field.modes * apart[:, :1], field.modes * apart[:, 1:]], axis=1)
    field = replace(
        field,
        names=(("a", "1"), ("b", "1")),
        volumes=field.volumes * [1.0, second_volume],
        shared=apart,
        static=field.static * apart,
        quadratic=field.quadratic * apart,
        k2=np.tile(field.k2, 2),
        modes=modes,
    )
    twice = {name: np.tile(getattr(circuit.loss, name), 2) for name in ("friction", "heat")}
    loss = replace(circuit.loss, **twice)
    return replace(circuit, field=field, loss=loss)


def rung(circuit, openness=(1.0, 1.0)):
    """Complex omega of the chambers that are open."""
    state = np.array([openness], float)
    start = np.array([0.9 * circuit.chamber_air.sound_speed * np.sqrt(4e-3 / circuit.field.volumes[0])])
    return [complex(lowest(circuit, np.arange(2) == n, state, start)[0]) for n in range(2) if openness[n]]


def two_resonators(alone, still, volume, speed, D):
    """The pair's omegas from one chamber's: `alone` with friction, `still` without; D (1/m) stands between the two.

    (1 +- e) w^2 - 2 i w Im(still) + (1 - i) r sqrt(w^3/w0) = w0^2, e = V k^2 D: the mutual term is mass (its imaginary
    part radiation), friction a boundary layer's, which resists and weighs alike and grows with the root of frequency.
    """
    r = 2 * (alone.imag - still.imag)
    found = []
    for sign in (1, -1):
        w = alone
        for _ in range(50):
            e = volume * (still.real / speed) ** 2 * D
            stiff = abs(still) ** 2 + 2j * w * still.imag - (1 - 1j) * r * np.sqrt(w**3 / still.real)
            w = np.sqrt(stiff / (1 + sign * e))
        found.append(w)
    return found


@pytest.mark.parametrize("angle_deg", [30, 60, 100, 180])
@pytest.mark.parametrize("lossless", [True, False])
def test_the_pair_s_pitches_and_dampings_split_as_two_resonators_on_one_sphere(angle_deg, lossless):
    circuit = two_on_one_ball(angle_deg, lossless)
    (alone,), (still,) = (rung(two_on_one_ball(angle_deg, calm), (1.0, 0.0)) for calm in (lossless, True))
    speed, volume = circuit.chamber_air.sound_speed, circuit.field.volumes[0]
    D = outside_mutual(alone.real / speed, (DIAMETER_MM / 2 + WALL_MM) * MM, angle_deg)
    pair = sorted(rung(circuit), key=lambda w: w.real)
    wanted = two_resonators(alone, still, volume, speed, D)
    split, formula = pair[1] - pair[0], wanted[1] - wanted[0]
    assert split.real == pytest.approx(formula.real, rel=0.05)
    assert split.imag == pytest.approx(formula.imag, rel=0.05)
    for found, hoped in zip(pair, wanted, strict=True):
        assert found.real == pytest.approx(hoped.real, rel=1e-3)
        assert found.imag == pytest.approx(hoped.imag, rel=0.05, abs=0.1)


def test_the_mutual_term_on_a_sphere_at_rest_is_the_closed_form():
    radius = (DIAMETER_MM / 2 + WALL_MM) * MM
    for angle_deg in (30, 60, 100, 180):
        field = two_on_one_ball(angle_deg).field
        d = 2 * np.sin(np.deg2rad(angle_deg) / 2)
        wanted = (2 / d - np.log(1 + 2 / d)) / (4 * np.pi * radius)
        # Openings are discs, not points: their mutual term is 1 + (a^2 + b^2)/(6 s^2) of it, s the chord.
        disc = 1 + 2 * 4**2 / (6 * (1e3 * radius * d) ** 2)
        assert field.outside(0.0)[0, 1].real == pytest.approx(disc * wanted, rel=0.02)
    # An antipodal pair: 0.3069/(4 pi R), from 1 - ln 2.
    assert wanted == pytest.approx(0.30685 / (4 * np.pi * radius), rel=1e-4)


@pytest.mark.parametrize("second_volume", [1.005, 1.02, 1.2])
def test_near_unison_follows_the_avoided_crossing(second_volume):
    circuit = two_on_one_ball(60, True, second_volume)
    (w1,), (w2,) = rung(circuit, (1.0, 0.0)), rung(circuit, (0.0, 1.0))
    mean = (w1 + w2) / 2
    k = mean / circuit.chamber_air.sound_speed
    D = outside_mutual(k.real, (DIAMETER_MM / 2 + WALL_MM) * MM, 60)
    c = -mean * k**2 * np.sqrt(np.prod(circuit.field.volumes)) * D / 2
    apart = np.sqrt((w1 - w2) ** 2 / 4 + c**2)
    pair = sorted(rung(circuit), key=lambda w: w.real)
    assert (pair[1] - pair[0]).real == pytest.approx(2 * abs(apart.real), rel=0.05)
    # Whose is whose: the smaller chamber, at first the higher, keeps the higher.
    first, second = rung(circuit)
    assert first.real > second.real
    told = coupling(circuit, np.array([mean]), np.ones((1, 2)))[0]
    assert abs(told[0, 1]) == pytest.approx(abs(c), rel=0.05) and told[0, 1] == pytest.approx(told[1, 0])


@pytest.mark.parametrize(("near", "known"), [(0.7, 9.0), (1.05, 9.0), (9.0, 0.95)])
def test_many_fingerings_beside_a_large_chamber_are_each_by_itself(near, known):
    """A closed mode of the neighbour, at `near` times the note, is a pole of the circuit's matrices, and what a face
    does that is known up to `known` times the note has a kink there: polynomials over the notes follow neither, whether
    for many fingerings of one piece or for one piece in several states."""
    circuit = two_on_one_ball(60, False)
    field = circuit.field
    (note, _) = rung(circuit)
    own = np.arange(len(field.k2)) < len(field.k2) // 2
    first = circuit.chamber_air.sound_speed * np.sqrt(field.k2.min())
    k2 = field.k2 * np.where(own, 1.0, (near * note.real / first) ** 2)
    terms = 0.5 * np.ones((2, 1, 1)) * field.outside(0.0)  # grows by as much as the outside itself
    face = Nearby((Returned(0.1, known * note.real / circuit.room_air.sound_speed, terms),))
    larger = replace(field, k2=k2, volumes=field.volumes * [1.0, 60.0])
    beside = replace(circuit, field=larger, nearby=face)
    rows, states = np.array([True, False]), np.ones((1, 2))
    start = np.array([0.9 * note.real])
    alone = lowest(beside, rows, states, start)
    many = lowest(beside, rows, np.tile(states, (50, 1)), np.tile(start, 50))
    assert 1200 * np.abs(np.log2(many / alone)) == pytest.approx(np.zeros(50), abs=1e-5)
    try:
        found = lowest_of([beside, beside], rows, states, np.tile(start, (2, 1)))
    except OutOfReach:
        found = alone  # then they are asked one by one
    assert 1200 * np.abs(np.log2(found / alone)) == pytest.approx(0, abs=1e-5)


def test_modes_shared_alike_go_to_the_chambers_in_their_order():
    A = np.array([[[4.0, 1.0, 0.0], [1.0, 4.0, 0.0], [0.0, 0.0, 0.5]]], complex)
    values, shares = sorted_out(A)
    assert values[0] == pytest.approx([3, 5, 0.5])
    assert shares[0, 2] == pytest.approx([0, 0, 1])


PAIR = """
[clay]
wall_mm = {wall}
[[chamber]]
name = "one"
shape = "sphere"
diameter_mm = 50
[chamber.voicing]
along_mm = {along}
around_deg = {first}
breath_toward_deg = 0
window_width_mm = 9
cut_up_mm = 5
windway_height_mm = 1.2
windway_length_mm = 5
[[chamber]]
name = "two"
shape = "sphere"
diameter_mm = 50
offset_mm = [0, {across}, 0]
[chamber.voicing]
along_mm = {along}
around_deg = {second}
breath_toward_deg = 0
window_width_mm = 9
cut_up_mm = 5
windway_height_mm = 1.2
windway_length_mm = 5
"""


def split_cents(wall=4, first=60, second=-60, along=25, across=55):
    """How far the air between two like chambers parts their pitches, cents, by its mass (radiation apart)."""
    text = PAIR.format(wall=wall, first=first, second=second, along=along, across=across)
    case = models.cases(loads(text), lossless=True)[0]
    ports = models.resonator("ports", case)
    alone = complex(ports.alone().lowest(np.zeros((1, 0)))[0])
    pulled = coupling(ports.circuit, np.array([alone]), np.ones((1, 2)))[0, 0, 1].real
    return 1200 / np.log(2) * 2 * abs(pulled) / alone.real


@pytest.mark.slow
def test_far_windows_in_a_thick_wall_do_not_hear_each_other():
    near = split_cents(first=45, second=-45)
    far = split_cents(first=-90, second=90)
    thick = split_cents(wall=16, first=-90, second=90, across=75)
    assert near > 50 > 2 > far > thick > 0
    assert thick < 0.01 * near


@pytest.mark.slow
@pytest.mark.sample
def test_a_two_chamber_body_splits_as_the_mutual_term_of_its_own_outside_wants():
    vessel = loads(PAIR.format(wall=4, first=30, second=-30, along=25, across=55))
    quiet, sounding = (
        [models.resonator("ports", case) for case in models.cases(vessel, lossless=calm)] for calm in (True, False)
    )
    covered = np.zeros((1, 0))
    # Two alike: which of the two resonances counts as whose hangs by a hair.
    pair = sorted((complex(r.lowest(covered)[0]) for r in sounding), key=lambda omega: omega.real)
    alone, still = (np.mean([complex(r.alone().lowest(covered)[0]) for r in each]) for each in (sounding, quiet))
    circuit = sounding[0].circuit
    speed = circuit.chamber_air.sound_speed
    D = circuit.field.outside(alone.real / speed)[0, 1]
    wanted = sorted(two_resonators(alone, still, circuit.field.volumes[0], speed, D), key=lambda omega: omega.real)
    assert (pair[1] - pair[0]).real == pytest.approx((wanted[1] - wanted[0]).real, rel=0.05)
    assert (pair[1] - pair[0]).imag == pytest.approx((wanted[1] - wanted[0]).imag, rel=0.05)


def test_two_necks_of_one_chamber_sound_higher_the_farther_apart_they_are():
    """Langfeldt, Hoppen & Gleine 2019, Appl. Acoust. 145, 314 (as a trend, from its abstract): necks that interact
    lower the resonance; far apart it comes near sqrt(2) of one neck's."""
    found = []
    for around in (25, 45, 90, 180):
        vessel = loads(BALL.format(wall=WALL_MM, diameter=DIAMETER_MM, around=around))
        (case,) = models.cases(vessel)
        ports = models.resonator("ports", case)
        one, both = (r.real for r in ports.lowest(np.array([[1.0, 0.0], [1.0, 1.0]])))
        found.append(both / one)
    assert (np.diff(found) > 0).all()
    assert 1.3 < found[0] < np.sqrt(2) < 1.01 * found[-1] < 1.06 * np.sqrt(2)


def test_where_the_secant_does_not_settle_the_chamber_s_mode_is_sought(monkeypatch):
    """Both ways to a chamber's note meet: a fixed point of its own k^2, and a mode that is mostly its own."""
    circuit, rows, both = two_on_one_ball(60.0, False, 0.8), np.array([False, True]), np.ones((1, 2))
    expected = lowest(circuit, rows, both, np.array([3000.0]))

    def unsettled(*_):
        raise OutOfReach("a pair in unison")

    monkeypatch.setattr("simkit.sound.models.roots.fixed_point", unsettled)
    assert lowest(circuit, rows, both, np.array([3000.0])) == pytest.approx(expected, rel=1e-6)
    with pytest.raises(OutOfReach):
        lowest(circuit, np.array([True, True]), both, np.array([3000.0]))
