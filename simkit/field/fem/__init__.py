"""Finite elements on those meshes: forms, quadrature, factors, eigenvalues, probes.

Weak form of laplace(p) + k^2 p = 0 in the air: a(p, q) - k^2 m(p, q) = <dp/dn, q> on the boundary, with a = integral
grad p . grad q (stiffness, m for unit p) and m = integral p q (mass, m^3). No speed of sound enters: k in 1/m.
"""
