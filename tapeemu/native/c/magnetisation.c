/* Generated from magnetisation.py (f357f936bd348e7c); do not edit. SPDX-License-Identifier: ISC */

/*
 * Magnetisation by the Jiles-Atherton equations, integrated along the field from sample to sample.
 *
 * All quantities are without unit: field h = H / a, magnetisation m = M / Ms. The equations are those of
 * :class:`tapeemu.processors.saturation.TapeMagnetisation`, with an anhysteretic part ``A = L(h + alpha m)``,
 * L the Langevin function, and an irreversible part y that follows A from behind::
 *
 *     m = (1 - c) y + c A          dy/dh = D / (kappa - alpha D)  where  D = A - y > 0 on the way up,
 *                                  dy/dh = 0                      where  D < 0 (mirrored on the way down)
 *
 * Time does not appear in them: between two turning points of the field, y depends on where h has been, not on
 * how fast. So what a solver must get right is where h turns, where y starts to follow, and a smooth integral
 * between. Turning points are found by a cubic through four samples; the start is found inside the step;
 * the integral is a Hermite quadrature of fourth order (both slopes and their derivatives), solved for its
 * own end point by one Newton step. Because alpha is small, A is a Taylor polynomial around L(h), and L(h)
 * needs no recursion: it is computed for many samples at once, as is all else that does not depend on y.
 *
 * Time appears in one place only: the tape moves, and y is carried off where no field holds it, see `carry_off`.
 *
 * A step gives the change of y, and y itself is kept in double precision everywhere: what it gains in a step of a
 * low tone is little beside it.
 */

#include "magnetisation.h"

#define MAGNETISATION_ALPHA REAL(0x1.a10c1a10c1a11p-6)
#define MAGNETISATION_FIELD_LIMIT REAL(40.0)
#define MAGNETISATION_HOLD REAL(64.0)
#define MAGNETISATION_BATCH 192
#define MAGNETISATION_HISTORY_H 16
#define MAGNETISATION_SPARE 208
#define MAGNETISATION_FIELD 0
#define MAGNETISATION_VALUE 1
#define MAGNETISATION_SLOPE 2
#define MAGNETISATION_CURVE 3
#define MAGNETISATION_MOVE 4
#define MAGNETISATION_FROM_OLD 5
#define MAGNETISATION_FROM_NEW 6
#define MAGNETISATION_BOW 7
#define MAGNETISATION_EXTRA 8
#define MAGNETISATION_PLAIN 9
#define MAGNETISATION_BETA REAL(0x1.53d0f8cb48704p-6)
#define MAGNETISATION_PER_KAPPA REAL(0x1.a12f684bda12fp-1)
#define MAGNETISATION_SIXTH REAL(0x1.5555555555555p-3)
#define MAGNETISATION_TWELFTH REAL(0x1.5555555555555p-4)
#define MAGNETISATION_SERIES_BELOW REAL(0.5)
#define MAGNETISATION_FRACTION_BELOW REAL(3.0)
#define MAGNETISATION_P0 REAL(0x1.55555555553ddp-2)
#define MAGNETISATION_P1 REAL(0x1.7f35c6e320c2fp-6)
#define MAGNETISATION_P2 REAL(0x1.7ea856c6ef6bfp-12)
#define MAGNETISATION_P3 REAL(0x1.4108c0e091164p-20)
#define MAGNETISATION_Q1 REAL(0x1.183cb31dab125p-3)
#define MAGNETISATION_Q2 REAL(0x1.faf8c4364cb6fp-9)
#define MAGNETISATION_Q3 REAL(0x1.ceaa496ea1c41p-16)
#define MAGNETISATION_Q4 REAL(0x1.c0b83686e3ab4p-26)
#define MAGNETISATION_LONGEST_STEP REAL(0x1.999999999999ap-2)
#define MAGNETISATION_FLUSH REAL(0x1.4484bfeebc2a0p-100)
#define MAGNETISATION_MOST_PARTS 64

