"""Magnetisation by the Jiles-Atherton equations, integrated along the field from sample to sample.

All quantities are without unit: field h = H / a, magnetisation m = M / Ms. The equations are those of
:class:`tapeemu.processors.saturation.TapeMagnetisation`, with an anhysteretic part ``A = L(h + alpha m)``,
L the Langevin function, and an irreversible part y that follows A from behind::

    m = (1 - c) y + c A          dy/dh = D / (kappa - alpha D)  where  D = A - y > 0 on the way up,
                                 dy/dh = 0                      where  D < 0 (mirrored on the way down)

Time does not appear in them: between two turning points of the field, y depends on where h has been, not on
how fast. So what a solver must get right is where h turns, where y starts to follow, and a smooth integral
between. Turning points are found by a cubic through four samples; the start is found inside the step;
the integral is a Hermite quadrature of fourth order (both slopes and their derivatives), solved for its
own end point by one Newton step. Because alpha is small, A is a Taylor polynomial around L(h), and L(h)
needs no recursion: it is computed for many samples at once, as is all else that does not depend on y.

Time appears in one place only: the tape moves, and y is carried off where no field holds it, see `carry_off`.

A step gives the change of y, and y itself is kept in double precision everywhere: what it gains in a step of a
low tone is little beside it.
"""

import math
from typing import NamedTuple

from tapeemu.dsp.kernels.arrays import Precise, Precises2, Reals2, Reals3
from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["ALPHA", "FIELD_LIMIT", "HISTORY_H", "KAPPA", "ROWS", "SCRATCH", "Law", "TapeMemory", "magnetise"]

ALPHA = 1.6e-3 * 3.5e5 / 22e3
KAPPA = 27e3 / 22e3
"""Coupling and coercivity of the material, in units of the shape field a (22 kA/m) and of Ms."""

FIELD_LIMIT = 40.0
"""Fields beyond this many a (880 kA/m, magnetised to 97.5 %) are held there."""

HOLD = 64.0
"""Weight of the squares of a field and its swing against that of the magnetisation they hold, see `carry_off`."""

BATCH = 192
HISTORY_H = 16
"""Top-rate samples handled at once, and kept from one batch to the next."""

SPARE = HISTORY_H + BATCH
SCRATCH = SPARE + 2
"""Two places behind the batch, for steps in parts; length of a row of scratch memory."""

ROWS = 10
FIELD, VALUE, SLOPE, CURVE = 0, 1, 2, 3
MOVE, FROM_OLD, FROM_NEW, BOW, EXTRA, PLAIN = 4, 5, 6, 7, 8, 9
"""Rows of scratch memory: field; Langevin function and derivatives; what `prepare` makes of each step."""

_BETA = ALPHA / KAPPA
_PER_KAPPA = 1.0 / KAPPA
_SIXTH, _TWELFTH = 1.0 / 6.0, 1.0 / 12.0
_SERIES_BELOW = 0.5
_FRACTION_BELOW = 3.0
_P0, _P1, _P2, _P3 = 0.33333333333331244, 0.023389286256598914, 0.00036493070041019796, 1.195945564928357e-06
_Q1, _Q2, _Q3, _Q4 = 0.13683452543535526, 0.003867887450860356, 2.7576993881808313e-05, 2.6118917275140998e-08
_LONGEST_STEP = 0.4
_FLUSH = 1e-30
_MOST_PARTS = 64


class Law(NamedTuple):
    """How a field magnetises, and what becomes of it.

    Attributes
    ----------
    field : float
        Field, in units of a, per input of one.
    reversible : float
        Share c of the magnetisation that follows the field without hysteresis, 0 to 1.
    gain : float
        Output per magnetisation.
    release, swing : float
        See `carry_off`; the moment is that of one place in the rows. With a release of 0 the tape stands still.
    """

    field: float
    reversible: float
    gain: float
    release: float
    swing: float


class TapeMemory(NamedTuple):
    """What is kept from one call to the next, and scratch.

    Attributes
    ----------
    state : ndarray, shape (channels, 2)
        y and A of every channel.
    past : ndarray, shape (channels, HISTORY_H)
        Its last fields.
    work : ndarray, shape (2, ROWS, SCRATCH)
        Scratch of two channels.
    """

    state: Precises2
    past: Reals2
    work: Reals3


