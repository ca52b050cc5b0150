"""Magnetisation by the Jiles-Atherton equations, integrated along the field from sample to sample.

All quantities are without unit: field h = H / a, magnetisation m = M / Ms. The equations are those of
:class:`tapeemu.processors.saturation.TapeMagnetisation`, with an anhysteretic part ``A = L(h + alpha m)``,
L the Langevin function, and an irreversible part y that follows A from behind::

    m = (1 - c) y + c A          dy/dh = D / (kappa - alpha D)  where  D = A - y > 0 on the way up,
                                 dy/dh = 0                      where  D < 0 (mirrored on the way down)

Time does not appear: between two turning points of the field, y depends on where h has been, not on how
fast. So what a solver must get right is where h turns, where y starts to follow, and a smooth integral
between. Turning points are found by a cubic through four samples; the start is found inside the step;
the integral is a Hermite quadrature of fourth order (both slopes and their derivatives), solved for its
own end point by one Newton step. Because alpha is small, A is a Taylor polynomial around L(h), and L(h)
needs no recursion: it is computed for many samples at once.
"""

import math

from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.validation import FloatArray

ALPHA = 1.6e-3 * 3.5e5 / 22e3
KAPPA = 27e3 / 22e3
"""Coupling and coercivity of the material, in units of the shape field a (22 kA/m) and of Ms."""

FIELD_LIMIT = 40.0
"""Fields beyond this many a (880 kA/m, magnetised to 97.5 %) are held there."""

BATCH = 768
HISTORY_H = 16
"""Top-rate samples handled at once, and kept from one batch to the next."""

SPARE = HISTORY_H + BATCH
SCRATCH = SPARE + 2
"""Two places behind the batch, for steps in parts; length of the scratch arrays."""

_BETA = ALPHA / KAPPA
_PER_KAPPA = 1.0 / KAPPA
_THIRD, _SIXTH, _TWELFTH = 1.0 / 3.0, 1.0 / 6.0, 1.0 / 12.0
_SERIES_BELOW = 0.5
_LONGEST_STEP = 0.4
_MOST_PARTS = 64


@kernel()
def tabulate(
    first: int, count: int, h: FloatArray, value: FloatArray, slope: FloatArray, curve: FloatArray
) -> None:
    """Langevin function ``coth x - 1/x`` of fields, its first derivative, and half its second.

    Errors at most 1e-11, 1e-11 and 2e-9 for ``h[first : first + count]`` up to the field limit. Below 0.5
    by the power series; above by exp(-2 x) from a Taylor polynomial squared six times, because a library
    exponential cannot be computed in vectors. L' = 1 - L^2 - 2 L / x.
    """
    fields = h[first : first + count]
    values = value[first : first + count]
    slopes = slope[first : first + count]
    curves = curve[first : first + count]
    for k in range(count):
        x = fields[k]
        z = x * x
        r_low = 2.1925564e-07 * z - 2.1644042808e-06
        r_low = r_low * z + 2.1377799155576935e-05
        r_low = r_low * z - 2.1164021164021165e-04
        r_low = r_low * z + 2.1164021164021165e-03
        r_low = r_low * z - 2.2222222222222223e-02
        r_low = r_low * z + 3.3333333333333333e-01
        u = max(abs(x), _SERIES_BELOW)
        t = min(u, 20.0) * (-2.0 / 64.0)
        e = 1.0 + t * (1.0 / 12.0)
        e = 1.0 + t * (1.0 / 11.0) * e
        e = 1.0 + t * (1.0 / 10.0) * e
        e = 1.0 + t * (1.0 / 9.0) * e
        e = 1.0 + t * (1.0 / 8.0) * e
        e = 1.0 + t * (1.0 / 7.0) * e
        e = 1.0 + t * (1.0 / 6.0) * e
        e = 1.0 + t * (1.0 / 5.0) * e
        e = 1.0 + t * (1.0 / 4.0) * e
        e = 1.0 + t * (1.0 / 3.0) * e
        e = 1.0 + t * (1.0 / 2.0) * e
        e = 1.0 + t * e
        e = e * e
        e = e * e
        e = e * e
        e = e * e
        e = e * e
        e = e * e
        gap = 1.0 - e
        inverse = 1.0 / (u * u * gap)
        r_high = (u * (1.0 + e) - gap) * inverse
        low = abs(x) < _SERIES_BELOW
        r = r_low if low else r_high
        level = x * r
        steep = (1.0 - 2.0 * r) - level * level
        w_low = (1.7102239324461548e-04 - 2.1644042808e-05 * z) * z - 1.2698412698412698e-03
        w_low = w_low * z + 8.4656084656084656e-03
        w_low = w_low * z - 4.4444444444444444e-02
        w_high = (steep - r) * (inverse * gap)
        w = w_low if low else w_high
        values[k] = level
        slopes[k] = steep
        curves[k] = -x * (r * steep + w)


