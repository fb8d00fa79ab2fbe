"""Meshing of exact walls by curved second-order elements, for gmsh by `body.kernel`.

In: walls and openings, m. Out: nodes (3, n) and tetrahedra of ten nodes, edge middles on the true wall; faces named
by what they are (wall, mouth, far sphere). `curved` meshes closed air and the shell around the clay, `all_air` all of
the air in one mesh with its ducts and rounded rims, `window_block` the air of a window by itself. Every mesh is
checked (`soundness`) before anything is solved on it.
"""
