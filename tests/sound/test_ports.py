"""The port model against closed forms and the laws of small oscillations."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

import simkit
from simkit.sound import models
from simkit.sound.elements.vocal_tract import VocalTract
from simkit.sound.elements.windway import Windway
from simkit.sound.models.playing import Playing

R = 0.05

# The thin sphere with one round hole in free space (Levine 1951, J. Acoust. Soc. Am. 23:307), half angle in degrees:
# (Re kR, Im kR), six digits, by the series in tests/field/thin_sphere.py, which a test there computes again.
THIN_SPHERE = {
    5: (0.206708, 0.0003013),
    10: (0.296092, 0.001257),
    20: (0.430006, 0.0054837),
    30: (0.541926, 0.0134728),
}


def thin_sphere(angle_deg, around=(0,)):
    diameter = 2e3 * R * np.sin(np.deg2rad(angle_deg))
    text = f"""
    [clay]
    wall_mm = 0
    edge_radius_mm = 0
    edge_inside_radius_mm = 0
    [[chamber]]
    name = "s"
    shape = "sphere"
    diameter_mm = {2e3 * R}
    """
    for n, deg in enumerate(around):
        text += f'[[chamber.hole]]\nname = "{n}"\nalong_mm = {1e3 * R}\naround_deg = {deg}\ndiameter_mm = {diameter}\n'
    return asked(simkit.loads(text, "sphere"), lossless=True)


def asked(vessel, **options):
    return models.resonator("ports", models.cases(vessel, **options)[0])


def cents(a, b):
    return 1200 * np.log2(a / b)


@pytest.mark.parametrize(("angle", "within"), [(5, 1), (10, 1), (20, 4), (30, 10)])
def test_thin_sphere_with_one_hole(angle, within):
    ports = thin_sphere(angle)
    kr = ports.resonances(["0"])[0].omega * R / ports.air.sound_speed
    re, im = THIN_SPHERE[angle]
    assert abs(cents(kr.real, re)) < within
    assert kr.real / kr.imag == pytest.approx(re / im, rel=0.005)


def test_thin_sphere_with_an_antipodal_pair():
    """Same source: kR = 0.427445 + 0.0047267i at 10 degrees."""
    ports = thin_sphere(10, (0, 180))
    kr = ports.resonances(["0", "1"])[0].omega * R / ports.air.sound_speed
    assert abs(cents(kr.real, 0.427445)) < 2
    assert kr.real / kr.imag == pytest.approx(0.427445 / 0.0047267, rel=0.005)


def test_higher_modes_of_the_thin_sphere():
    """Same source: 2.157848 + 0.006695i, 3.434764 + 0.014352i beside the closed ball's (zeros of j_l')."""
    ports = thin_sphere(10)
    kr = np.array([r.omega for r in ports.resonances(["0"], 9)]) * R / ports.air.sound_speed
    assert np.abs(cents(kr[1:3].real, 2.081576)).max() < 1  # the two of l = 1 that the hole does not feel
    moved = kr[np.abs(kr - 2.157848).argmin()]
    assert abs(cents(moved.real, 2.157848)) < 1
    assert moved.imag == pytest.approx(0.006695, rel=0.02)
    moved = kr[np.abs(kr.real - 3.434764).argmin()]
    assert abs(cents(moved.real, 3.434764)) < 2


DESIGN = """
[clay]
wall_mm = {wall}
edge_radius_mm = {rim}
edge_inside_radius_mm = {rim}
[[chamber]]
name = "body"
shape = "ellipsoid"
length_mm = {length}
width_mm = {width}
height_mm = {height}
[chamber.voicing]
along_mm = {window}
around_deg = 180
window_width_mm = {ww}
cut_up_mm = {wh}
windway_height_mm = 1.4
windway_length_mm = 30
"""
HOLES = (("1", 34, -25, 6.0), ("2", 50, 20, 5.0), ("3", 66, -15, 7.0), ("4", 50, 150, 6.0))


def walled(scale=1.0, holes=HOLES):
    sizes = {"wall": 5, "rim": 0.3, "length": 96, "width": 62, "height": 50, "window": 16, "ww": 12, "wh": 5.5}
    text = DESIGN.format(**{key: value * scale for key, value in sizes.items()})
    for name, along, around, diameter in holes:
        text += f'[[chamber.hole]]\nname = "{name}"\nalong_mm = {along * scale}\n'
        text += f"around_deg = {around}\ndiameter_mm = {diameter * scale}\n"
    return simkit.loads(text, "walled")


@pytest.fixture(scope="module")
def lossless():
    return asked(walled(), lossless=True)


@pytest.fixture(scope="module")
def lossy():
    return asked(walled())


ALL = np.array(list(itertools.product([0.0, 1.0], repeat=len(HOLES))))


def test_opening_any_hole_never_lowers_the_pitch(lossless):
    """Rayleigh's comparison theorem (Theory of Sound, sec. 88) for the lossless lowest mode."""
    pitch = dict(zip(map(tuple, ALL), lossless.lowest(ALL).real, strict=True))
    for fingering in pitch:
        for hole in np.flatnonzero(np.array(fingering) == 0):
            opened = tuple(1.0 if i == hole else x for i, x in enumerate(fingering))
            assert pitch[opened] > pitch[fingering]


