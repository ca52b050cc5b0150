"""The equation of a tape's magnetisation, dM/dH in the form of Holters & Zoelzer (DAFx-16), by Runge-Kutta."""

import math
from functools import cache
from typing import Any

A, ALPHA, K, C, MS = 2.2e4, 1.6e-3, 2.7e4, 0.17, 3.5e5


@cache
def solver(*, fastmath: bool = False) -> Any:
    """A compiled ``solve(h, out, order)``: the magnetisation, 1 at saturation, of a field in A/m from rest.

    `order` is 2 or 4. `fastmath` lets the compiler change the order of operations, for speed.
    """
    import numba

    @numba.njit(nogil=True, fastmath=fastmath)
    def slope(h, m, direction):  # type: ignore[no-untyped-def]
        q = (h + ALPHA * m) / A
        if abs(q) < 1e-3:
            value, steep = q / 3.0, 1.0 / 3.0
        else:
            coth = 1.0 / math.tanh(q)
            value, steep = coth - 1.0 / q, 1.0 / (q * q) - coth * coth + 1.0
        gap = MS * value - m
        moving = 1.0 if (direction > 0) == (gap > 0) else 0.0
        loop = (1.0 - C) * moving * gap / ((1.0 - C) * direction * K - ALPHA * gap)
        return (loop + C * MS / A * steep) / (1.0 - C * ALPHA * MS / A * steep)

    @numba.njit(nogil=True, fastmath=fastmath)
    def solve(h, out, order):  # type: ignore[no-untyped-def]
        m, old = 0.0, 0.0
        for i in range(h.size):
            step = h[i] - old
            direction = 1.0 if step >= 0.0 else -1.0
            k1 = slope(old, m, direction)
            k2 = slope(old + 0.5 * step, m + 0.5 * step * k1, direction)
            if order == 2:
                m += k2 * step
            else:
                k3 = slope(old + 0.5 * step, m + 0.5 * step * k2, direction)
                k4 = slope(h[i], m + step * k3, direction)
                m += step * (k1 + 2.0 * k2 + 2.0 * k3 + k4) / 6.0
            out[i] = m / MS
            old = h[i]

    return solve
