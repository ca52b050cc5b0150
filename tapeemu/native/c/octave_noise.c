/* Generated from octave_noise.py (d0b9877038e5f866); do not edit. SPDX-License-Identifier: ISC */

/*
 * Gaussian noise of a given spectrum, from filtered hashed numbers, octave by octave.
 *
 * A spectrum as a sum of noises, one an octave, each a filtered sequence of random numbers at its own rate: the
 * idea of Voss and McCartney (from memory), here with flanks whose powers add up to one. Octaves are an exact
 * octave apart, counted down from the highest frequency of the spectrum. The nodes of one octave are half as dense
 * as those of the next, so what lies below is raised to twice its rate (the maximally flat halfband interpolator,
 * which is Lagrange's) and the next octave is added, up to the top; a cubic between the last nodes makes a curve
 * of it.
 */

#include "octave_noise.h"

#define OCTAVE_NOISE_TAPS 32
#define OCTAVE_NOISE_MIDDLE 15
#define OCTAVE_NOISE_LN2 REAL(0x1.62e42fefa39efp-1)
#define OCTAVE_NOISE_TURN REAL(0x1.921fb54442d18p+2)
#define OCTAVE_NOISE_NEPERS_PER_DB REAL(0x1.d791c5f888823p-4)
#define OCTAVE_NOISE_LAW 0
#define OCTAVE_NOISE_BAND 1
#define OCTAVE_NOISE_HIGHEST_SHARE REAL(0x1.ccccccccccccdp-2)
#define OCTAVE_NOISE_LOWEST_OF_HIGH REAL(0x1.3333333333333p-3)
#define OCTAVE_NOISE_FREQUENCIES 96
#define OCTAVE_NOISE_FIRST_OCTAVE 0
#define OCTAVE_NOISE_OCTAVES 1
#define OCTAVE_NOISE_DOUBLED 2
#define OCTAVE_NOISE_ON_CURVE 3
#define OCTAVE_NOISE_PER_SAMPLE 0
#define OCTAVE_NOISE_DENSE REAL(8.0)
#define OCTAVE_NOISE_MARGIN 4

/* Octaves between the edges of a law, rounded so that a ratio is 0.63 to 1.25 of them. */
KERNEL ix octave_noise_law_octaves(double low_hz, double high_hz)
{
    return larger_integer(1, (ix)ceiling_of_double(elementary_logarithm(high_hz / low_hz) /
        0x1.62e42fefa39efp-1 - 0.25));
}

/* Ratio of frequencies over which a law falls to nothing beyond its edges: an octave, or nearly. */
KERNEL double octave_noise_law_ratio(double low_hz, double high_hz)
{
    return elementary_exponential(elementary_logarithm(high_hz / low_hz) /
        (double)octave_noise_law_octaves(low_hz, high_hz));
}

/* Frequency from which on a spectrum is nothing. */
KERNEL double octave_noise_spectrum_end(ix kind, double low_hz, double high_hz)
{
    if (kind == OCTAVE_NOISE_LAW) {
        return high_hz * octave_noise_law_ratio(low_hz, high_hz);
    }
    return 0x1.2666666666666p+0 * high_hz;
}

/* Frequency up to which a spectrum is nothing. */
KERNEL double octave_noise_spectrum_begin(ix kind, double low_hz, double high_hz)
{
    if (kind == OCTAVE_NOISE_LAW) {
        return low_hz / octave_noise_law_ratio(low_hz, high_hz);
    }
    return 0x1.4cccccccccccdp-1 * low_hz;
}

/*
 * Amplitude of a spectrum at a frequency, not yet scaled.
 *
 * Parameters
 * ----------
 * kind : int
 *     LAW: the power density follows one slope between the edges; beyond, it falls along a squared cosine
 *     over the logarithm of the frequency, to nothing one `ratio` away. BAND: flat, the amplitude rises along a
 *     sine from 0.65 to 1.35 times the lower edge (which may be 0) and falls from 0.85 to 1.15 times the
 *     upper one.
 * low_hz, high_hz : float
 *     Edges.
 * slope_db_per_octave, ratio : float
 *     Of a law, see :func:`spectrum_ratio`.
 * frequency_hz : float
 *     0 or more.
 */
