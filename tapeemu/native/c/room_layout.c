/* Generated from room_layout.py (afd7f96c263e56fb); do not edit. SPDX-License-Identifier: ISC */

/*
 * How a room is laid out: decay times by octaves, lengths of lines, scatter, signs and orders, and how it turns.
 *
 * Everything here follows from settings and sample rate. What is drawn at random comes from hashed counters, keyed
 * by the room's seed and by what it is for. The lines' lengths are primes, so that no two lines share a period; the
 * mixing is Sylvester's Hadamard matrix with signs and a permutation, which costs L log2 L additions for L lines.
 * What is mixed is orthogonal whatever permutation, signs and rotation are; the network around it is then lossless
 * for any set of delays, and stable with any loss, even while the rotation moves (Schlecht & Habets, "Time-varying
 * feedback matrices in feedback delay networks", J. Acoust. Soc. Am. 138, 2015).
 */

#include "room_layout.h"

#define ROOM_LAYOUT_BANDS 9
#define ROOM_LAYOUT_BAND_OF_1_KHZ 4
#define ROOM_LAYOUT_USABLE_RATIO REAL(0x1.ccccccccccccdp-2)
#define ROOM_LAYOUT_DEFAULT_DECAY_SECONDS REAL(2.0)
#define ROOM_LAYOUT_DEFAULT_LOW_RATIO REAL(0x1.199999999999ap+0)
#define ROOM_LAYOUT_DEFAULT_HIGH_RATIO REAL(0.5)
#define ROOM_LAYOUT_LOW_CORNER_HZ REAL(300.0)
#define ROOM_LAYOUT_HIGH_CORNER_HZ REAL(4000.0)
#define ROOM_LAYOUT_LEAST_RATE REAL(0x1.999999999999ap-5)
#define ROOM_LAYOUT_LN2 REAL(0x1.62e42fefa39efp-1)
#define ROOM_LAYOUT_MEAN_LINE_SECONDS REAL(0x1.999999999999ap-4)
#define ROOM_LAYOUT_LONGEST_PART_OF_DECAY REAL(0x1.999999999999ap-3)
#define ROOM_LAYOUT_LARGEST_SIZE_GROWTH REAL(0x1.6a09e667f3bcdp+0)
#define ROOM_LAYOUT_STEEP_SECONDS REAL(0x1.999999999999ap-2)
#define ROOM_LAYOUT_LONGEST_TO_SHORTEST_LOG REAL(0x1.cab0bfa2a2002p+0)
#define ROOM_LAYOUT_LINE_SCATTER REAL(0x1.3333333333333p-2)
#define ROOM_LAYOUT_PRIME_SLACK 256
#define ROOM_LAYOUT_DIFFUSER_SPAN REAL(0x1.3333333333333p-1)
#define ROOM_LAYOUT_TAP_SPAN REAL(0x1.999999999999ap-3)
#define ROOM_LAYOUT_RATE_SPREAD REAL(0x1.6666666666666p-2)
#define ROOM_LAYOUT_SMOOTHING REAL(9.0)
#define ROOM_LAYOUT_LEAST_ANGLE REAL(0x1.ccccccccccccdp-1)
#define ROOM_LAYOUT_DENSE REAL(0x1.4cccccccccccdp+0)
#define ROOM_LAYOUT_DENSE_SLOPE REAL(0x1.3333333333333p-1)
#define ROOM_LAYOUT_SHORTEST_TAIL REAL(0.25)
#define ROOM_LAYOUT_LONGEST_TAIL REAL(3.0)
#define ROOM_LAYOUT_LONGEST_CELL 256
#define ROOM_LAYOUT_SHORTEST_CELL 4
#define ROOM_LAYOUT_CALM_SPREAD REAL(0x1.999999999999ap-5)
#define ROOM_LAYOUT_ALIKE REAL(0x1.12e0be826d695p-30)
#define ROOM_LAYOUT_HALF_OCTAVE REAL(0x1.699c0f7e86e10p+0)
#define ROOM_LAYOUT_PHASES REAL(0x1.0000000000000p+60)
#define ROOM_LAYOUT_PHASES_LEFT UINT64_C(16)
#define ROOM_LAYOUT_FOR_LINES UINT64_C(1)
#define ROOM_LAYOUT_LENGTHS UINT64_C(0)
#define ROOM_LAYOUT_ORDER UINT64_C(1)
#define ROOM_LAYOUT_HALF REAL(0.5)

