/* Generated from octave_noise.py (f58659bccd32b37e); do not edit. SPDX-License-Identifier: ISC */

/*
 * Gaussian noise of a given spectrum, from filtered hashed numbers, octave by octave.
 *
 * A spectrum as a sum of noises, one an octave, each a filtered sequence of random numbers at its own rate: the
 * idea of Voss and McCartney (from memory), here with flanks whose powers add up to one. Octaves are an exact
 * octave apart, counted down from the highest frequency of the spectrum. The nodes of one octave are half as dense
 * as those of the next, so what lies below is raised to twice its rate (the maximally flat halfband interpolator,
 * which is Lagrange's) and the next octave is added, up to the top; a cubic between the last nodes makes a curve
 * of it.
 *
 * Nodes are functions of their number alone. The last ones of every octave are kept, so a stretch behind the one
 * before costs its own nodes only; any other is made from nothing, to the same bits.
 */

#include "octave_noise.h"

#define OCTAVE_NOISE_BAND 1
#define OCTAVE_NOISE_HIGHEST_SHARE REAL(0x1.ccccccccccccdp-2)
#define OCTAVE_NOISE_TAPS 32
#define OCTAVE_NOISE_MIDDLE 15
#define OCTAVE_NOISE_LN2 REAL(0x1.62e42fefa39efp-1)
#define OCTAVE_NOISE_TURN REAL(0x1.921fb54442d18p+2)
#define OCTAVE_NOISE_LOWEST_OF_HIGH REAL(0x1.3333333333333p-3)
#define OCTAVE_NOISE_FREQUENCIES 96
#define OCTAVE_NOISE_FIRST_OCTAVE 0
#define OCTAVE_NOISE_OCTAVES 1
#define OCTAVE_NOISE_DOUBLED 2
#define OCTAVE_NOISE_ON_CURVE 3
#define OCTAVE_NOISE_PER_SAMPLE 0
#define OCTAVE_NOISE_DENSE REAL(8.0)
#define OCTAVE_NOISE_MARGIN 4
#define OCTAVE_NOISE_BEGIN 0
#define OCTAVE_NOISE_PAIRS 1
#define OCTAVE_NOISE_FROM 0
#define OCTAVE_NOISE_TO 1
#define OCTAVE_NOISE_ONE (ux)1
#define OCTAVE_NOISE_TWO (ux)2
#define OCTAVE_NOISE_THREE (ux)3
#define OCTAVE_NOISE_EIGHT (ux)8

/* Octaves that a noise is made of: down to a centre at or below its lower edge. */
KERNEL ix octave_noise_noise_octaves(ix kind, double low_hz, double high_hz, double sample_rate)
{
    double lowest = low_hz;
    if (kind == OCTAVE_NOISE_BAND && low_hz == 0.0) {
        lowest = 0x1.3333333333333p-3 * high_hz;
    }
    double centre = 0.5 * noise_spectrum_noise_highest(kind, low_hz, high_hz, sample_rate);
    ix octaves = 1;
    while (centre > lowest) {
        centre = 0.5 * centre;
        octaves += 1;
    }
    return octaves;
}

/* Columns of cubics that a noise of a highest frequency needs for a stretch of samples. */
KERNEL ix octave_noise_cubics_room(double highest_hz, double sample_rate, ix samples)
{
    return (ix)ceiling_of_double(8.0 * highest_hz / sample_rate * (double)samples) + 3;
}

/* Pairs of nodes that a grid of such a noise needs for a stretch: of a slow one, what the grid above hears. */
KERNEL ix octave_noise_pairs_room(double highest_hz, double sample_rate, ix samples)
{
    return larger_integer(floor_division(octave_noise_cubics_room(highest_hz, sample_rate, samples), 2) +
        OCTAVE_NOISE_MARGIN + 2, 12);
}

/* Amplitude of an octave at a place in octaves from its centre; the outermost take all beyond theirs. */
KERNEL double octave_noise_flank(ix octave, ix octaves, double place)
{
    if (octave == 0) {
        place = larger_double(place, 0.0);
    }
    if (octave == octaves - 1) {
        place = smaller_double(place, 0.0);
    }
    if (magnitude_double(place) >= 1.0) {
        return 0.0;
    }
    return elementary_cosine_of_turns(0.25 * place);
}

