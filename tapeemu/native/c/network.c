/* Generated from network.py (6135e01ac79df08a); do not edit. SPDX-License-Identifier: ISC */

/*
 * The loop of the feedback delay network: diffuser, absorbing lines, mixing, in chunks of up to 64 samples.
 *
 * Rows are lines, columns are time: all but the recursive filters runs along contiguous memory, and nothing
 * is summed along time, so no result depends on where a chunk starts or ends.
 *
 * Rings hold `ring length` columns and a margin of one chunk that repeats their beginning, so that a chunk
 * can always be read in one piece; ring lengths are multiples of CHUNK and chunks end on that grid, so that
 * it can always be written in one piece. Offsets into rings are unsigned: a signed one might be negative for
 * all the compiler knows, and would keep it from using vector instructions.
 */

#include "network.h"

#define NETWORK_CHUNK 64
#define NETWORK_SILENCE REAL(0x1.4484bfeebc2a0p-100)
#define NETWORK_ABREAST 8
#define NETWORK_SWINGS 2
#define NETWORK_DIFFUSER_DELAY 1
#define NETWORK_LINE_DELAY 2
#define NETWORK_DRY 0
#define NETWORK_OWN 1
#define NETWORK_COMMON 2
#define NETWORK_SCALE 3
#define NETWORK_DEPTH 4
#define NETWORK_HEARD 6
#define NETWORK_DRY_ROW 0
#define NETWORK_HEARD_ROW 1
#define NETWORK_OWN_ROW 2
#define NETWORK_COMMON_ROW 3
#define NETWORK_FED 0
#define NETWORK_POSITION 1
#define NETWORK_TURNED 2
#define NETWORK_CELL 5
#define NETWORK_CURVED 6
#define NETWORK_LEFT 7
#define NETWORK_MADE 8
#define NETWORK_NOWHERE 1
#define NETWORK_SHIFT_11 UINT64_C(11)
#define NETWORK_PER_2_53 REAL(0x1.0000000000000p-53)

/*
 * Multiply by the Hadamard matrix in Sylvester's order, in place, without its scale factor.
 *
 * `rows` has the shape (lines, CHUNK), lines a power of two; the first `samples` columns are changed.
 */
KERNEL void network_mix(reals_2 rows, ux samples)
{
    real a = REAL(0.0);
    real b = REAL(0.0);
    const ix lines = rows.n0;
    ix half = 1;
    /* two of the fast transform's stages at once: half the traffic */
    while (half * 2 < lines) {
        ix start = 0;
        while (start < lines) {
            for (ix row = start; row < start + half; row++) {
                for (ux k = (ux)0; k < samples; k++) {
                    a = rows.at[row * rows.n1 + (ix)k];
                    b = rows.at[(row + half) * rows.n1 + (ix)k];
                    const real c = rows.at[(row + 2 * half) * rows.n1 + (ix)k];
                    const real d = rows.at[(row + 3 * half) * rows.n1 + (ix)k];
                    const real ab = a + b;
                    const real ba = a - b;
                    const real cd = c + d;
                    const real dc = c - d;
                    rows.at[row * rows.n1 + (ix)k] = ab + cd;
                    rows.at[(row + half) * rows.n1 + (ix)k] = ba + dc;
                    rows.at[(row + 2 * half) * rows.n1 + (ix)k] = ab - cd;
                    rows.at[(row + 3 * half) * rows.n1 + (ix)k] = ba - dc;
                }
            }
            start += 4 * half;
        }
        half *= 4;
    }
    if (half < lines) {
        for (ix row = 0; row < half; row++) {
            for (ux k = (ux)0; k < samples; k++) {
                a = rows.at[row * rows.n1 + (ix)k];
                b = rows.at[(row + half) * rows.n1 + (ix)k];
                rows.at[row * rows.n1 + (ix)k] = a + b;
                rows.at[(row + half) * rows.n1 + (ix)k] = a - b;
            }
        }
    }
}

/* Offset in a ring of what was written `delay` samples ago; a division would cost more than the row. */
KERNEL ux network_place(int64_t now, int64_t delay, ix length)
{
    return (ux)(now >= delay ? now - delay : now - delay + (int64_t)length);
}

/*
 * Store a chunk of the input.
 *
 * Parameters
 * ----------
 * ring : ndarray, shape (channels, ring length + CHUNK)
 *     Gets the chunk.
 * audio : ndarray, shape (channels, samples)
 *     The block.
 * first : int
 *     First sample of the chunk in it.
 * fed, samples : int
 *     Samples fed before this chunk, and its length (at most CHUNK).
 */
