"""The singular part of a source on a wall: harmonic, of unit flux, and matched to the wall's bend."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from simkit.body.walls.formulas import EggWall
from simkit.field.reduced.boundary import AirSurface, onto
from simkit.field.reduced.source import (
    Sources,
    curvature_values,
    regular_curvature_values,
    second_order_slopes,
    second_order_values,
    source_slopes,
    source_values,
    spread,
)

RNG = np.random.default_rng(3)


def turned():
    q, _ = np.linalg.qr(RNG.normal(size=(3, 3)))
    return q if np.linalg.det(q) > 0 else q * [[1], [1], [-1]]


def one_source(reach, k1=3.0, k2=1.0):
    return Sources(np.array([[0.1, 0.2, 0.3]]), turned()[None], np.array([k1]), np.array([k2]), np.array([reach]))


def points_off_the_line(sources, count=60):
    p = sources.places[0] + RNG.normal(size=(count, 3))
    x, y, z = sources.coordinates(p)[:, 0]
    return p[(np.hypot(x, y) > 0.1) | (z > 0.1)]


def test_the_bent_terms_are_the_potentials_of_a_line_of_charge_and_of_quadrupoles():
    s = one_source(0.7)
    p = points_off_the_line(s)
    x, y, z = s.coordinates(p)[:, 0]
    for i in range(len(p)):
        charge = quad(lambda t, i=i: 1 / np.hypot(np.hypot(x[i], y[i]), z[i] + t), 0, 0.7)[0]
        twist = quad(lambda t, i=i: 3 * t**2 / np.hypot(np.hypot(x[i], y[i]), z[i] + t) ** 5, 0, 0.7)[0]
        expected = 2 * charge / (4 * np.pi) + 2 * (x[i] ** 2 - y[i] ** 2) * twist / (16 * np.pi)
        assert curvature_values(s, p)[0, i] == pytest.approx(expected, rel=1e-7, abs=1e-9)


def test_an_endless_line_is_the_published_form():
    s = one_source(np.inf)
    p = points_off_the_line(s)
    x, y, z = s.coordinates(p)
    r = np.sqrt(x**2 + y**2 + z**2)
    expected = 1 / (2 * np.pi * r) - 2 / (4 * np.pi) * np.log(r + z) + 2 / (16 * np.pi) * (x**2 - y**2) / (r + z) ** 2
    assert source_values(s, p) == pytest.approx(expected, rel=1e-12)
    assert regular_curvature_values(s, p) == pytest.approx(
        expected - 1 / (2 * np.pi * r) + 2 / (4 * np.pi) * np.log(r), rel=1e-9
    )


def test_a_long_line_differs_from_an_endless_one_by_a_constant_near_the_source():
    endless = one_source(np.inf)
    p = endless.places[0] + 0.02 * RNG.normal(size=(40, 3)) + 0.05 * endless.frames[0, 2]
    gap = curvature_values(replace(endless, reach=np.array([300.0])), p) - curvature_values(endless, p)
    assert np.ptp(gap) < 1e-3


@pytest.mark.parametrize("reach", [0.7, np.inf])
def test_every_term_is_harmonic(reach):
    s = one_source(reach)
    p = points_off_the_line(s)
    step = 1e-3
    laplacian = sum(
        source_values(s, p + step * e) + source_values(s, p - step * e) - 2 * source_values(s, p) for e in np.eye(3)
    )
    scale = np.abs(source_values(s, p)) / np.linalg.norm(p - s.places[0], axis=1) ** 2
    assert np.all(np.abs(laplacian) / step**2 < 5e-3 * (scale + 1))


@pytest.mark.parametrize("reach", [0.7, np.inf])
@pytest.mark.parametrize(
    ("values", "slopes"), [(source_values, source_slopes), (second_order_values, second_order_slopes)]
)
def test_slopes_are_those_of_the_values(values, slopes, reach):
    s = one_source(reach)
    p = points_off_the_line(s)
    n = RNG.normal(size=p.shape)
    n /= np.linalg.norm(n, axis=1)[:, None]
    step = 1e-5
    difference = (values(s, p + step * n) - values(s, p - step * n)) / (2 * step)
    assert slopes(s, p, n) == pytest.approx(difference, rel=1e-5, abs=1e-6)


def test_the_kink_takes_the_pole_out_of_the_helmholtz_equation():
    """(nabla^2 + k^2)(1/(2 pi r) + k^2 R) = k^4 R: the Laplacian of R is -1/(2 pi r)."""
    s = one_source(np.inf)
    p = points_off_the_line(s)
    step = 1e-3
    laplacian = sum(second_order_values(s, p + step * e) + second_order_values(s, p - step * e) for e in np.eye(3))
    laplacian = (laplacian - 6 * second_order_values(s, p)) / step**2
    r = np.linalg.norm(p - s.places[0], axis=1)
    assert laplacian[0] == pytest.approx(-1 / (2 * np.pi * r), rel=1e-3)


@pytest.mark.parametrize("outside", [False, True])
def test_the_slope_left_on_an_ellipsoid_is_bounded_and_each_term_is_needed(outside):
    wall = EggWall(0.062, 0.096, 0.05, 0.42)
    surface = AirSurface((wall,), 0.005 if outside else 0.0, outside)
    middle = surface.nearest(np.array([[0.02, 0.035, 0.022]]) * (1.2 if outside else 1.0))
    n, k1, k2, e1 = surface.curvatures(middle)
    frames = np.stack([e1, np.cross(-n, e1), -n], axis=1)
    s = Sources(middle, frames, k1, k2, np.array([0.02 if outside else np.inf]))
    phi = np.linspace(0, 2 * np.pi, 16, endpoint=False)

    def steepest(sources, r):
        ring = middle + r * (np.cos(phi)[:, None] * e1 + np.sin(phi)[:, None] * frames[:, 1])
        wall_points, _, _ = onto(surface, ring, np.repeat(n, 16, axis=0))
        return np.abs(source_slopes(sources, wall_points, surface.normals(wall_points))).max()

    near, far = steepest(s, 1e-5), steepest(s, 1e-3)
    assert near < 2 * far
    mean = s.mean_curvature
    assert steepest(replace(s, k1=mean, k2=mean), 1e-5) > 20 * near  # without the third term
    half = (s.k1 - s.k2) / 2
    assert steepest(replace(s, k1=half, k2=-half), 1e-5) > 20 * near  # without the second


def test_a_source_sends_unit_flux_into_the_air():
    s = one_source(np.inf, 0.0, 0.0)
    u, w = np.polynomial.legendre.leggauss(12)
    u, w = (u + 1) / 2, w / 2
    phi = 2 * np.pi * np.arange(16) / 16
    ring = np.sqrt(1 - u**2)
    out = np.stack([np.outer(ring, np.cos(phi)), np.outer(ring, np.sin(phi)), np.outer(u, np.ones(16))], axis=-1)
    out = out.reshape(-1, 3) @ s.frames[0]
    flux = -source_slopes(s, s.places + 0.3 * out, out)[0] * np.repeat(w, 16) * 2 * np.pi / 16 * 0.3**2
    assert flux.sum() == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("count", [3, 4_000, 11_000])  # all, two and one of the sources in a part
def test_sources_in_parts_send_what_all_of_them_do_at_once(count):
    several = [one_source(0.7) for _ in range(7)]
    of = {
        name: np.concatenate([getattr(s, name) for s in several]) for name in ("places", "frames", "k1", "k2", "reach")
    }
    sources, weights = Sources(**of), RNG.normal(size=7)
    points, normals = RNG.normal(size=(2, count, 3))
    for kernel, more in ((source_values, ()), (source_slopes, (normals, 0.05)), (second_order_slopes, (normals,))):
        whole = weights @ kernel(sources, points, *more)
        assert spread(kernel, sources, weights, points, *more) == pytest.approx(whole, rel=1e-9, abs=1e-12)