@pytest.mark.slow  # both at once in the quick test below
def test_pitch_goes_as_one_over_the_size_without_losses(lossless):
    doubled = asked(walled(2.0), lossless=True)
    assert np.abs(cents(2 * doubled.lowest(ALL).real, lossless.lowest(ALL).real)).max() < 0.05


def test_mirroring_changes_nothing(lossless):
    mirrored = asked(walled(holes=tuple((n, a, -d, s) for n, a, d, s in HOLES)), lossless=True)
    assert np.abs(cents(mirrored.lowest(ALL).real, lossless.lowest(ALL).real)).max() < 0.1


def test_the_field_is_reciprocal_and_the_circuit_passive(lossy):
    evidence = lossy.field.evidence
    assert max(evidence.reciprocity_inside, evidence.reciprocity_outside) < 0.1  # of conductivities of 1/200 m and more
    frequency = np.linspace(60, 6000, 1500)
    for fingering in ([], ["1"], ["1", "2", "3", "4"]):
        assert lossy.admittance(fingering, frequency).real.min() > 0
    k = np.linspace(0.5, 0.9 * lossy.field.top, 40)
    radiating = -lossy.field.outside(k).imag
    assert np.linalg.eigvalsh((radiating + radiating.swapaxes(1, 2)) / 2).min() > -1e-3


def test_losses_lower_pitch_and_q(lossless, lossy):
    assert np.all(lossy.lowest(ALL).real < lossless.lowest(ALL).real)
    q = [w.real / (2 * w.imag) for w in (lossy.lowest(ALL[:1])[0], lossless.lowest(ALL[:1])[0])]
    assert q[0] < q[1] / 5  # friction in the openings leads all other losses


def test_many_fingerings_at_once_agree_with_one_at_a_time(lossy):
    many = lossy.lowest(np.tile(ALL, (3, 1)))[: len(ALL)]
    for openness, omega in zip(ALL, many, strict=True):
        fingering = [name for name, x in zip(lossy.holes, openness, strict=True) if x]
        assert lossy.resonances(fingering)[0].omega == pytest.approx(omega, rel=1e-8)
        assert lossy.resonances(fingering, 3)[0].omega == pytest.approx(omega, rel=1e-8)


def test_resonances_are_peaks_of_the_admittance(lossy):
    for fingering in ([], ["1", "3"]):
        first = lossy.resonances(fingering)[0]
        frequency = first.frequency_hz * np.linspace(0.97, 1.03, 4001)
        peak = frequency[np.abs(lossy.admittance(fingering, frequency)).argmax()]
        assert abs(cents(peak, first.frequency_hz)) < 4  # Q near 27: the peak of |Y| lies 1/(8 Q^2) off, 0.3 cents


def test_covering_a_hole_by_halves_lies_between(lossy):
    pitch = [lossy.resonances({"3": share})[0].frequency_hz for share in (0, 0.2, 0.5, 0.8, 1)]
    assert np.all(np.diff(pitch) > 0)


def test_nothing_open_nothing_rings():
    plain = asked(
        simkit.loads(DESIGN.split("[chamber.voicing]")[0].format(wall=5, rim=0.3, length=96, width=62, height=50), "x")
    )
    assert plain.resonances() == ()
    assert plain.lowest(np.zeros((1, 0)))[0] == 0


def test_common_practice(lossless):
    """Common practice, no source: a larger hole sounds sharper; where it sits matters little on a compact chamber;
    notes already cut go a trace flat as later holes are cut (their chimneys add air)."""
    wider = asked(walled(holes=(("1", 34, -25, 7.0), *HOLES[1:])), lossless=True)
    assert wider.lowest(ALL[8:9])[0].real > lossless.lowest(ALL[8:9])[0].real
    moved = asked(walled(holes=(("1", 60, -40, 6.0), *HOLES[1:])), lossless=True)
    assert abs(cents(moved.lowest(ALL[8:9])[0].real, lossless.lowest(ALL[8:9])[0].real)) < 25
    fewer = asked(walled(holes=HOLES[:1]), lossless=True)
    shift = cents(lossless.resonances(["1"])[0].frequency_hz, fewer.resonances(["1"])[0].frequency_hz)
    assert -8 < shift < 0