/* Power of the noise that the taps make of `node_rate` nodes a second, read from their own transform. */
KERNEL double octave_noise_power_of_taps(doubles_2 taps, bool integrated, double node_rate)
{
    double made = 0.0;
    const double width = 0.5 * node_rate / 96.0;
    for (ix i = 0; i < OCTAVE_NOISE_FREQUENCIES; i++) {
        const double frequency = width * ((double)i + 0.5);
        double response = integrated ? 0.0 : taps.at[OCTAVE_NOISE_MIDDLE];
        /* Cosines, or sines, of 1, 2, ... angles: each from the two before it. */
        const double turns = frequency / node_rate;
        const double twice = 2.0 * elementary_cosine_of_turns(turns);
        double wave = integrated ? elementary_sine_of_turns(turns) : 0.5 * twice;
        double before = (double)(integrated ? REAL(0.0) : REAL(1.0));
        for (ix j = 1; j < OCTAVE_NOISE_TAPS; j++) {
            response += 2.0 * taps.at[floor_remainder(j, 2) * taps.n1 + OCTAVE_NOISE_MIDDLE -
                floor_division(j, 2)] * wave;
            const double after = twice * wave - before;
            before = wave;
            wave = after;
        }
        if (integrated) {
            response = response * (0x1.921fb54442d18p+2 * frequency);
        }
        made += width / node_rate * response * response;
    }
    return made;
}

/*
 * Design the taps of an octave of an unscaled spectrum.
 *
 * The inverse transform of the spectrum's amplitude times the octave's flank, under a Hann window; for the
 * integral of the noise it is divided by the frequency, and odd, so that nothing drifts. The power of the
 * noise itself, read from the taps' own transform, is then made what the octave's share of the spectrum is.
 *
 * Parameters
 * ----------
 * lower_hz, upper_hz : float
 *     Limits of the octave's share.
 * taps : ndarray, shape (2, 32)
 *     Gets them: for a node on number 15 of the 32, and for the node after it.
 * others
 *     As for :func:`design_noise`.
 */
KERNEL void octave_noise_design_octave(ix kind, double low_hz, double high_hz, double slope_db_per_octave,
    bool integrated, double lower_hz, double upper_hz, double centre_hz, ix octave, ix octaves, doubles_2
    taps)
{
    const double node_rate = 8.0 * centre_hz;
    const double ratio = noise_spectrum_spectrum_ratio(kind, low_hz, high_hz);
    for (ix row = 0; row < 2; row++) {
        for (ix k = 0; k < OCTAVE_NOISE_TAPS; k++) {
            taps.at[row * taps.n1 + k] = 0.0;
        }
    }
    const double step = (upper_hz - lower_hz) / 96.0;
    double wanted = 0.0;
    for (ix i = 0; i < OCTAVE_NOISE_FREQUENCIES; i++) {
        const double frequency = lower_hz + step * ((double)i + 0.5);
        double shape = noise_spectrum_spectrum_shape(kind, low_hz, high_hz, slope_db_per_octave, ratio,
            frequency);
        shape = shape * octave_noise_flank(octave, octaves, elementary_logarithm(frequency / centre_hz) /
            0x1.62e42fefa39efp-1);
        wanted += step * shape * shape;
        if (integrated) {
            shape = shape / frequency;
        }
        /* Cosines, or sines, of 0, 1, 2, ... angles: each from the two before it. */
        const double turns = frequency / node_rate;
        const double twice = 2.0 * elementary_cosine_of_turns(turns);
        double wave = (double)(integrated ? REAL(0.0) : REAL(1.0));
        double before = integrated ? -elementary_sine_of_turns(turns) : 0.5 * twice;
        for (ix j = 0; j < OCTAVE_NOISE_TAPS; j++) {
            taps.at[floor_remainder(j, 2) * taps.n1 + OCTAVE_NOISE_MIDDLE - floor_division(j, 2)] += shape *
                wave;
            const double after = twice * wave - before;
            before = wave;
            wave = after;
        }
    }
    /* The window reaches zero 32 nodes from the middle; the other half of the taps is the mirror of the first. */
    for (ix j = 0; j < OCTAVE_NOISE_TAPS; j++) {
        const double tap = taps.at[floor_remainder(j, 2) * taps.n1 + OCTAVE_NOISE_MIDDLE - floor_division(j,
            2)] * (0.5 + 0.5 * elementary_cosine_of_turns((double)j / 64.0));
        taps.at[floor_remainder(j, 2) * taps.n1 + OCTAVE_NOISE_MIDDLE - floor_division(j, 2)] = tap;
        if (j > 0) {
            taps.at[floor_remainder(j, 2) * taps.n1 + OCTAVE_NOISE_MIDDLE + floor_division(j + 1, 2)] =
                integrated ? -tap : tap;
        }
    }
    const double made = octave_noise_power_of_taps(taps, integrated, node_rate);
    const double scale = made > 0.0 ? square_root_double(wanted / made) : 0.0;
    for (ix row = 0; row < 2; row++) {
        for (ix k = 0; k < OCTAVE_NOISE_TAPS; k++) {
            taps.at[row * taps.n1 + k] *= scale;
        }
    }
}