KERNEL void network_write_input(reals_2 ring, reals_2 audio, ux first, int64_t fed, ux samples)
{
    const ix length = ring.n1 - NETWORK_CHUNK;
    const ux write = (ux)floor_remainder_64(fed, (int64_t)length);
    for (ix channel = 0; channel < ring.n0; channel++) {
        for (ux k = (ux)0; k < samples; k++) {
            const real x = audio.at[channel * audio.n1 + (ix)first + (ix)k];
            ring.at[channel * ring.n1 + (ix)write + (ix)k] = magnitude(x) > NETWORK_SILENCE ? x : REAL(0.0);
        }
        if (write < (ux)64) {
            const ux margin = write + (ux)length;
            for (ux k = (ux)0; k < samples; k++) {
                ring.at[channel * ring.n1 + (ix)margin + (ix)k] = ring.at[channel * ring.n1 + (ix)write +
                    (ix)k];
            }
        }
    }
}

/*
 * Give every line its channel, or its channels if there are more of them, at the line's delay.
 *
 * Parameters
 * ----------
 * ring : ndarray, shape (channels, ring length + CHUNK)
 *     The input.
 * delays, gains : ndarray, shape (lines,)
 *     Of the lines, in samples.
 * rows : ndarray, shape (lines, CHUNK)
 *     Gets the chunk.
 * fed, samples
 *     As for `write_input`.
 */
KERNEL void network_spread(reals_2 ring, int64s_1 delays, reals_1 gains, reals_2 rows, int64_t fed, ux
    samples)
{
    const ix length = ring.n1 - NETWORK_CHUNK;
    const int64_t now = floor_remainder_64(fed, (int64_t)length);
    const ix channels = ring.n0;
    for (ix row = 0; row < rows.n0; row++) {
        const ux read = network_place(now, delays.at[row], length);
        const real gain = gains.at[row];
        const ix channel = floor_remainder(row, channels);
        for (ux k = (ux)0; k < samples; k++) {
            rows.at[row * rows.n1 + (ix)k] = gain * ring.at[channel * ring.n1 + (ix)read + (ix)k];
        }
        ix other = channel + rows.n0;
        while (other < channels) {
            for (ux k = (ux)0; k < samples; k++) {
                rows.at[row * rows.n1 + (ix)k] += gain * ring.at[other * ring.n1 + (ix)read + (ix)k];
            }
            other += rows.n0;
        }
    }
}

/*
 * Store the rows, in another order and with gains.
 *
 * `ring` has the shape (lines, ring length + CHUNK), `order` and `gains` (lines,), `rows` (lines, CHUNK); `fed`
 * and `samples` as for `write_input`.
 */
KERNEL void network_write_rows(reals_2 ring, int64s_1 order, reals_1 gains, reals_2 rows, int64_t fed, ux
    samples)
{
    const ix length = ring.n1 - NETWORK_CHUNK;
    const ux write = (ux)floor_remainder_64(fed, (int64_t)length);
    for (ix row = 0; row < rows.n0; row++) {
        const int64_t source = order.at[row];
        const real gain = gains.at[row];
        for (ux k = (ux)0; k < samples; k++) {
            const real x = gain * rows.at[(ix)source * rows.n1 + (ix)k];
            ring.at[row * ring.n1 + (ix)write + (ix)k] = magnitude(x) > NETWORK_SILENCE ? x : REAL(0.0);
        }
        if (write < (ux)64) {
            const ux margin = write + (ux)length;
            for (ux k = (ux)0; k < samples; k++) {
                ring.at[row * ring.n1 + (ix)margin + (ix)k] = ring.at[row * ring.n1 + (ix)write + (ix)k];
            }
        }
    }
}

/*
 * Fetch every line at its delay, with its gain; shapes as for `write_rows`, but `rows` is (CHUNK, lines).
 *
 * The gain is of double precision: it is met again at every pass, and its rounding would add up.
 */
KERNEL void network_read_rows(reals_2 ring, const Network *network, doubles_2 rows, int64_t fed, ux samples)
{
    const ix length = ring.n1 - NETWORK_CHUNK;
    const int64_t now = floor_remainder_64(fed, (int64_t)length);
    const double scale = network->numbers.at[NETWORK_SCALE];
    for (ix row = 0; row < rows.n1; row++) {
        const ux read = network_place(now, network->delays.at[NETWORK_LINE_DELAY * network->delays.n1 + row],
            length);
        const double gain = scale * network->filters.at[row];
        for (ux k = (ux)0; k < samples; k++) {
            rows.at[(ix)k * rows.n1 + row] = gain * (double)ring.at[row * ring.n1 + (ix)read + (ix)k];
        }
    }
}

/*
 * Fetch every line through its filter of one section, and add the diffuser's ring, every line at its delay.
 *
 * The ring itself remembers what went in before, so the section's numerator runs along time; only the two
 * multiply-adds of the denominator must wait for one another, and they do so for four lines abreast. Both are of
 * double precision: where a corner is low, they are small differences of large numbers.
 *
 * Writes `samples` columns of ``state.rows``; `fed` samples have been fed before.
 */
