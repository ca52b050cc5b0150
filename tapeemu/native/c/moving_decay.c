/* Generated from moving_decay.py (2b62ea4162fe963e); do not edit. SPDX-License-Identifier: ISC */

/*
 * Filters of the lines of a feedback delay network while the decay time moves: the room stays, its losses change.
 *
 * A decay time `p` times as short asks every line for `p` times as many decibels in a pass, at every frequency. The
 * logarithm of the loss at 1 kHz is multiplied by just that, and so is the logarithm of the ratio of every zero's
 * corner to its pole's: the middle of both and their quality stay. Levels far from all corners are then exact, those
 * near them are within a few per cent as long as a filter changes level by less than some 10 dB. Zeros and poles stay
 * in the left half of the plane, so every filter on the way is stable.
 *
 * The logarithm of `p` is a number that glides. From it filters are made 16 samples apart, and half way between; in
 * between, their coefficients go by the parabola through the three. What the jump of a decay time leaves above the
 * sound is ruled by the glide then, and a filter changes too little in 16 samples for one in between to be another.
 *
 * New sound enters at the level with which it will leave. It is not the output whose level is changed: what has
 * sounded before would be too loud, or too soft, until it has gone.
 */

#include "moving_decay.h"

#define MOVING_DECAY_AT 0
#define MOVING_DECAY_NODES 5
#define MOVING_DECAY_FILTER_ROWS 9
#define MOVING_DECAY_CHUNK 64
#define MOVING_DECAY_LEFT 7
#define MOVING_DECAY_LINE_DELAY 2
#define MOVING_DECAY_MADE 8
#define MOVING_DECAY_NOWHERE 1
#define MOVING_DECAY_POSITION 1
#define MOVING_DECAY_SCALE 3
#define MOVING_DECAY_DECAY_COURSE 4
#define MOVING_DECAY_MOVING_ARRAYS 4
#define MOVING_DECAY_SEGMENT 16
#define MOVING_DECAY_HALF 8
#define MOVING_DECAY_MOST_NEPERS REAL(0x1.4b851eb851eb8p+3)
#define MOVING_DECAY_WIDEST REAL(7.0)
#define MOVING_DECAY_ALMOST_REAL REAL(-0x1.12e0be826d695p-30)
#define MOVING_DECAY_COSINE 1
#define MOVING_DECAY_SINE 2
#define MOVING_DECAY_AT_REST 3
#define MOVING_DECAY_ON_THE_WAY REAL(0x1.7e43c8800759cp+996)

/* Write the shapes of a :class:`MovingDecay` into rows of `shapes`, from row `first` on. */
KERNEL void moving_decay_moving_shapes(ix lines, ix first, int64s_2 shapes)
{
    for (ix row = first; row < first + MOVING_DECAY_MOVING_ARRAYS; row++) {
        shapes.at[row * shapes.n1] = INT64_C(9);
        shapes.at[row * shapes.n1 + 1] = INT64_C(4);
        shapes.at[row * shapes.n1 + 2] = (int64_t)lines;
    }
}

/* A real root of ``z^2 + once z + twice`` as the bilinear transform's corner. */
KERNEL double moving_decay_root(double once, double twice, double side)
{
    const double root = 0.5 * (side * square_root_double(larger_double(once * once - 4.0 * twice, 0.0)) -
        once);
    return (1.0 - root) / (1.0 + root);
}

/* Square of the bilinear transform's frequency of ``1 + once / z + twice / z^2``. */
KERNEL double moving_decay_square(double once, double twice)
{
    return (1.0 + once + twice) / (1.0 - once + twice);
}

/* One over the quality of ``1 + once / z + twice / z^2``. */
KERNEL double moving_decay_width(double once, double twice)
{
    return 2.0 * (1.0 - twice) / square_root_double((1.0 + once + twice) * (1.0 - once + twice));
}

/* Whether zeros and poles of a section are real: two shelves of first order. */
KERNEL bool moving_decay_are_real(doubles_3 filters, ix section, ix line)
{
    const double e = filters.at[section * filters.n1 * filters.n2 + 2 * filters.n2 + line];
    const double f = filters.at[section * filters.n1 * filters.n2 + 3 * filters.n2 + line];
    const double c = filters.at[section * filters.n1 * filters.n2 + line] + e;
    const double d = filters.at[section * filters.n1 * filters.n2 + 1 * filters.n2 + line] + f;
    const double least = smaller_double(e * e - 4.0 * f, c * c - 4.0 * d);
    return least > -0x1.12e0be826d695p-30;
}