KERNEL double octave_noise_spectrum_shape(ix kind, double low_hz, double high_hz, double slope_db_per_octave,
    double ratio, double frequency_hz)
{
    double shape = 0.0;
    if (kind == OCTAVE_NOISE_LAW) {
        if (frequency_hz <= low_hz / ratio || frequency_hz >= high_hz * ratio) {
            return 0.0;
        }
        const double octaves = elementary_logarithm(frequency_hz / low_hz) / 0x1.62e42fefa39efp-1;
        shape = elementary_exponential(slope_db_per_octave * 0x1.d791c5f888823p-4 * octaves);
        if (frequency_hz < low_hz || frequency_hz > high_hz) {
            const double beyond = larger_double(low_hz / frequency_hz, frequency_hz / high_hz);
            shape = shape * elementary_cosine_of_turns(0.25 * smaller_double(elementary_logarithm(beyond) /
                elementary_logarithm(ratio), 1.0));
        }
        return shape;
    }
    double place = smaller_double(larger_double((frequency_hz / high_hz - 1.0) / 0x1.3333333333333p-3, -1.0),
        1.0);
    shape = 0.5 * (1.0 - elementary_sine_of_turns(0.25 * place));
    if (low_hz > 0.0) {
        place = smaller_double(larger_double((frequency_hz / low_hz - 1.0) / 0x1.6666666666666p-2, -1.0),
            1.0);
        shape = shape * (0.5 * (1.0 + elementary_sine_of_turns(0.25 * place)));
    }
    return shape;
}

/* What :func:`spectrum_shape` takes as the ratio: that of a law. */
KERNEL double octave_noise_spectrum_ratio(ix kind, double low_hz, double high_hz)
{
    return kind == OCTAVE_NOISE_LAW ? octave_noise_law_ratio(low_hz, high_hz) : 1.0;
}

/* Integral over frequency of the square of :func:`spectrum_shape`. */
KERNEL double octave_noise_noise_power(ix kind, double low_hz, double high_hz, double slope_db_per_octave)
{
    if (kind == OCTAVE_NOISE_BAND && 0x1.599999999999ap+0 * low_hz <= 0x1.b333333333333p-1 * high_hz) {
        /* In closed form: the mean square of a rising edge is 3/8. */
        return 0x1.ecccccccccccdp-1 * high_hz - 0x1.1666666666666p+0 * low_hz;
    }
    const double begin = octave_noise_spectrum_begin(kind, low_hz, high_hz);
    const double end = octave_noise_spectrum_end(kind, low_hz, high_hz);
    return octave_noise_power_between(kind, low_hz, high_hz, slope_db_per_octave, false, begin, end);
}

/*
 * Integral of a spectrum's square, or of that of its integral over time, between two frequencies above 0.
 *
 * Midpoints over the logarithm of the frequency, 24 an octave or more.
 */
KERNEL double octave_noise_power_between(ix kind, double low_hz, double high_hz, double slope_db_per_octave,
    bool integrated, double begin, double end)
{
    const double ratio = octave_noise_spectrum_ratio(kind, low_hz, high_hz);
    const double width = elementary_logarithm(end / begin);
    const ix parts = larger_integer(96, (ix)ceiling_of_double(0x1.14ff58be0a23fp+5 * width));
    const double step = width / (double)parts;
    const double growth = elementary_exponential(step);
    double frequency = begin * elementary_exponential(0.5 * step);
    double power = 0.0;
    for (ix _ = 0; _ < parts; _++) {
        double shape = octave_noise_spectrum_shape(kind, low_hz, high_hz, slope_db_per_octave, ratio,
            frequency);
        if (integrated) {
            shape = shape / (0x1.921fb54442d18p+2 * frequency);
        }
        power += step * frequency * shape * shape;
        frequency = frequency * growth;
    }
    return power;
}

