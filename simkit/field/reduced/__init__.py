"""The reduced model of a body's air: port matrices of its openings, whatever they are.

In: a body's walls and openings. Out: port matrices Z_in(k), Z_out(k), 1/m: the mean pressure over the mouth of
opening i for unit flow through opening j is p_i = i omega rho Z_ij U_j. It is a Neumann-to-Dirichlet map, compressed
to one number for each pair of mouths: the singular part of a source on a curved wall by formula, the rest by finite
elements, the far air by spherical waves.
"""