/*
 * Langevin function ``coth x - 1/x`` of fields, its first derivative, and half its second.
 *
 * Errors at most 1e-11, 1e-11 and 2e-9 up to the field limit. Below 3 ``L(x) / x`` is a rational function of
 * ``x ** 2`` (relative error 6.5e-14; least squares, reweighted); above, exp(-2 x) from a Taylor polynomial
 * squared six times, because a library exponential cannot be computed in vectors. L' = 1 - L^2 - 2 L / x.
 *
 * Parameters
 * ----------
 * first, count : int
 *     Places in the rows.
 * work : ndarray, shape (ROWS, SCRATCH)
 *     Reads FIELD; writes VALUE, SLOPE and CURVE.
 */
KERNEL void magnetisation_tabulate(ix first, ix count, reals_2 work)
{
    reals_1 fields = (reals_1){work.at + first, first + count - first};
    reals_1 values = (reals_1){work.at + MAGNETISATION_VALUE * work.n1 + first, first + count - first};
    reals_1 slopes = (reals_1){work.at + MAGNETISATION_SLOPE * work.n1 + first, first + count - first};
    reals_1 curves = (reals_1){work.at + MAGNETISATION_CURVE * work.n1 + first, first + count - first};
    for (ix k = 0; k < count; k++) {
        const real x = fields.at[k];
        const real z = x * x;
        const real above = ((MAGNETISATION_P3 * z + MAGNETISATION_P2) * z + MAGNETISATION_P1) * z +
            MAGNETISATION_P0;
        const real below = (((MAGNETISATION_Q4 * z + MAGNETISATION_Q3) * z + MAGNETISATION_Q2) * z +
            MAGNETISATION_Q1) * z + REAL(1.0);
        const real u = larger(magnitude(x), MAGNETISATION_FRACTION_BELOW);
        const real t = smaller(u, REAL(20.0)) * REAL(-0.03125);
        real e = REAL(1.0) + t * REAL(0x1.2492492492492p-3);
        e = REAL(1.0) + t * REAL(0x1.5555555555555p-3) * e;
        e = REAL(1.0) + t * REAL(0x1.999999999999ap-3) * e;
        e = REAL(1.0) + t * REAL(0.25) * e;
        e = REAL(1.0) + t * REAL(0x1.5555555555555p-2) * e;
        e = REAL(1.0) + t * REAL(0.5) * e;
        e = REAL(1.0) + t * e;
        e = e * e;
        e = e * e;
        e = e * e;
        e = e * e;
        e = e * e;
        e = e * e;
        const bool inside = magnitude(x) < MAGNETISATION_FRACTION_BELOW;
        const real over = inside ? above : u - REAL(1.0) + e * (u + REAL(1.0));
        const real under = inside ? below : u * u * (REAL(1.0) - e);
        const real r = over / under;
        const real level = x * r;
        const real steep = REAL(1.0) - REAL(2.0) * r - level * level;
        real w_low = (REAL(0x1.66a8f2bf70ebep-13) - REAL(0x1.6b2074bd4e65dp-16) * z) * z -
            REAL(0x1.4ce19ae67b348p-10);
        w_low = w_low * z + REAL(0x1.1566abc011567p-7);
        w_low = w_low * z - REAL(0x1.6c16c16c16c17p-5);
        const real w_high = (steep - r) / larger(z, REAL(0.25));
        const real w = magnitude(x) < MAGNETISATION_SERIES_BELOW ? w_low : w_high;
        values.at[k] = level;
        slopes.at[k] = steep;
        curves.at[k] = -x * (r * steep + w);
    }
}

/* Slope at h0 of the cubic through four equidistant samples, per sample. */
KERNEL real magnetisation_slope_at_start(real before, real h0, real h1, real after)
{
    return h1 - REAL(0.5) * h0 - MAGNETISATION_SIXTH * (REAL(2.0) * before + after);
}

/* Extreme value between h0 and h1 of the cubic through four equidistant samples, or h1 if none. */
KERNEL real magnetisation_turning_point(real before, real h0, real h1, real after)
{
    const real a1 = magnetisation_slope_at_start(before, h0, h1, after);
    const real a2 = REAL(0.5) * (before + h1) - h0;
    const real a3 = (after - before) * MAGNETISATION_SIXTH + REAL(0.5) * (h0 - h1);
    if (-a1 * magnetisation_slope_at_start(after, h1, h0, before) >= REAL(0.0)) {
        return h1;
    }
    const real root = square_root(larger(a2 * a2 - REAL(3.0) * a1 * a3, REAL(0.0)));
    const real q = a2 >= REAL(0.0) ? -(a2 + root) : root - a2;
    /* of fields so small that their squares vanish */
    if (q == REAL(0.0)) {
        return h1;
    }
    real place = a1 / q;
    if (!(REAL(0.0) <= place && place <= REAL(1.0))) {
        place = smaller(larger(q / (REAL(3.0) * a3), REAL(0.0)), REAL(1.0));
    }
    return h0 + place * (a1 + place * (a2 + place * a3));
}