/* Read the design as a law, exact at a frequency in turns per sample. */
KERNEL void moving_decay_write_law(const Network *network, double turns, doubles_3 law)
{
    doubles_3 filters = network->filters;
    const double cosine = elementary_cosine_of_turns(turns);
    const double sine = elementary_sine_of_turns(turns);
    law.at[MOVING_DECAY_COSINE * law.n2] = cosine;
    law.at[MOVING_DECAY_SINE * law.n2] = sine;
    for (ix line = 0; line < filters.n2; line++) {
        law.at[line] = 0.5 * elementary_logarithm(line_filters_pass_power(filters, line, cosine, sine));
        const ix stop_1 = 1 + line_filters_section_count(filters);
        for (ix section = 1; section < stop_1; section++) {
            const double e = filters.at[section * filters.n1 * filters.n2 + 2 * filters.n2 + line];
            const double f = filters.at[section * filters.n1 * filters.n2 + 3 * filters.n2 + line];
            const double c = filters.at[section * filters.n1 * filters.n2 + line] + e;
            const double d = filters.at[section * filters.n1 * filters.n2 + 1 * filters.n2 + line] + f;
            if (moving_decay_are_real(filters, section, line)) {
                for (ix pair = 0; pair < 2; pair++) {
                    const double side = (double)(1 - 2 * pair);
                    const double zero = elementary_logarithm(moving_decay_root(c, d, side));
                    const double pole = elementary_logarithm(moving_decay_root(e, f, side));
                    law.at[section * law.n1 * law.n2 + 2 * pair * law.n2 + line] = 0.5 * (zero + pole);
                    law.at[section * law.n1 * law.n2 + (2 * pair + 1) * law.n2 + line] = 0.5 * (zero - pole);
                }
            } else {
                const double zeros = 0.5 * elementary_logarithm(moving_decay_square(c, d));
                const double poles = 0.5 * elementary_logarithm(moving_decay_square(e, f));
                law.at[section * law.n1 * law.n2 + line] = 0.5 * (zeros + poles);
                law.at[section * law.n1 * law.n2 + 1 * law.n2 + line] = 0.5 * (zeros - poles);
                law.at[section * law.n1 * law.n2 + 2 * law.n2 + line] = moving_decay_width(c, d);
                law.at[section * law.n1 * law.n2 + 3 * law.n2 + line] = moving_decay_width(e, f);
            }
        }
    }
}

/* Half the ratio of a zero to its pole, that many times as large as designed. */
KERNEL double moving_decay_spread(doubles_3 law, ix section, ix part, ix line, double times)
{
    return elementary_exponential(smaller_double(larger_double(times * law.at[section * law.n1 * law.n2 + part
        * law.n2 + line], (double)-MOVING_DECAY_WIDEST), 7.0));
}

/* The root in the plane of z of a corner of the bilinear transform. */
KERNEL double moving_decay_corner_root(double corner)
{
    return (1.0 - corner) / (1.0 + corner);
}

/* Make a section whose levels are a multiple of those designed. */
KERNEL void moving_decay_make_section(doubles_3 filters, doubles_3 law, ix section, ix line, double times,
    doubles_3 out)
{
    double wide = 0.0;
    double e = 0.0;
    double f = 0.0;
    if (moving_decay_are_real(filters, section, line)) {
        const double first = elementary_exponential(law.at[section * law.n1 * law.n2 + line]);
        const double second = elementary_exponential(law.at[section * law.n1 * law.n2 + 2 * law.n2 + line]);
        wide = moving_decay_spread(law, section, 1, line, times);
        const double other = moving_decay_spread(law, section, 3, line, times);
        const double first_zero = moving_decay_corner_root(first * wide);
        const double first_pole = moving_decay_corner_root(first / wide);
        const double second_zero = moving_decay_corner_root(second * other);
        const double second_pole = moving_decay_corner_root(second / other);
        e = -(first_pole + second_pole);
        f = first_pole * second_pole;
        out.at[section * out.n1 * out.n2 + line] = -(first_zero + second_zero) - e;
        out.at[section * out.n1 * out.n2 + 1 * out.n2 + line] = first_zero * second_zero - f;
    } else {
        const double middle = elementary_exponential(law.at[section * law.n1 * law.n2 + line]);
        wide = moving_decay_spread(law, section, 1, line, times);
        const double zero = middle * wide;
        const double pole = middle / wide;
        const double zero_width = law.at[section * law.n1 * law.n2 + 2 * law.n2 + line] * zero;
        const double pole_width = law.at[section * law.n1 * law.n2 + 3 * law.n2 + line] * pole;
        const double above = 1.0 + zero_width + zero * zero;
        const double below = 1.0 + pole_width + pole * pole;
        e = 2.0 * (pole * pole - 1.0) / below;
        f = (1.0 - pole_width + pole * pole) / below;
        out.at[section * out.n1 * out.n2 + line] = 2.0 * (zero * zero - 1.0) / above - e;
        out.at[section * out.n1 * out.n2 + 1 * out.n2 + line] = (1.0 - zero_width + zero * zero) / above - f;
    }
    out.at[section * out.n1 * out.n2 + 2 * out.n2 + line] = e;
    out.at[section * out.n1 * out.n2 + 3 * out.n2 + line] = f;
}

