/* Generated from tape_noise.py (60874f410178f7c7); do not edit. SPDX-License-Identifier: ISC */

/*
 * Noise of the tape, from settings to sound: hiss, modulation noise, hum.
 *
 * Hiss is white noise of hashed numbers behind linear-phase filters at three rates, each an eighth of the one before:
 * a short filter at every rate gives the spectrum from treble to the lowest octave, and any stretch of the tape is
 * computed on the spot. What a filter leaves of the spectrum below its own reach is the next one's target, so the sum
 * of the three has the density asked for.
 */

#include "tape_noise.h"

#define TAPE_NOISE_AT 0
#define TAPE_NOISE_CELL 1
#define TAPE_NOISE_GLIDE_ARRAYS 2
#define TAPE_NOISE_PIECE 128
#define TAPE_NOISE_HISS 0
#define TAPE_NOISE_SKIRT 1
#define TAPE_NOISE_HUM 2
#define TAPE_NOISE_PARTS 3
#define TAPE_NOISE_STEP 8
#define TAPE_NOISE_LEVELS 3
#define TAPE_NOISE_SLOWEST 64
#define TAPE_NOISE_HALF_FAST 72
#define TAPE_NOISE_HALF_SLOWEST_SECONDS REAL(0x1.999999999999ap-5)
#define TAPE_NOISE_RAISE_TAPS 12
#define TAPE_NOISE_RAISE_HALF 6
#define TAPE_NOISE_POINTS 512
#define TAPE_NOISE_MIDDLES 16
#define TAPE_NOISE_SLOWS 2
#define TAPE_NOISE_HELD_MIDDLES 32
#define TAPE_NOISE_HELD_SLOWS 15
#define TAPE_NOISE_1 (ux)1
#define TAPE_NOISE_2 (ux)2
#define TAPE_NOISE_3 (ux)3
#define TAPE_NOISE_REACH REAL(0x1.147ae147ae148p-2)
#define TAPE_NOISE_PASSED REAL(0x1.3333333333333p-2)
#define TAPE_NOISE_PER_2_53 REAL(0x1.0000000000000p-53)
#define TAPE_NOISE_PI REAL(0x1.921fb54442d18p+1)
#define TAPE_NOISE_NEPERS_PER_DB REAL(0x1.d791c5f888823p-4)
#define TAPE_NOISE_LAW_TO_HZ REAL(20000.0)
#define TAPE_NOISE_NOTHING_FROM_HZ REAL(30000.0)
#define TAPE_NOISE_QUASI_PEAK_DB REAL(0x1.0d70a3d70a3d7p+2)
#define TAPE_NOISE_HARMONICS 5
#define TAPE_NOISE_KEYS 5
#define TAPE_NOISE_FIRST_DB REAL(-60.0)
#define TAPE_NOISE_SIZE_OF_FIRST REAL(0x1.0ab3333333333p+10)
#define TAPE_NOISE_POWER_OF_FIRST REAL(0x1.2639673f2114ap+14)
#define TAPE_NOISE_HISS_ON 0
#define TAPE_NOISE_SKIRT_ON 1
#define TAPE_NOISE_HUM_ON 2
#define TAPE_NOISE_CHANNELS 3
#define TAPE_NOISE_PLACE 0
#define TAPE_NOISE_PIECE_MADE 1
#define TAPE_NOISE_ANY_MADE 2
#define TAPE_NOISE_ADDED_NOISE UINT64_C(11)

/* Half length of the filter at the slowest rate: 50 ms, long enough for a corner of 50 Hz. */
KERNEL ix tape_noise_half_of_slow(double sample_rate)
{
    return 4 * larger_integer(6, (ix)(0x1.999999999999ap-7 * sample_rate / 64.0 + 0.5));
}

/*
 * Write the dimensions of every array of :class:`TapeNoiseMemory`.
 *
 * Parameters
 * ----------
 * settings : TapeNoiseSettings
 * sample_rate : float
 *     Samples per second.
 * channels : int
 * shapes : ndarray, shape (24, 3)
 *     Gets a row for each array; dimensions that it has not are 1.
 */