KERNEL void network_read_filtered(const Network *network, const NetworkState *state, int64_t fed, ux samples)
{
    reals_2 ring = state->line_ring;
    int64s_2 delays = network->delays;
    doubles_3 filters = network->filters;
    doubles_3 past = state->filter_state;
    reals_2 added_ring = state->diffuser_ring;
    reals_2 rows = state->rows;
    doubles_2 filtered = state->filtered;
    const double scale = network->numbers.at[NETWORK_SCALE];
    const ix length = ring.n1 - NETWORK_CHUNK;
    const int64_t now = floor_remainder_64(fed, (int64_t)length);
    const ix added_length = added_ring.n1 - NETWORK_CHUNK;
    const int64_t added_now = floor_remainder_64(fed, (int64_t)added_length);
    for (ix row = 0; row < rows.n0; row += 4) {
        for (ix part = 0; part < 4; part++) {
            const ix line = row + part;
            const ux r0 = network_place(now, delays.at[NETWORK_LINE_DELAY * delays.n1 + line], length);
            const ux r1 = network_place(now, delays.at[NETWORK_LINE_DELAY * delays.n1 + line] + INT64_C(1),
                length);
            const ux r2 = network_place(now, delays.at[NETWORK_LINE_DELAY * delays.n1 + line] + INT64_C(2),
                length);
            const double g0 = scale * filters.at[line];
            const double g1 = g0 * (filters.at[1 * filters.n1 * filters.n2 + line] + filters.at[1 * filters.n1
                * filters.n2 + 2 * filters.n2 + line]);
            const double g2 = g0 * (filters.at[1 * filters.n1 * filters.n2 + 1 * filters.n2 + line] +
                filters.at[1 * filters.n1 * filters.n2 + 3 * filters.n2 + line]);
            for (ux k = (ux)0; k < samples; k++) {
                filtered.at[(ix)k * filtered.n1 + part] = g0 * (double)ring.at[line * ring.n1 + (ix)r0 +
                    (ix)k] + (g1 * (double)ring.at[line * ring.n1 + (ix)r1 + (ix)k] + g2 *
                    (double)ring.at[line * ring.n1 + (ix)r2 + (ix)k]);
            }
        }
        const ux a0 = network_place(added_now, delays.at[NETWORK_DIFFUSER_DELAY * delays.n1 + row],
            added_length);
        const ux a1 = network_place(added_now, delays.at[NETWORK_DIFFUSER_DELAY * delays.n1 + row + 1],
            added_length);
        const ux a2 = network_place(added_now, delays.at[NETWORK_DIFFUSER_DELAY * delays.n1 + row + 2],
            added_length);
        const ux a3 = network_place(added_now, delays.at[NETWORK_DIFFUSER_DELAY * delays.n1 + row + 3],
            added_length);
        const double e0 = filters.at[1 * filters.n1 * filters.n2 + 2 * filters.n2 + row];
        const double f0 = filters.at[1 * filters.n1 * filters.n2 + 3 * filters.n2 + row];
        double y0 = past.at[row];
        double z0 = past.at[1 * past.n2 + row];
        const double e1 = filters.at[1 * filters.n1 * filters.n2 + 2 * filters.n2 + row + 1];
        const double f1 = filters.at[1 * filters.n1 * filters.n2 + 3 * filters.n2 + row + 1];
        double y1 = past.at[row + 1];
        double z1 = past.at[1 * past.n2 + row + 1];
        const double e2 = filters.at[1 * filters.n1 * filters.n2 + 2 * filters.n2 + row + 2];
        const double f2 = filters.at[1 * filters.n1 * filters.n2 + 3 * filters.n2 + row + 2];
        double y2 = past.at[row + 2];
        double z2 = past.at[1 * past.n2 + row + 2];
        const double e3 = filters.at[1 * filters.n1 * filters.n2 + 2 * filters.n2 + row + 3];
        const double f3 = filters.at[1 * filters.n1 * filters.n2 + 3 * filters.n2 + row + 3];
        double y3 = past.at[row + 3];
        double z3 = past.at[1 * past.n2 + row + 3];
        for (ux k = (ux)0; k < samples; k++) {
            const double w0 = filtered.at[(ix)k * filtered.n1] - f0 * z0 - e0 * y0;
            const double w1 = filtered.at[(ix)k * filtered.n1 + 1] - f1 * z1 - e1 * y1;
            const double w2 = filtered.at[(ix)k * filtered.n1 + 2] - f2 * z2 - e2 * y2;
            const double w3 = filtered.at[(ix)k * filtered.n1 + 3] - f3 * z3 - e3 * y3;
            rows.at[row * rows.n1 + (ix)k] = (real)(w0 + (double)added_ring.at[row * added_ring.n1 + (ix)a0 +
                (ix)k]);
            rows.at[(row + 1) * rows.n1 + (ix)k] = (real)(w1 + (double)added_ring.at[(row + 1) * added_ring.n1
                + (ix)a1 + (ix)k]);
            rows.at[(row + 2) * rows.n1 + (ix)k] = (real)(w2 + (double)added_ring.at[(row + 2) * added_ring.n1
                + (ix)a2 + (ix)k]);
            rows.at[(row + 3) * rows.n1 + (ix)k] = (real)(w3 + (double)added_ring.at[(row + 3) * added_ring.n1
                + (ix)a3 + (ix)k]);
            z0 = y0;
            z1 = y1;
            z2 = y2;
            z3 = y3;
            y0 = w0;
            y1 = w1;
            y2 = w2;
            y3 = w3;
        }
        past.at[row] = y0;
        past.at[1 * past.n2 + row] = z0;
        past.at[row + 1] = y1;
        past.at[1 * past.n2 + row + 1] = z1;
        past.at[row + 2] = y2;
        past.at[1 * past.n2 + row + 2] = z2;
        past.at[row + 3] = y3;
        past.at[1 * past.n2 + row + 3] = z3;
    }
}

