"""Aims: residuals r(x) that should vanish, and their derivatives dr/dx.

One unit of a residual is as bad as one cent on one note. A note's omega is the fixed point of F(omega, x), so d
omega/dx = (dF/dx) / (1 - dF/d omega): exact, with nothing solved anew.
"""