KERNEL void tape_noise_shapes(const TapeNoiseSettings *settings, double sample_rate, ix channels, int64s_2
    shapes)
{
    (void)settings;
    for (ix i = 0; i < shapes.n0; i++) {
        for (ix j = 0; j < shapes.n1; j++) {
            shapes.at[i * shapes.n1 + j] = INT64_C(1);
        }
    }
    const ix half = tape_noise_half_of_slow(sample_rate);
    shapes.at[0] = INT64_C(4);
    shapes.at[1 * shapes.n1] = INT64_C(3);
    shapes.at[2 * shapes.n1] = (int64_t)(TAPE_NOISE_KEYS * channels);
    shapes.at[3 * shapes.n1] = INT64_C(1);
    shapes.at[4 * shapes.n1] = INT64_C(73);
    shapes.at[5 * shapes.n1] = INT64_C(73);
    shapes.at[6 * shapes.n1] = (int64_t)(half + 1);
    shapes.at[7 * shapes.n1] = INT64_C(73);
    shapes.at[8 * shapes.n1] = (int64_t)(half + 1);
    shapes.at[9 * shapes.n1] = INT64_C(8);
    shapes.at[9 * shapes.n1 + 1] = INT64_C(12);
    shapes.at[10 * shapes.n1] = INT64_C(5);
    shapes.at[11 * shapes.n1] = (int64_t)channels;
    shapes.at[11 * shapes.n1 + 1] = INT64_C(128);
    shapes.at[12 * shapes.n1] = (int64_t)channels;
    shapes.at[12 * shapes.n1 + 1] = INT64_C(128);
    shapes.at[13 * shapes.n1] = INT64_C(128);
    shapes.at[14 * shapes.n1] = INT64_C(3);
    glides_glide_shapes(TAPE_NOISE_PARTS, 15, shapes);
    const ix row = 17;
    shapes.at[row * shapes.n1] = INT64_C(3);
    shapes.at[row * shapes.n1 + 1] = INT64_C(128);
    shapes.at[(row + 1) * shapes.n1] = (int64_t)channels;
    shapes.at[(row + 1) * shapes.n1 + 1] = INT64_C(272);
    for (ix of_rows = row + 2; of_rows < row + 6; of_rows++) {
        shapes.at[of_rows * shapes.n1] = (int64_t)(2 * channels);
    }
    shapes.at[(row + 2) * shapes.n1 + 1] = INT64_C(176);
    shapes.at[(row + 3) * shapes.n1 + 1] = (int64_t)(TAPE_NOISE_HELD_SLOWS + 2 * half);
    shapes.at[(row + 4) * shapes.n1 + 1] = INT64_C(15);
    shapes.at[(row + 5) * shapes.n1 + 1] = INT64_C(32);
    shapes.at[(row + 6) * shapes.n1] = INT64_C(1);
    shapes.at[(row + 6) * shapes.n1 + 1] = INT64_C(512);
}

/* Samples by which the output is late: none. */
KERNEL ix tape_noise_latency(const TapeNoiseSettings *settings, double sample_rate, ix channels)
{
    (void)settings;
    (void)sample_rate;
    (void)channels;
    return 0;
}

/* Samples that sound on behind the input: none of its own; noise has no end. */
KERNEL int64_t tape_noise_tail(const TapeNoiseSettings *settings, double sample_rate, ix channels, double
    level_db)
{
    (void)settings;
    (void)sample_rate;
    (void)channels;
    (void)level_db;
    return INT64_C(0);
}

/* Whether it sounds by itself: 1 with hiss or hum; modulation noise is of the input. */
KERNEL ix tape_noise_adds_sound(const TapeNoiseSettings *settings)
{
    return settings->hiss == 1 || settings->hum == 1 ? 1 : 0;
}

/*
 * Power density of the hiss, not yet scaled.
 *
 * Flux of independent particles in a coating, ``(1 - exp(-2 k d)) / (2 k d) exp(-2 k a)`` with the wave number k,
 * thickness d and distance a, behind the replay equalisation.
 */
KERNEL double tape_noise_hiss_density(const TapeNoiseSettings *settings, double frequency_hz)
{
    const double k = 0x1.921fb54442d18p+2 * frequency_hz / (0x1.47ae147ae147bp-7 * settings->tape_speed_cm_s);
    const double thick = 2.0 * k * 0x1.0c6f7a0b5ed8dp-20 * settings->coating_um;
    double flux = 1.0 - 0.5 * thick;
    if (thick > 0x1.0c6f7a0b5ed8dp-20) {
        flux = (1.0 - elementary_exponential(-thick)) / thick;
    }
    flux = flux * elementary_exponential(-2.0 * k * 0x1.0c6f7a0b5ed8dp-20 * settings->spacing_um);
    const double above = 0x1.921fb54442d18p+2 * frequency_hz * 0x1.0c6f7a0b5ed8dp-20 * settings->treble_us;
    double level = flux * (1.0 + above * above);
    if (settings->bass_us > 0.0) {
        const double below = 0x1.921fb54442d18p+2 * frequency_hz * 0x1.0c6f7a0b5ed8dp-20 * settings->bass_us;
        level = level * below * below / (1.0 + below * below);
    }
    return level * elementary_fade(frequency_hz, 30000.0, 20000.0);
}

/* A-weighting of IEC 61672-1:2013, annex E, as a power ratio that is 1 at 1 kHz. */
KERNEL double tape_noise_a_weighting_power(double frequency_hz)
{
    const double f2 = frequency_hz * frequency_hz;
    const double low = f2 + 0x1.a85194d7acc87p+8;
    const double high = f2 + 0x1.1b9ee607c762ap+27;
    const double middle = (f2 + 0x1.6a28be920f0bbp+13) * (f2 + 0x1.09d7157469bb3p+19);
    const double above = f2 * f2 * 0x1.1b9ee607c762ap+27;
    return 0x1.95b3527dfa62bp+0 * above * above / (low * low * high * high * middle);
}