/*
 * Coefficients of the steps that end at the given places, as far as they do not depend on y.
 *
 * With ``u = |move| / kappa`` and signed gaps ``d = A - y``, the quadrature
 *
 *     y1 = y0 + u (d0 + d1) / 2 - u^2 (d0 - d1) / 12 + u move (A0' - A1') / 12
 *
 * is linear in y1. Solved for it: ``y1 = y0 + FROM_OLD (A0 - y0) + FROM_NEW (A1 - y0) + BOW``; EXTRA weighs the
 * part of the equation that is quadratic in d. The slope of L stands in for that of A in the last term.
 *
 * Parameters
 * ----------
 * first, count : int
 *     Places in the rows at which the steps end; those before them are read as well.
 * work : ndarray, shape (ROWS, SCRATCH)
 *     Reads FIELD and SLOPE; writes MOVE, FROM_OLD, FROM_NEW, BOW and EXTRA.
 */
KERNEL void magnetisation_prepare(ix first, ix count, reals_2 work)
{
    reals_1 old_slopes = (reals_1){work.at + MAGNETISATION_SLOPE * work.n1 + first - 1, first - 1 + count -
        (first - 1)};
    reals_1 new_slopes = (reals_1){work.at + MAGNETISATION_SLOPE * work.n1 + first, first + count - first};
    reals_1 old_fields = (reals_1){work.at + first - 1, first - 1 + count - (first - 1)};
    reals_1 new_fields = (reals_1){work.at + first, first + count - first};
    reals_1 moves = (reals_1){work.at + MAGNETISATION_MOVE * work.n1 + first, first + count - first};
    reals_1 from_old = (reals_1){work.at + MAGNETISATION_FROM_OLD * work.n1 + first, first + count - first};
    reals_1 from_new = (reals_1){work.at + MAGNETISATION_FROM_NEW * work.n1 + first, first + count - first};
    reals_1 bow = (reals_1){work.at + MAGNETISATION_BOW * work.n1 + first, first + count - first};
    reals_1 extra = (reals_1){work.at + MAGNETISATION_EXTRA * work.n1 + first, first + count - first};
    for (ix k = 0; k < count; k++) {
        const real move = new_fields.at[k] - old_fields.at[k];
        const real u = magnitude(move) * MAGNETISATION_PER_KAPPA;
        const real share = u * (MAGNETISATION_TWELFTH * u + REAL(0.5));
        const real solve = REAL(1.0) / (share + REAL(1.0));
        const real older = u * (REAL(0.5) - MAGNETISATION_TWELFTH * u) * solve;
        const real newer = share * solve;
        moves.at[k] = move;
        from_old.at[k] = older;
        from_new.at[k] = newer;
        bow.at[k] = move * MAGNETISATION_TWELFTH * u * (old_slopes.at[k] - new_slopes.at[k]) * solve;
        extra.at[k] = REAL(0x1.53d0f8cb48704p-7) * u * solve;
    }
}

/*
 * Mark steps that are short and without a turning point by a number that is not negative.
 *
 * Parameters
 * ----------
 * first, count : int
 *     Places at which the steps end; two before and one behind them are read as well.
 * work : ndarray, shape (ROWS, SCRATCH)
 *     Reads FIELD; writes PLAIN.
 */
KERNEL void magnetisation_find_plain(ix first, ix count, reals_2 work)
{
    reals_1 before = (reals_1){work.at + first - 2, first - 2 + count - (first - 2)};
    reals_1 h0 = (reals_1){work.at + first - 1, first - 1 + count - (first - 1)};
    reals_1 h1 = (reals_1){work.at + first, first + count - first};
    reals_1 after = (reals_1){work.at + first + 1, first + 1 + count - (first + 1)};
    reals_1 plain = (reals_1){work.at + MAGNETISATION_PLAIN * work.n1 + first, first + count - first};
    for (ix k = 0; k < count; k++) {
        const real rising0 = magnetisation_slope_at_start(before.at[k], h0.at[k], h1.at[k], after.at[k]);
        const real rising1 = -magnetisation_slope_at_start(after.at[k], h1.at[k], h0.at[k], before.at[k]);
        plain.at[k] = magnitude(h1.at[k] - h0.at[k]) > MAGNETISATION_LONGEST_STEP ? REAL(-1.0) : rising0 *
            rising1;
    }
}