/*
 * Design a noise.
 *
 * Parameters
 * ----------
 * number : int
 *     Which of the group's; to be set in order.
 * kind : int
 *     LAW or BAND, see :func:`tapeemu.dsp.kernels.noise_spectrum.spectrum_shape`.
 * key : uint64
 *     Key of its random numbers.
 * low_hz, high_hz : float
 *     Edges; the lower of a band may be 0 if it is not integrated.
 * rms : float
 *     Standard deviation of the noise, before integration; 0 for a noise that is not there.
 * slope_db_per_octave : float
 *     Of the power density of a law.
 * integrated : bool
 *     Deliver the integral over time in seconds. It is designed as a response, not accumulated, so it is bounded.
 * sample_rate : float
 *     Samples per second; what lies above 0.45 of it is left out.
 * curve_rate : float
 *     Points per second of the curve that slow noise is drawn on first.
 * noises : Noises
 *     Gets it.
 */
KERNEL void octave_noise_design_noise(ix number, ix kind, uint64_t key, double low_hz, double high_hz, double
    rms, double slope_db_per_octave, bool integrated, double sample_rate, double curve_rate, const Noises
    *noises)
{
    int64s_2 layout = noises->layout;
    ix first = 0;
    if (number > 0) {
        first = (ix)(layout.at[(number - 1) * layout.n1 + OCTAVE_NOISE_FIRST_OCTAVE] + layout.at[(number - 1)
            * layout.n1 + OCTAVE_NOISE_OCTAVES]);
    }
    layout.at[number * layout.n1 + OCTAVE_NOISE_FIRST_OCTAVE] = (int64_t)first;
    layout.at[number * layout.n1 + OCTAVE_NOISE_OCTAVES] = INT64_C(0);
    noises->keys.at[number] = key;
    if (!(rms > 0.0)) {
        return;
    }
    const ix octaves = octave_noise_noise_octaves(kind, low_hz, high_hz, sample_rate);
    const double highest = noise_spectrum_noise_highest(kind, low_hz, high_hz, sample_rate);
    const double end = smaller_double(noise_spectrum_spectrum_end(kind, low_hz, high_hz), 0x1.ccccccccccccdp-2
        * sample_rate);
    const double begin = noise_spectrum_spectrum_begin(kind, low_hz, high_hz);
    if (begin >= end) {
        return;
    }
    layout.at[number * layout.n1 + OCTAVE_NOISE_OCTAVES] = (int64_t)octaves;
    double centre = 0.5 * highest;
    for (ix octave = octaves - 1; octave > -1; octave -= 1) {
        const double lower = octave == 0 ? begin : larger_double(begin, 0.5 * centre);
        const double upper = octave == octaves - 1 ? end : smaller_double(end, 2.0 * centre);
        const ix row = 2 * (first + octave);
        octave_noise_design_octave(kind, low_hz, high_hz, slope_db_per_octave, integrated, lower,
            larger_double(lower, upper), centre, octave, octaves, (doubles_2){noises->taps.at + row *
            noises->taps.n1, row + 2 - row, noises->taps.n1});
        centre = 0.5 * centre;
    }
    const double scale = rms / square_root_double(noise_spectrum_noise_power(kind, low_hz, high_hz,
        slope_db_per_octave));
    for (ix each = 2 * first; each < 2 * (first + octaves); each++) {
        for (ix k = 0; k < OCTAVE_NOISE_TAPS; k++) {
            noises->taps.at[each * noises->taps.n1 + k] *= scale;
        }
    }
    double node_rate = 4.0 * highest;
    layout.at[number * layout.n1 + OCTAVE_NOISE_DOUBLED] = INT64_C(0);
    if (8.0 * node_rate < sample_rate) {
        layout.at[number * layout.n1 + OCTAVE_NOISE_DOUBLED] = INT64_C(1);
        node_rate = 2.0 * node_rate;
    }
    layout.at[number * layout.n1 + OCTAVE_NOISE_ON_CURVE] = (int64_t)(5.5 * smaller_double(highest, end) <=
        curve_rate ? 1 : 0);
    noises->values.at[number * noises->values.n1 + OCTAVE_NOISE_PER_SAMPLE] = node_rate / sample_rate;
    exact_places_set_rate(node_rate, sample_rate, (uint64s_1){noises->rates.at + number * noises->rates.n1,
        noises->rates.n1});
}