/* Weighting of ITU-R BS.468-4, a power ratio that is 1 at 1 kHz: the rational function commonly published. */
KERNEL double tape_noise_itu468_power(double frequency_hz)
{
    const double f = frequency_hz;
    const double f2 = f * f;
    const double even = ((-0x1.6e88aa69b4d61p-78 * f2 + 0x1.268bf4d6b6784p-49) * f2 - 0x1.24e4e8ca191bbp-23) *
        f2 + 1.0;
    const double odd = ((0x1.3483dd5dabf14p-63 * f2 - 0x1.74a109150c974p-36) * f2 + 0x1.237a2f650df60p-11) *
        f;
    const double gain = 0x1.0ac081a5c9f42p-10 * f;
    return gain * gain / (even * even + odd * odd);
}

/* Response of a symmetric filter, given from its middle tap on, at a frequency in turns per number. */
KERNEL double tape_noise_gain_at(reals_1 taps, double turns)
{
    double total = (double)taps.at[0];
    for (ix n = 1; n < taps.n0; n++) {
        total += 2.0 * (double)taps.at[n] * elementary_cosine_of_turns(turns * (double)n);
    }
    return total;
}

/*
 * Design a symmetric filter with a given response, by frequency sampling under a window (Hann).
 *
 * Parameters
 * ----------
 * gains : ndarray, shape (points,)
 *     Response at ``(i + 0.5) / (2 * points)`` turns per number.
 * taps : ndarray, shape (half + 1,)
 *     Gets one half of the filter, the middle tap first.
 */
KERNEL void tape_noise_design_filter(doubles_1 gains, reals_1 taps)
{
    const ix points = gains.n0;
    for (ix n = 0; n < taps.n0; n++) {
        double total = 0.0;
        for (ix i = 0; i < points; i++) {
            total += gains.at[i] * elementary_cosine_of_turns(((double)i + 0.5) * (double)n / (2.0 *
                (double)points));
        }
        const double window = 0.5 + 0.5 * elementary_cosine_of_turns(0.5 * (double)n / (double)taps.n0);
        taps.at[n] = (real)(total / (double)points * window);
    }
}

/* As :func:`tapeemu.dsp.kernels.elementary.bessel_i0`, but with the last bits that hiss has always had. */
KERNEL double tape_noise_bessel_i0(double x)
{
    double total = 1.0;
    double term = 1.0;
    for (ix n = 1; n < 40; n++) {
        term = term * (0.5 * x / (double)n) * (0.5 * x / (double)n);
        total += term;
    }
    return total;
}

/* Taps that raise a rate by eight: a sinc under a Kaiser window, images 70 dB down. */
KERNEL void tape_noise_design_raising(reals_2 raising)
{
    const real shape = REAL(0x1.b0a3d70a3d70ap+2);
    for (ix phase = 0; phase < TAPE_NOISE_STEP; phase++) {
        double total = 0.0;
        for (ix k = 0; k < TAPE_NOISE_RAISE_TAPS; k++) {
            const real away = (real)((double)(k - 5) - (double)phase / 8.0);
            const real inside = larger(REAL(1.0) - away / REAL(6.0) * (away / REAL(6.0)), REAL(0.0));
            double value = tape_noise_bessel_i0((double)(shape * square_root(inside))) /
                tape_noise_bessel_i0((double)shape);
            if (away != REAL(0.0)) {
                value = value * elementary_cosine_of_turns((double)(REAL(0.5) * away - REAL(0.25))) /
                    (double)(TAPE_NOISE_PI * away);
            }
            raising.at[phase * raising.n1 + k] = (real)value;
            total += value;
        }
        for (ix k = 0; k < TAPE_NOISE_RAISE_TAPS; k++) {
            raising.at[phase * raising.n1 + k] = (real)((double)raising.at[phase * raising.n1 + k] / total);
        }
    }
}

/* Power of :func:`hiss_density` up to a frequency, behind the weighting by which the level is told. */
KERNEL double tape_noise_weighted_power(const TapeNoiseSettings *settings, double top_hz)
{
    const ix count = 2048;
    double total = 0.0;
    for (ix i = 0; i < count; i++) {
        const double f = ((double)i + 0.5) * top_hz / (double)count;
        const double weight = settings->weighting == 1 ? tape_noise_itu468_power(f) :
            tape_noise_a_weighting_power(f);
        total += weight * tape_noise_hiss_density(settings, f);
    }
    return total * top_hz / (double)count;
}

/*
 * A-weighted level of the hiss of a medium, re a sine at the reference level.
 *
 * Counted to 20 kHz. Of equal magnetisation, its power goes with one over speed, thickness and width of the
 * track.
 */
