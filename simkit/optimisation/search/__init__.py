"""The way there: least squares within a trust region, from one start or many, then back to the nearest design in tune.

Minimise |r(x)|^2 with limits c(x) >= 0 and bounds: Gauss and Newton's steps on linearised residuals and limits
(`step`). A draft goes the same way by a coarse model, which each design looked at corrects (`coarse`, `drafts`).
"""
