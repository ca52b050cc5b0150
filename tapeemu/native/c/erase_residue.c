/* Generated from erase_residue.py (66aad0e6bd821e2c); do not edit. SPDX-License-Identifier: ISC */

/*
 * What erasing leaves of the pass before: see :class:`tapeemu.processors.erase_residue.EraseResidue`.
 *
 * What comes out is on the tape when it comes round again. So the line holds what is given out, and what stood on the
 * tape two passes before is in it, twice as many decibels down.
 */

#include "erase_residue.h"

#define ERASE_RESIDUE_AT 0
#define ERASE_RESIDUE_CELL 1
#define ERASE_RESIDUE_TURN REAL(0x1.921fb54442d18p+2)
#define ERASE_RESIDUE_TOLD_HZ REAL(1000.0)
#define ERASE_RESIDUE_FLUSH REAL(0x1.4484bfeebc2a0p-100)
#define ERASE_RESIDUE_CHUNK 256
#define ERASE_RESIDUE_ALL 0
#define ERASE_RESIDUE_LOWS 1
#define ERASE_RESIDUE_NUMBERS 2

/*
 * Square of a shelf of first order, by which frequency, but for a constant factor.
 *
 * ``(f^2 + z^2) / (f^2 + p^2)`` with the pole p at the corner, and the zero z where 0 Hz is higher than 1 kHz by
 * the rise: ``z^2 / p^2 = R (1 kHz^2 + z^2) / (1 kHz^2 + p^2)``.
 */
KERNEL double erase_residue_law_squared(const EraseResidueSettings *settings, double frequency_hz)
{
    const double square = frequency_hz * frequency_hz;
    const double told = 0x1.e848000000000p+19;
    const double pole = settings->bass_corner_hz * settings->bass_corner_hz;
    const double rise = elementary_power_of_ten(0x1.999999999999ap-4 * settings->bass_rise_db);
    const double zero = pole * rise * told / (told + pole - rise * pole);
    return (square + zero) / (square + pole);
}

/* Gain of one erasure at a frequency: the analogue law that the filter follows. */
KERNEL double erase_residue_residue_gain(const EraseResidueSettings *settings, double frequency_hz)
{
    const double left = erase_residue_law_squared(settings, frequency_hz) /
        erase_residue_law_squared(settings, 1000.0);
    return elementary_power_of_ten(0x1.999999999999ap-5 * settings->residue_db) * square_root_double(left);
}

/* Coefficient of the low-pass: one less its pole. */
KERNEL double erase_residue_way(const EraseResidueSettings *settings, double sample_rate)
{
    return -elementary_exponential_less_one((double)-ERASE_RESIDUE_TURN * settings->bass_corner_hz /
        sample_rate);
}

/*
 * What is left of all frequencies, and of the lows besides.
 *
 * The pole is that of the law, and the zero is where the filter meets the law at 0 Hz and at 1 kHz. Above, it is
 * then nearer to the law than by the bilinear transform, which bends the upper end.
 *
 * With ``w`` for the way and ``H`` for what is left of 0 Hz, the filter is ``(H w + x (1 - 1 / z)) / (1 - (1 - w)
 * / z)``, where `x` is ``1 - w`` times what is left of all. Its square at 1 kHz gives a square equation for it.
 */
KERNEL erase_residue__numbers_result erase_residue_numbers(const EraseResidueSettings *settings, double
    sample_rate)
{
    const double way = erase_residue_way(settings, sample_rate);
    const double pole = 1.0 - way;
    const double lowest = erase_residue_residue_gain(settings, 0.0);
    const double told = erase_residue_residue_gain(settings, 1000.0);
    const double chord = 2.0 * elementary_sine_of_turns(500.0 / sample_rate);
    const double half = 0.5 * lowest * way;
    const double rest = way * way * (told * told - lowest * lowest) / (chord * chord) + told * told * pole;
    const double everywhere = (square_root_double(half * half + rest) - half) / pole;
    return (erase_residue__numbers_result){everywhere, lowest - everywhere};
}

/* Samples by which what stood on the tape is earlier. */
KERNEL ix erase_residue_pass_samples(const EraseResidueSettings *settings, double sample_rate)
{
    return (ix)(settings->earlier_seconds * sample_rate + 0.5);
}