KERNEL double tape_noise_hiss_of_medium_db(const TapeNoiseSettings *settings)
{
    const double power = tape_noise_weighted_power(settings, 20000.0);
    const double size = settings->tape_speed_cm_s * settings->coating_um * settings->track_width_mm;
    return 0x1.15f2ced384f29p+2 * elementary_logarithm(power / 0x1.2639673f2114ap+14 * 0x1.0ab3333333333p+10 /
        size) + -60.0;
}

/* Factor on :func:`hiss_density` that gives the weighted level asked for, for a density per hertz. */
KERNEL double tape_noise_scale_of_hiss(const TapeNoiseSettings *settings, double sample_rate)
{
    double level_db = settings->hiss_db;
    if (settings->hiss_set == 0) {
        level_db = tape_noise_hiss_of_medium_db(settings);
    }
    level_db = level_db + settings->reference_level_dbfs;
    if (settings->weighting == 1) {
        level_db = level_db - 0x1.0d70a3d70a3d7p+2;
    }
    const double top = smaller_double(0.5 * sample_rate, 30000.0);
    return 0.5 * elementary_exponential(0x1.d791c5f888823p-3 * level_db) / tape_noise_weighted_power(settings,
        top);
}

/* Power density, not scaled: of the hiss, or of the modulation noise, which is that of one pole. */
KERNEL double tape_noise_density(const TapeNoiseSettings *settings, bool of_skirt, double frequency_hz)
{
    const double relative = frequency_hz / settings->skirt_hz;
    return of_skirt ? 1.0 / (1.0 + relative * relative) : tape_noise_hiss_density(settings, frequency_hz);
}

/*
 * Design the filters of the rates, from the fastest on; each has what the ones before left.
 *
 * Modulation noise has none at the sample rate.
 *
 * Parameters
 * ----------
 * settings : TapeNoiseSettings
 * sample_rate : float
 * of_skirt : bool
 *     Whether it is the modulation noise.
 * scale : float
 *     Factor on :func:`density`.
 * memory : TapeNoiseMemory
 *     Scratch, and the filter at the sample rate.
 * middle, slow : ndarray
 *     Get the filters of the other rates.
 */
KERNEL void tape_noise_design_filters(const TapeNoiseSettings *settings, double sample_rate, bool of_skirt,
    double scale, const TapeNoiseMemory *memory, reals_1 middle, reals_1 slow)
{
    doubles_1 gains = (doubles_1){memory->design.at, memory->design.n1};
    for (ix level = of_skirt ? 1 : 0; level < TAPE_NOISE_LEVELS; level++) {
        ix step = 1;
        for (ix _ = 0; _ < level; _++) {
            step = step * TAPE_NOISE_STEP;
        }
        const double rate = sample_rate / (double)step;
        const double below = 0x1.147ae147ae148p-2 * rate / 8.0;
        for (ix i = 0; i < TAPE_NOISE_POINTS; i++) {
            const double f = ((double)i + 0.5) * 0.5 * rate / 512.0;
            double left = scale * tape_noise_density(settings, of_skirt, f);
            if (level > 0 && !of_skirt) {
                /* What a filter of a faster rate gives is its squared response over that rate, one-sided. */
                const double fast = tape_noise_gain_at(memory->fast, f / sample_rate);
                left -= 2.0 * fast * fast / sample_rate;
            }
            if (level > 1) {
                const double between = tape_noise_gain_at(middle, f * 8.0 / sample_rate);
                left -= 2.0 * between * between * 8.0 / sample_rate;
            }
            double gain = square_root_double(larger_double(left, 0.0) * 0.5 * rate);
            if (level > 0) {
                gain = gain * elementary_fade(f, 0x1.3333333333333p-2 * rate, 0x1.147ae147ae148p-2 * rate);
            }
            if (level < 2) {
                gain = gain * elementary_fade(f, 0x1.999999999999ap-2 * below, 0x1.ccccccccccccdp-1 * below);
            }
            gains.at[i] = gain;
        }
        if (level == 0) {
            tape_noise_design_filter(gains, memory->fast);
        } else if (level == 1) {
            tape_noise_design_filter(gains, middle);
        } else {
            tape_noise_design_filter(gains, slow);
        }
    }
}

/* Sum of the squares of a symmetric filter's taps. */
KERNEL double tape_noise_power_of(reals_1 taps)
{
    double power = 0.0;
    for (ix n = 0; n < taps.n0; n++) {
        const double tap = (double)taps.at[n];
        power += (double)(n == 0 ? REAL(1.0) : REAL(2.0)) * tap * tap;
    }
    return power;
}