@kernel()
def tabulate(first: int, count: int, work: Reals2) -> None:
    """Langevin function ``coth x - 1/x`` of fields, its first derivative, and half its second.

    Errors at most 1e-11, 1e-11 and 2e-9 up to the field limit. Below 3 ``L(x) / x`` is a rational function of
    ``x ** 2`` (relative error 6.5e-14; least squares, reweighted); above, exp(-2 x) from a Taylor polynomial
    squared six times, because a library exponential cannot be computed in vectors. L' = 1 - L^2 - 2 L / x.

    Parameters
    ----------
    first, count : int
        Places in the rows.
    work : ndarray, shape (ROWS, SCRATCH)
        Reads FIELD; writes VALUE, SLOPE and CURVE.
    """
    fields = work[FIELD, first : first + count]
    values = work[VALUE, first : first + count]
    slopes = work[SLOPE, first : first + count]
    curves = work[CURVE, first : first + count]
    for k in range(count):
        x = fields[k]
        z = x * x
        above = ((_P3 * z + _P2) * z + _P1) * z + _P0
        below = (((_Q4 * z + _Q3) * z + _Q2) * z + _Q1) * z + 1.0
        u = max(abs(x), _FRACTION_BELOW)
        t = min(u, 20.0) * (-2.0 / 64.0)
        e = 1.0 + t * (1.0 / 7.0)
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
        inside = abs(x) < _FRACTION_BELOW
        over = above if inside else (u - 1.0) + e * (u + 1.0)
        under = below if inside else u * u * (1.0 - e)
        r = over / under
        level = x * r
        steep = (1.0 - 2.0 * r) - level * level
        w_low = (1.7102239324461548e-04 - 2.1644042808e-05 * z) * z - 1.2698412698412698e-03
        w_low = w_low * z + 8.4656084656084656e-03
        w_low = w_low * z - 4.4444444444444444e-02
        w_high = (steep - r) / max(z, _SERIES_BELOW * _SERIES_BELOW)
        w = w_low if abs(x) < _SERIES_BELOW else w_high
        values[k] = level
        slopes[k] = steep
        curves[k] = -x * (r * steep + w)


@kernel()
def slope_at_start(before: float, h0: float, h1: float, after: float) -> float:
    """Slope at h0 of the cubic through four equidistant samples, per sample."""
    return (h1 - 0.5 * h0) - _SIXTH * (2.0 * before + after)


@kernel()
def turning_point(before: float, h0: float, h1: float, after: float) -> float:
    """Extreme value between h0 and h1 of the cubic through four equidistant samples, or h1 if none."""
    a1 = slope_at_start(before, h0, h1, after)
    a2 = 0.5 * (before + h1) - h0
    a3 = (after - before) * _SIXTH + 0.5 * (h0 - h1)
    if -a1 * slope_at_start(after, h1, h0, before) >= 0.0:
        return h1
    root = math.sqrt(max(a2 * a2 - 3.0 * a1 * a3, 0.0))
    q = -(a2 + root) if a2 >= 0.0 else root - a2
    if q == 0.0:  # of fields so small that their squares vanish
        return h1
    place = a1 / q
    if not 0.0 <= place <= 1.0:
        place = min(max(q / (3.0 * a3), 0.0), 1.0)
    return h0 + place * (a1 + place * (a2 + place * a3))


@kernel()
def prepare(first: int, count: int, work: Reals2) -> None:
    """Coefficients of the steps that end at the given places, as far as they do not depend on y.

    With ``u = |move| / kappa`` and signed gaps ``d = A - y``, the quadrature

        y1 = y0 + u (d0 + d1) / 2 - u^2 (d0 - d1) / 12 + u move (A0' - A1') / 12

    is linear in y1. Solved for it: ``y1 = y0 + FROM_OLD (A0 - y0) + FROM_NEW (A1 - y0) + BOW``; EXTRA weighs the
    part of the equation that is quadratic in d. The slope of L stands in for that of A in the last term.

    Parameters
    ----------
    first, count : int
        Places in the rows at which the steps end; those before them are read as well.
    work : ndarray, shape (ROWS, SCRATCH)
        Reads FIELD and SLOPE; writes MOVE, FROM_OLD, FROM_NEW, BOW and EXTRA.
    """
    old_slopes = work[SLOPE, first - 1 : first - 1 + count]
    new_slopes = work[SLOPE, first : first + count]
    old_fields = work[FIELD, first - 1 : first - 1 + count]
    new_fields = work[FIELD, first : first + count]
    moves = work[MOVE, first : first + count]
    from_old = work[FROM_OLD, first : first + count]
    from_new = work[FROM_NEW, first : first + count]
    bow = work[BOW, first : first + count]
    extra = work[EXTRA, first : first + count]
    for k in range(count):
        move = new_fields[k] - old_fields[k]
        u = abs(move) * _PER_KAPPA
        share = u * (_TWELFTH * u + 0.5)
        solve = 1.0 / (share + 1.0)
        older = u * (0.5 - _TWELFTH * u) * solve
        newer = share * solve
        moves[k] = move
        from_old[k] = older
        from_new[k] = newer
        bow[k] = move * _TWELFTH * u * (old_slopes[k] - new_slopes[k]) * solve
        extra[k] = (0.5 * _BETA) * u * solve