/* Standard deviation of what a noise delivers, by its spectrum; arguments as for :func:`design_noise`. */
KERNEL double octave_noise_delivered_rms(ix kind, double low_hz, double high_hz, double rms, double
    slope_db_per_octave, bool integrated, double sample_rate)
{
    double begin = octave_noise_spectrum_begin(kind, low_hz, high_hz);
    const double end = smaller_double(octave_noise_spectrum_end(kind, low_hz, high_hz), 0x1.ccccccccccccdp-2 *
        sample_rate);
    if (rms <= 0.0 || begin >= end) {
        return 0.0;
    }
    if (!integrated && end == octave_noise_spectrum_end(kind, low_hz, high_hz)) {
        return rms;
    }
    if (begin <= 0.0) {
        /* Of a band down to 0 Hz nearly nothing lies below. */
        begin = 0x1.a36e2eb1c432dp-14 * end;
    }
    const double power = octave_noise_power_between(kind, low_hz, high_hz, slope_db_per_octave, integrated,
        begin, end);
    return rms * square_root_double(power / octave_noise_noise_power(kind, low_hz, high_hz,
        slope_db_per_octave));
}

/*
 * Highest frequency of the octaves of a noise: twice the centre of the topmost that the sample rate can carry.
 *
 * It is the end of the spectrum, halved until the centre lies below 0.45 of the sample rate.
 */
KERNEL double octave_noise_noise_highest(ix kind, double low_hz, double high_hz, double sample_rate)
{
    double highest = octave_noise_spectrum_end(kind, low_hz, high_hz);
    while (0.5 * highest > 0x1.ccccccccccccdp-2 * sample_rate) {
        highest = 0.5 * highest;
    }
    return highest;
}

/* Octaves that a noise is made of: down to a centre at or below its lower edge. */
KERNEL ix octave_noise_noise_octaves(ix kind, double low_hz, double high_hz, double sample_rate)
{
    double lowest = low_hz;
    if (kind == OCTAVE_NOISE_BAND && low_hz == 0.0) {
        lowest = 0x1.3333333333333p-3 * high_hz;
    }
    double centre = 0.5 * octave_noise_noise_highest(kind, low_hz, high_hz, sample_rate);
    ix octaves = 1;
    while (centre > lowest) {
        centre = 0.5 * centre;
        octaves += 1;
    }
    return octaves;
}