/*
 * Add every line of another ring at its delay to what was filtered; shapes as for `write_rows`.
 *
 * `filtered` has the shape (CHUNK, lines); `delays` are in samples.
 */
KERNEL void network_add_rows(reals_2 ring, int64s_1 delays, doubles_2 filtered, reals_2 rows, int64_t fed, ux
    samples)
{
    const ix length = ring.n1 - NETWORK_CHUNK;
    const int64_t now = floor_remainder_64(fed, (int64_t)length);
    for (ix row = 0; row < rows.n0; row++) {
        const ux read = network_place(now, delays.at[row], length);
        for (ux k = (ux)0; k < samples; k++) {
            rows.at[row * rows.n1 + (ix)k] = (real)(filtered.at[(ix)k * filtered.n1 + row] +
                (double)ring.at[row * ring.n1 + (ix)read + (ix)k]);
        }
    }
}

/*
 * Filter every line with its cascade of second-order sections, in place, eight lines abreast.
 *
 * Sections are 1 + c z^-1 + d z^-2 over 1 + e z^-1 + f z^-2, in observer form: the first state goes into
 * the next one through a single multiply-add, half the waiting time of the transposed direct form. Eight lines
 * are written out, for only so the compiler keeps their states in vector registers.
 *
 * Parameters
 * ----------
 * rows : ndarray, shape (CHUNK, lines)
 *     The first `samples` rows are filtered.
 * filters : ndarray, shape (FILTER_ROWS, 4, lines)
 *     c - e, d - f, e and f of each section, in the rows behind the first.
 * sections : int
 *     How many there are.
 * state : ndarray, shape (FILTER_ROWS - 1, 2, lines)
 *     Both states of each section, changed in place; in double precision, for poles may be slow.
 */