/*
 * One step while y follows A: the change of y, and A at its end.
 *
 * A1 is first taken to differ from L(h1) as A0 did from L(h0); y1 then gives m1, and m1 a better A1. Both
 * that gain and the quadratic and cubic terms of d / (kappa - alpha d) are added to the linear solution.
 *
 * Numbers come one by one and not as a place in the scratch memory: a call that takes an array is not merged
 * into the loop, which then takes 1.2 to 2.7 times as long. What a step waits for is y0 and a0, so all else is
 * put together beside them, and few operations lie between them and what is returned.
 *
 * Parameters
 * ----------
 * y0, a0 : float
 *     Irreversible and anhysteretic part at the beginning.
 * c : float
 *     Reversible share.
 * v0, v1 : float
 *     Langevin function at beginning and end.
 * s1, q1 : float
 *     Its slope, and half its second derivative, at the end.
 * from_old, from_new, bow, extra : float
 *     What `prepare` wrote at the end.
 */
KERNEL magnetisation_chase_result magnetisation_chase(real y0, real a0, real c, real v0, real v1, real s1,
    real q1, real from_old, real from_new, real bow, real extra)
{
    const real rough = a0 + (v1 - v0);
    const real known = from_new * rough + (from_old * a0 + bow);
    const real share = from_old + from_new;
    const real gap0 = a0 - y0;
    const real gap1 = rough - known - (REAL(1.0) - share) * y0;
    const real shift = MAGNETISATION_ALPHA * rough - MAGNETISATION_ALPHA * (REAL(1.0) - c) * gap1;
    const real a1 = v1 + shift * (s1 + shift * q1);
    const real bent0 = extra * (gap0 * magnitude(gap0) * (REAL(1.0) + MAGNETISATION_BETA * magnitude(gap0)));
    const real bent1 = extra * (gap1 * magnitude(gap1) * (REAL(1.0) + MAGNETISATION_BETA * magnitude(gap1)));
    const real gain = from_new * a1 + (known - share * y0 - from_new * rough + (bent0 + bent1));
    const real whole = a1 - y0;
    return (magnetisation_chase_result){smaller(larger(gain, smaller(REAL(0.0), whole)), larger(REAL(0.0),
        whole)), a1};
}

/*
 * One step that begins with y at rest: the change of y, and A at its end.
 *
 * If A passes y on the way, the place where it does is found on a parabola, and y follows from there.
 *
 * `move` is the change of the field, `s0` the slope of the Langevin function at the beginning; the rest is as
 * for `chase`.
 */
KERNEL magnetisation_hold_result magnetisation_hold(real move, real y0, real a0, real c, real v0, real s0,
    real v1, real s1, real q1)
{
    const real gap0 = a0 - y0;
    const real shift = MAGNETISATION_ALPHA * (REAL(1.0) - c) * y0 + MAGNETISATION_ALPHA * c * (a0 + (v1 -
        v0));
    const real a1 = v1 + shift * (s1 + shift * q1);
    const real gap1 = a1 - y0;
    if (move * gap1 <= REAL(0.0)) {
        return (magnetisation_hold_result){REAL(0.0), a1};
    }
    const real span = gap1 - gap0;
    real start = -gap0 / span;
    const real arc = REAL(0.5) * move * (s1 - s0);
    start = smaller(larger((arc * start * (REAL(1.0) - start) - gap0) / span, REAL(0.0)), REAL(1.0));
    const real left = REAL(1.0) - start;
    const real u = magnitude(move) * MAGNETISATION_PER_KAPPA * left;
    const real share = u * (REAL(0.5) + MAGNETISATION_TWELFTH * u);
    const real bow = move * MAGNETISATION_TWELFTH * u * left * left * (s0 - s1);
    real gain = (share * gap1 + bow) / (REAL(1.0) + share);
    const real rest = gap1 - gain;
    gain = gain + REAL(0x1.53d0f8cb48704p-7) * u * rest * magnitude(rest) / (REAL(1.0) + share);
    return (magnetisation_hold_result){smaller(larger(gain, smaller(REAL(0.0), gap1)), larger(REAL(0.0),
        gap1)), a1};
}

