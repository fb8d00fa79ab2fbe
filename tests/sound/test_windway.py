"""The windway, the stream in it, the mouth behind it, and where they meet the window's air."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import simkit
from simkit.air import exhaled, moist_air
from simkit.body.chambers import Opening
from simkit.field.fem.quadrature import facet_rule
from simkit.field.window.cell import streaming
from simkit.field.window.relief import window_cell
from simkit.sound import models
from simkit.sound.elements.airjet import AirJet
from simkit.sound.elements.airs import Airs
from simkit.sound.elements.openings import aperture_of, rectangular_hole, round_hole
from simkit.sound.elements.vocal_tract import BANDWIDTH, SPREAD, WINDPIPE, VocalTract
from simkit.sound.elements.windway import Windway, exit_band, junction_of, stream_resistance, windway_impedance
from simkit.sound.models.lumped import LumpedResonator
from simkit.sound.models.playing import STILL

AIR, BREATH, MM = moist_air(), exhaled(), 1e-3
BOX, HALL = VocalTract.cavity(50e-6), VocalTract.cavity(1e3)
WINDWAY = Windway(12 * MM, 1.2 * MM, 30 * MM, BOX)


# --- the slit ---


def test_at_rest_the_slow_limit_is_that_of_parallel_plates():
    """R = 12 eta L/(w h^3), M = (6/5) rho L/(w h): Lamb 1932, Hydrodynamics, sec. 330 and 347a (from memory)."""
    far = replace(WINDWAY, mouth=HALL)  # behind which next to nothing is a spring
    longer, omega = replace(far, length=60 * MM), 2 * np.pi * 0.5
    Z = windway_impedance(longer, AIR, omega) - windway_impedance(far, AIR, omega)
    assert Z.real == pytest.approx(12 * AIR.viscosity * 30 * MM / (WINDWAY.area * (1.2 * MM) ** 2), rel=2e-3)
    assert Z.imag / omega == pytest.approx(1.2 * AIR.density * 30 * MM / WINDWAY.area, rel=0.02)


def test_its_branch_is_zwikker_and_kostens_slit_before_a_spring():
    """Z_0 (Z + i Z_0 tan kL)/(Z_0 + i Z tan kL), rho and K as in Zwikker & Kosten 1949, ch. 2: F = tan(z)/z."""
    omega, slit = 2 * np.pi * np.array([150.0, 440.0, 1300.0]), replace(WINDWAY, length=90 * MM)
    gap = 0.6 * MM * np.sqrt(-1j * omega)
    held, warmed = (np.tan(gap / np.sqrt(d)) / (gap / np.sqrt(d)) for d in (AIR.kinematic_viscosity, _alpha()))
    rho = AIR.density / (1 - held)
    stiff = AIR.density * AIR.sound_speed**2 / (1 + (AIR.gamma - 1) * warmed)
    k, own = omega * np.sqrt(rho / stiff), np.sqrt(rho * stiff) / WINDWAY.area
    # The lips' end as that of a piston in a flange, within 4 percent for a rectangle ten times as wide as high, its own
    # friction left out: together 2 percent of so long a slit.
    end = 1j * omega * AIR.density * 0.345 / np.sqrt(WINDWAY.area)
    mouth = AIR.density * AIR.sound_speed**2 / (1j * omega * 50e-6) + end
    turn = 1j * np.tan(k * slit.length)
    expected = own * (mouth + own * turn) / (own + mouth * turn)
    assert windway_impedance(slit, AIR, omega) == pytest.approx(expected, rel=0.02)


def _alpha():
    return AIR.thermal_conductivity / (AIR.density * AIR.specific_heat)


def test_breath_fills_it_where_it_is_given():
    omega = 2 * np.pi * 500.0
    filled = replace(WINDWAY, air=BREATH)
    assert windway_impedance(filled, AIR, omega) == windway_impedance(WINDWAY, BREATH, omega)


# --- the stream ---


@pytest.mark.parametrize(("height", "length", "speed"), [(1.2, 30, 4.0), (0.8, 45, 12.0), (1.4, 20, 25.0)])
def test_slow_sound_meets_the_slope_of_the_steady_law(height, length, speed):
    """dp/dQ of the windway's steady law, by differences (`elements.airjet`, held to Poiseuille and Bernoulli there)."""
    windway = Windway(10 * MM, height * MM, length * MM, HALL)
    jet = AirJet(height * MM, length * MM, 10 * MM, 4 * MM, BREATH)
    middle = np.array([0.99, 1.01]) * speed
    flow, heads = jet.breath_flow(middle), []
    for each in flow / windway.area:  # p = (rho V^2/2)(1 + F), without the rounded corner between its two branches
        heads.append(BREATH.density * each**2 / 2 * (1 + jet._friction(each)))
    steady = float(np.diff(heads)[0] / np.diff(flow)[0])
    streaming_ = replace(windway, speed=float(flow.mean()) / windway.area)
    assert windway_impedance(streaming_, BREATH, 2 * np.pi * 0.1).real == pytest.approx(steady, rel=0.01)


