"""A window's edge by itself: how much a sloping far side makes its air lighter.

In: width, cut-up, wall, slope, rims. Out: 1/K in 1/m, K the conductivity, and the viscous integral, against those of
an upright side. Laplace's equation on a small block (`cell`), and a law fitted to many such blocks (`relief`).
"""