/*
 * Write two nodes of an octave for each of successive numbers, from pair `first` of a row to its last one.
 *
 * Parameters
 * ----------
 * numbers : ndarray, shape (pairs + 31 or more,)
 *     Hashed numbers; those of the row's first pair begin at column 0.
 * taps : ndarray, shape (2, 32)
 *     Of the octave.
 * first, pairs : int
 *     First pair to make, and how many the row has then.
 * out : ndarray, shape (2 * pairs or more,)
 *     Gets the nodes.
 */
KERNEL void octave_noise_filter_pairs(doubles_1 numbers, doubles_2 taps, ix first, ix pairs, doubles_1 out)
{
    double number = 0.0;
    doubles_1 even = (doubles_1){taps.at, taps.n1};
    doubles_1 odd = (doubles_1){taps.at + 1 * taps.n1, taps.n1};
    ux at = (ux)first;
    const ux eights = (ux)floor_division(pairs - first, 8);
    /* Eight pairs side by side: every sum grows as it would alone. */
    for (ux _ = (ux)0; _ < eights; _++) {
        double a_lanes[8] = {0};
        const doubles_1 a = {a_lanes, 8};
        double b_lanes[8] = {0};
        const doubles_1 b = {b_lanes, 8};
        for (ux k = (ux)0; k < (ux)32; k++) {
            IN_LANES
            for (ux j = (ux)0; j < OCTAVE_NOISE_EIGHT; j++) {
                number = numbers.at[(ix)at + (ix)k + (ix)j];
                a.at[(ix)j] += even.at[(ix)k] * number;
                b.at[(ix)j] += odd.at[(ix)k] * number;
            }
        }
        for (ux j = (ux)0; j < OCTAVE_NOISE_EIGHT; j++) {
            out.at[(ix)(OCTAVE_NOISE_TWO * (at + j))] = a.at[(ix)j];
            out.at[(ix)(OCTAVE_NOISE_TWO * (at + j)) + (ix)OCTAVE_NOISE_ONE] = b.at[(ix)j];
        }
        at = at + OCTAVE_NOISE_EIGHT;
    }
    for (ux m = at; m < (ux)pairs; m++) {
        double one = 0.0;
        double other = 0.0;
        for (ux k = (ux)0; k < (ux)32; k++) {
            number = numbers.at[(ix)m + (ix)k];
            one += even.at[(ix)k] * number;
            other += odd.at[(ix)k] * number;
        }
        out.at[(ix)(OCTAVE_NOISE_TWO * m)] = one;
        out.at[(ix)(OCTAVE_NOISE_TWO * m) + (ix)OCTAVE_NOISE_ONE] = other;
    }
}

/*
 * Add nodes raised to twice their rate, eight nodes to a place between two.
 *
 * Parameters
 * ----------
 * low : ndarray, shape (pairs - first + 7 or more,)
 *     Nodes of the grid below; ``low[3]`` lies on the first node of pair `first`.
 * first, pairs : int
 *     First pair that is added to, and the one behind the last.
 * out : ndarray, shape (2 * pairs or more,)
 *     Is added to.
 */
