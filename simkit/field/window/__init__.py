"""A window's edge by itself: relief of its air by a sloping far side.

In: width, cut-up, wall, slope, rims. Out: 1/K in 1/m, K the conductivity, and the viscous integral, against those of
an upright side. Laplace's equation on a small block (`cell`), and a law fitted to many such blocks (`relief`).
"""