/*
 * A short step without a turning point, from one place in the scratch memory to another: y and A at its end.
 *
 * Written into the loops that call it: as a call of its own it would not be merged into them, see `chase`.
 *
 * Parameters
 * ----------
 * old, new : int
 *     Places of the fields at the beginning and at the end, with what `tabulate` and `prepare` wrote there.
 * y, a : float
 *     Irreversible and anhysteretic part at the beginning.
 * c : float
 *     Reversible share.
 * work : ndarray, shape (ROWS, SCRATCH)
 *     Scratch memory.
 */
INLINED magnetisation_follow_plain_result magnetisation_follow_plain(ix old, ix new, double y, real a, real c,
    reals_2 work)
{
    real gain = REAL(0.0);
    real end = REAL(0.0);
    const real held = (real)y;
    if (work.at[MAGNETISATION_MOVE * work.n1 + new] * (a - held) > REAL(0.0)) {
        const magnetisation_chase_result result_1 = magnetisation_chase(held, a, c,
            work.at[MAGNETISATION_VALUE * work.n1 + old], work.at[MAGNETISATION_VALUE * work.n1 + new],
            work.at[MAGNETISATION_SLOPE * work.n1 + new], work.at[MAGNETISATION_CURVE * work.n1 + new],
            work.at[MAGNETISATION_FROM_OLD * work.n1 + new], work.at[MAGNETISATION_FROM_NEW * work.n1 + new],
            work.at[MAGNETISATION_BOW * work.n1 + new], work.at[MAGNETISATION_EXTRA * work.n1 + new]);
        gain = result_1.m0;
        end = result_1.m1;
    } else {
        const magnetisation_hold_result result_2 = magnetisation_hold(work.at[MAGNETISATION_MOVE * work.n1 +
            new], held, a, c, work.at[MAGNETISATION_VALUE * work.n1 + old], work.at[MAGNETISATION_SLOPE *
            work.n1 + old], work.at[MAGNETISATION_VALUE * work.n1 + new], work.at[MAGNETISATION_SLOPE *
            work.n1 + new], work.at[MAGNETISATION_CURVE * work.n1 + new]);
        gain = result_2.m0;
        end = result_2.m1;
    }
    return (magnetisation_follow_plain_result){y + (double)gain, end};
}

/*
 * A step of any length from the field in the spare place to `h1`, in parts: y and A at its end.
 *
 * Leaves `h1` in the spare place. `known` is a place where `tabulate` has been for `h1`, or -1; `y` is the
 * irreversible part at the beginning; `a` and `c` as for `chase`; `work` has the shape (ROWS, SCRATCH).
 */
KERNEL magnetisation_follow_far_result magnetisation_follow_far(real h1, ix known, double y, real a, real c,
    reals_2 work)
{
    const real h0 = work.at[MAGNETISATION_SPARE];
    const ix parts = smaller_integer((ix)(magnitude(h1 - h0) * REAL(2.5)) + 1, MAGNETISATION_MOST_PARTS);
    const ix old = MAGNETISATION_SPARE;
    const ix new = 209;
    for (ix part = 1; part < parts + 1; part++) {
        if (part == parts && known >= 0) {
            for (ix row = 0; row < MAGNETISATION_MOVE; row++) {
                work.at[row * work.n1 + new] = work.at[row * work.n1 + known];
            }
        } else {
            work.at[new] = part == parts ? h1 : h0 + (h1 - h0) * (real)part / (real)parts;
            magnetisation_tabulate(new, 1, work);
        }
        magnetisation_prepare(new, 1, work);
        const magnetisation_follow_plain_result result_1 = magnetisation_follow_plain(old, new, y, a, c,
            work);
        y = result_1.m0;
        a = result_1.m1;
        for (ix row = 0; row < MAGNETISATION_MOVE; row++) {
            work.at[row * work.n1 + old] = work.at[row * work.n1 + new];
        }
    }
    return (magnetisation_follow_far_result){y, a};
}