KERNEL void octave_noise_add_raised(doubles_1 low, ix first, ix pairs, doubles_1 out)
{
    const ux to = (ux)first;
    for (ux k = (ux)0; k < (ux)(pairs - first); k++) {
        const double three = low.at[(ix)k + (ix)OCTAVE_NOISE_THREE];
        const double between = 1225.0 * (three + low.at[(ix)k + (ix)(ux)4]) - 245.0 * (low.at[(ix)k +
            (ix)(ux)2] + low.at[(ix)k + (ix)(ux)5]) + 49.0 * (low.at[(ix)k + (ix)(ux)1] + low.at[(ix)k +
            (ix)(ux)6]) - 5.0 * (low.at[(ix)k] + low.at[(ix)k + (ix)(ux)7]);
        out.at[(ix)(OCTAVE_NOISE_TWO * (to + k))] += three;
        out.at[(ix)(OCTAVE_NOISE_TWO * (to + k)) + (ix)OCTAVE_NOISE_ONE] += 0x1.0000000000000p-11 * between;
    }
}

/* Move what is kept of a row to its front. */
KERNEL void octave_noise_keep_from(doubles_1 row, ix skipped, ix kept)
{
    const ux since = (ux)skipped;
    for (ux i = (ux)0; i < (ux)kept; i++) {
        row.at[(ix)i] = row.at[(ix)since + (ix)i];
    }
}

/* Let a row of nodes begin at a pair, keep what it holds from there on, and return how many pairs that is. */
KERNEL ix octave_noise_make_room(ix row, int64_t begin, const Noises *noises)
{
    int64s_2 held = noises->held;
    const int64_t held_from = held.at[row * held.n1 + OCTAVE_NOISE_BEGIN];
    const int64_t held_to = held_from + held.at[row * held.n1 + OCTAVE_NOISE_PAIRS];
    ix kept = 0;
    if (held_from <= begin && begin < held_to) {
        kept = (ix)(held_to - begin);
        const ix skipped = (ix)(begin - held_from);
        if (skipped > 0) {
            octave_noise_keep_from((doubles_1){noises->nodes.at + row * noises->nodes.n1, noises->nodes.n1}, 2
                * skipped, 2 * kept);
            octave_noise_keep_from((doubles_1){noises->numbers.at + row * noises->numbers.n1,
                noises->numbers.n1}, skipped, kept + OCTAVE_NOISE_TAPS - 1);
        }
    }
    held.at[row * held.n1 + OCTAVE_NOISE_BEGIN] = begin;
    held.at[row * held.n1 + OCTAVE_NOISE_PAIRS] = (int64_t)kept;
    return kept;
}

/* Let the rows of a variant hold nothing. */
KERNEL void octave_noise_forget_nodes(ix variant, const Noises *noises)
{
    const ix last = noises->keys.n0 - 1;
    const ix rows = (ix)(noises->layout.at[last * noises->layout.n1 + OCTAVE_NOISE_FIRST_OCTAVE] +
        noises->layout.at[last * noises->layout.n1 + OCTAVE_NOISE_OCTAVES]) + noises->keys.n0;
    for (ix row = variant * rows; row < (variant + 1) * rows; row++) {
        noises->held.at[row * noises->held.n1 + OCTAVE_NOISE_PAIRS] = INT64_C(0);
    }
}

/* Row of the lowest grid of a noise, for the variant whose rows have this place. */
KERNEL ix octave_noise_first_row(ix number, ix place, const Noises *noises)
{
    int64s_2 layout = noises->layout;
    const ix last = noises->keys.n0 - 1;
    const ix rows = (ix)(layout.at[last * layout.n1 + OCTAVE_NOISE_FIRST_OCTAVE] + layout.at[last * layout.n1
        + OCTAVE_NOISE_OCTAVES]) + noises->keys.n0;
    return place * rows + (ix)layout.at[number * layout.n1 + OCTAVE_NOISE_FIRST_OCTAVE] + number;
}

/*
 * Make nodes of the last grid of a noise, and return where they are.
 *
 * Parameters
 * ----------
 * number : int
 *     Which noise.
 * place : int
 *     Which rows of nodes are the variant's. They hold nothing, or what was made for this variant.
 * variant : uint64
 *     Picks other random numbers; 0 for those of the key.
 * first : int64
 *     First node.
 * count : int
 *     How many.
 * noises : Noises
 *     The nodes lie in the row of the noise's last grid.
 *
 * Returns
 * -------
 * int
 *     Column of the first node.
 */