KERNEL void network_absorb(doubles_2 rows, doubles_3 filters, ix sections, doubles_3 state, ux samples)
{
    for (ix section = 0; section < sections; section++) {
        for (ix line = 0; line < rows.n1; line += 8) {
            const double c0 = filters.at[(section + 1) * filters.n1 * filters.n2 + line];
            const double d0 = filters.at[(section + 1) * filters.n1 * filters.n2 + 1 * filters.n2 + line];
            const double e0 = filters.at[(section + 1) * filters.n1 * filters.n2 + 2 * filters.n2 + line];
            const double f0 = filters.at[(section + 1) * filters.n1 * filters.n2 + 3 * filters.n2 + line];
            double s0 = state.at[section * state.n1 * state.n2 + line];
            double t0 = state.at[section * state.n1 * state.n2 + 1 * state.n2 + line];
            const double c1 = filters.at[(section + 1) * filters.n1 * filters.n2 + line + 1];
            const double d1 = filters.at[(section + 1) * filters.n1 * filters.n2 + 1 * filters.n2 + line + 1];
            const double e1 = filters.at[(section + 1) * filters.n1 * filters.n2 + 2 * filters.n2 + line + 1];
            const double f1 = filters.at[(section + 1) * filters.n1 * filters.n2 + 3 * filters.n2 + line + 1];
            double s1 = state.at[section * state.n1 * state.n2 + line + 1];
            double t1 = state.at[section * state.n1 * state.n2 + 1 * state.n2 + line + 1];
            const double c2 = filters.at[(section + 1) * filters.n1 * filters.n2 + line + 2];
            const double d2 = filters.at[(section + 1) * filters.n1 * filters.n2 + 1 * filters.n2 + line + 2];
            const double e2 = filters.at[(section + 1) * filters.n1 * filters.n2 + 2 * filters.n2 + line + 2];
            const double f2 = filters.at[(section + 1) * filters.n1 * filters.n2 + 3 * filters.n2 + line + 2];
            double s2 = state.at[section * state.n1 * state.n2 + line + 2];
            double t2 = state.at[section * state.n1 * state.n2 + 1 * state.n2 + line + 2];
            const double c3 = filters.at[(section + 1) * filters.n1 * filters.n2 + line + 3];
            const double d3 = filters.at[(section + 1) * filters.n1 * filters.n2 + 1 * filters.n2 + line + 3];
            const double e3 = filters.at[(section + 1) * filters.n1 * filters.n2 + 2 * filters.n2 + line + 3];
            const double f3 = filters.at[(section + 1) * filters.n1 * filters.n2 + 3 * filters.n2 + line + 3];
            double s3 = state.at[section * state.n1 * state.n2 + line + 3];
            double t3 = state.at[section * state.n1 * state.n2 + 1 * state.n2 + line + 3];
            const double c4 = filters.at[(section + 1) * filters.n1 * filters.n2 + line + 4];
            const double d4 = filters.at[(section + 1) * filters.n1 * filters.n2 + 1 * filters.n2 + line + 4];
            const double e4 = filters.at[(section + 1) * filters.n1 * filters.n2 + 2 * filters.n2 + line + 4];
            const double f4 = filters.at[(section + 1) * filters.n1 * filters.n2 + 3 * filters.n2 + line + 4];
            double s4 = state.at[section * state.n1 * state.n2 + line + 4];
            double t4 = state.at[section * state.n1 * state.n2 + 1 * state.n2 + line + 4];
            const double c5 = filters.at[(section + 1) * filters.n1 * filters.n2 + line + 5];
            const double d5 = filters.at[(section + 1) * filters.n1 * filters.n2 + 1 * filters.n2 + line + 5];
            const double e5 = filters.at[(section + 1) * filters.n1 * filters.n2 + 2 * filters.n2 + line + 5];
            const double f5 = filters.at[(section + 1) * filters.n1 * filters.n2 + 3 * filters.n2 + line + 5];
            double s5 = state.at[section * state.n1 * state.n2 + line + 5];
            double t5 = state.at[section * state.n1 * state.n2 + 1 * state.n2 + line + 5];
            const double c6 = filters.at[(section + 1) * filters.n1 * filters.n2 + line + 6];
            const double d6 = filters.at[(section + 1) * filters.n1 * filters.n2 + 1 * filters.n2 + line + 6];
            const double e6 = filters.at[(section + 1) * filters.n1 * filters.n2 + 2 * filters.n2 + line + 6];
            const double f6 = filters.at[(section + 1) * filters.n1 * filters.n2 + 3 * filters.n2 + line + 6];
            double s6 = state.at[section * state.n1 * state.n2 + line + 6];
            double t6 = state.at[section * state.n1 * state.n2 + 1 * state.n2 + line + 6];
            const double c7 = filters.at[(section + 1) * filters.n1 * filters.n2 + line + 7];
            const double d7 = filters.at[(section + 1) * filters.n1 * filters.n2 + 1 * filters.n2 + line + 7];
            const double e7 = filters.at[(section + 1) * filters.n1 * filters.n2 + 2 * filters.n2 + line + 7];
            const double f7 = filters.at[(section + 1) * filters.n1 * filters.n2 + 3 * filters.n2 + line + 7];
            double s7 = state.at[section * state.n1 * state.n2 + line + 7];
            double t7 = state.at[section * state.n1 * state.n2 + 1 * state.n2 + line + 7];
            for (ux k = (ux)0; k < samples; k++) {
                doubles_1 lanes = (doubles_1){rows.at + (ix)k * rows.n1 + line, line + NETWORK_ABREAST -
                    line};
                const double x0 = lanes.at[0];
                const double x1 = lanes.at[1];
                const double x2 = lanes.at[2];
                const double x3 = lanes.at[3];
                const double x4 = lanes.at[4];
                const double x5 = lanes.at[5];
                const double x6 = lanes.at[6];
                const double x7 = lanes.at[7];
                lanes.at[0] = x0 + s0;
                lanes.at[1] = x1 + s1;
                lanes.at[2] = x2 + s2;
                lanes.at[3] = x3 + s3;
                lanes.at[4] = x4 + s4;
                lanes.at[5] = x5 + s5;
                lanes.at[6] = x6 + s6;
                lanes.at[7] = x7 + s7;
                const double u0 = c0 * x0 + t0;
                const double u1 = c1 * x1 + t1;
                const double u2 = c2 * x2 + t2;
                const double u3 = c3 * x3 + t3;
                const double u4 = c4 * x4 + t4;
                const double u5 = c5 * x5 + t5;
                const double u6 = c6 * x6 + t6;
                const double u7 = c7 * x7 + t7;
                t0 = d0 * x0 - f0 * s0;
                t1 = d1 * x1 - f1 * s1;
                t2 = d2 * x2 - f2 * s2;
                t3 = d3 * x3 - f3 * s3;
                t4 = d4 * x4 - f4 * s4;
                t5 = d5 * x5 - f5 * s5;
                t6 = d6 * x6 - f6 * s6;
                t7 = d7 * x7 - f7 * s7;
                s0 = u0 - e0 * s0;
                s1 = u1 - e1 * s1;
                s2 = u2 - e2 * s2;
                s3 = u3 - e3 * s3;
                s4 = u4 - e4 * s4;
                s5 = u5 - e5 * s5;
                s6 = u6 - e6 * s6;
                s7 = u7 - e7 * s7;
            }
            state.at[section * state.n1 * state.n2 + line] = s0;
            state.at[section * state.n1 * state.n2 + 1 * state.n2 + line] = t0;
            state.at[section * state.n1 * state.n2 + line + 1] = s1;
            state.at[section * state.n1 * state.n2 + 1 * state.n2 + line + 1] = t1;
            state.at[section * state.n1 * state.n2 + line + 2] = s2;
            state.at[section * state.n1 * state.n2 + 1 * state.n2 + line + 2] = t2;
            state.at[section * state.n1 * state.n2 + line + 3] = s3;
            state.at[section * state.n1 * state.n2 + 1 * state.n2 + line + 3] = t3;
            state.at[section * state.n1 * state.n2 + line + 4] = s4;
            state.at[section * state.n1 * state.n2 + 1 * state.n2 + line + 4] = t4;
            state.at[section * state.n1 * state.n2 + line + 5] = s5;
            state.at[section * state.n1 * state.n2 + 1 * state.n2 + line + 5] = t5;
            state.at[section * state.n1 * state.n2 + line + 6] = s6;
            state.at[section * state.n1 * state.n2 + 1 * state.n2 + line + 6] = t6;
            state.at[section * state.n1 * state.n2 + line + 7] = s7;
            state.at[section * state.n1 * state.n2 + 1 * state.n2 + line + 7] = t7;
        }
    }
}

