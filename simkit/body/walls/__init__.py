"""Inside surfaces of chambers as exact formulas, from which a mesh is drawn and to which it is projected back.

In: sizes in metres. Out: a `Wall` f(x, y, z), negative in the air and zero on the wall, with its first two
derivatives: normals n = grad f / |grad f| and curvatures from the Hessian of f, at any point. Nothing here is meshed.
"""