@kernel()
def follow(
    move: float,
    y0: float,
    a0: float,
    c: float,
    v0: float,
    s0: float,
    v1: float,
    s1: float,
    q1: float,
) -> tuple[float, float, float]:
    """One step of the field by `move`, without a turning point: y, A and m at its end.

    ``v, s, q`` are what `tabulate` gives for the two fields. Handed over one by one: arrays would cost
    more than the step.

    With ``u = |move| / kappa`` and signed gaps ``d = A - y``, the quadrature

        y1 = y0 + u (d0 + d1) / 2 - u^2 (d0 - d1) / 12 + u move (A0' - A1') / 12

    is linear in y1 and solved for it. Small terms are added to that solution: the quadratic and cubic
    ones of d / (kappa - alpha d), and what A1 gains when m is known better.
    """
    u = abs(move) * _PER_KAPPA
    bow = move * _TWELFTH * u * (s0 - s1)
    a1 = v1 + (a0 - v0)
    gap0 = a0 - y0
    held = move * gap0 <= 0.0
    share = u * (0.5 + _TWELFTH * u)
    y1 = y0
    if not held:
        solve = 1.0 / (1.0 + share)
        y1 = y0 * (1.0 - share * 2.0 * solve + _SIXTH * u * u * solve)
        y1 = y1 + solve * (share * a1 + u * (0.5 - _TWELFTH * u) * a0 + bow)
        gap1 = a1 - y1
        extra = gap0 * abs(gap0) * (1.0 + _BETA * abs(gap0)) + gap1 * abs(gap1) * (1.0 + _BETA * abs(gap1))
        shift = ALPHA * ((1.0 - c) * y1 + c * a1)
        better = v1 + shift * (s1 + shift * q1)
        y1 = y1 + solve * (share * (better - a1) + (0.5 * _BETA) * u * extra)
        a1 = better
        y1 = min(max(y1, min(y0, a1)), max(y0, a1))
    else:
        shift = ALPHA * ((1.0 - c) * y0 + c * a1)
        a1 = v1 + shift * (s1 + shift * q1)
        gap1 = a1 - y0
        if move * gap1 > 0.0:
            span = gap1 - gap0
            start = -gap0 / span
            arc = 0.5 * move * (s1 - s0)
            start = min(max((-gap0 + arc * start * (1.0 - start)) / span, 0.0), 1.0)
            u = u * (1.0 - start)
            share = u * (0.5 + _TWELFTH * u)
            bow = bow * (1.0 - start) ** 3
            y1 = y0 + (share * gap1 + bow) / (1.0 + share)
            y1 = y1 + 0.5 * _BETA * u * (a1 - y1) * abs(a1 - y1) / (1.0 + share)
            y1 = min(max(y1, min(y0, a1)), max(y0, a1))
    return y1, a1, (1.0 - c) * y1 + c * a1


@kernel()
def follow_far(
    h0: float,
    h1: float,
    y0: float,
    a0: float,
    c: float,
    h: FloatArray,
    value: FloatArray,
    slope: FloatArray,
    curve: FloatArray,
) -> tuple[float, float, float]:
    """A step of any length, cut into parts that `follow` can take, in the two spare places."""
    parts = min(int(abs(h1 - h0) * (1.0 / _LONGEST_STEP)) + 1, _MOST_PARTS)
    y, a, m = y0, a0, 0.0
    h[SPARE] = h0
    for part in range(1, parts + 1):
        h[SPARE + 1] = h1 if part == parts else h0 + (h1 - h0) * part / parts
        tabulate(SPARE, 2, h, value, slope, curve)
        move = h[SPARE + 1] - h[SPARE]
        v0, s0 = value[SPARE], slope[SPARE]
        y, a, m = follow(move, y, a, c, v0, s0, value[SPARE + 1], slope[SPARE + 1], curve[SPARE + 1])
        h[SPARE] = h[SPARE + 1]
    return y, a, m


@kernel()
def follow_round(
    h0: float,
    turn: float,
    h1: float,
    y: float,
    a: float,
    c: float,
    at: int,
    h: FloatArray,
    value: FloatArray,
    slope: FloatArray,
    curve: FloatArray,
) -> tuple[float, float, float]:
    """A step from field ``at - 1`` to field `at` by way of a turning point, or a long one without."""
    if turn == h1 or abs(turn - h0) > _LONGEST_STEP or abs(h1 - turn) > _LONGEST_STEP:
        y, a, _ = follow_far(h0, turn, y, a, c, h, value, slope, curve)
        return follow_far(turn, h1, y, a, c, h, value, slope, curve)
    h[SPARE] = turn
    tabulate(SPARE, 1, h, value, slope, curve)
    v, s, q = value[SPARE], slope[SPARE], curve[SPARE]
    y, a, _ = follow(turn - h0, y, a, c, value[at - 1], slope[at - 1], v, s, q)
    return follow(h1 - turn, y, a, c, v, s, value[at], slope[at], curve[at])