/* Set states, shape (sections, 2, lines), that have decayed to silence to zero. */
KERNEL void network_clear_stale(doubles_3 state)
{
    for (ix section = 0; section < state.n0; section++) {
        for (ix part = 0; part < 2; part++) {
            for (ix row = 0; row < state.n2; row++) {
                if (magnitude_double(state.at[section * state.n1 * state.n2 + part * state.n2 + row]) <
                    0x1.4484bfeebc2a0p-100) {
                    state.at[section * state.n1 * state.n2 + part * state.n2 + row] = 0.0;
                }
            }
        }
    }
}

/*
 * Write cosine and sine of every pair's angle at a place on the tape: a pure function of it.
 *
 * Parameters
 * ----------
 * position : int
 *     Sample of the tape.
 * network : Network
 *     How the pairs turn.
 * cosines, sines : ndarray, shape (lines / 2,)
 *     Get the result.
 */
KERNEL void network_turn(int64_t position, const Network *network, reals_1 cosines, reals_1 sines)
{
    uint64s_2 rates = network->rates;
    uint64s_2 phases = network->phases;
    const uint64_t there = (uint64_t)position;
    for (ix pair = 0; pair < rates.n1; pair++) {
        double angle = 0.0;
        for (ix swing = 0; swing < NETWORK_SWINGS; swing++) {
            const double depth = network->numbers.at[NETWORK_DEPTH + swing];
            if (depth > 0.0) {
                const uint64_t phase = rates.at[swing * rates.n1 + pair] * there + phases.at[swing * phases.n1
                    + pair];
                angle += depth * elementary_sine_of_turns((double)(int64_t)(phase >> NETWORK_SHIFT_11) *
                    0x1.0000000000000p-53);
            }
        }
        cosines.at[pair] = (real)elementary_cosine_of_turns(angle);
        sines.at[pair] = (real)elementary_sine_of_turns(angle);
    }
}

/*
 * Rotate every pair of rows by an angle that moves along the cell.
 *
 * Cosine and sine are interpolated between exact values d radians apart: a pair loses d^2/6 of its energy
 * on average. If `curved`, they are lengthened by 1 + u (1 - u) (1 - cos d), u of the way along: it then
 * loses d^4/40. It never gains any.
 *
 * Parameters
 * ----------
 * rows : ndarray, shape (lines, CHUNK)
 *     The first `samples` columns are rotated.
 * rotation : ndarray, shape (4, lines / 2)
 *     Cosine and sine at the beginning of the cell, then at its end.
 * ramp, curved
 *     See :class:`Network` and :class:`NetworkState`.
 * into : int
 *     Place of the chunk in the cell.
 */
KERNEL void network_rotate(reals_2 rows, reals_2 rotation, reals_2 ramp, bool curved, ix into, ux samples)
{
    real c = REAL(0.0);
    real s = REAL(0.0);
    real a = REAL(0.0);
    real b = REAL(0.0);
    const ix half = floor_division(rows.n0, 2);
    const ux first = (ux)into;
    for (ix row = 0; row < half; row++) {
        const real cosine = rotation.at[row];
        const real sine = rotation.at[1 * rotation.n1 + row];
        const real cosine_step = rotation.at[2 * rotation.n1 + row] - cosine;
        const real sine_step = rotation.at[3 * rotation.n1 + row] - sine;
        if (!curved) {
            for (ux k = (ux)0; k < samples; k++) {
                c = cosine + cosine_step * ramp.at[(ix)first + (ix)k];
                s = sine + sine_step * ramp.at[(ix)first + (ix)k];
                a = rows.at[row * rows.n1 + (ix)k];
                b = rows.at[(row + half) * rows.n1 + (ix)k];
                rows.at[row * rows.n1 + (ix)k] = c * a - s * b;
                rows.at[(row + half) * rows.n1 + (ix)k] = s * a + c * b;
            }
            continue;
        }
        /* 1 - cos d */
        const real bulge = REAL(0.5) * (cosine_step * cosine_step + sine_step * sine_step);
        for (ux k = (ux)0; k < samples; k++) {
            const real length = REAL(1.0) + bulge * ramp.at[1 * ramp.n1 + (ix)first + (ix)k];
            c = length * (cosine + cosine_step * ramp.at[(ix)first + (ix)k]);
            s = length * (sine + sine_step * ramp.at[(ix)first + (ix)k]);
            a = rows.at[row * rows.n1 + (ix)k];
            b = rows.at[(row + half) * rows.n1 + (ix)k];
            rows.at[row * rows.n1 + (ix)k] = c * a - s * b;
            rows.at[(row + half) * rows.n1 + (ix)k] = s * a + c * b;
        }
    }
}