/*
 * A step from field ``at - 1`` to field `at` by way of a turning point, if there is one, or a long one.
 *
 * Arguments as for `follow_far`.
 */
KERNEL magnetisation_follow_round_result magnetisation_follow_round(ix at, double y, real a, real c, reals_2
    work)
{
    const real h1 = work.at[at];
    for (ix row = 0; row < MAGNETISATION_MOVE; row++) {
        work.at[row * work.n1 + MAGNETISATION_SPARE] = work.at[row * work.n1 + at - 1];
    }
    const real turn = magnetisation_turning_point(work.at[at - 2], work.at[at - 1], h1, work.at[at + 1]);
    if (turn != h1) {
        const magnetisation_follow_far_result result_1 = magnetisation_follow_far(turn, -1, y, a, c, work);
        y = result_1.m0;
        a = result_1.m1;
    }
    const magnetisation_follow_far_result result_2 = magnetisation_follow_far(h1, at, y, a, c, work);
    y = result_2.m0;
    a = result_2.m1;
    return (magnetisation_follow_round_result){y, a};
}

/*
 * What y loses in a moment of the tape's passage, because no field holds it.
 *
 * `release` is the share that goes in that moment without a field, `swing` a time over that of one step;
 * `h` and `move`: field, and its change in a step. Squares of both are added: a sum of magnitudes has corners,
 * which a drive that falls by 70 dB in 15 ms makes heard at -88 dB above 5 kHz.
 */
KERNEL real magnetisation_carry_off(real y, real h, real move, real release, real swing)
{
    if (magnitude(y) <= MAGNETISATION_FLUSH) {
        return REAL(0.0);
    }
    const real over = REAL(1.0) / y;
    const real held = h * over;
    const real swept = swing * move * over;
    return release * y / (MAGNETISATION_HOLD * (held * held + swept * swept) + REAL(1.0));
}

/*
 * Put a batch of one channel's fields in time order behind the last ones, and all that they determine.
 *
 * Parameters
 * ----------
 * high, lag
 *     As for `magnetise`.
 * channel, start, width : int
 *     The batch: `width` samples of every row of the channel, from `start` on.
 * field : float
 *     See :class:`Law`.
 * past : ndarray, shape (channels, HISTORY_H)
 *     See :class:`TapeMemory`; changed in place.
 * work : ndarray, shape (ROWS, SCRATCH)
 *     Gets the batch.
 */
KERNEL void magnetisation_load_fields(reals_3 high, ix channel, ix start, ix width, ix lag, real field,
    reals_2 past, reals_2 work)
{
    const ix rows = high.n1;
    for (ix k = 0; k < MAGNETISATION_HISTORY_H; k++) {
        work.at[k] = past.at[channel * past.n1 + k];
    }
    for (ix row = 0; row < rows; row++) {
        for (ix i = 0; i < width; i++) {
            const real raw = field * high.at[channel * high.n1 * high.n2 + row * high.n2 + start + i];
            work.at[MAGNETISATION_HISTORY_H + rows * i + row] = smaller(larger(raw,
                -MAGNETISATION_FIELD_LIMIT), MAGNETISATION_FIELD_LIMIT);
        }
    }
    const ix first = MAGNETISATION_HISTORY_H - lag;
    const ix count = width * rows;
    magnetisation_tabulate(first - 1, count + 1, work);
    magnetisation_prepare(first, count, work);
    magnetisation_find_plain(first, count, work);
    for (ix k = 0; k < MAGNETISATION_HISTORY_H; k++) {
        past.at[channel * past.n1 + k] = work.at[count + k];
    }
}

/*
 * Field from `high`, magnetisation in its place, `lag` (1 to 12) top-rate samples late.
 *
 * Two channels are stepped in turn, because one step waits for the one before and a processor can do two
 * such chains in the time of one. The last of an odd number is stepped alone.
 *
 * Parameters
 * ----------
 * high : ndarray, shape (channels, rows, offset + count or more)
 *     Input and output; sample ``rows * i + p`` of the sequence is in row p.
 * offset, count : int
 *     First place of the new samples, and number of them, in every row.
 * lag : int
 *     See above.
 * law : Law
 *     How fields magnetise.
 * memory : TapeMemory
 *     Changed in place.
 */