/* Design the filters of the modulation noise; their rms is that asked for. */
KERNEL void tape_noise_design_skirt(const TapeNoiseSettings *settings, double sample_rate, const
    TapeNoiseMemory *memory)
{
    const double one = 1.0;
    tape_noise_design_filters(settings, sample_rate, true, one, memory, memory->skirt_middle,
        memory->skirt_slow);
    const double power = tape_noise_power_of(memory->skirt_middle) + tape_noise_power_of(memory->skirt_slow);
    const double factor = elementary_exponential(0x1.d791c5f888823p-4 * settings->skirt_db) /
        square_root_double(power);
    for (ix n = 0; n < memory->skirt_middle.n0; n++) {
        memory->skirt_middle.at[n] = (real)((double)memory->skirt_middle.at[n] * factor);
    }
    for (ix n = 0; n < memory->skirt_slow.n0; n++) {
        memory->skirt_slow.at[n] = (real)((double)memory->skirt_slow.at[n] * factor);
    }
}

/* Peaks of the odd harmonics, one over their number, with the rms asked for; and the turns per sample. */
KERNEL void tape_noise_design_hum(const TapeNoiseSettings *settings, double sample_rate, const TapeNoiseMemory
    *memory)
{
    double power = 0.0;
    for (ix n = 0; n < TAPE_NOISE_HARMONICS; n++) {
        power += 1.0 / (double)((2 * n + 1) * (2 * n + 1));
    }
    const double rms = elementary_exponential(0x1.d791c5f888823p-4 * (settings->hum_db +
        settings->reference_level_dbfs)) / square_root_double(2.0);
    for (ix n = 0; n < TAPE_NOISE_HARMONICS; n++) {
        const bool heard = (double)(2 * n + 1) * settings->mains_hz < 0x1.ccccccccccccdp-2 * sample_rate;
        memory->hum_peaks.at[n] = (real)(heard ? rms * square_root_double(2.0 / power) / (double)(2 * n + 1) :
            0.0);
    }
    const double turns = settings->mains_hz / sample_rate;
    /* In two halves of 32 bits: a double holds 53. */
    const double upper = floor_of_double(turns * 0x1.0000000000000p+32);
    const double lower = floor_of_double((turns * 0x1.0000000000000p+32 - upper) * 0x1.0000000000000p+32);
    memory->turns.at[0] = (uint64_t)(int64_t)upper * UINT64_C(0x100000000) + (uint64_t)(int64_t)lower;
}

/*
 * Fill the plan; the tape stands at `start_sample`.
 *
 * Parameters
 * ----------
 * settings : TapeNoiseSettings
 * sample_rate : float
 *     Samples per second.
 * channels : int
 * start_sample : int
 *     Place on the tape, in samples; any size, negative ones too.
 * track : int
 *     Of the tape. Every channel of every track has noise of its own.
 * memory : TapeNoiseMemory
 *     As :func:`tape_noise_shapes` says, of zeros.
 */
KERNEL void tape_noise_design(const TapeNoiseSettings *settings, double sample_rate, ix channels, int64_t
    start_sample, int64_t track, const TapeNoiseMemory *memory)
{
    memory->switches.at[TAPE_NOISE_HISS_ON] = (int64_t)settings->hiss;
    memory->switches.at[TAPE_NOISE_SKIRT_ON] = (int64_t)settings->skirt;
    memory->switches.at[TAPE_NOISE_HUM_ON] = (int64_t)settings->hum;
    memory->switches.at[TAPE_NOISE_CHANNELS] = (int64_t)channels;
    const uint64_t on_track = hashing_stream_key(settings->seed, TAPE_NOISE_ADDED_NOISE, (uint64_t)track);
    for (ix channel = 0; channel < channels; channel++) {
        const uint64_t of_channel = hashing_mix_hash(on_track, (uint64_t)channel);
        for (ix part = 0; part < TAPE_NOISE_KEYS; part++) {
            memory->keys.at[TAPE_NOISE_KEYS * channel + part] = hashing_mix_hash(of_channel, (uint64_t)part);
        }
    }
    tape_noise_design_raising(memory->raising);
    if (settings->hiss == 1) {
        const double scale = tape_noise_scale_of_hiss(settings, sample_rate);
        tape_noise_design_filters(settings, sample_rate, false, scale, memory, memory->middle, memory->slow);
    }
    if (settings->skirt == 1) {
        tape_noise_design_skirt(settings, sample_rate, memory);
    }
    if (settings->hum == 1) {
        tape_noise_design_hum(settings, sample_rate, memory);
    }
    const double one = 1.0;
    for (ix part = 0; part < TAPE_NOISE_PARTS; part++) {
        memory->levels.at[part] = tape_noise_level_db(settings, part);
        glides_glide_rest(part, one, &memory->glide);
    }
    glides_glide_design(sample_rate, start_sample, &memory->glide);
    tape_noise_seek(memory, start_sample);
}

/* Level in dB that the gain of a part follows when settings move; hiss that follows from the medium stays. */
KERNEL double tape_noise_level_db(const TapeNoiseSettings *settings, ix part)
{
    if (part == TAPE_NOISE_SKIRT) {
        return settings->skirt_db;
    }
    if (part == TAPE_NOISE_HUM) {
        return settings->hum_db + settings->reference_level_dbfs;
    }
    return (settings->hiss_set == 1 ? settings->hiss_db : 0.0) + settings->reference_level_dbfs;
}