/*
 * Add what a channel hears of the lines, each at its own delay and with its own gain, to a row of `out`.
 *
 * Parameters
 * ----------
 * channel : int
 *     Whose taps they are.
 * network : Network
 *     Delays and gains of the taps.
 * ring : ndarray, shape (lines, ring length + CHUNK)
 *     What goes into the lines.
 * fed : int
 *     Samples fed before this chunk.
 * first, samples : int
 *     First column that is added to, and how many.
 * out : ndarray, shape (rows, columns)
 *     Is added to in place.
 * row : int
 *     Row of it that is added to.
 */
KERNEL void network_add_taps(ix channel, const Network *network, reals_2 ring, int64_t fed, ux first, ux
    samples, reals_2 out, ix row)
{
    int64s_2 delays = network->tap_delays;
    reals_2 gains = network->tap_gains;
    const ix length = ring.n1 - NETWORK_CHUNK;
    const int64_t now = floor_remainder_64(fed, (int64_t)length);
    const ix half = floor_division(ring.n0, 2);
    const ix offset = half * floor_remainder(channel, 2);
    for (ix tap = 0; tap < half; tap += 4) {
        const ix line = offset + tap;
        const ux r0 = network_place(now, delays.at[channel * delays.n1 + tap], length);
        const ux r1 = network_place(now, delays.at[channel * delays.n1 + tap + 1], length);
        const ux r2 = network_place(now, delays.at[channel * delays.n1 + tap + 2], length);
        const ux r3 = network_place(now, delays.at[channel * delays.n1 + tap + 3], length);
        const real g0 = gains.at[channel * gains.n1 + tap];
        const real g1 = gains.at[channel * gains.n1 + tap + 1];
        const real g2 = gains.at[channel * gains.n1 + tap + 2];
        const real g3 = gains.at[channel * gains.n1 + tap + 3];
        for (ux k = (ux)0; k < samples; k++) {
            const real left = g0 * ring.at[line * ring.n1 + (ix)r0 + (ix)k] + g1 * ring.at[(line + 1) *
                ring.n1 + (ix)r1 + (ix)k];
            const real right = g2 * ring.at[(line + 2) * ring.n1 + (ix)r2 + (ix)k] + g3 * ring.at[(line + 3) *
                ring.n1 + (ix)r3 + (ix)k];
            out.at[row * out.n1 + (ix)first + (ix)k] += left + right;
        }
    }
}

/*
 * Give every channel the input and what it hears of the lines; `out` may be `audio` itself.
 *
 * Parameters
 * ----------
 * audio, out : ndarray, shape (channels, samples)
 *     The block, and what becomes of it.
 * first : int
 *     First sample of the chunk in them.
 * network : Network
 * state : NetworkState
 * fed, samples : int
 *     Samples fed before this chunk, and its length.
 */
KERNEL void network_write_output(reals_2 audio, reals_2 out, ux first, const Network *network, const
    NetworkState *state, int64_t fed, ux samples)
{
    const real dry = (real)network->numbers.at[NETWORK_DRY];
    const real own = (real)network->numbers.at[NETWORK_OWN];
    const real common = (real)network->numbers.at[NETWORK_COMMON];
    const ix channels = out.n0;
    if (common == REAL(0.0) || network->numbers.at[NETWORK_HEARD] == 0.0) {
        for (ix channel = 0; channel < channels; channel++) {
            for (ux k = (ux)0; k < samples; k++) {
                out.at[channel * out.n1 + (ix)first + (ix)k] = dry * audio.at[channel * audio.n1 + (ix)first +
                    (ix)k];
            }
            if (network->numbers.at[NETWORK_HEARD] != 0.0) {
                network_add_taps(channel, network, state->line_ring, fed, first, samples, out, channel);
            }
        }
        return;
    }
    network_hear(channels, network, state, fed, samples);
    reals_2 heard = state->heard;
    for (ix channel = 0; channel < channels; channel++) {
        for (ux k = (ux)0; k < samples; k++) {
            const real wet = own * heard.at[channel * heard.n1 + (ix)k] + common * heard.at[channels *
                heard.n1 + (ix)k];
            out.at[channel * out.n1 + (ix)first + (ix)k] = wet + dry * audio.at[channel * audio.n1 + (ix)first
                + (ix)k];
        }
    }
}