/* Columns of scratch that a noise of a highest frequency needs for a stretch of samples. */
KERNEL ix octave_noise_noise_scratch(double highest_hz, double sample_rate, ix samples)
{
    return (ix)ceiling_of_double(8.0 * highest_hz / sample_rate * (double)samples) + 64 + 64;
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
    const double ratio = octave_noise_spectrum_ratio(kind, low_hz, high_hz);
    for (ix row = 0; row < 2; row++) {
        for (ix k = 0; k < OCTAVE_NOISE_TAPS; k++) {
            taps.at[row * taps.n1 + k] = 0.0;
        }
    }
    const double step = (upper_hz - lower_hz) / 96.0;
    double wanted = 0.0;
    for (ix i = 0; i < OCTAVE_NOISE_FREQUENCIES; i++) {
        const double frequency = lower_hz + step * ((double)i + 0.5);
        double shape = octave_noise_spectrum_shape(kind, low_hz, high_hz, slope_db_per_octave, ratio,
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
 *     LAW or BAND, see :func:`spectrum_shape`.
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
    const double highest = octave_noise_noise_highest(kind, low_hz, high_hz, sample_rate);
    const double end = smaller_double(octave_noise_spectrum_end(kind, low_hz, high_hz), 0x1.ccccccccccccdp-2 *
        sample_rate);
    const double begin = octave_noise_spectrum_begin(kind, low_hz, high_hz);
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
    const double scale = rms / square_root_double(octave_noise_noise_power(kind, low_hz, high_hz,
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
 * Write two nodes of an octave for each of successive numbers, and what lies below raised to their rate.
 *
 * Parameters
 * ----------
 * key : uint64
 *     Of the octave's numbers.
 * first : int64
 *     Number that the first of the two nodes lies on.
 * pairs : int
 *     How many pairs of nodes to make.
 * skipped : int
 *     ``low[skipped + 3]`` lies on ``out[0]``; below 0 if nothing lies below.
 * taps : ndarray, shape (2, 32)
 *     Of the octave.
 * white : ndarray, shape (pairs + 31 or more,)
 *     Scratch for the numbers.
 * low : ndarray, shape (skipped + pairs + 7 or more,)
 *     Nodes of the grid below.
 * out : ndarray, shape (2 * pairs or more,)
 *     Gets the nodes.
 */
KERNEL void octave_noise_fill_grid(uint64_t key, int64_t first, ix pairs, ix skipped, doubles_2 taps,
    doubles_1 white, doubles_1 low, doubles_1 out)
{
    const uint64_t start = (uint64_t)(first - INT64_C(15));
    for (ux i = (ux)0; i < (ux)(pairs + OCTAVE_NOISE_TAPS - 1); i++) {
        white.at[(ix)i] = hashing_white(key, start + (uint64_t)i);
    }
    for (ux m = (ux)0; m < (ux)pairs; m++) {
        double a = 0.0;
        double b = 0.0;
        for (ux k = (ux)0; k < (ux)32; k++) {
            const double number = white.at[(ix)m + (ix)k];
            a += taps.at[(ix)k] * number;
            b += taps.at[1 * taps.n1 + (ix)k] * number;
        }
        out.at[(ix)((ux)2 * m)] = a;
        out.at[(ix)((ux)2 * m) + (ix)(ux)1] = b;
    }
    if (skipped >= 0) {
        octave_noise_add_raised(low, skipped, pairs, out);
    }
}

/* Add nodes raised to twice their rate, eight nodes to a place between two; as for :func:`_fill_grid`. */
KERNEL void octave_noise_add_raised(doubles_1 low, ix skipped, ix pairs, doubles_1 out)
{
    for (ux m = (ux)0; m < (ux)pairs; m++) {
        const ux k = m + (ux)skipped;
        const double three = low.at[(ix)k + (ix)(ux)3];
        const double between = 1225.0 * (three + low.at[(ix)k + (ix)(ux)4]) - 245.0 * (low.at[(ix)k +
            (ix)(ux)2] + low.at[(ix)k + (ix)(ux)5]) + 49.0 * (low.at[(ix)k + (ix)(ux)1] + low.at[(ix)k +
            (ix)(ux)6]) - 5.0 * (low.at[(ix)k] + low.at[(ix)k + (ix)(ux)7]);
        out.at[(ix)((ux)2 * m)] += three;
        out.at[(ix)((ux)2 * m) + (ix)(ux)1] += 0x1.0000000000000p-11 * between;
    }
}

/*
 * Make nodes of the last grid of a noise, and return where they are.
 *
 * Parameters
 * ----------
 * number : int
 *     Which noise.
 * variant : uint64
 *     Picks other random numbers; 0 for those of the key.
 * first : int64
 *     First node.
 * count : int
 *     How many.
 * noises : Noises
 *     The nodes lie in row 1 of its scratch.
 *
 * Returns
 * -------
 * int
 *     Column of the first node.
 */
KERNEL ix octave_noise_fill_nodes(ix number, uint64_t variant, int64_t first, ix count, const Noises *noises)
{
    int64s_2 spans = noises->spans;
    doubles_2 scratch = noises->scratch;
    const int64_t octaves = noises->layout.at[number * noises->layout.n1 + OCTAVE_NOISE_OCTAVES];
    const int64_t first_octave = noises->layout.at[number * noises->layout.n1 + OCTAVE_NOISE_FIRST_OCTAVE];
    const int64_t grids = octaves + noises->layout.at[number * noises->layout.n1 + OCTAVE_NOISE_DOUBLED];
    /* From the top down: which pairs of nodes each grid must have for the one above it. */
    int64_t begin = first;
    int64_t end = first + (int64_t)count;
    for (int64_t grid = grids - INT64_C(1); grid > INT64_C(-1); grid -= 1) {
        const int64_t pair = floor_division_64(begin, INT64_C(2));
        spans.at[(ix)grid] = pair;
        spans.at[1 * spans.n1 + (ix)grid] = floor_division_64(end + INT64_C(1), INT64_C(2)) - pair;
        end = pair + spans.at[1 * spans.n1 + (ix)grid] + INT64_C(4);
        begin = pair - INT64_C(3);
    }
    const uint64_t key = hashing_mix_hash(noises->keys.at[number], variant);
    for (int64_t grid = INT64_C(0); grid < grids; grid++) {
        const ix pairs = (ix)spans.at[1 * spans.n1 + (ix)grid];
        /* The grid below begins on an even node at or before the one that is needed. */
        const ix skipped = grid > INT64_C(0) ? (ix)(spans.at[(ix)grid] - INT64_C(3) - INT64_C(2) *
            spans.at[(ix)grid - 1]) : -1;
        /* The last grid lands in row 1. */
        const int64_t row = INT64_C(1) + floor_remainder_64(grids - INT64_C(1) - grid, INT64_C(2));
        doubles_1 nodes = (doubles_1){scratch.at + (ix)row * scratch.n1, scratch.n1};
        doubles_1 below = (doubles_1){scratch.at + (3 - (ix)row) * scratch.n1, scratch.n1};
        if (grid < octaves) {
            const int64_t place = INT64_C(2) * (first_octave + grid);
            doubles_2 taps = (doubles_2){noises->taps.at + (ix)place * noises->taps.n1, (ix)place + 2 -
                (ix)place, noises->taps.n1};
            const uint64_t octave_key = hashing_mix_hash(key, (uint64_t)grid);
            octave_noise_fill_grid(octave_key, spans.at[(ix)grid], pairs, skipped, taps,
                (doubles_1){scratch.at, scratch.n1}, below, nodes);
        } else {
            for (ix i = 0; i < 2 * pairs; i++) {
                nodes.at[i] = 0.0;
            }
            octave_noise_add_raised(below, skipped, pairs, nodes);
        }
    }
    return (ix)(first - INT64_C(2) * spans.at[(ix)grids - 1]);
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
 * number, variant, noises
 *     As for :func:`fill_nodes`.
 * sample : int64
 *     Where the stretch begins.
 * reach : float
 *     Its length, in samples.
 *
 * Returns
 * -------
 * column : int
 *     Column of the first node in row 1: rows 0, 2 and 3 hold the rest of its cubic from column 0 on.
 * start : float
 *     Where the stretch begins behind that node, in node spacings.
 */
KERNEL octave_noise__make_cubics_result octave_noise_make_cubics(ix number, uint64_t variant, int64_t sample,
    double reach, const Noises *noises)
{
    doubles_2 scratch = noises->scratch;
    const exact_places_place_of_result result_1 = exact_places_place_of(sample, (uint64s_1){noises->rates.at +
        number * noises->rates.n1, noises->rates.n1});
    const int64_t node = result_1.m0;
    const double start = result_1.m1;
    const ix count = (ix)(start + noises->values.at[number * noises->values.n1 + OCTAVE_NOISE_PER_SAMPLE] *
        reach) + 1;
    const ix column = octave_noise_fill_nodes(number, variant, node - INT64_C(4), count + 1 + 8, noises);
    octave_noise_fill_cubics((doubles_1){scratch.at + 1 * scratch.n1 + column, scratch.n1 - column}, count,
        (doubles_1){scratch.at, scratch.n1}, (doubles_1){scratch.at + 2 * scratch.n1, scratch.n1},
        (doubles_1){scratch.at + 3 * scratch.n1, scratch.n1});
    return (octave_noise__make_cubics_result){column + OCTAVE_NOISE_MARGIN, start};
}

/*
 * Add a slow noise to a curve: values, and slopes per point.
 *
 * Parameters
 * ----------
 * number, variant, noises
 *     As for :func:`fill_nodes`.
 * sample : int64
 *     Sample that the first point lies on.
 * step : int
 *     Samples from one point to the next.
 * out_values, out_slopes : ndarray, shape (points,)
 *     Are added to.
 */
KERNEL void octave_noise_add_noise_curve(ix number, uint64_t variant, int64_t sample, ix step, const Noises
    *noises, doubles_1 out_values, doubles_1 out_slopes)
{
    if (noises->layout.at[number * noises->layout.n1 + OCTAVE_NOISE_OCTAVES] == INT64_C(0)) {
        return;
    }
    const ix points = out_values.n0;
    const octave_noise__make_cubics_result result_1 = octave_noise_make_cubics(number, variant, sample,
        (double)(step * (points - 1)), noises);
    const ix column = result_1.m0;
    const double start = result_1.m1;
    const double per_point = (double)step * noises->values.at[number * noises->values.n1 +
        OCTAVE_NOISE_PER_SAMPLE];
    doubles_1 nodes = (doubles_1){noises->scratch.at + 1 * noises->scratch.n1 + column, noises->scratch.n1 -
        column};
    doubles_1 slopes = (doubles_1){noises->scratch.at, noises->scratch.n1};
    doubles_1 leans = (doubles_1){noises->scratch.at + 2 * noises->scratch.n1, noises->scratch.n1};
    doubles_1 bends = (doubles_1){noises->scratch.at + 3 * noises->scratch.n1, noises->scratch.n1};
    for (ux i = (ux)0; i < (ux)points; i++) {
        const double place = start + per_point * (double)i;
        const ux k = (ux)(int32_t)place;
        const double u = place - (double)k;
        out_values.at[(ix)i] += nodes.at[(ix)k] + u * (slopes.at[(ix)k] + u * (leans.at[(ix)k] + u *
            bends.at[(ix)k]));
        out_slopes.at[(ix)i] += per_point * (slopes.at[(ix)k] + u * (2.0 * leans.at[(ix)k] + u * 3.0 *
            bends.at[(ix)k]));
    }
}

/* Add a noise to every sample from `sample` on; arguments as for :func:`add_noise_curve`. */
KERNEL void octave_noise_add_noise_samples(ix number, uint64_t variant, int64_t sample, const Noises *noises,
    doubles_1 out)
{
    if (noises->layout.at[number * noises->layout.n1 + OCTAVE_NOISE_OCTAVES] == INT64_C(0)) {
        return;
    }
    const octave_noise__make_cubics_result result_1 = octave_noise_make_cubics(number, variant, sample,
        (double)(out.n0 - 1), noises);
    const ix column = result_1.m0;
    const double start = result_1.m1;
    const double per_sample = noises->values.at[number * noises->values.n1 + OCTAVE_NOISE_PER_SAMPLE];
    doubles_1 nodes = (doubles_1){noises->scratch.at + 1 * noises->scratch.n1 + column, noises->scratch.n1 -
        column};
    doubles_1 slopes = (doubles_1){noises->scratch.at, noises->scratch.n1};
    doubles_1 leans = (doubles_1){noises->scratch.at + 2 * noises->scratch.n1, noises->scratch.n1};
    doubles_1 bends = (doubles_1){noises->scratch.at + 3 * noises->scratch.n1, noises->scratch.n1};
    for (ux i = (ux)0; i < (ux)out.n0; i++) {
        const double place = start + per_sample * (double)i;
        const ux k = (ux)(int32_t)place;
        const double u = place - (double)k;
        out.at[(ix)i] += nodes.at[(ix)k] + u * (slopes.at[(ix)k] + u * (leans.at[(ix)k] + u *
            bends.at[(ix)k]));
    }
}