KERNEL ix octave_noise_fill_nodes(ix number, ix place, uint64_t variant, int64_t first, ix count, const Noises
    *noises)
{
    ix row = 0;
    ix kept = 0;
    int64s_2 spans = noises->spans;
    int64s_2 held = noises->held;
    const ix octaves = (ix)noises->layout.at[number * noises->layout.n1 + OCTAVE_NOISE_OCTAVES];
    const ix first_octave = (ix)noises->layout.at[number * noises->layout.n1 + OCTAVE_NOISE_FIRST_OCTAVE];
    const ix grids = octaves + (ix)noises->layout.at[number * noises->layout.n1 + OCTAVE_NOISE_DOUBLED];
    const ix lowest = octave_noise_first_row(number, place, noises);
    /* From the top down: which pairs of nodes each grid must have for the one above it. What it holds, it has. */
    int64_t begin = first;
    int64_t end = first + (int64_t)count;
    ix grid = grids - 1;
    bool missing = true;
    while (grid >= 0 && missing) {
        row = lowest + grid;
        const int64_t pair = floor_division_64(begin, INT64_C(2));
        const int64_t behind = floor_division_64(end + INT64_C(1), INT64_C(2));
        const int64_t held_to = held.at[row * held.n1 + OCTAVE_NOISE_BEGIN] + held.at[row * held.n1 +
            OCTAVE_NOISE_PAIRS];
        missing = pair < held.at[row * held.n1 + OCTAVE_NOISE_BEGIN] || behind > held_to;
        if (missing) {
            kept = octave_noise_make_room(row, pair, noises);
            spans.at[grid] = pair + (int64_t)kept;
            spans.at[OCTAVE_NOISE_TO * spans.n1 + grid] = behind;
            begin = pair + (int64_t)kept - INT64_C(3);
            end = behind + INT64_C(4);
            grid -= 1;
        }
    }
    const uint64_t key = hashing_mix_hash(noises->keys.at[number], variant);
    for (ix each = grid + 1; each < grids; each++) {
        row = lowest + each;
        begin = held.at[row * held.n1 + OCTAVE_NOISE_BEGIN];
        kept = (ix)(spans.at[each] - begin);
        const ix pairs = (ix)(spans.at[OCTAVE_NOISE_TO * spans.n1 + each] - begin);
        doubles_1 nodes = (doubles_1){noises->nodes.at + row * noises->nodes.n1, noises->nodes.n1};
        if (each < octaves) {
            doubles_1 numbers = (doubles_1){noises->numbers.at + row * noises->numbers.n1,
                noises->numbers.n1};
            const uint64_t octave_key = hashing_mix_hash(key, (uint64_t)each);
            const uint64_t start = (uint64_t)(begin - INT64_C(15));
            for (ux i = (ux)(kept > 0 ? kept + OCTAVE_NOISE_TAPS - 1 : 0); i < (ux)(pairs + OCTAVE_NOISE_TAPS
                - 1); i++) {
                numbers.at[(ix)i] = hashing_white(octave_key, start + (uint64_t)i);
            }
            const ix rows = 2 * (first_octave + each);
            octave_noise_filter_pairs(numbers, (doubles_2){noises->taps.at + rows * noises->taps.n1, rows + 2
                - rows, noises->taps.n1}, kept, pairs, nodes);
        } else {
            for (ix i = 2 * kept; i < 2 * pairs; i++) {
                nodes.at[i] = 0.0;
            }
        }
        if (each > 0) {
            const ix below = (ix)(spans.at[each] - INT64_C(3) - INT64_C(2) * held.at[(row - 1) * held.n1 +
                OCTAVE_NOISE_BEGIN]);
            octave_noise_add_raised((doubles_1){noises->nodes.at + (row - 1) * noises->nodes.n1 + below,
                noises->nodes.n1 - below}, kept, pairs, nodes);
        }
        held.at[row * held.n1 + OCTAVE_NOISE_PAIRS] = (int64_t)pairs;
    }
    return (ix)(first - INT64_C(2) * held.at[(lowest + grids - 1) * held.n1 + OCTAVE_NOISE_BEGIN]);
}