def changed(vessel, key, step):
    return vessel.with_value(key, vessel.value(key) + step)


@pytest.mark.slow  # at once: field/test_port_field, a hole by the edge of a box
def test_a_hole_in_a_corner_is_doubted_and_said():
    text = """
    clay.wall_mm = 8
    [[chamber]]
    name = "box"
    shape = "box"
    length_mm = 90
    width_mm = 50
    height_mm = 40
    [[chamber.hole]]
    name = "edge"
    along_mm = 45
    around_deg = 45
    diameter_mm = 6
    [[chamber.hole]]
    name = "fair"
    along_mm = 45
    around_deg = 0
    diameter_mm = 6
    """
    ports = asked(simkit.loads(text, "box.toml"))
    fair, edge = ports.evidence(["fair"]), ports.evidence(["edge"])
    assert fair.uncertainty_cents < edge.uncertainty_cents
    assert not any("turns by" in c for c in fair.cautions)


def test_a_mesh_that_lies_off_the_wall_is_said(lossy):
    def off(metres):
        field = lossy.circuit.field
        field = replace(field, evidence=replace(field.evidence, off_wall=metres))
        return replace(lossy, circuit=replace(lossy.circuit, field=field)).evidence()

    assert any("0.56 mm off the wall" in caution for caution in off(5.6e-4).cautions)
    assert off(5.6e-4).facts["mesh_off_wall_mm"] == pytest.approx(0.56)
    assert not any("off the wall" in caution for caution in off(0.0).cautions)


def test_temperature_needs_no_new_field(lossy):
    vessel = walled().with_value("air.temperature_c", 30.0)
    warm = asked(vessel)
    assert warm.solution.air.outside is lossy.solution.air.outside  # meshed and factored once
    shift = cents(warm.lowest(ALL[:1])[0].real, lossy.lowest(ALL[:1])[0].real)
    assert 25 < shift < 36  # about 3 cents a degree (Cramer 1993)


def test_the_open_windway_raises_the_closed_note_as_its_circuit_has_it(lossless, windway_pull):
    """The circuit of conftest, with as much air in the window as the closed note tells, S c^2/(omega^2 V).

    How much of it lies before the windway's exit is bounded: the exit reaches 0.7 mm up, and where a slit of 5.5 mm
    begins its wall has the potential of the even flow 0.0977 of that lower, (1 - ln 2)/pi by conformal mapping. Least
    the flow of a thin wall, of 12 by 5.5 mm 1/(2 * 1.19) sqrt(S); most a piston's 0.457 sqrt(S) (test_orifice has both)
    and the way down the chamber, a third of its length over its middle's area, as in a tube that is fed at its end."""
    (case,) = models.cases(walled(), lossless=True)
    windway = Windway(12e-3, 1.4e-3, 30e-3, VocalTract.cavity(50e-6))
    pulled = models.resonator("ports", models.with_playing(case, Playing(windway)))
    assert replace(pulled, airs=lossless.airs).holes == lossless.holes
    closed, raised = (ports.lowest(ALL[:1])[0].real for ports in (lossless, pulled))
    air, area = lossless.air, 12e-3 * 5.5e-3
    volume = np.pi / 6 * 0.096 * 0.062 * 0.050 + sum(np.pi / 4 * (1e-3 * d) ** 2 * 5e-3 for *_, d in HOLES)
    whole = area * (air.sound_speed / closed) ** 2 / volume
    least = np.sqrt(area) / (2 * 1.19) - 5.5e-3 * (1 - np.log(2)) / np.pi
    most = 0.7e-3 + 0.457 * np.sqrt(area) + area * 0.096 / 3 / (np.pi / 4 * 0.062 * 0.050)
    low, high = (windway_pull(air, volume, area, inner, whole - inner, windway) for inner in (most, least))
    assert low < cents(raised, closed) < high


@pytest.mark.slow
def test_turning_the_piece_changes_nothing(lossless):
    turned = asked(walled().with_value("body.turn_deg", 37.0), lossless=True)
    assert np.abs(cents(turned.lowest(ALL).real, lossless.lowest(ALL).real)).max() < 0.1


@pytest.mark.slow  # at once: field/test_port_field, frequency goes as one over size
def test_a_piece_twice_the_size_and_turned_rings_an_octave_lower(lossless):
    """On another mesh, for the clay lies otherwise in it."""
    other = asked(walled(2.0).with_value("body.turn_deg", 37.0), lossless=True)
    assert np.abs(cents(2 * other.lowest(ALL).real, lossless.lowest(ALL).real)).max() < 0.1