@kernel()
def find_plain(first: int, count: int, work: Reals2) -> None:
    """Mark steps that are short and without a turning point by a number that is not negative.

    Parameters
    ----------
    first, count : int
        Places at which the steps end; two before and one behind them are read as well.
    work : ndarray, shape (ROWS, SCRATCH)
        Reads FIELD; writes PLAIN.
    """
    before = work[FIELD, first - 2 : first - 2 + count]
    h0 = work[FIELD, first - 1 : first - 1 + count]
    h1 = work[FIELD, first : first + count]
    after = work[FIELD, first + 1 : first + 1 + count]
    plain = work[PLAIN, first : first + count]
    for k in range(count):
        rising0 = slope_at_start(before[k], h0[k], h1[k], after[k])
        rising1 = -slope_at_start(after[k], h1[k], h0[k], before[k])
        plain[k] = -1.0 if abs(h1[k] - h0[k]) > _LONGEST_STEP else rising0 * rising1


@kernel()
def chase(
    y0: float,
    a0: float,
    c: float,
    v0: float,
    v1: float,
    s1: float,
    q1: float,
    from_old: float,
    from_new: float,
    bow: float,
    extra: float,
) -> tuple[float, float]:
    """One step while y follows A: the change of y, and A at its end.

    A1 is first taken to differ from L(h1) as A0 did from L(h0); y1 then gives m1, and m1 a better A1. Both
    that gain and the quadratic and cubic terms of d / (kappa - alpha d) are added to the linear solution.

    Numbers come one by one and not as a place in the scratch memory: a call that takes an array is not merged
    into the loop, which then takes 1.2 to 2.7 times as long. What a step waits for is y0 and a0, so all else is
    put together beside them, and few operations lie between them and what is returned.

    Parameters
    ----------
    y0, a0 : float
        Irreversible and anhysteretic part at the beginning.
    c : float
        Reversible share.
    v0, v1 : float
        Langevin function at beginning and end.
    s1, q1 : float
        Its slope, and half its second derivative, at the end.
    from_old, from_new, bow, extra : float
        What `prepare` wrote at the end.
    """
    rough = a0 + (v1 - v0)
    known = from_new * rough + (from_old * a0 + bow)
    share = from_old + from_new
    gap0 = a0 - y0
    gap1 = (rough - known) - (1.0 - share) * y0
    shift = ALPHA * rough - (ALPHA * (1.0 - c)) * gap1
    a1 = v1 + shift * (s1 + shift * q1)
    bent0 = extra * (gap0 * abs(gap0) * (1.0 + _BETA * abs(gap0)))
    bent1 = extra * (gap1 * abs(gap1) * (1.0 + _BETA * abs(gap1)))
    gain = from_new * a1 + (((known - share * y0) - from_new * rough) + (bent0 + bent1))
    whole = a1 - y0
    return min(max(gain, min(0.0, whole)), max(0.0, whole)), a1


