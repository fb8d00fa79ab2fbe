"""Acoustic elements: ducts, rims, ends, walls, windways and their jets, each as one formula with its source.

In: sizes in m, angular frequency, air. Out: end corrections (m), two-port matrices (p1, U1) = (A B; C D)(p2, U2),
losses (1/Q), radiation. A duct of length l and area S moves as rho l / S; losses by thin viscous and thermal layers.
"""
