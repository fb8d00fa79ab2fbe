"""Wave numbers of a thin sphere with one round hole, or two opposite ones, radiation included: run me for the table.

Levine 1951, J. Acoust. Soc. Am. 23, 307, poses the problem. Radius 1, half angle T of the hole, e^{+i omega t}; the
radial slope of p at r = 1 is g in the hole and 0 on the rigid sphere, so with g = sum_l g_l P_l(cos theta)

    p = sum_l g_l j_l(kr)/(k j_l'(k)) P_l inside,    p = sum_l g_l h_l(kr)/(k h_l'(k)) P_l outside (second kind),

and p is the same on both sides of the hole: sum_l g_l G_l P_l = 0 there, G_l the difference of the two ratios. By
Mehler's integral P_l(cos t) = (sqrt 2/pi) int_0^t cos((l + 1/2)s)/sqrt(cos s - cos t) ds, any flow with the root's
singularity at the rim has moments m_l = int g P_l sin = int_0^T f(s) cos((l + 1/2)s) ds of a smooth even f. Galerkin
with f = P_2n(s/T), whose moments are (-1)^n T j_2n((l + 1/2) T), gives

    A_mn = sum_l (l + 1/2) G_l m_ml m_nl = pi T/(4n + 1) [m = n] + sum_l [(l + 1/2) G_l - 2] m_ml m_nl,

for cos((l + 1/2)s) are complete on (0, pi). What is left falls like l^-4. det A(k) = 0 at a resonance.
"""

import mpmath
import numpy as np
from scipy.special import spherical_jn

TERMS, TOP = 6, 1500


def ratios(k, top):
    """(j_l/(k j_l'), h_l/(k h_l')), l to `top`: by continued fractions and DLMF 10.51.2, each the stable way."""
    r, inside = 0j, np.zeros(top + 1, complex)
    for n in range(top + 60, -1, -1):
        r = 1 / ((2 * n + 3) / k - r)  # j_{n+1}/j_n
        if n <= top:
            inside[n] = 1 / (n - k * r)
    D = [1 + 1j * k]
    for degree in range(top):
        D.append(degree + 2 - k * k / (degree + D[-1]))
    return inside, -1 / np.array(D)


def matrix(k, angle, pair=False):
    """A of the docstring; of two opposite holes that breathe alike."""
    degree, n = np.arange(TOP + 1), np.arange(TERMS)
    moments = np.array([(-1) ** m * angle * spherical_jn(2 * m, (degree + 0.5) * angle) for m in n])
    inside, outside = ratios(k, TOP)
    weight = (degree + 0.5) * (inside - outside)
    A = np.diag(np.pi * angle / (4 * n + 1)) + (moments * (weight - 2)) @ moments.T
    if pair:  # the other hole's g_l is (-1)^l of this one's: an alternating sum, its last term by half
        turned = (-1.0) ** degree * weight
        turned[-1] /= 2
        A = A + (moments * turned) @ moments.T
    return A


def resonance(degrees, near, pair=False):
    """Complex k R of the resonance near `near` of holes of that half angle."""

    def stiffness(k):
        """det A over that of the rest: pressure across the hole for a unit of the first flow."""
        return mpmath.mpc(1 / np.linalg.inv(matrix(complex(k), np.radians(degrees), pair))[0, 0])

    start = complex(near)
    return complex(mpmath.findroot(stiffness, (start, start * 1.001, start + 1e-4j), solver="muller", tol=1e-16))


if __name__ == "__main__":
    for angle, near in ((5, 0.2067), (10, 0.2961), (20, 0.43), (30, 0.542), (10, 2.158), (10, 3.435)):
        print(f"one hole of {angle} degrees: {resonance(angle, near + 1e-3j):.7f}")  # noqa: T201
    print(f"two of 10 degrees: {resonance(10, 0.4274 + 5e-3j, pair=True):.7f}")  # noqa: T201