/* Exact centre of a band (IEC 61260-1, base ten); band 4 is that of 1 kHz. */
KERNEL double room_layout_octave_hz(ix band)
{
    const double steps = (double)(band - ROOM_LAYOUT_BAND_OF_1_KHZ);
    return 1000.0 * elementary_power_of_ten(0x1.3333333333333p-2 * steps);
}

/* Count of the octave bands, from 63 Hz up, that lie below 0.45 of the sample rate. */
KERNEL ix room_layout_usable_bands(double sample_rate)
{
    ix found = 0;
    while (found < ROOM_LAYOUT_BANDS && room_layout_octave_hz(found) <= 0x1.ccccccccccccdp-2 * sample_rate) {
        found += 1;
    }
    return found;
}

/* Share of the lows at a frequency: 1 at 0 Hz, a half at the low corner. */
KERNEL double room_layout_low_part(double frequency_hz)
{
    const double ratio = frequency_hz / 300.0;
    return 1.0 / (1.0 + ratio * ratio);
}

/* Share of the highs at a frequency: a half at the high corner, near 1 far above. */
KERNEL double room_layout_high_part(double frequency_hz)
{
    const double ratio = 4000.0 / frequency_hz;
    return 1.0 / (1.0 + ratio * ratio);
}

/*
 * Decay time of a band from the one at 1 kHz and two ratios, those of 125 Hz and of 8 kHz to it.
 *
 * The absorption (1/T) is that of a broad low band around 300 Hz and a broad high band around 4 kHz, as
 * first-order shelves have it, on top of a constant; T is exact at 125 Hz, 1 kHz and 8 kHz. The law is ours;
 * it is the shape that costs least to realise.
 */
KERNEL double room_layout_decay_by_ratios(double decay_seconds, double low_ratio, double high_ratio, ix band)
{
    const double middle_hz = room_layout_octave_hz(ROOM_LAYOUT_BAND_OF_1_KHZ);
    const double bottom_hz = room_layout_octave_hz(1);
    const double top_hz = room_layout_octave_hz(7);
    const double low_middle = room_layout_low_part(middle_hz);
    const double high_middle = room_layout_high_part(middle_hz);
    const double a = room_layout_low_part(bottom_hz) - low_middle;
    const double b = room_layout_high_part(bottom_hz) - high_middle;
    const double c = room_layout_low_part(top_hz) - low_middle;
    const double d = room_layout_high_part(top_hz) - high_middle;
    const double left = 1.0 / low_ratio - 1.0;
    const double right = 1.0 / high_ratio - 1.0;
    const double low = (left * d - b * right) / (a * d - b * c);
    const double high = (a * right - left * c) / (a * d - b * c);
    const double where_hz = room_layout_octave_hz(band);
    const double rate = 1.0 + low * (room_layout_low_part(where_hz) - low_middle) + high *
        (room_layout_high_part(where_hz) - high_middle);
    return decay_seconds / larger_double(rate, 0x1.999999999999ap-5);
}

