"""One wall of every shape, in sizes of our own invention."""

import pytest

from simkit.body.walls.formulas import BoxWall, EggWall, LensWall, TubeWall
from simkit.body.walls.lobes import LobesWall
from simkit.body.walls.sections import SectionsWall

ROWS = ((0.0, 0.03, 0.025, 0.0, 2.0), (0.04, 0.05, 0.04, 0.002, 2.5), (0.08, 0.03, 0.03, 0.006, 3.0))
BODY = [(0.045, 0, 0, 0.09, 0.05, 0.044), (0.092, 0, 0.012, 0.034, 0.03, 0.03)]
LEGS = [(x, s * 0.016, -0.022, 0.016, 0.016, 0.04) for x in (0.022, 0.066) for s in (-1, 1)]
WALLS = {
    "sphere": EggWall(0.06, 0.06, 0.06),
    "ellipsoid": EggWall(0.062, 0.096, 0.05),
    "egg": EggWall(0.062, 0.096, 0.05, 0.38),
    "lens": LensWall(0.07, 0.09, 0.024, 0.004),
    "pillow": LensWall(0.07, 0.09, 0.03, 0.011),
    "flat tube": TubeWall(0.09, 0.03),
    "round tube": TubeWall(0.09, 0.03, round_ends=True),
    "sharp box": BoxWall(0.05, 0.09, 0.04),
    "round box": BoxWall(0.05, 0.09, 0.04, 0.008),
    "round sections": SectionsWall(((-0.01, 0, 0, 0, 2), *ROWS, (0.1, 0, 0, 0.008, 2))),
    "flat sections": SectionsWall(ROWS),
    "half round sections": SectionsWall((*ROWS, (0.1, 0, 0, 0.006, 3))),
    "four legs": LobesWall((*BODY, *LEGS)),
}
SMOOTH = [
    name
    for name in WALLS
    if name not in ("flat tube", "sharp box", "flat sections", "half round sections", "four legs")
]


@pytest.fixture(scope="session")
def walls():
    return WALLS


OF_A_KIND = ("ellipsoid", "pillow", "round box")  # beside the egg, the lens and the sharp box
# gmsh takes as long over four legs as over all others; making's lopsided heron is meshed in the quick tests
LASTING = ("four legs", "half round sections", *OF_A_KIND)  # the half round one beside the round and the flat one


def marked(names, slow):
    return [pytest.param(name, marks=[pytest.mark.slow] * (name in slow)) for name in names]


@pytest.fixture(params=marked(WALLS, LASTING))
def wall(request):
    return WALLS[request.param]


@pytest.fixture(params=marked(SMOOTH, OF_A_KIND))
def smooth_wall(request):
    return WALLS[request.param]


@pytest.fixture(params=marked([name for name in SMOOTH if "sections" not in name], (*OF_A_KIND, "sphere", "egg")))
def convex_wall(request):
    return WALLS[request.param]