/* Samples by which the output is late: none. */
KERNEL ix erase_residue_latency(const EraseResidueSettings *settings, double sample_rate, ix channels)
{
    (void)settings;
    (void)sample_rate;
    (void)channels;
    return 0;
}

/*
 * Time constants in which that many low-passes in a row fall from one to what is left, by halves.
 *
 * Their answer to the end of a constant is ``exp(-u) (1 + u + u^2 / 2 + ...)`` with as many terms as low-passes.
 */
KERNEL double erase_residue_fading(ix times, double left)
{
    double low = 0.0;
    double high = 4.0 * (double)times - 4.0 * elementary_logarithm(left);
    for (ix _ = 0; _ < 40; _++) {
        const double middle = 0.5 * (low + high);
        double term = elementary_exponential(-middle);
        double total = term;
        for (ix k = 1; k < times; k++) {
            term = term * middle / (double)k;
            total += term;
        }
        if (total > left) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return high;
}

/* Samples that sound on: all passes in which lows are above the level, and until they have faded below it. */
KERNEL ix erase_residue_tail(const EraseResidueSettings *settings, double sample_rate, ix channels, double
    level_db)
{
    (void)channels;
    const double lowest_db = settings->residue_db + settings->bass_rise_db;
    ix tail = 0;
    ix passes = 1;
    while ((double)passes * lowest_db > level_db) {
        double fading = 0.0;
        if (settings->bass_rise_db > 0.0) {
            const double left = elementary_power_of_ten(0x1.999999999999ap-5 * (level_db - (double)passes *
                lowest_db));
            fading = erase_residue_fading(passes, left) * sample_rate / (0x1.921fb54442d18p+2 *
                settings->bass_corner_hz);
        }
        tail = larger_integer(tail, passes * erase_residue_pass_samples(settings, sample_rate) +
            (ix)ceiling_of_double(fading));
        passes += 1;
    }
    return tail;
}

/* Write the shapes of the arrays of :class:`EraseResidueMemory`, a row for each. */
KERNEL void erase_residue_shapes(const EraseResidueSettings *settings, double sample_rate, ix channels,
    int64s_2 shapes)
{
    ix row = memory_shapes_shape_row(1, 1, shapes, 0);
    row = memory_shapes_shape_row(1, 1, shapes, row);
    row = memory_shapes_shape_row(channels, erase_residue_pass_samples(settings, sample_rate), shapes, row);
    row = memory_shapes_shape_row(channels, 1, shapes, row);
    row = memory_shapes_shape_row(ERASE_RESIDUE_NUMBERS, ERASE_RESIDUE_CHUNK, shapes, row);
    glides_glide_shapes(ERASE_RESIDUE_NUMBERS, row, shapes);
}

/* Fill the plan; every track is erased alike, everywhere on the tape. */
KERNEL void erase_residue_design(const EraseResidueSettings *settings, double sample_rate, ix channels,
    int64_t start_sample, int64_t track, const EraseResidueMemory *memory)
{
    (void)channels;
    (void)track;
    memory->plan.at[0] = erase_residue_way(settings, sample_rate);
    const erase_residue__numbers_result result_1 = erase_residue_numbers(settings, sample_rate);
    const double everywhere = result_1.m0;
    const double lows = result_1.m1;
    glides_glide_rest(ERASE_RESIDUE_ALL, everywhere, &memory->glide);
    glides_glide_rest(ERASE_RESIDUE_LOWS, lows, &memory->glide);
    glides_glide_design(sample_rate, start_sample, &memory->glide);
    erase_residue_seek(memory, start_sample);
}

/*
 * Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.
 *
 * Of the settings those of `ERASE_RESIDUE_MOVES` may differ from the ones that it was designed for. The pole
 * stays where it is, so whatever the gains do, nothing rings by it.
 */
KERNEL void erase_residue_change(const EraseResidueSettings *settings, double sample_rate, ix channels, const
    EraseResidueMemory *memory)
{
    (void)channels;
    const erase_residue__numbers_result result_1 = erase_residue_numbers(settings, sample_rate);
    const double everywhere = result_1.m0;
    const double lows = result_1.m1;
    glides_glide_target(ERASE_RESIDUE_ALL, everywhere, &memory->glide);
    glides_glide_target(ERASE_RESIDUE_LOWS, lows, &memory->glide);
}

/* Go to another place on the tape, which is blank; nothing that sounded before is left. */
KERNEL void erase_residue_seek(const EraseResidueMemory *memory, int64_t place)
{
    kept_rows_clear_rows(memory->line);
    for (ix channel = 0; channel < memory->lows.n0; channel++) {
        memory->lows.at[channel] = 0.0;
    }
    memory->counts.at[0] = INT64_C(0);
    glides_glide_seek(place, &memory->glide);
}

/*
 * Add to samples what was left of a stretch of the line, and write them to it; returns the low-pass.
 *
 * A rest below 1e-30 is none, so that silence ends in exact zeros and never in denormal numbers.
 *
 * Parameters
 * ----------
 * way : float
 *     Share of its way that the low-pass goes in a sample.
 * rows : ndarray, shape (2, count or more)
 *     What is left of all frequencies and of the lows, sample by sample.
 * count : int
 * line, audio : ndarray, shape (count or more,)
 *     The pass before, and this one; both become what is on the tape now.
 * lows : float
 *     The low-pass where it stands.
 */
KERNEL double erase_residue_record_over(double way, reals_2 rows, ix count, reals_1 line, reals_1 audio,
    double lows)
{
    for (ux i = (ux)0; i < (ux)count; i++) {
        const double before = (double)line.at[(ix)i];
        lows = lows + way * (before - lows);
        lows = magnitude_double(lows) > 0x1.4484bfeebc2a0p-100 ? lows : 0.0;
        double rest = (double)rows.at[(ix)i] * before + (double)rows.at[ERASE_RESIDUE_LOWS * rows.n1 + (ix)i]
            * lows;
        rest = magnitude_double(rest) > 0x1.4484bfeebc2a0p-100 ? rest : 0.0;
        audio.at[(ix)i] = (real)((double)audio.at[(ix)i] + rest);
        line.at[(ix)i] = audio.at[(ix)i];
    }
    return lows;
}

/*
 * Add to a block what erasing has left of the pass before.
 *
 * Parameters
 * ----------
 * memory : EraseResidueMemory
 *     Changed in place.
 * block : ndarray, shape (channels, samples)
 *     Of any length.
 * out : ndarray, shape (channels, samples)
 *     Gets the result; may be `block` itself.
 */
KERNEL void erase_residue_process(const EraseResidueMemory *memory, reals_2 block, reals_2 out)
{
    reals_2 line = memory->line;
    reals_2 rows = memory->rows;
    int64s_1 counts = memory->glide.counts;
    const ix channels = block.n0;
    const ix samples = block.n1;
    ix done = 0;
    while (done < samples) {
        ix column = (ix)memory->counts.at[0];
        ix count = smaller_integer(smaller_integer(samples - done, ERASE_RESIDUE_CHUNK), line.n1 - column);
        if (glides_glide_moves(&memory->glide)) {
            const ix at = (ix)counts.at[ERASE_RESIDUE_AT];
            count = smaller_integer(count, (ix)counts.at[ERASE_RESIDUE_CELL] - at);
            for (ix number = 0; number < ERASE_RESIDUE_NUMBERS; number++) {
                glides_glide_values(number, at, 0, &memory->glide, (reals_1){rows.at + number * rows.n1,
                    count});
            }
        } else {
            for (ix number = 0; number < ERASE_RESIDUE_NUMBERS; number++) {
                for (ix i = 0; i < count; i++) {
                    rows.at[number * rows.n1 + i] = (real)memory->glide.values.at[number *
                        memory->glide.values.n1];
                }
            }
        }
        for (ix channel = 0; channel < channels; channel++) {
            for (ix i = 0; i < count; i++) {
                out.at[channel * out.n1 + done + i] = block.at[channel * block.n1 + done + i];
            }
            reals_1 heard = (reals_1){out.at + channel * out.n1 + done, out.n1 - done};
            memory->lows.at[channel] = erase_residue_record_over(memory->plan.at[0], rows, count,
                (reals_1){line.at + channel * line.n1 + column, line.n1 - column}, heard,
                memory->lows.at[channel]);
        }
        column += count;
        memory->counts.at[0] = (int64_t)(column == line.n1 ? 0 : column);
        glides_glide_pass(count, &memory->glide);
        done += count;
    }
}