/*
 * As :func:`write_output`, with gains that move.
 *
 * Parameters
 * ----------
 * audio, out, first, network, state, fed, samples
 *     As there.
 * courses : ndarray, shape (COURSES, samples or more)
 *     Sample by sample: gain of the dry sound, of all that taps give, of a channel's own, and of all channels'.
 */
KERNEL void network_write_moving_output(reals_2 audio, reals_2 out, ux first, const Network *network, const
    NetworkState *state, int64_t fed, ux samples, reals_2 courses)
{
    const ix channels = out.n0;
    network_hear(channels, network, state, fed, samples);
    reals_2 heard = state->heard;
    for (ix channel = 0; channel < channels; channel++) {
        for (ux k = (ux)0; k < samples; k++) {
            const real wet = courses.at[NETWORK_OWN_ROW * courses.n1 + (ix)k] * heard.at[channel * heard.n1 +
                (ix)k] + courses.at[NETWORK_COMMON_ROW * courses.n1 + (ix)k] * heard.at[channels * heard.n1 +
                (ix)k];
            const real dry = courses.at[(ix)k] * audio.at[channel * audio.n1 + (ix)first + (ix)k];
            out.at[channel * out.n1 + (ix)first + (ix)k] = courses.at[NETWORK_HEARD_ROW * courses.n1 + (ix)k]
                * wet + dry;
        }
    }
}

/* Write what every channel hears of the lines into `state.heard`, and behind that of all the sum. */
KERNEL void network_hear(ix channels, const Network *network, const NetworkState *state, int64_t fed, ux
    samples)
{
    reals_2 heard = state->heard;
    for (ux k = (ux)0; k < samples; k++) {
        heard.at[channels * heard.n1 + (ix)k] = REAL(0.0);
    }
    for (ix channel = 0; channel < channels; channel++) {
        for (ux k = (ux)0; k < samples; k++) {
            heard.at[channel * heard.n1 + (ix)k] = REAL(0.0);
        }
        network_add_taps(channel, network, state->line_ring, fed, (ux)0, samples, heard, channel);
        for (ux k = (ux)0; k < samples; k++) {
            heard.at[channels * heard.n1 + (ix)k] += heard.at[channel * heard.n1 + (ix)k];
        }
    }
}

/* Rotate all pairs of rows by their angles at this place on the tape. */
KERNEL void network_turn_rows(const Network *network, const NetworkState *state, ux samples)
{
    reals_2 rotation = state->rotation;
    int64s_1 counters = state->counters;
    const int64_t into = floor_remainder_64(counters.at[NETWORK_POSITION], counters.at[NETWORK_CELL]);
    const int64_t begin = counters.at[NETWORK_POSITION] - into;
    if (counters.at[NETWORK_TURNED] != begin) {
        if (counters.at[NETWORK_TURNED] == begin - counters.at[NETWORK_CELL]) {
            for (ix pair = 0; pair < rotation.n1; pair++) {
                rotation.at[pair] = rotation.at[2 * rotation.n1 + pair];
                rotation.at[1 * rotation.n1 + pair] = rotation.at[3 * rotation.n1 + pair];
            }
        } else {
            network_turn(begin, network, (reals_1){rotation.at, rotation.n1}, (reals_1){rotation.at + 1 *
                rotation.n1, rotation.n1});
        }
        network_turn(begin + counters.at[NETWORK_CELL], network, (reals_1){rotation.at + 2 * rotation.n1,
            rotation.n1}, (reals_1){rotation.at + 3 * rotation.n1, rotation.n1});
        counters.at[NETWORK_TURNED] = begin;
    }
    network_rotate(state->rows, rotation, network->ramp, counters.at[NETWORK_CURVED] != INT64_C(0), (ix)into,
        samples);
}

/* Forget what sounded, and go to a place on the tape. */
KERNEL void clear_network(const NetworkState *state, int64_t position)
{
    kept_rows_clear_rows(state->input_ring);
    kept_rows_clear_rows(state->diffuser_ring);
    kept_rows_clear_rows(state->line_ring);
    for (ix section = 0; section < state->filter_state.n0; section++) {
        for (ix part = 0; part < 2; part++) {
            for (ix row = 0; row < state->filter_state.n2; row++) {
                state->filter_state.at[section * state->filter_state.n1 * state->filter_state.n2 + part *
                    state->filter_state.n2 + row] = 0.0;
            }
        }
    }
    state->counters.at[NETWORK_FED] = INT64_C(0);
    state->counters.at[NETWORK_POSITION] = position;
    state->counters.at[NETWORK_TURNED] = INT64_C(1);
    state->counters.at[NETWORK_LEFT] = INT64_C(0);
    state->counters.at[NETWORK_MADE] = INT64_C(1);
}
