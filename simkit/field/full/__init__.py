"""All the air of a chamber in one mesh, chamber, ducts, rims and room: the full-order field that judges the others.

In: a mesh of `body.meshes.all_air`. Out: complex k of its resonances, 1/m, with radiation at the far sphere, and the
integrals of wall losses. (K + sum_l D_l(k) B_l B_l^T - k^2 M) p = 0, B_l the loads of the harmonics of degree l on the
far sphere and D_l the steepness of their outgoing waves; solved at two finenesses and extrapolated.
"""