def test_fast_sound_meets_an_orifice_with_a_stream():
    """rho V/S: Ingard & Ising 1967, J. Acoust. Soc. Am. 42, 6; a slit that is short meets it at any frequency."""
    streaming_ = replace(WINDWAY, speed=15.0)
    orifice = BREATH.density * 15.0 / WINDWAY.area
    assert stream_resistance(streaming_, BREATH, 2 * np.pi * 40e3).real == pytest.approx(orifice, rel=0.01)
    short = replace(streaming_, length=0.01 * MM)
    assert stream_resistance(short, BREATH, 2 * np.pi * 500.0) == pytest.approx(orifice, rel=0.1)
    assert stream_resistance(WINDWAY, BREATH, 2 * np.pi * 500.0) == 0


# --- the mouth ---


def extremes(mouth, low, high):
    """Hz of the minima and the maxima of |Z| between two frequencies, and |Z| itself."""
    hertz = np.geomspace(low, high, 6000)
    Z = np.abs(mouth.impedance(BREATH, 2 * np.pi * hertz))
    rising = np.diff(Z) > 0
    return hertz[1:-1][~rising[:-1] & rising[1:]], hertz[1:-1][rising[:-1] & ~rising[1:]], (hertz, Z)


def test_a_closed_throat_answers_as_measured_through_the_lips():
    """Hanna, Smith & Wolfe 2016, J. Acoust. Soc. Am. 139, 2924, abstract: flesh rings at some 20 Hz, an antiresonance
    at some 200, then those of a smooth tube as long, 50 to 90 Hz wide."""
    mouth = VocalTract(gap=0.0)
    least, most, (hertz, Z) = extremes(mouth, 8, 1500)
    assert least[0] == pytest.approx(20, rel=0.2)
    assert most[0] == pytest.approx(200, rel=0.2)
    tube = BREATH.sound_speed / 4 / mouth.length
    assert least[1] == pytest.approx(np.hypot(tube, 200), rel=0.05)  # walls that yield lift it, as they lift a vowel's
    assert most[1] == pytest.approx(2 * tube, rel=0.05)
    wide = hertz[np.sqrt(2) * Z[np.abs(hertz - least[1]).argmin()] > Z]
    wide = wide[wide > 300]
    assert 50 < wide[-1] - wide[0] < 90


def test_an_open_throat_answers_as_one_tube_with_the_windpipe():
    """Hanna, Smith & Wolfe 2018, J. Acoust. Soc. Am. 143, 2639, abstract: as a duct open at its end, 37 +- 4 cm long of
    men, 34 +- 3 of women, and the resemblance semi-quantitative: four minima below 2 kHz, at multiples of c/2L."""
    least, _, _ = extremes(VocalTract(gap=150e-6), 300, 2000)
    lengths = BREATH.sound_speed * np.arange(1, 5) / 2 / least
    assert len(least) == 4
    assert 0.31 < lengths.mean() < 0.41
    assert abs(VocalTract().length + WINDPIPE[0] - 0.355) < 0.02


def test_a_hard_box_is_a_spring():
    omega = 2 * np.pi * np.array([100.0, 500.0, 2000.0])
    assert BOX.impedance(AIR, omega) == pytest.approx(AIR.density * AIR.sound_speed**2 / (1j * omega * 50e-6), rel=1e-4)


plausible = st.builds(
    VocalTract,
    st.floats(0.12, 0.2),
    st.floats(20e-6, 120e-6),
    st.sampled_from([0.0, 5e-6, 20e-6, 150e-6]),
    st.floats(8, 25),
    st.just(BANDWIDTH),
)