/*
 * Write what the cubics between successive nodes are made of, from node 4 on.
 *
 * The slope per node spacing is taken from eight neighbours, exact to the eighth power. Behind node `i` the
 * curve is ``nodes[i] + u * (slopes[i] + u * (leans[i] + u * bends[i]))`` (Hermite).
 */
KERNEL void octave_noise_fill_cubics(doubles_1 nodes, ix count, doubles_1 slopes, doubles_1 leans, doubles_1
    bends)
{
    for (ux i = (ux)0; i < (ux)(count + 1); i++) {
        slopes.at[(ix)i] = 0x1.3813813813814p-10 * (672.0 * (nodes.at[(ix)i + (ix)(ux)5] - nodes.at[(ix)i +
            (ix)(ux)3]) - 168.0 * (nodes.at[(ix)i + (ix)(ux)6] - nodes.at[(ix)i + (ix)(ux)2]) + 32.0 *
            (nodes.at[(ix)i + (ix)(ux)7] - nodes.at[(ix)i + (ix)(ux)1]) - 3.0 * (nodes.at[(ix)i + (ix)(ux)8] -
            nodes.at[(ix)i]));
    }
    for (ux i = (ux)0; i < (ux)count; i++) {
        const double rise = nodes.at[(ix)i + (ix)(ux)5] - nodes.at[(ix)i + (ix)(ux)4];
        const double bend = slopes.at[(ix)i + (ix)(ux)1] + slopes.at[(ix)i] - 2.0 * rise;
        bends.at[(ix)i] = bend;
        leans.at[(ix)i] = rise - slopes.at[(ix)i] - bend;
    }
}

/*
 * Make the cubics of a stretch in the scratch.
 *
 * Parameters
 * ----------
 * number, place, variant, noises
 *     As for :func:`fill_nodes`.
 * sample : int64
 *     Where the grid of points begins.
 * per_point : float
 *     Node spacings from one point to the next.
 * first, count : int
 *     First point of the stretch, and how many.
 *
 * Returns
 * -------
 * column : int
 *     Column of the node at or before the first point, in the row of the noise's last grid.
 * skipped : int
 *     How many nodes behind the one at or before point 0 that node is.
 * start : float
 *     Where point 0 lies behind the node at or before it, in node spacings.
 */
KERNEL octave_noise__make_cubics_result octave_noise_make_cubics(ix number, ix place, uint64_t variant,
    int64_t sample, double per_point, ix first, ix count, const Noises *noises)
{
    doubles_2 cubics = noises->cubics;
    const exact_places_place_of_result result_1 = exact_places_place_of(sample, (uint64s_1){noises->rates.at +
        number * noises->rates.n1, noises->rates.n1});
    const int64_t node = result_1.m0;
    const double start = result_1.m1;
    const ix skipped = (ix)(int32_t)(start + per_point * (double)first);
    const ix cubes = (ix)(int32_t)(start + per_point * (double)(first + count - 1)) - skipped + 1;
    const ix column = octave_noise_fill_nodes(number, place, variant, node + (int64_t)skipped - INT64_C(4),
        cubes + 1 + 8, noises);
    const ix row = octave_noise_first_row(number, place, noises) + octave_noise_last_grid(number, noises);
    octave_noise_fill_cubics((doubles_1){noises->nodes.at + row * noises->nodes.n1 + column, noises->nodes.n1
        - column}, cubes, (doubles_1){cubics.at, cubics.n1}, (doubles_1){cubics.at + 1 * cubics.n1,
        cubics.n1}, (doubles_1){cubics.at + 2 * cubics.n1, cubics.n1});
    return (octave_noise__make_cubics_result){column + OCTAVE_NOISE_MARGIN, skipped, start};
}

/* Number of the last grid of a noise. */
KERNEL ix octave_noise_last_grid(ix number, const Noises *noises)
{
    return (ix)(noises->layout.at[number * noises->layout.n1 + OCTAVE_NOISE_OCTAVES] +
        noises->layout.at[number * noises->layout.n1 + OCTAVE_NOISE_DOUBLED]) - 1;
}