/*
 * Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.
 *
 * Of the settings those of `TAPE_NOISE_MOVES` may differ from the ones that it was designed for.
 */
KERNEL void tape_noise_change(const TapeNoiseSettings *settings, double sample_rate, ix channels, const
    TapeNoiseMemory *memory)
{
    (void)sample_rate;
    (void)channels;
    for (ix part = 0; part < TAPE_NOISE_PARTS; part++) {
        const double raised = tape_noise_level_db(settings, part) - memory->levels.at[part];
        glides_glide_target(part, elementary_exponential(0x1.d791c5f888823p-4 * raised), &memory->glide);
    }
}

/* Go to another place on the tape. */
KERNEL void tape_noise_seek(const TapeNoiseMemory *memory, int64_t place)
{
    glides_glide_seek(place, &memory->glide);
    memory->state.at[TAPE_NOISE_PLACE] = place;
    memory->state.at[TAPE_NOISE_ANY_MADE] = INT64_C(0);
}

/* Write white noise from column `begin` on; column 0 has number `first`. */
KERNEL void tape_noise_fill_numbers(uint64_t key, int64_t first, ix begin, reals_1 numbers)
{
    const uint64_t start = (uint64_t)first;
    for (ux i = (ux)begin; i < (ux)numbers.n0; i++) {
        numbers.at[(ix)i] = (real)hashing_white(key, start + (uint64_t)i);
    }
}

/*
 * Write `count` numbers of filtered noise.
 *
 * Parameters
 * ----------
 * taps : ndarray, shape (half + 1,)
 *     One half of the symmetric filter, the middle tap first; half a multiple of four.
 * count : int
 * numbers : ndarray, shape (count + 2 * half or more,)
 *     White noise, from half a filter before the first number on.
 * out : ndarray, shape (count or more,)
 *     Gets the numbers.
 */
KERNEL void tape_noise_filter_numbers(reals_1 taps, ix count, reals_1 numbers, reals_1 out)
{
    const ix half = taps.n0 - 1;
    const ux size = (ux)count;
    const ux centre = (ux)half;
    for (ux i = (ux)0; i < size; i++) {
        out.at[(ix)i] = taps.at[0] * numbers.at[(ix)centre + (ix)i];
    }
    for (ix group = 0; group < floor_division(half, 4); group++) {
        const ux n = (ux)(4 * group + 1);
        const real a = taps.at[(ix)n];
        const real b = taps.at[(ix)n + (ix)TAPE_NOISE_1];
        const real c = taps.at[(ix)n + (ix)TAPE_NOISE_2];
        const real d = taps.at[(ix)n + (ix)TAPE_NOISE_3];
        const ux above = centre + n;
        const ux below = centre - n;
        for (ux i = (ux)0; i < size; i++) {
            const real left = a * (numbers.at[(ix)below + (ix)i] + numbers.at[(ix)above + (ix)i]) + b *
                (numbers.at[(ix)below + (ix)i - (ix)TAPE_NOISE_1] + numbers.at[(ix)above + (ix)i +
                (ix)TAPE_NOISE_1]);
            real right = c * (numbers.at[(ix)below + (ix)i - (ix)TAPE_NOISE_2] + numbers.at[(ix)above + (ix)i
                + (ix)TAPE_NOISE_2]);
            right += d * (numbers.at[(ix)below + (ix)i - (ix)TAPE_NOISE_3] + numbers.at[(ix)above + (ix)i +
                (ix)TAPE_NOISE_3]);
            out.at[(ix)i] += left + right;
        }
    }
}

/*
 * Add a signal, raised to eight times its rate, to the first ``8 * count`` numbers of `out`.
 *
 * ``out[0]`` lies on ``low[5]``.
 */
KERNEL void tape_noise_add_raised(reals_1 low, reals_2 raising, ix count, reals_1 out)
{
    for (ux phase = (ux)0; phase < (ux)8; phase++) {
        for (ux m = (ux)0; m < (ux)count; m++) {
            double total = 0.0;
            for (ux k = (ux)0; k < (ux)12; k++) {
                total += (double)(raising.at[(ix)phase * raising.n1 + (ix)k] * low.at[(ix)m + (ix)k]);
            }
            out.at[(ix)((ux)8 * m) + (ix)phase] = (real)((double)out.at[(ix)((ux)8 * m) + (ix)phase] + total);
        }
    }
}

/* Drop the first `count` numbers of a row; the others move to its front. */
KERNEL void tape_noise_move_on(reals_1 row, ix count)
{
    const ux since = (ux)count;
    for (ux i = (ux)0; i < (ux)(row.n0 - count); i++) {
        row.at[(ix)i] = row.at[(ix)since + (ix)i];
    }
}