/* Decay time of a band of a table: over bands that are left out its logarithm goes straight. */
KERNEL double room_layout_table_decay(doubles_1 seconds, int64s_1 given, ix band)
{
    ix below = -1;
    ix above = -1;
    for (ix other = 0; other < ROOM_LAYOUT_BANDS; other++) {
        if (given.at[other] != INT64_C(0)) {
            if (other <= band) {
                below = other;
            }
            if (other >= band && above < 0) {
                above = other;
            }
        }
    }
    if (below < 0) {
        below = above;
    }
    if (above < 0) {
        above = below;
    }
    const double first = seconds.at[below];
    if (above == below) {
        return first;
    }
    const double way = (double)(band - below);
    const double whole = (double)(above - below);
    const double start = elementary_logarithm(first);
    return elementary_exponential(start + way / whole * (elementary_logarithm(seconds.at[above]) - start));
}

/* Decay time, in seconds, that an octave band shall read. */
KERNEL double room_layout_decay_of_band(const RoomSettings *settings, ix band)
{
    bool tabled = false;
    for (ix other = 0; other < ROOM_LAYOUT_BANDS; other++) {
        tabled = tabled || settings->bands_given.at[other] != INT64_C(0);
    }
    double decay = 2.0;
    if (settings->decay_given != 0) {
        decay = settings->decay_seconds;
    }
    if (!tabled) {
        double low = 0x1.199999999999ap+0;
        if (settings->low_given != 0) {
            low = settings->low_decay_ratio;
        }
        double high = 0.5;
        if (settings->high_given != 0) {
            high = settings->high_decay_ratio;
        }
        return room_layout_decay_by_ratios(decay, low, high, band);
    }
    const double value = room_layout_table_decay(settings->band_seconds, settings->bands_given, band);
    if (settings->decay_given == 0) {
        return value;
    }
    return value * (decay / room_layout_table_decay(settings->band_seconds, settings->bands_given,
        ROOM_LAYOUT_BAND_OF_1_KHZ));
}

/* Longest decay time of the bands that the sample rate has room for. */
KERNEL double room_layout_slowest_decay_seconds(const RoomSettings *settings, double sample_rate)
{
    double slowest = room_layout_decay_of_band(settings, 0);
    const ix stop_1 = room_layout_usable_bands(sample_rate);
    for (ix band = 1; band < stop_1; band++) {
        slowest = larger_double(slowest, room_layout_decay_of_band(settings, band));
    }
    return slowest;
}

/* Mean length of a line that the settings ask for, before it becomes a prime. */
KERNEL double room_layout_mean_line_samples(const RoomSettings *settings, double sample_rate)
{
    double shortest = room_layout_decay_of_band(settings, 1);
    for (ix band = 2; band < 8; band++) {
        shortest = smaller_double(shortest, room_layout_decay_of_band(settings, band));
    }
    double sharpest = 0.0;
    double steepest = 0.0;
    double below = 0.0;
    for (ix band = 0; band < 8; band++) {
        const double step = elementary_logarithm(room_layout_decay_of_band(settings, band + 1) /
            room_layout_decay_of_band(settings, band)) / 0x1.62e42fefa39efp-1;
        const double octaves_up = (double)larger_integer(band - 1, 0);
        steepest = larger_double(steepest, magnitude_double(step) *
            elementary_power_of_ten(-0x1.3333333333333p-2 * octaves_up));
        if (band > 0) {
            sharpest = larger_double(sharpest, magnitude_double(step - below));
        }
        below = step;
    }
    /* Bends of the table are made by filters in the lines: the longer the pass, the harder they are to make. */
    sharpest = larger_double(sharpest, 1.0);
    const double longest_mean = 0x1.999999999999ap-3 * shortest / (sharpest * sharpest);
    const double size = settings->size_percent / 100.0;
    double growth = size;
    if (size > 1.0) {
        growth = square_root_double(square_root_double(size));
    }
    double mean = smaller_double(0x1.999999999999ap-4 * size, longest_mean * growth);
    const double lines = (double)settings->lines;
    const double needed = 0x1.999999999999ap-2 / lines * steepest;
    mean = smaller_double(square_root_double(mean * mean + needed * needed), longest_mean *
        0x1.6a09e667f3bcdp+0);
    return mean * sample_rate;
}