/*
 * Add a slow noise to a curve: values, and slopes per point.
 *
 * Parameters
 * ----------
 * number, place, variant, noises
 *     As for :func:`fill_nodes`.
 * sample : int64
 *     Sample that point 0 lies on.
 * step : int
 *     Samples from one point to the next.
 * first : int
 *     First point of the stretch.
 * out_values, out_slopes : ndarray, shape (points,)
 *     Are added to.
 */
KERNEL void octave_noise_add_noise_curve(ix number, ix place, uint64_t variant, int64_t sample, ix step, ix
    first, const Noises *noises, doubles_1 out_values, doubles_1 out_slopes)
{
    if (noises->layout.at[number * noises->layout.n1 + OCTAVE_NOISE_OCTAVES] == INT64_C(0)) {
        return;
    }
    const double per_point = (double)step * noises->values.at[number * noises->values.n1 +
        OCTAVE_NOISE_PER_SAMPLE];
    const octave_noise__make_cubics_result result_1 = octave_noise_make_cubics(number, place, variant, sample,
        per_point, first, out_values.n0, noises);
    const ix column = result_1.m0;
    const ix skipped = result_1.m1;
    const double start = result_1.m2;
    doubles_1 nodes = (doubles_1){noises->nodes.at + (octave_noise_first_row(number, place, noises) +
        octave_noise_last_grid(number, noises)) * noises->nodes.n1 + column, noises->nodes.n1 - column};
    doubles_1 slopes = (doubles_1){noises->cubics.at, noises->cubics.n1};
    doubles_1 leans = (doubles_1){noises->cubics.at + 1 * noises->cubics.n1, noises->cubics.n1};
    doubles_1 bends = (doubles_1){noises->cubics.at + 2 * noises->cubics.n1, noises->cubics.n1};
    const ux begin = (ux)first;
    for (ux i = (ux)0; i < (ux)out_values.n0; i++) {
        const double reached = start + per_point * (double)(int32_t)(begin + i);
        const int32_t whole = (int32_t)reached;
        const ux k = (ux)(whole - (int32_t)skipped);
        const double u = reached - (double)whole;
        out_values.at[(ix)i] += nodes.at[(ix)k] + u * (slopes.at[(ix)k] + u * (leans.at[(ix)k] + u *
            bends.at[(ix)k]));
        out_slopes.at[(ix)i] += per_point * (slopes.at[(ix)k] + u * (2.0 * leans.at[(ix)k] + u * 3.0 *
            bends.at[(ix)k]));
    }
}

/* Add a noise to every sample from ``sample + first`` on; arguments as for :func:`add_noise_curve`. */
KERNEL void octave_noise_add_noise_samples(ix number, ix place, uint64_t variant, int64_t sample, ix first,
    const Noises *noises, doubles_1 out)
{
    if (noises->layout.at[number * noises->layout.n1 + OCTAVE_NOISE_OCTAVES] == INT64_C(0)) {
        return;
    }
    const double per_sample = noises->values.at[number * noises->values.n1 + OCTAVE_NOISE_PER_SAMPLE];
    const octave_noise__make_cubics_result result_1 = octave_noise_make_cubics(number, place, variant, sample,
        per_sample, first, out.n0, noises);
    const ix column = result_1.m0;
    const ix skipped = result_1.m1;
    const double start = result_1.m2;
    doubles_1 nodes = (doubles_1){noises->nodes.at + (octave_noise_first_row(number, place, noises) +
        octave_noise_last_grid(number, noises)) * noises->nodes.n1 + column, noises->nodes.n1 - column};
    doubles_1 slopes = (doubles_1){noises->cubics.at, noises->cubics.n1};
    doubles_1 leans = (doubles_1){noises->cubics.at + 1 * noises->cubics.n1, noises->cubics.n1};
    doubles_1 bends = (doubles_1){noises->cubics.at + 2 * noises->cubics.n1, noises->cubics.n1};
    const ux begin = (ux)first;
    for (ux i = (ux)0; i < (ux)out.n0; i++) {
        const double reached = start + per_sample * (double)(int32_t)(begin + i);
        const int32_t whole = (int32_t)reached;
        const ux k = (ux)(whole - (int32_t)skipped);
        const double u = reached - (double)whole;
        out.at[(ix)i] += nodes.at[(ix)k] + u * (slopes.at[(ix)k] + u * (leans.at[(ix)k] + u *
            bends.at[(ix)k]));
    }
}