/*
 * Fill a row with filtered noise from number `first` on.
 *
 * Parameters
 * ----------
 * key : uint64
 *     Of its white noise.
 * first : int64
 *     Number of column 0.
 * new : int
 *     Columns that the row was not filled with, if it goes on.
 * taps : ndarray
 *     As for :func:`filter_numbers`.
 * goes_on : bool
 *     Whether both rows hold what is `new` columns earlier; else nothing that is known.
 * numbers : ndarray, shape (columns + 2 * half,)
 *     White noise.
 * out : ndarray, shape (columns,)
 *     The row.
 *
 * Returns
 * -------
 * int
 *     First column that is made now.
 */
KERNEL ix tape_noise_extend_noise(uint64_t key, int64_t first, ix new, reals_1 taps, bool goes_on, reals_1
    numbers, reals_1 out)
{
    const ix begin = goes_on ? out.n0 - new : 0;
    const ix known = goes_on ? numbers.n0 - new : 0;
    if (goes_on) {
        tape_noise_move_on(numbers, new);
        tape_noise_move_on(out, new);
    }
    tape_noise_fill_numbers(key, first - (int64_t)(taps.n0 - 1), known, numbers);
    tape_noise_filter_numbers(taps, out.n0 - begin, (reals_1){numbers.at + begin, numbers.n0 - begin},
        (reals_1){out.at + begin, out.n0 - begin});
    return begin;
}

/* Write noise of the two lower rates round a piece, from two keys on, into a row of ``raised``. */
KERNEL void tape_noise_make_lower_rates(const TapeNoiseMemory *memory, ix row, ix first_key, int64_t piece,
    bool goes_on, reals_1 middle, reals_1 slow)
{
    reals_1 raised = (reals_1){memory->raised.at + row * memory->raised.n1, memory->raised.n1};
    reals_1 slows = (reals_1){memory->slows.at + row * memory->slows.n1, memory->slows.n1};
    const ix begin = tape_noise_extend_noise(memory->keys.at[first_key], piece * INT64_C(16) - INT64_C(8),
        TAPE_NOISE_MIDDLES, middle, goes_on, (reals_1){memory->white_middle.at + row *
        memory->white_middle.n1, memory->white_middle.n1}, raised);
    const int64_t first = piece * INT64_C(2) - INT64_C(1) - INT64_C(5);
    tape_noise_extend_noise(memory->keys.at[first_key + 1], first, TAPE_NOISE_SLOWS, slow, goes_on,
        (reals_1){memory->white_slow.at + row * memory->white_slow.n1, memory->white_slow.n1}, slows);
    const ix steps = floor_division(begin, TAPE_NOISE_STEP);
    tape_noise_add_raised((reals_1){slows.at + steps, slows.n0 - steps}, memory->raising, 4 - steps,
        (reals_1){raised.at + begin, raised.n0 - begin});
}

/* Write the hum from a sample on. */
KERNEL void tape_noise_make_hum(const TapeNoiseMemory *memory, int64_t first)
{
    uint64_t turn = memory->turns.at[0] * (uint64_t)first;
    for (ix i = 0; i < memory->hum.n0; i++) {
        /* The upper 53 bits of the phase. */
        const double turns = (double)(int64_t)(turn >> UINT64_C(11)) * 0x1.0000000000000p-53;
        /* sin((k + 2) x) = 2 cos(2 x) sin(k x) - sin((k - 2) x) */
        const double twice = 2.0 * elementary_cosine_of_turns(2.0 * turns);
        double odd = elementary_sine_of_turns(turns);
        double before = -odd;
        double value = 0.0;
        for (ix n = 0; n < TAPE_NOISE_HARMONICS; n++) {
            value += (double)memory->hum_peaks.at[n] * odd;
            const double following = twice * odd - before;
            before = odd;
            odd = following;
        }
        memory->hum.at[i] = (real)value;
        turn = turn + memory->turns.at[0];
    }
}