/* Key of random numbers for a purpose. */
KERNEL uint64_t room_layout_room_key(const RoomSettings *settings, uint64_t purpose, uint64_t number)
{
    return hashing_stream_key(settings->room_seed, purpose, number);
}

/* Length of a line in terms of the shortest's place, in rising order: scattered on a geometric series. */
KERNEL double room_layout_relative_length(uint64_t key, ix line, ix lines)
{
    double place = (double)line;
    const double steps = (double)(lines - 1);
    place = place + 0x1.3333333333333p-2 * (hashing_uniform(key, (uint64_t)(int64_t)line) - 0.5);
    return elementary_exponential(0x1.cab0bfa2a2002p+0 * (place / steps));
}

/* Length that a line should have, in samples, at least 2. */
KERNEL double room_layout_wanted_length(const RoomSettings *settings, double mean, ix line)
{
    const uint64_t key = room_layout_room_key(settings, ROOM_LAYOUT_FOR_LINES, ROOM_LAYOUT_LENGTHS);
    double total = 0.0;
    for (ix other = 0; other < settings->lines; other++) {
        total += room_layout_relative_length(key, other, settings->lines);
    }
    const double lines = (double)settings->lines;
    return larger_double(room_layout_relative_length(key, line, settings->lines) * (mean / (total / lines)),
        2.0);
}

/* Samples that no line is longer than. */
KERNEL ix room_layout_longest_line_samples(const RoomSettings *settings, double sample_rate)
{
    const double mean = room_layout_mean_line_samples(settings, sample_rate);
    return (ix)ceiling_of_double(room_layout_wanted_length(settings, mean, settings->lines - 1)) +
        ROOM_LAYOUT_PRIME_SLACK;
}

/* Whether a number has no divisors, by trying them. */
KERNEL bool room_layout_is_prime(ix number)
{
    if (number < 4) {
        return number > 1;
    }
    if (floor_remainder(number, 2) == 0) {
        return false;
    }
    ix divisor = 3;
    while (divisor * divisor <= number) {
        if (floor_remainder(number, divisor) == 0) {
            return false;
        }
        divisor += 2;
    }
    return true;
}

/* Whether a number is a prime that is not among the first `count` of `chosen`. */
KERNEL bool room_layout_is_free_prime(ix number, int64s_1 chosen, ix count)
{
    if (!room_layout_is_prime(number)) {
        return false;
    }
    bool free = true;
    for (ix other = 0; other < count; other++) {
        free = free && chosen.at[other] != (int64_t)number;
    }
    return free;
}

/* Prime nearest to a length that is not among the first `count` of `chosen`; the lower of two equals. */
KERNEL ix room_layout_nearest_free_prime(double wanted, int64s_1 chosen, ix count)
{
    ix lower = (ix)floor_of_double(wanted);
    while (lower > 1 && !room_layout_is_free_prime(lower, chosen, count)) {
        lower -= 1;
    }
    ix upper = (ix)floor_of_double(wanted) + 1;
    while (!room_layout_is_free_prime(upper, chosen, count)) {
        upper += 1;
    }
    if (lower < 2) {
        return upper;
    }
    return wanted - (double)lower <= (double)upper - wanted ? lower : upper;
}

/* Put the entries in random order (Fisher and Yates). */
KERNEL void room_layout_draw_order(uint64_t key, int64s_1 order)
{
    for (ix last = order.n0 - 1; last > 0; last -= 1) {
        const double choices = (double)(last + 1);
        const ix other = (ix)floor_of_double(hashing_uniform(key, (uint64_t)(int64_t)last) * choices);
        const int64_t held = order.at[last];
        order.at[last] = order.at[other];
        order.at[other] = held;
    }
}

/* Either 1 or -1. */
KERNEL double room_layout_draw_sign(uint64_t key, ix number)
{
    double value = 1.0;
    if (hashing_uniform(key, (uint64_t)(int64_t)number) < 0.5) {
        value = -1.0;
    }
    return value;
}

