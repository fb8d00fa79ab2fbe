"""The clay under a windway's end as the window's air meets it; what it is made of is tested in `tests/field`."""

from dataclasses import replace

import numpy as np
import pytest

import simkit
from simkit.air import moist_air
from simkit.body import body_of
from simkit.field.window.ledge import bend_shares, floor_burden
from simkit.sound.elements.airjet import AirJet
from simkit.sound.elements.ducts import end_impedance
from simkit.sound.elements.floor import Floor, Ledge, floor_of
from simkit.sound.elements.openings import aperture_of
from simkit.sound.elements.windway import windway_of
from simkit.vessel.starter import starter

VESSEL = simkit.loads(starter("egg"), "egg.toml")
VOICING, WINDOW = VESSEL.chambers[0].voicing, body_of(VESSEL).chambers[0].window


def test_it_adds_its_inertance_and_the_friction_of_its_skin():
    """i omega rho/K, and what a wall takes of a flow along it: sqrt(rho eta omega/2) u^2/2 of each m2 (Landau &
    Lifshitz 1987, Fluid Mechanics, section 24), friction the integral of u^2 for unit flow."""
    air, omega, before = moist_air(), 2 * np.pi * 700.0, aperture_of(WINDOW)
    after = Floor(Ledge(), 7.0, 4e4).before(before)
    for lossless in (True, False):
        with_it, without = (
            end_impedance(air, omega, a.area, a.perimeter, a.inner, a.inner_viscous, lossless) for a in (after, before)
        )
        skin = np.sqrt(air.density * air.viscosity * omega / 2) * 4e4
        wall = 0.0 if lossless else (1 + 1j) * skin
        assert with_it - without == pytest.approx(1j * omega * air.density * 7.0 + wall, rel=1e-9)


def test_it_hangs_as_deep_as_half_the_windway_and_its_clay_less_what_the_edge_is_lowered():
    """The edge lies at the inner face; lowered in the jet it lifts the windway, until no clay is below the face."""
    plain = floor_of(VOICING, WINDOW, Ledge())
    deep = 1e3 * Ledge().under + VOICING.windway_height_mm / 2
    lifted = floor_of(replaced(edge_offset_mm=VOICING.edge_offset_mm + 0.3), WINDOW, Ledge())
    thinner = floor_of(VOICING, WINDOW, replace(Ledge(), under=Ledge().under - 0.3e-3))
    assert 0 < lifted.inertance < plain.inertance
    assert (lifted.inertance, lifted.friction) == pytest.approx((thinner.inertance, thinner.friction))
    clear = floor_of(replaced(edge_offset_mm=deep), WINDOW, Ledge())
    assert (clear.inertance, clear.friction) == (0.0, 0.0)


@pytest.mark.parametrize("slope", [10.0, -6.0])
def test_a_windway_that_slopes_leaves_for_the_window_higher_by_what_it_comes_down_over_the_cut_up(slope):
    """There it is as one that is level with the edge so much lower in its jet; its jet's way is the hypotenuse."""
    down = VOICING.cut_up_mm * np.tan(np.radians(slope))
    sloping, level = replaced(windway_slope_deg=slope), replaced(edge_offset_mm=VOICING.edge_offset_mm + down)
    floors = [floor_of(voicing, WINDOW, Ledge()) for voicing in (sloping, level)]
    assert floors[0].inertance == pytest.approx(floors[1].inertance, rel=1e-12)
    (body,) = VESSEL.chambers
    ways = [windway_of(body.model_copy(update={"voicing": voicing})) for voicing in (sloping, level)]
    assert ways[0].level == pytest.approx(ways[1].level, rel=1e-12)
    assert 1e3 * AirJet.of(sloping, moist_air()).cut_up == pytest.approx(np.hypot(VOICING.cut_up_mm, down))


def replaced(**sizes):
    return VOICING.model_copy(update=sizes)


def test_a_bent_wall_s_share_is_in_it_and_in_the_ends_of_its_doubt():
    """The egg's window is bent by 20 to 40 per metre: a share of some percent, the same by which flat clay differs."""
    for clay in (Ledge(), *Ledge().ends):
        depth = VOICING.windway_height_mm / 2e3 + clay.under
        sizes = WINDOW.width, WINDOW.height
        flat = floor_burden(*sizes, WINDOW.edge_deg, depth, clay.beside).inertance
        share = bend_shares(*sizes, depth, clay.beside, WINDOW.curvatures).inertance
        assert abs(share) > 0.005
        assert floor_of(VOICING, WINDOW, clay).inertance == pytest.approx(flat * (1 + share), rel=1e-9)