/* Power that a pass leaves on average where levels are held, with a multiple of the decibels designed. */
KERNEL double moving_decay_loop_power(doubles_3 law, double times)
{
    double total = 0.0;
    const double lines = (double)law.n2;
    for (ix line = 0; line < law.n2; line++) {
        total += elementary_exponential(2.0 * larger_double(times * law.at[line],
            smaller_double((double)-MOVING_DECAY_MOST_NEPERS, law.at[line])));
    }
    return total / lines;
}

/* Make the filters of all lines, and the gain of what enters, for a place of the glide. */
KERNEL void moving_decay_make(const Network *network, doubles_3 law, double course, doubles_3 out)
{
    doubles_3 filters = network->filters;
    const ix sections = line_filters_section_count(filters);
    const double times = elementary_exponential(course);
    for (ix line = 0; line < filters.n2; line++) {
        const double level = law.at[line];
        const double nepers = larger_double(times * level, smaller_double((double)-MOVING_DECAY_MOST_NEPERS,
            level));
        for (ix section = 1; section < 1 + sections; section++) {
            moving_decay_make_section(filters, law, section, line, nepers / level, out);
        }
        out.at[line] = 1.0;
        out.at[1 * out.n2] = (double)sections;
        const double power = line_filters_pass_power(out, line, law.at[MOVING_DECAY_COSINE * law.n2],
            law.at[MOVING_DECAY_SINE * law.n2]);
        out.at[line] = elementary_exponential(nepers) / square_root_double(power);
    }
    out.at[1 * out.n2] = square_root_double((1.0 - moving_decay_loop_power(law, times)) / (1.0 -
        moving_decay_loop_power(law, 1.0)));
}

/* Let filters stand as they are at the beginning of the segment. */
KERNEL void moving_decay_level_out(const Network *network, const MovingDecay *moving)
{
    const ix stop_1 = 1 + line_filters_section_count(network->filters);
    for (ix row = 0; row < stop_1; row++) {
        for (ix part = 0; part < 4; part++) {
            for (ix line = 0; line < moving->law.n2; line++) {
                moving->step.at[row * moving->step.n1 * moving->step.n2 + part * moving->step.n2 + line] =
                    0.0;
                moving->bend.at[row * moving->bend.n1 * moving->bend.n2 + part * moving->bend.n2 + line] =
                    0.0;
            }
        }
    }
}

/* Lay parabolas through filters at the beginning, in the middle and at the end of the segment. */
KERNEL void moving_decay_bend(const Network *network, const MovingDecay *moving)
{
    const ix stop_1 = 1 + line_filters_section_count(network->filters);
    for (ix row = 0; row < stop_1; row++) {
        for (ix part = 0; part < 4; part++) {
            for (ix line = 0; line < moving->law.n2; line++) {
                const double first = moving->base.at[row * moving->base.n1 * moving->base.n2 + part *
                    moving->base.n2 + line];
                const double last = moving->bend.at[row * moving->bend.n1 * moving->bend.n2 + part *
                    moving->bend.n2 + line];
                const double bend = first - moving->step.at[row * moving->step.n1 * moving->step.n2 + part *
                    moving->step.n2 + line] + (last - moving->step.at[row * moving->step.n1 * moving->step.n2
                    + part * moving->step.n2 + line]);
                moving->step.at[row * moving->step.n1 * moving->step.n2 + part * moving->step.n2 + line] =
                    (last - first - 2.0 * bend) / 16.0;
                moving->bend.at[row * moving->bend.n1 * moving->bend.n2 + part * moving->bend.n2 + line] = 2.0
                    * bend / 256.0;
            }
        }
    }
}