/* Write distinct primes near the lengths wanted, in random order. */
KERNEL void room_layout_draw_line_delays(const RoomSettings *settings, double mean, int64s_1 delays)
{
    for (ix line = 0; line < settings->lines; line++) {
        delays.at[line] = (int64_t)room_layout_nearest_free_prime(room_layout_wanted_length(settings, mean,
            line), delays, line);
    }
    room_layout_draw_order(room_layout_room_key(settings, ROOM_LAYOUT_FOR_LINES, ROOM_LAYOUT_ORDER), delays);
}

/* Write one delay at random in each of equal parts of a span, in random order: from 0 to less than it. */
KERNEL void room_layout_draw_scatter(uint64_t key, double span, int64s_1 delays)
{
    const double parts = (double)delays.n0;
    for (ix k = 0; k < delays.n0; k++) {
        delays.at[k] = (int64_t)k;
    }
    room_layout_draw_order(key, delays);
    for (ix k = 0; k < delays.n0; k++) {
        const double part = (double)delays.at[k];
        /* Counters of their own, behind those of the order. */
        const double inside = hashing_uniform(key, (uint64_t)(int64_t)(delays.n0 + k));
        delays.at[k] = (int64_t)(ix)floor_of_double((part + inside) * span / parts);
    }
}

/* Samples over which both stages of the diffuser scatter together. */
KERNEL double room_layout_diffuser_span_samples(const RoomSettings *settings, double mean)
{
    return 0x1.3333333333333p-1 * mean * settings->diffusion_percent / 100.0;
}

/* Samples over which a channel's taps are scattered. */
KERNEL double room_layout_tap_span_samples(double mean)
{
    return 0x1.999999999999ap-3 * mean;
}

/* The pre-delay, rounded to samples: halves to even. */
KERNEL ix room_layout_pre_delay_samples(const RoomSettings *settings, double sample_rate)
{
    const double exact = settings->pre_delay_seconds * sample_rate;
    const ix whole = (ix)floor_of_double(exact);
    const double rest = exact - (double)whole;
    const bool odd = floor_remainder(whole, 2) == 1;
    if (rest == 0.5 && !odd) {
        return whole;
    }
    return rest >= 0.5 ? whole + 1 : whole;
}

/*
 * Write how fast every pair turns to and fro, each a little differently, and where it stands at sample 0.
 *
 * Parameters
 * ----------
 * key : uint64
 *     Of this swing's random numbers.
 * hertz : float
 *     Mean rate.
 * sample_rate : float
 * rates, phases : ndarray, shape (swings, lines / 2)
 *     Row `swing` gets turns per sample, and turns, in units of 2^-64.
 * swing : int
 */
KERNEL void room_layout_draw_swings(uint64_t key, double hertz, double sample_rate, uint64s_2 rates, uint64s_2
    phases, ix swing)
{
    for (ix pair = 0; pair < rates.n1; pair++) {
        const double spread = 1.0 + 0x1.6666666666666p-2 * (2.0 * hashing_uniform(key,
            (uint64_t)(int64_t)pair) - 1.0);
        const double turns = spread * hertz / sample_rate;
        rates.at[swing * rates.n1 + pair] = (uint64_t)(int64_t)(turns * 0x1.0000000000000p+60) *
            ROOM_LAYOUT_PHASES_LEFT;
        const double start = hashing_uniform(key, (uint64_t)(int64_t)(rates.n1 + pair));
        phases.at[swing * phases.n1 + pair] = (uint64_t)(int64_t)(start * 0x1.0000000000000p+60) *
            ROOM_LAYOUT_PHASES_LEFT;
    }
}

/* The largest that a rate becomes in any pair. */
KERNEL double room_layout_spread_rate(double rate)
{
    return 0x1.599999999999ap+0 * rate;
}