@settings(max_examples=40)
@given(plausible, st.floats(0.5, 2.5), st.floats(10, 60), st.sampled_from([0.0, 2.0, 12.0, 40.0]), st.floats(50, 4000))
def test_branch_and_mouth_never_give_energy(mouth, height, length, speed, hertz):
    windway = Windway(10 * MM, height * MM, length * MM, mouth, BREATH, speed)
    omega = 2 * np.pi * hertz
    assert mouth.impedance(BREATH, omega, speed * windway.area).real > 0
    assert windway_impedance(windway, AIR, omega).real > 0
    assert windway_impedance(windway, AIR, omega, lossless=True).real > 0
    hard = windway_impedance(replace(windway, mouth=BOX), AIR, omega, lossless=True)
    assert abs(hard.real) < 1e-9 * abs(hard)


# --- where it opens ---


def window(**other):
    sizes = {"width": 12 * MM, "height": 5 * MM, "length": 5 * MM, "rim": 0.3 * MM, "inside_rim": 0.3 * MM}
    axes = np.zeros(3), np.array([0.0, 0, 1]), np.array([1.0, 0, 0])
    return Opening("[window]", *axes, **{**sizes, "edge_deg": 45.0, **other})


@pytest.mark.parametrize(
    ("edge_deg", "width", "wall"),
    [
        (45.0, 9.0, 5.5),
        *(pytest.param(*sizes, marks=pytest.mark.slow) for sizes in ((90.0, 12.0, 4.0), (30.0, 14, 3.5))),
    ],
)
def test_the_exit_has_the_potential_that_the_window_s_cell_has_there(edge_deg, width, wall):
    """Laplace's equation by elements on the window's own block: the mean over the exit's patch of the wall."""
    o = window(edge_deg=edge_deg, width=width * MM, length=wall * MM)
    windway = Windway(o.width, 1.4 * MM, 30 * MM)
    cell = window_cell(o.width, o.height, o.length, o.edge_deg, o.inside_rim, o.rim)
    stream = streaming(cell)
    points = stream.clay.points[stream.clay.facets]
    on = (np.abs(points[..., 0]) < 1e-7).all(axis=1) & (points[..., 1] < o.width / 2 + 1e-7).all(axis=1)
    rule = facet_rule(stream.clay.points, stream.clay.facets[on])
    weights = np.asarray(rule.spread[:, rule.points[:, 2] < exit_band(windway, o)[1]].sum(axis=1)).ravel()
    share = float(weights @ stream.potential / weights.sum())
    air, depth = aperture_of(o), junction_of(windway, o).depth
    whole = air.inner + air.length + air.outer
    # 0.012 of the cut-up, as the docstring says; and what the exit's integration points leave uncertain in height.
    assert (air.length + air.outer - depth) / whole == pytest.approx(share, abs=0.012 * o.height / whole + 0.006)


def test_in_a_deep_slit_the_exit_lies_where_the_map_has_it():
    """Flanged slit, Schwarz-Christoffel: potential ln(t)/pi at z = (H/pi)(arccosh(1/t) - sqrt(1 - t^2)), 0 < t < 1."""
    t = 0.4
    z = (np.arccosh(1 / t) - np.sqrt(1 - t**2)) / np.pi
    even = (np.log(2) - 1 - np.log(t)) / np.pi  # where -z/H + (ln 2 - 1)/pi has that potential
    o = window(edge_deg=90.0, inside_rim=0.0, rim=0.0)
    thin = Windway(o.width, 1e-3 * MM, 30 * MM, level=z * o.height)
    assert junction_of(thin, o).depth / o.height == pytest.approx(even, abs=0.007)


def test_a_higher_exit_lies_deeper_and_stays_in_the_window():
    """An offset of 20 mm either way, which a design may have, puts the exit at an end of the window, not beyond."""
    o = window()
    levels = (-20, -1, 0, 0.5, 1, 4, 20)
    depths = [junction_of(Windway(o.width, 1.2 * MM, 30 * MM, level=level * MM), o).depth for level in levels]
    assert depths == sorted(depths)
    assert -0.1 * o.height < depths[0] and depths[-1] <= o.length
    for height, level in ((0.6, 0), (1.2, 20), (1.2, -20), (8, 0)):
        bottom, top = exit_band(Windway(o.width, height * MM, 30 * MM, level=level * MM), o)
        assert min(top, o.length - o.rim) - max(bottom, o.inside_rim) >= 0.15 * MM