KERNEL void magnetisation_magnetise(reals_3 high, ix offset, ix count, ix lag, const Law *law, const
    TapeMemory *memory)
{
    real pa = REAL(0.0);
    real pb = REAL(0.0);
    const ix rows = high.n1;
    const ix span = floor_division(MAGNETISATION_BATCH, rows);
    doubles_2 state = memory->state;
    const real c = law->reversible;
    for (ix first = 0; first < high.n0; first += 2) {
        const ix second = smaller_integer(first + 1, high.n0 - 1);
        reals_2 wa = (reals_2){memory->work.at, memory->work.n1, memory->work.n2};
        reals_2 wb = (reals_2){memory->work.at + (second - first) * memory->work.n1 * memory->work.n2,
            memory->work.n1, memory->work.n2};
        double ya = state.at[first * state.n1];
        real aa = (real)state.at[first * state.n1 + 1];
        double yb = state.at[second * state.n1];
        real ab = (real)state.at[second * state.n1 + 1];
        ix start = offset;
        while (start < offset + count) {
            const ix width = smaller_integer(span, offset + count - start);
            magnetisation_load_fields(high, first, start, width, lag, law->field, memory->past, wa);
            if (second != first) {
                magnetisation_load_fields(high, second, start, width, lag, law->field, memory->past, wb);
            }
            ix at = MAGNETISATION_HISTORY_H - lag;
            for (ix i = 0; i < width; i++) {
                for (ix row = 0; row < rows; row++) {
                    if (wa.at[MAGNETISATION_PLAIN * wa.n1 + at] < REAL(0.0)) {
                        const magnetisation_follow_round_result result_1 = magnetisation_follow_round(at, ya,
                            aa, c, wa);
                        ya = result_1.m0;
                        aa = result_1.m1;
                    } else {
                        const magnetisation_follow_plain_result result_2 = magnetisation_follow_plain(at - 1,
                            at, ya, aa, c, wa);
                        ya = result_2.m0;
                        aa = result_2.m1;
                    }
                    pa = (real)ya;
                    high.at[first * high.n1 * high.n2 + row * high.n2 + start + i] = law->gain * (pa + c * (aa
                        - pa));
                    if (second != first) {
                        if (wb.at[MAGNETISATION_PLAIN * wb.n1 + at] < REAL(0.0)) {
                            const magnetisation_follow_round_result result_3 = magnetisation_follow_round(at,
                                yb, ab, c, wb);
                            yb = result_3.m0;
                            ab = result_3.m1;
                        } else {
                            const magnetisation_follow_plain_result result_4 = magnetisation_follow_plain(at -
                                1, at, yb, ab, c, wb);
                            yb = result_4.m0;
                            ab = result_4.m1;
                        }
                        pb = (real)yb;
                        high.at[second * high.n1 * high.n2 + row * high.n2 + start + i] = law->gain * (pb + c
                            * (ab - pb));
                    }
                    at += 1;
                }
                /* Once in all rows: whatever the rate, this is several times in a sample of the base rate. */
                const ix last = at - 1;
                real lost = magnetisation_carry_off(pa, wa.at[last], wa.at[MAGNETISATION_MOVE * wa.n1 + last],
                    law->release, law->swing);
                ya = magnitude_double(ya) > 0x1.4484bfeebc2a0p-100 ? ya - (double)lost : 0.0;
                aa = aa - MAGNETISATION_ALPHA * (REAL(1.0) - c) * lost * wa.at[MAGNETISATION_SLOPE * wa.n1 +
                    last];
                if (second != first) {
                    lost = magnetisation_carry_off(pb, wb.at[last], wb.at[MAGNETISATION_MOVE * wb.n1 + last],
                        law->release, law->swing);
                    yb = magnitude_double(yb) > 0x1.4484bfeebc2a0p-100 ? yb - (double)lost : 0.0;
                    ab = ab - MAGNETISATION_ALPHA * (REAL(1.0) - c) * lost * wb.at[MAGNETISATION_SLOPE * wb.n1
                        + last];
                }
            }
            start += span;
        }
        if (second != first) {
            state.at[second * state.n1] = yb;
            state.at[second * state.n1 + 1] = (double)ab;
        }
        state.at[first * state.n1] = ya;
        state.at[first * state.n1 + 1] = (double)aa;
    }
}