/*
 * Angle, in radians to each side at the network's own rate, that the mixing must turn for a smooth tail.
 *
 * A still network has as many modes per hertz as there are seconds in all its lines. Where a decay lasts
 * longer than that, modes are heard one by one. Every pass through a turning mixing spreads a mode by
 * some part of (angle times rate), and passes add up as powers, so modes meet if the angle is some
 * multiple of 1 / sqrt(whole_seconds * lines * decay). The law is ours; its constants are from our own
 * measurements of tails.
 */
KERNEL double room_layout_needed_angle(double whole_seconds, ix lines, double decay_seconds)
{
    const double sparse = smaller_double(larger_double((0x1.4cccccccccccdp+0 - whole_seconds / decay_seconds)
        / 0x1.3333333333333p-1, 0.0), 1.0);
    const double lasting = smaller_double(larger_double(decay_seconds / 0.25 - 1.0, 0.0), 1.0);
    const double passes = smaller_double(larger_double(decay_seconds, 0.5), 3.0);
    const double rows = (double)lines;
    const double meeting = larger_double(9.0 / square_root_double(whole_seconds * rows * passes),
        0x1.ccccccccccccdp-1);
    return sparse * lasting * meeting;
}

/*
 * Angle in radians times rate in hertz that the mixing may turn by as set, so that octaves keep their decays.
 *
 * Every pass through a mixing that turns by an angle A at a rate r moves sound by A r / sqrt(2) Hz (RMS), up or
 * down, and passes add up as powers: while a decay of T seconds falls by 30 dB,
 * ``A r sqrt(T / (4 pass_seconds))`` hertz. Where an octave decays for much longer than the next one, what it
 * loses there makes it read shorter, and the other one longer. The law is ours.
 *
 * Parameters
 * ----------
 * settings : RoomSettings
 * pass_seconds : float
 *     Mean length of a line.
 * sample_rate : float
 *     Samples per second.
 *
 * Returns
 * -------
 * float
 *     Without bound, 1e300, where all octaves decay alike.
 */
KERNEL double room_layout_widest_turning_hz(const RoomSettings *settings, double pass_seconds, double
    sample_rate)
{
    double widest = 0x1.7e43c8800759cp+996;
    double below = room_layout_decay_of_band(settings, 0);
    const ix stop_1 = room_layout_usable_bands(sample_rate);
    for (ix band = 1; band < stop_1; band++) {
        const double above = room_layout_decay_of_band(settings, band);
        const double step = magnitude_double(elementary_logarithm(above / below));
        if (step > 0x1.12e0be826d695p-30) {
            const double passes = larger_double(above, below) / (4.0 * pass_seconds);
            const double edge_hz = room_layout_octave_hz(band) / 0x1.699c0f7e86e10p+0;
            widest = smaller_double(widest, 0x1.999999999999ap-5 * edge_hz / (step *
                square_root_double(passes)));
        }
        below = above;
    }
    return widest;
}

/*
 * Samples between exact angles; negative if lines between them are curved, see `rotate` of the network.
 *
 * Interpolation costs under 0.3 % of the decay time: angles d apart cost ``4.34 d^2 / 6`` dB a pass along
 * straight lines, ``4.34 d^4 / 40`` dB along curved ones, where the decay takes ``60 pass_of_decay`` dB.
 */
KERNEL ix room_layout_cell_samples(double radians_per_sample, double pass_of_decay)
{
    const double longest = 256.0;
    if (radians_per_sample * longest <= square_root_double(0.25 * pass_of_decay)) {
        return ROOM_LAYOUT_LONGEST_CELL;
    }
    const double apart = square_root_double(square_root_double(0x1.999999999999ap+0 * pass_of_decay));
    const double samples = apart / radians_per_sample;
    ix cell = ROOM_LAYOUT_SHORTEST_CELL;
    while (cell < ROOM_LAYOUT_LONGEST_CELL && (double)(cell * 2) <= samples) {
        cell *= 2;
    }
    return -cell;
}