/* Whether the decay is another than designed, or on its way. */
KERNEL bool moving_decay_decay_left(const Glide *glide)
{
    bool left = false;
    for (ix column = 1; column < MOVING_DECAY_NODES; column++) {
        left = left || glide->values.at[MOVING_DECAY_DECAY_COURSE * glide->values.n1 + column] != 0.0;
    }
    return left;
}

/*
 * Go on with filters that move, in the observer form that sections have in `absorb`.
 *
 * A single section has kept its last two outputs; what went into it is still in the ring.
 */
KERNEL void moving_decay_leave_design(const Network *network, const NetworkState *state, int64_t fed)
{
    state->counters.at[MOVING_DECAY_LEFT] = INT64_C(1);
    doubles_3 filters = network->filters;
    if (line_filters_section_count(filters) != 1) {
        return;
    }
    reals_2 ring = state->line_ring;
    doubles_3 past = state->filter_state;
    const ix length = ring.n1 - MOVING_DECAY_CHUNK;
    const int64_t now = floor_remainder_64(fed, (int64_t)length);
    for (ix line = 0; line < filters.n2; line++) {
        const double gain = network->numbers.at[MOVING_DECAY_SCALE] * filters.at[line];
        const int64_t delay = network->delays.at[MOVING_DECAY_LINE_DELAY * network->delays.n1 + line];
        const double last = gain * (double)ring.at[line * ring.n1 + (ix)network_place(now, delay + INT64_C(1),
            length)];
        const double before = gain * (double)ring.at[line * ring.n1 + (ix)network_place(now, delay +
            INT64_C(2), length)];
        const double s = past.at[line] - last;
        const double t = filters.at[1 * filters.n1 * filters.n2 + 1 * filters.n2 + line] * before -
            filters.at[1 * filters.n1 * filters.n2 + 3 * filters.n2 + line] * (past.at[1 * past.n2 + line] -
            before);
        past.at[line] = filters.at[1 * filters.n1 * filters.n2 + line] * last + t - filters.at[1 * filters.n1
            * filters.n2 + 2 * filters.n2 + line] * s;
        past.at[1 * past.n2 + line] = filters.at[1 * filters.n1 * filters.n2 + 1 * filters.n2 + line] * last -
            filters.at[1 * filters.n1 * filters.n2 + 3 * filters.n2 + line] * s;
    }
}

/* Samples from the beginning of the segment to where the glide is. */
KERNEL ix moving_decay_into_segment(const Glide *glide)
{
    return floor_remainder((ix)glide->counts.at[MOVING_DECAY_AT], MOVING_DECAY_SEGMENT);
}

/* Make the filters of the segment at which the glide is, unless they are made; samples that they hold for. */
KERNEL ix moving_decay_make_segment(const Network *network, const NetworkState *state, const Glide *glide,
    const MovingDecay *moving)
{
    doubles_3 law = moving->law;
    const double course = glide->values.at[MOVING_DECAY_DECAY_COURSE * glide->values.n1 + 1];
    bool stands = true;
    for (ix column = 2; column < MOVING_DECAY_NODES; column++) {
        stands = stands && glide->values.at[MOVING_DECAY_DECAY_COURSE * glide->values.n1 + column] == course;
    }
    const ix into = moving_decay_into_segment(glide);
    const ix begin = (ix)glide->counts.at[MOVING_DECAY_AT] - into;
    const int64_t place_of_segment = state->counters.at[MOVING_DECAY_POSITION] - (int64_t)into;
    if (stands) {
        if (law.at[MOVING_DECAY_AT_REST * law.n2] != course || state->counters.at[MOVING_DECAY_MADE] ==
            INT64_C(1)) {
            moving_decay_make(network, law, course, moving->base);
            moving_decay_level_out(network, moving);
        }
        law.at[MOVING_DECAY_AT_REST * law.n2] = course;
    } else if (state->counters.at[MOVING_DECAY_MADE] != place_of_segment) {
        moving_decay_make(network, law, glides_glide_value(MOVING_DECAY_DECAY_COURSE, begin, glide),
            moving->base);
        moving_decay_make(network, law, glides_glide_value(MOVING_DECAY_DECAY_COURSE, begin +
            MOVING_DECAY_HALF, glide), moving->step);
        moving_decay_make(network, law, glides_glide_value(MOVING_DECAY_DECAY_COURSE, begin +
            MOVING_DECAY_SEGMENT, glide), moving->bend);
        moving_decay_bend(network, moving);
        law.at[MOVING_DECAY_AT_REST * law.n2] = 0x1.7e43c8800759cp+996;
    }
    state->counters.at[MOVING_DECAY_MADE] = place_of_segment;
    return stands ? MOVING_DECAY_CHUNK : MOVING_DECAY_SEGMENT - into;
}