/* Write the hiss, the modulation noise and the hum of a piece of the tape, for all channels. */
KERNEL void tape_noise_make_piece(const TapeNoiseMemory *memory, int64_t piece)
{
    int64s_1 state = memory->state;
    const bool goes_on = state.at[TAPE_NOISE_ANY_MADE] == INT64_C(1) && state.at[TAPE_NOISE_PIECE_MADE] +
        INT64_C(1) == piece;
    const ix heard = 3;
    for (ix channel = 0; channel < memory->hiss.n0; channel++) {
        if (memory->switches.at[TAPE_NOISE_HISS_ON] == INT64_C(1)) {
            reals_1 hiss = (reals_1){memory->hiss.at + channel * memory->hiss.n1, memory->hiss.n1};
            reals_1 numbers = (reals_1){memory->white.at + channel * memory->white.n1, memory->white.n1};
            if (goes_on) {
                for (ux i = (ux)0; i < (ux)144; i++) {
                    numbers.at[(ix)i] = numbers.at[(ix)(ux)128 + (ix)i];
                }
            }
            const ix known = goes_on ? 144 : 0;
            tape_noise_fill_numbers(memory->keys.at[TAPE_NOISE_KEYS * channel], piece * INT64_C(128) -
                INT64_C(72), known, numbers);
            tape_noise_filter_numbers(memory->fast, TAPE_NOISE_PIECE, numbers, hiss);
            tape_noise_make_lower_rates(memory, 2 * channel, TAPE_NOISE_KEYS * channel + 1, piece, goes_on,
                memory->middle, memory->slow);
            tape_noise_add_raised((reals_1){memory->raised.at + 2 * channel * memory->raised.n1 + heard,
                memory->raised.n1 - heard}, memory->raising, 16, hiss);
        }
        if (memory->switches.at[TAPE_NOISE_SKIRT_ON] == INT64_C(1)) {
            reals_1 moving = (reals_1){memory->moving.at + channel * memory->moving.n1, memory->moving.n1};
            for (ix i = 0; i < TAPE_NOISE_PIECE; i++) {
                moving.at[i] = REAL(0.0);
            }
            tape_noise_make_lower_rates(memory, 2 * channel + 1, TAPE_NOISE_KEYS * channel + 3, piece,
                goes_on, memory->skirt_middle, memory->skirt_slow);
            tape_noise_add_raised((reals_1){memory->raised.at + (2 * channel + 1) * memory->raised.n1 + heard,
                memory->raised.n1 - heard}, memory->raising, 16, moving);
        }
    }
    if (memory->switches.at[TAPE_NOISE_HUM_ON] == INT64_C(1)) {
        tape_noise_make_hum(memory, piece * INT64_C(128));
    }
    state.at[TAPE_NOISE_PIECE_MADE] = piece;
    state.at[TAPE_NOISE_ANY_MADE] = INT64_C(1);
}

/*
 * Add the noise of the tape to a block.
 *
 * Parameters
 * ----------
 * memory : TapeNoiseMemory
 *     Changed in place.
 * block : ndarray, shape (channels, samples)
 *     Of any length.
 * out : ndarray, shape (channels, samples)
 *     Gets the result; may be `block` itself.
 */
KERNEL void tape_noise_process(const TapeNoiseMemory *memory, reals_2 block, reals_2 out)
{
    real signal = REAL(0.0);
    int64s_1 counts = memory->glide.counts;
    ix done = 0;
    while (done < block.n1) {
        const int64_t place = memory->state.at[TAPE_NOISE_PLACE];
        const int64_t piece = floor_division_64(place, INT64_C(128));
        const ix begin = (ix)(place - piece * INT64_C(128));
        ix count = smaller_integer(block.n1 - done, TAPE_NOISE_PIECE - begin);
        if (memory->state.at[TAPE_NOISE_ANY_MADE] == INT64_C(0) || memory->state.at[TAPE_NOISE_PIECE_MADE] !=
            piece) {
            tape_noise_make_piece(memory, piece);
        }
        reals_1 hum = (reals_1){memory->hum.at + begin, memory->hum.n0 - begin};
        const bool glides = glides_glide_moves(&memory->glide);
        if (glides) {
            const ix at = (ix)counts.at[TAPE_NOISE_AT];
            count = smaller_integer(count, (ix)counts.at[TAPE_NOISE_CELL] - at);
            for (ix part = 0; part < TAPE_NOISE_PARTS; part++) {
                glides_glide_values(part, at, 0, &memory->glide, (reals_1){memory->rows.at + part *
                    memory->rows.n1, count});
            }
        }
        for (ix channel = 0; channel < block.n0; channel++) {
            reals_1 hiss = (reals_1){memory->hiss.at + channel * memory->hiss.n1 + begin, memory->hiss.n1 -
                begin};
            reals_1 moving = (reals_1){memory->moving.at + channel * memory->moving.n1 + begin,
                memory->moving.n1 - begin};
            if (glides) {
                reals_1 of_hiss = (reals_1){memory->rows.at, memory->rows.n1};
                reals_1 of_skirt = (reals_1){memory->rows.at + TAPE_NOISE_SKIRT * memory->rows.n1,
                    memory->rows.n1};
                reals_1 of_hum = (reals_1){memory->rows.at + TAPE_NOISE_HUM * memory->rows.n1,
                    memory->rows.n1};
                for (ix i = 0; i < count; i++) {
                    signal = block.at[channel * block.n1 + done + i];
                    const real added = of_hiss.at[i] * hiss.at[i] + of_hum.at[i] * hum.at[i];
                    out.at[channel * out.n1 + done + i] = signal + signal * (of_skirt.at[i] * moving.at[i]) +
                        added;
                }
            } else {
                for (ix i = 0; i < count; i++) {
                    signal = block.at[channel * block.n1 + done + i];
                    out.at[channel * out.n1 + done + i] = signal + signal * moving.at[i] + (hiss.at[i] +
                        hum.at[i]);
                }
            }
        }
        glides_glide_pass(count, &memory->glide);
        memory->state.at[TAPE_NOISE_PLACE] = place + (int64_t)count;
        done += count;
    }
}