@kernel()
def turning_point(before: float, h0: float, h1: float, after: float) -> float:
    """Extreme value between h0 and h1 of the cubic through four equidistant samples, or h1 if none."""
    a1 = h1 - 0.5 * h0 - before * _THIRD - after * _SIXTH
    a2 = 0.5 * (before + h1) - h0
    a3 = (after - before) * _SIXTH + 0.5 * (h0 - h1)
    if a1 * (a1 + 2.0 * a2 + 3.0 * a3) >= 0.0:
        return h1
    root = math.sqrt(max(a2 * a2 - 3.0 * a1 * a3, 0.0))
    q = -(a2 + root) if a2 >= 0.0 else root - a2
    place = a1 / q
    if not 0.0 <= place <= 1.0:
        place = min(max(q / (3.0 * a3), 0.0), 1.0)
    return h0 + place * (a1 + place * (a2 + place * a3))


@kernel()
def load_fields(
    high: FloatArray,
    channel: int,
    start: int,
    width: int,
    lag: int,
    field: float,
    past: FloatArray,
    h: FloatArray,
    value: FloatArray,
    slope: FloatArray,
    curve: FloatArray,
) -> None:
    """Put a batch of one channel's fields in time order behind the last ones, and tabulate them."""
    rows = high.shape[1]
    for k in range(HISTORY_H):
        h[k] = past[channel, k]
    for row in range(rows):
        for i in range(width):
            raw = field * high[channel, row, start + i]
            h[HISTORY_H + rows * i + row] = min(max(raw, -FIELD_LIMIT), FIELD_LIMIT)
    tabulate(HISTORY_H - lag - 1, width * rows + 1, h, value, slope, curve)


@kernel()
def magnetise(
    high: FloatArray,
    bent: FloatArray,
    offset: int,
    count: int,
    lag: int,
    field: float,
    c: float,
    gain: float,
    state: FloatArray,
    past: FloatArray,
    h: FloatArray,
    value: FloatArray,
    slope: FloatArray,
    curve: FloatArray,
) -> None:
    """Field from `high`, magnetisation into `bent`, `lag` (2 to 12) top-rate samples late.

    Two channels are stepped in turn, because one step waits for the one before and a processor can do two
    such chains in the time of one. The last of an odd number is paired with itself.

    Parameters
    ----------
    high, bent : arrays, shape (channels, rows, ...)
        Input, and output behind `offset`; sample ``rows * i + p`` of the sequence is in row p.
    count : int
        New samples of every row.
    field, c, gain : float
        Field per input, reversible share, output per magnetisation.
    state, past : arrays, shape (channels, 2) and (channels, HISTORY_H)
        y and A; and the last fields.
    h, value, slope, curve : arrays, shape (2, SCRATCH)
        Scratch.
    """
    rows = high.shape[1]
    span = BATCH // rows
    ha, va, sa, qa = h[0], value[0], slope[0], curve[0]
    hb, vb, sb, qb = h[1], value[1], slope[1], curve[1]
    for first in range(0, high.shape[0], 2):
        second = min(first + 1, high.shape[0] - 1)
        ya, aa = state[first, 0], state[first, 1]
        yb, ab = state[second, 0], state[second, 1]
        for start in range(0, count, span):
            width = min(span, count - start)
            load_fields(high, first, start, width, lag, field, past, ha, va, sa, qa)
            load_fields(high, second, start, width, lag, field, past, hb, vb, sb, qb)
            at = HISTORY_H - lag
            for i in range(width):
                for row in range(rows):
                    h0, h1 = ha[at - 1], ha[at]
                    turn = turning_point(ha[at - 2], h0, h1, ha[at + 1])
                    if turn == h1 and abs(h1 - h0) <= _LONGEST_STEP:
                        v0, s0 = va[at - 1], sa[at - 1]
                        ya, aa, ma = follow(h1 - h0, ya, aa, c, v0, s0, va[at], sa[at], qa[at])
                    else:
                        ya, aa, ma = follow_round(h0, turn, h1, ya, aa, c, at, ha, va, sa, qa)
                    bent[first, row, offset + start + i] = gain * ma
                    h0, h1 = hb[at - 1], hb[at]
                    turn = turning_point(hb[at - 2], h0, h1, hb[at + 1])
                    if turn == h1 and abs(h1 - h0) <= _LONGEST_STEP:
                        v0, s0 = vb[at - 1], sb[at - 1]
                        yb, ab, mb = follow(h1 - h0, yb, ab, c, v0, s0, vb[at], sb[at], qb[at])
                    else:
                        yb, ab, mb = follow_round(h0, turn, h1, yb, ab, c, at, hb, vb, sb, qb)
                    bent[second, row, offset + start + i] = gain * mb
                    at += 1
            for k in range(HISTORY_H):
                past[first, k] = ha[width * rows + k]
                past[second, k] = hb[width * rows + k]
        state[first, 0], state[first, 1] = ya, aa
        state[second, 0], state[second, 1] = yb, ab
