"""What a duct aslant through flat clay spares beside a square one, by elements: the law of `sound.elements.openings`.

Run: python benchmarks/slants.py [--size 0.07]

Half of each is meshed between two half balls, a second and a half of the processor. Prints, in radii, what both ends
are shorter by with sharp rims and what rounded rims spare; beside each what the law has. Then the same of a square duct
whose outer face alone is tilted.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import sys
from typing import Any

import numpy as np
from bends import grow_from, meshed_air

from simkit.body import kernel
from simkit.body.meshes.curved import AirMesh
from simkit.field.fem.air_matrices import stiffness_and_mass
from simkit.field.fem.factor import factored
from simkit.field.fem.quadrature import facet_rule
from simkit.field.reduced import flow

RADIUS, FAR, GROWTH = 4.0, 36.0, 0.45  # mm; of the half balls, mm; of the mesh
TILTED, NEAR = ((1.6, 0.12), (1.6, 0.25), (3.0, 0.35), (3.0, 0.5)), 20.0  # clay, radii, and tilt, rad; half balls, mm
THICK, LEANS, RIM = (0.8, 1.25, 1.7, 3.0), (15.0, 30.0, 40.0, 48.0), 0.08  # clay and rims in radii, degrees


def ends(thick: float, lean_deg: float, rim: float, size: float) -> float:
    """Both end corrections of a duct aslant, in radii, beyond its length on its own axis; rim, thick: in radii."""
    out = thick * RADIUS * np.tan(np.deg2rad(lean_deg))
    with kernel.session() as gmsh:
        _solid(gmsh, thick * RADIUS, np.deg2rad(lean_deg), rim * RADIUS, out)
        mesh = _meshed(gmsh, size)
    long = np.pi * 1e-3 * RADIUS / _conductivity(mesh, FAR, (out, 0.0, thick * RADIUS), 0.0)
    return float(long - thick / np.cos(np.deg2rad(lean_deg)))


def under_tilt(thick: float, tilt: float, size: float) -> float:
    """Both end corrections, in radii, of a sharp square duct whose outer face is turned by `tilt`, rad."""
    with kernel.session() as gmsh:
        _tilted_solid(gmsh, thick * RADIUS, tilt)
        mesh = _meshed(gmsh, size)
    return float(np.pi * 1e-3 * RADIUS / _conductivity(mesh, NEAR, (0.0, 0.0, thick * RADIUS), tilt) - thick)


def _meshed(gmsh: Any, size: float) -> AirMesh:
    grow_from(gmsh, [curve for curve, _, _ in _curves(gmsh)], size * RADIUS, GROWTH, around=16, fine=120)
    points, tets, _ = kernel.cells(gmsh, creased=True)
    return meshed_air(points, tets, 1e-3, "the duct")


def _conductivity(mesh: AirMesh, radius: float, top: tuple[float, float, float], tilt: float) -> float:
    """Conductivity, m, between half balls of that radius, mm, about 0 and about `top`, mm, turned by `tilt`."""
    corners, caps = 1e3 * mesh.points[mesh.facets[:, :3]], []
    for middle, way in (((0.0, 0.0, 0.0), (0.0, 0.0, -1.0)), (top, (-np.sin(tilt), 0.0, np.cos(tilt)))):
        on = (np.abs(np.linalg.norm(corners - middle, axis=2) - radius) < 1e-6 * radius).all(axis=1)
        beyond = (corners.mean(axis=1) - middle) @ np.array(way) > 0
        caps.append(facet_rule(mesh.points, mesh.facets[on & beyond]))
    far, (inside, outside) = 1e-3 * radius, caps
    operator = (stiffness_and_mass(mesh)[0] + (inside.mass + outside.mass) / far).tocsr()
    pressure = factored(operator)((inside.nodal / far)[:, None])[:, 0]
    return 2 * float(outside.nodal @ pressure) / far  # the other half lets through as much


def _solid(gmsh: Any, thick: float, lean: float, rim: float, out: float) -> None:
    """Half of the air, mm: the duct's middle line leaves the inner face at 0 and the outer one at `out`."""
    occ = gmsh.model.occ
    axis, more = np.array([np.sin(lean), 0, np.cos(lean)]), 2 * RADIUS * (1 + np.tan(lean))
    duct = occ.addCylinder(*(-more * axis), *((thick / np.cos(lean) + 2 * more) * axis), RADIUS)
    clay = occ.addBox(-50 * RADIUS, 0, 0, 100 * RADIUS, 50 * RADIUS, thick)
    within, _ = occ.intersect([(3, duct)], [(3, clay)])
    balls = (
        occ.addSphere(0, 0, 0, FAR, -1, -np.pi / 2, 0, np.pi),
        occ.addSphere(out, 0, thick, FAR, -1, 0, np.pi / 2, np.pi),
    )
    occ.fuse([(3, balls[0])], [(3, balls[1]), *within])
    occ.synchronize()
    if rim:
        edges = [curve for curve, low, high in _curves(gmsh) if high[2] - low[2] < 1e-6 and high[1] > RADIUS / 2]
        occ.fillet([tag for _, tag in gmsh.model.getEntities(3)], edges, [rim])
        occ.synchronize()