@kernel()
def hold(
    move: float,
    y0: float,
    a0: float,
    c: float,
    v0: float,
    s0: float,
    v1: float,
    s1: float,
    q1: float,
) -> tuple[float, float]:
    """One step that begins with y at rest: the change of y, and A at its end.

    If A passes y on the way, the place where it does is found on a parabola, and y follows from there.

    `move` is the change of the field, `s0` the slope of the Langevin function at the beginning; the rest is as
    for `chase`.
    """
    gap0 = a0 - y0
    shift = (ALPHA * (1.0 - c)) * y0 + (ALPHA * c) * (a0 + (v1 - v0))
    a1 = v1 + shift * (s1 + shift * q1)
    gap1 = a1 - y0
    if move * gap1 <= 0.0:
        return 0.0, a1
    span = gap1 - gap0
    start = -gap0 / span
    arc = 0.5 * move * (s1 - s0)
    start = min(max((arc * start * (1.0 - start) - gap0) / span, 0.0), 1.0)
    left = 1.0 - start
    u = abs(move) * _PER_KAPPA * left
    share = u * (0.5 + _TWELFTH * u)
    bow = move * _TWELFTH * u * left * left * (s0 - s1)
    gain = (share * gap1 + bow) / (1.0 + share)
    rest = gap1 - gain
    gain = gain + 0.5 * _BETA * u * rest * abs(rest) / (1.0 + share)
    return min(max(gain, min(0.0, gap1)), max(0.0, gap1)), a1


@kernel(inline=True)
def follow_plain(old: int, new: int, y: Precise, a: float, c: float, work: Reals2) -> tuple[Precise, float]:
    """A short step without a turning point, from one place in the scratch memory to another: y and A at its end.

    Written into the loops that call it: as a call of its own it would not be merged into them, see `chase`.

    Parameters
    ----------
    old, new : int
        Places of the fields at the beginning and at the end, with what `tabulate` and `prepare` wrote there.
    y, a : float
        Irreversible and anhysteretic part at the beginning.
    c : float
        Reversible share.
    work : ndarray, shape (ROWS, SCRATCH)
        Scratch memory.
    """
    held: float = y
    if work[MOVE, new] * (a - held) > 0.0:
        gain, end = chase(
            held,
            a,
            c,
            work[VALUE, old],
            work[VALUE, new],
            work[SLOPE, new],
            work[CURVE, new],
            work[FROM_OLD, new],
            work[FROM_NEW, new],
            work[BOW, new],
            work[EXTRA, new],
        )
    else:
        gain, end = hold(
            work[MOVE, new],
            held,
            a,
            c,
            work[VALUE, old],
            work[SLOPE, old],
            work[VALUE, new],
            work[SLOPE, new],
            work[CURVE, new],
        )
    return y + gain, end


@kernel()
def follow_far(h1: float, known: int, y: Precise, a: float, c: float, work: Reals2) -> tuple[Precise, float]:
    """A step of any length from the field in the spare place to `h1`, in parts: y and A at its end.

    Leaves `h1` in the spare place. `known` is a place where `tabulate` has been for `h1`, or -1; `y` is the
    irreversible part at the beginning; `a` and `c` as for `chase`; `work` has the shape (ROWS, SCRATCH).
    """
    h0 = work[FIELD, SPARE]
    parts = min(int(abs(h1 - h0) * (1.0 / _LONGEST_STEP)) + 1, _MOST_PARTS)
    old = SPARE
    new = SPARE + 1
    for part in range(1, parts + 1):
        if part == parts and known >= 0:
            for row in range(MOVE):
                work[row, new] = work[row, known]
        else:
            work[FIELD, new] = h1 if part == parts else h0 + (h1 - h0) * part / parts
            tabulate(new, 1, work)
        prepare(new, 1, work)
        y, a = follow_plain(old, new, y, a, c, work)
        for row in range(MOVE):
            work[row, old] = work[row, new]
    return y, a


@kernel()
def follow_round(at: int, y: Precise, a: float, c: float, work: Reals2) -> tuple[Precise, float]:
    """A step from field ``at - 1`` to field `at` by way of a turning point, if there is one, or a long one.

    Arguments as for `follow_far`.
    """
    h1 = work[FIELD, at]
    for row in range(MOVE):
        work[row, SPARE] = work[row, at - 1]
    turn = turning_point(work[FIELD, at - 2], work[FIELD, at - 1], h1, work[FIELD, at + 1])
    if turn != h1:
        y, a = follow_far(turn, -1, y, a, c, work)
    y, a = follow_far(h1, at, y, a, c, work)
    return y, a


@kernel()
def carry_off(y: float, h: float, move: float, release: float, swing: float) -> float:
    """What y loses in a moment of the tape's passage, because no field holds it.

    `release` is the share that goes in that moment without a field, `swing` a time over that of one step;
    `h` and `move`: field, and its change in a step. Squares of both are added: a sum of magnitudes has corners,
    which a drive that falls by 70 dB in 15 ms makes heard at -88 dB above 5 kHz.
    """
    if abs(y) <= _FLUSH:
        return 0.0
    over = 1.0 / y
    held = h * over
    swept = swing * move * over
    return (release * y) / (HOLD * (held * held + swept * swept) + 1.0)