/* Give what enters its level; `rows` is (lines, CHUNK). */
KERNEL void moving_decay_scale_input(reals_2 rows, const MovingDecay *moving, ix into, ix samples)
{
    const double base = moving->base.at[1 * moving->base.n2];
    const double step = moving->step.at[1 * moving->step.n2];
    const double bend = moving->bend.at[1 * moving->bend.n2];
    for (ix row = 0; row < rows.n0; row++) {
        for (ix k = 0; k < samples; k++) {
            const double u = (double)(into + k);
            rows.at[row * rows.n1 + k] = (real)((base + u * (step + u * bend)) * (double)rows.at[row * rows.n1
                + k]);
        }
    }
}

/* Fetch every line at its delay with a gain that moves, into `state.filtered`. */
KERNEL void moving_decay_read_moving(const Network *network, const NetworkState *state, const MovingDecay
    *moving, int64_t fed, ix into, ix samples)
{
    reals_2 ring = state->line_ring;
    doubles_2 filtered = state->filtered;
    const ix length = ring.n1 - MOVING_DECAY_CHUNK;
    const int64_t now = floor_remainder_64(fed, (int64_t)length);
    const double scale = network->numbers.at[MOVING_DECAY_SCALE];
    for (ix line = 0; line < ring.n0; line++) {
        const ix read = (ix)network_place(now, network->delays.at[MOVING_DECAY_LINE_DELAY * network->delays.n1
            + line], length);
        const double base = moving->base.at[line];
        const double step = moving->step.at[line];
        const double bend = moving->bend.at[line];
        for (ix k = 0; k < samples; k++) {
            const double u = (double)(into + k);
            filtered.at[k * filtered.n1 + line] = scale * (base + u * (step + u * bend)) *
                (double)ring.at[line * ring.n1 + read + k];
        }
    }
}

/* As :func:`tapeemu.dsp.kernels.network.absorb`, with filters that move; `into` samples into the segment. */
KERNEL void moving_decay_absorb_moving(doubles_2 rows, const MovingDecay *moving, ix sections, ix into,
    doubles_3 state, ix samples)
{
    doubles_3 base = moving->base;
    doubles_3 step = moving->step;
    doubles_3 bend = moving->bend;
    for (ix section = 0; section < sections; section++) {
        for (ix k = 0; k < samples; k++) {
            const double u = (double)(into + k);
            for (ix line = 0; line < rows.n1; line++) {
                const double c = base.at[(section + 1) * base.n1 * base.n2 + line] + u * (step.at[(section +
                    1) * step.n1 * step.n2 + line] + u * bend.at[(section + 1) * bend.n1 * bend.n2 + line]);
                const double d = base.at[(section + 1) * base.n1 * base.n2 + 1 * base.n2 + line] + u *
                    (step.at[(section + 1) * step.n1 * step.n2 + 1 * step.n2 + line] + u * bend.at[(section +
                    1) * bend.n1 * bend.n2 + 1 * bend.n2 + line]);
                const double e = base.at[(section + 1) * base.n1 * base.n2 + 2 * base.n2 + line] + u *
                    (step.at[(section + 1) * step.n1 * step.n2 + 2 * step.n2 + line] + u * bend.at[(section +
                    1) * bend.n1 * bend.n2 + 2 * bend.n2 + line]);
                const double f = base.at[(section + 1) * base.n1 * base.n2 + 3 * base.n2 + line] + u *
                    (step.at[(section + 1) * step.n1 * step.n2 + 3 * step.n2 + line] + u * bend.at[(section +
                    1) * bend.n1 * bend.n2 + 3 * bend.n2 + line]);
                const double x = rows.at[k * rows.n1 + line];
                const double s = state.at[section * state.n1 * state.n2 + line];
                rows.at[k * rows.n1 + line] = x + s;
                state.at[section * state.n1 * state.n2 + line] = c * x + state.at[section * state.n1 *
                    state.n2 + 1 * state.n2 + line] - e * s;
                state.at[section * state.n1 * state.n2 + 1 * state.n2 + line] = d * x - f * s;
            }
        }
    }
}