def _tilted_solid(gmsh: Any, thick: float, tilt: float) -> None:
    """Half of the air, mm, of an upright duct: the outer face is turned about where the duct's middle line leaves."""
    occ, more = gmsh.model.occ, 3 * RADIUS
    within = [(3, occ.addCylinder(0, 0, -more, 0, 0, thick + 2 * more, RADIUS))]
    above = [(3, occ.addBox(-50 * RADIUS, -1, thick, 100 * RADIUS, 60 * RADIUS, 50 * RADIUS))]
    inner = (3, occ.addSphere(0, 0, 0, NEAR, -1, -np.pi / 2, 0, np.pi))
    outer = (3, occ.addSphere(0, 0, thick, NEAR, -1, 0, np.pi / 2, np.pi))
    occ.rotate([*above, outer], 0, 0, thick, 0, 1, 0, -tilt)
    within, _ = occ.intersect(within, [(3, occ.addBox(-50 * RADIUS, 0, 0, 100 * RADIUS, 50 * RADIUS, thick + more))])
    within, _ = occ.cut(within, above)
    occ.fuse([inner], [outer, *within])
    occ.synchronize()


def _curves(gmsh: Any) -> list[tuple[int, np.ndarray, np.ndarray]]:
    """The curves about the duct, off the mirror plane, with the corners of their boxes, mm."""
    boxes = [
        (curve, *np.reshape(gmsh.model.getBoundingBox(1, curve), (2, 3))) for _, curve in gmsh.model.getEntities(1)
    ]
    return [each for each in boxes if 1e-6 < each[2][1] < 1.3 * RADIUS]


def by_law(thick: float, lean: float) -> float:
    """Shortening of both ends by the law, in radii: of the longer mouths, and of the flow that leaves by one side."""
    pairs = flow.disc_pairs(flow.THICK)
    along = pairs.across[:, 0] / pairs.gaps(1.0, 1.0)
    mouth = float(pairs.weights @ (1 - 1 / np.sqrt(1 + (np.tan(lean) * along) ** 2))) / 2
    return 2 * float(mouth - 0.35 * np.expm1(-thick / 0.68) * np.sin(lean) ** 2 / np.cos(lean) ** 1.5)


def main() -> None:
    """Solve and tell."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--size", type=float, default=0.07)
    size = parser.parse_args().size
    sys.stdout.write("clay  lean  both ends shorter by, the law  rims spare, the law\n")
    for thick in THICK:
        square = ends(thick, 0.0, 0.0, size)
        rounded = square - ends(thick, 0.0, RIM, size)
        for lean_deg in LEANS:
            sharp, lean = ends(thick, lean_deg, 0.0, size), np.deg2rad(lean_deg)
            spared, law = sharp - ends(thick, lean_deg, RIM, size), rounded * (1 + 3.1 * np.tan(lean) ** 2)
            shorter = f"{square - sharp:.4f}, {by_law(thick, float(lean)):.4f}"
            sys.stdout.write(f"{thick:4.2f}  {lean_deg:4.0f}  {shorter:>29}  {spared:.4f}, {law:.4f}\n")
            sys.stdout.flush()
    sys.stdout.write("clay  tilt of the outside, rad  shorter by, the law\n")
    for thick, tilt in TILTED:
        shorter = under_tilt(thick, 0.0, size) - under_tilt(thick, tilt, size)
        sys.stdout.write(f"{thick:4.2f}  {tilt:24.2f}  {shorter:.4f}, {by_law(thick, tilt) / 2:.4f}\n")


if __name__ == "__main__":
    main()