@kernel()
def load_fields(
    high: Reals3, channel: int, start: int, width: int, lag: int, field: float, past: Reals2, work: Reals2
) -> None:
    """Put a batch of one channel's fields in time order behind the last ones, and all that they determine.

    Parameters
    ----------
    high, lag
        As for `magnetise`.
    channel, start, width : int
        The batch: `width` samples of every row of the channel, from `start` on.
    field : float
        See :class:`Law`.
    past : ndarray, shape (channels, HISTORY_H)
        See :class:`TapeMemory`; changed in place.
    work : ndarray, shape (ROWS, SCRATCH)
        Gets the batch.
    """
    rows = high.shape[1]
    for k in range(HISTORY_H):
        work[FIELD, k] = past[channel, k]
    for row in range(rows):
        for i in range(width):
            raw = field * high[channel, row, start + i]
            work[FIELD, HISTORY_H + rows * i + row] = min(max(raw, -FIELD_LIMIT), FIELD_LIMIT)
    first = HISTORY_H - lag
    count = width * rows
    tabulate(first - 1, count + 1, work)
    prepare(first, count, work)
    find_plain(first, count, work)
    for k in range(HISTORY_H):
        past[channel, k] = work[FIELD, count + k]


@kernel()
def magnetise(high: Reals3, offset: int, count: int, lag: int, law: Law, memory: TapeMemory) -> None:
    """Field from `high`, magnetisation in its place, `lag` (1 to 12) top-rate samples late.

    Two channels are stepped in turn, because one step waits for the one before and a processor can do two
    such chains in the time of one. The last of an odd number is stepped alone.

    Parameters
    ----------
    high : ndarray, shape (channels, rows, offset + count or more)
        Input and output; sample ``rows * i + p`` of the sequence is in row p.
    offset, count : int
        First place of the new samples, and number of them, in every row.
    lag : int
        See above.
    law : Law
        How fields magnetise.
    memory : TapeMemory
        Changed in place.
    """
    rows = high.shape[1]
    span = BATCH // rows
    state = memory.state
    c = law.reversible
    for first in range(0, high.shape[0], 2):
        second = min(first + 1, high.shape[0] - 1)
        wa = memory.work[0]
        wb = memory.work[second - first]
        ya: Precise = state[first, 0]
        aa: float = state[first, 1]
        yb: Precise = state[second, 0]
        ab: float = state[second, 1]
        start = offset
        while start < offset + count:
            width = min(span, offset + count - start)
            load_fields(high, first, start, width, lag, law.field, memory.past, wa)
            if second != first:
                load_fields(high, second, start, width, lag, law.field, memory.past, wb)
            at = HISTORY_H - lag
            for i in range(width):
                for row in range(rows):
                    if wa[PLAIN, at] < 0.0:
                        ya, aa = follow_round(at, ya, aa, c, wa)
                    else:
                        ya, aa = follow_plain(at - 1, at, ya, aa, c, wa)
                    pa: float = ya
                    high[first, row, start + i] = law.gain * (pa + c * (aa - pa))
                    if second != first:
                        if wb[PLAIN, at] < 0.0:
                            yb, ab = follow_round(at, yb, ab, c, wb)
                        else:
                            yb, ab = follow_plain(at - 1, at, yb, ab, c, wb)
                        pb: float = yb
                        high[second, row, start + i] = law.gain * (pb + c * (ab - pb))
                    at += 1
                # Once in all rows: whatever the rate, this is several times in a sample of the base rate.
                last = at - 1
                lost = carry_off(pa, wa[FIELD, last], wa[MOVE, last], law.release, law.swing)
                ya = ya - lost if abs(ya) > _FLUSH else 0.0
                aa = aa - ALPHA * (1.0 - c) * lost * wa[SLOPE, last]
                if second != first:
                    lost = carry_off(pb, wb[FIELD, last], wb[MOVE, last], law.release, law.swing)
                    yb = yb - lost if abs(yb) > _FLUSH else 0.0
                    ab = ab - ALPHA * (1.0 - c) * lost * wb[SLOPE, last]
            start += span
        if second != first:
            state[second, 0] = yb
            state[second, 1] = ab
        state[first, 0] = ya
        state[first, 1] = aa