# --- what it does to a note ---

voicings = st.tuples(st.floats(7, 15), st.floats(3, 6), st.floats(3, 7), st.floats(0.7, 1.8), st.floats(15, 50))


def whistle(voicing, volume, hole, mouth):
    """A ball of that many ml with its windway open to a mouth, and with it closed."""
    width, cut_up, wall, height, length = voicing
    rim = 0.3 * MM
    o = window(width=width * MM, height=cut_up * MM, length=wall * MM, edge_deg=90.0)
    windway = Windway(o.width, height * MM, length * MM, mouth, BREATH, per_hertz=7.5 * cut_up * MM)
    opening = rectangular_hole(o.width, o.height, o.length, rim, rim)
    holes = (round_hole(hole * MM, o.length, rim, rim),)
    ball = (36 * np.pi) ** (1 / 3) * (volume * 1e-6) ** (2 / 3)
    closed = LumpedResonator(volume * 1e-6, ball, Airs.all_of(AIR), opening, holes, ("1",))
    return replace(closed, windway=windway, junction=junction_of(windway, o)), closed


PLAYERS = [VocalTract(*sizes) for sizes in product(*(ends for _, *ends in SPREAD))]


@settings(max_examples=30)
@given(voicings, st.floats(15, 600), st.floats(1, 5), st.sampled_from(PLAYERS))
def test_opening_the_windway_raises_a_note_unless_the_mouth_is_the_stronger_spring(voicing, volume, hole, mouth):
    """A branch that is a mass spares the window some of its own (Rayleigh's theorem on what is let loose). A mouth just
    above its own resonance is a spring; only a short, high windway has so little mass that this could turn round."""
    opened, closed = whistle(voicing, volume, hole, mouth)
    openness = np.array([[0.0], [1.0]])
    found = opened.lowest(openness)
    branch = [windway_impedance(opened.windway, AIR, w, inertance=opened.junction.inertance) for w in found]
    raised = found.real > closed.lowest(openness).real
    assert raised.tolist() == [Z.imag > 0 for Z in branch]
    *_, height, length = voicing
    assert raised.all() or height > 1.4 or length < 20


PIECE = """
[clay]
wall_mm = 4
[[chamber]]
name = "body"
shape = "ellipsoid"
length_mm = 76
width_mm = 52
height_mm = 42
[chamber.voicing]
along_mm = 16
around_deg = 180
window_width_mm = 10
cut_up_mm = 4.2
windway_height_mm = 1.1
windway_length_mm = 28
[[chamber.hole]]
name = "1"
along_mm = 42
around_deg = 10
diameter_mm = 7
"""


@pytest.fixture(scope="module")
def piece():
    (case,) = models.cases(simkit.loads(PIECE, "piece"), state="played")
    return models.with_playing(case, case.playing.only(["windway"]))


def test_players_differ_by_some_cents_about_the_usual_one(piece):
    """The mouth is in series with a slit whose reactance is several times as large: cents, not tens of cents."""
    openness = np.array([[0.0], [1.0]])
    own, *others = (
        models.resonator("lumped", models.with_playing(piece, playing)).lowest(openness).real
        for playing in (piece.playing, *(each for pair in piece.playing.extremes for each in pair))
    )
    moved = 1200 * np.log2(np.array(others) / own)
    assert len(moved) == 6
    assert np.abs(moved).max() < 10 and (np.abs(moved).max(axis=1) > 0).all()
    assert models.with_playing(piece, STILL).playing.extremes == ()


@pytest.mark.slow
def test_with_two_models_the_note_rises_alike(piece):
    pulls = []
    for name in ("lumped", "ports"):
        shut, opened = (models.resonator(name, case) for case in (models.with_playing(piece, STILL), piece))
        openness = np.array([[0.0], [1.0]])
        pulls.append(1200 * np.log2(opened.lowest(openness).real / shut.lowest(openness).real))
    assert np.all(np.array(pulls) > 0)
    assert pulls[0] == pytest.approx(pulls[1], rel=0.35)  # the rule knows no chamber between window and hole
