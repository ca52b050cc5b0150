/* Generated from the kernels of the processors; do not edit. SPDX-License-Identifier: ISC
 *
 * Settings of a stage are numbers in the order of these names. Tables follow behind them: of each its
 * dimensions, then its values.
 */
#ifndef TAPEEMU_SETTINGS_H
#define TAPEEMU_SETTINGS_H

/* Kinds of stages. */
enum {
    TAPEEMU_AMPLITUDE_FLUTTER = 0,
    TAPEEMU_DRIVE = 1,
    TAPEEMU_WOW_FLUTTER = 2,
    TAPEEMU_KINDS = 3
};

/*
 * Settings of an AmplitudeFlutter.
 * spacing
 * 1 if filters move, 0 if gains do.
 * periodic_parts : ndarray, shape (parts, 4)
 * Rate in Hz, peak in dB, phase in degrees, and 1 if the phase is set.
 * random_db, random_low_hz, random_high_hz, channel_correlation, spacing_frequency_hz
 * As in the processor.
 * dropouts_per_minute, dropout_least_db, dropout_most_db, dropout_shortest_ms, dropout_longest_ms
 * As in the processor.
 * dropouts_on_all_channels
 * 1 or 0.
 * seed
 * Of the tape.
 */
enum {
    TAPEEMU_AMPLITUDE_FLUTTER_SPACING = 0, /* whole */
    TAPEEMU_AMPLITUDE_FLUTTER_RANDOM_DB = 1, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_RANDOM_LOW_HZ = 2, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_RANDOM_HIGH_HZ = 3, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_CHANNEL_CORRELATION = 4, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_SPACING_FREQUENCY_HZ = 5, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_DROPOUTS_PER_MINUTE = 6, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_DROPOUT_LEAST_DB = 7, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_DROPOUT_MOST_DB = 8, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_DROPOUT_SHORTEST_MS = 9, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_DROPOUT_LONGEST_MS = 10, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_DROPOUTS_ON_ALL_CHANNELS = 11, /* whole */
    TAPEEMU_AMPLITUDE_FLUTTER_SEED = 12, /* whole */
    /* then the table periodic_parts: real, 2 dimension(s) */
    TAPEEMU_AMPLITUDE_FLUTTER_NUMBERS = 13
};

/*
 * Settings of a PreampDrive.
 * drive_db, drive_given
 * Gain into the curve, and 1 if it is set; 6 dB if neither it nor the distortion is.
 * thd_percent, thd_given
 * Distortion of a sine at the reference level, and 1 if it is set.
 * reference_level_dbfs, asymmetry_percent, level_matched, high_pass_hz
 * As in the processor; the switch is 1 or 0.
 */
enum {
    TAPEEMU_DRIVE_DRIVE_DB = 0, /* real */
    TAPEEMU_DRIVE_DRIVE_GIVEN = 1, /* whole */
    TAPEEMU_DRIVE_THD_PERCENT = 2, /* real */
    TAPEEMU_DRIVE_THD_GIVEN = 3, /* whole */
    TAPEEMU_DRIVE_REFERENCE_LEVEL_DBFS = 4, /* real */
    TAPEEMU_DRIVE_ASYMMETRY_PERCENT = 5, /* real */
    TAPEEMU_DRIVE_LEVEL_MATCHED = 6, /* whole */
    TAPEEMU_DRIVE_HIGH_PASS_HZ = 7, /* real */
    TAPEEMU_DRIVE_NUMBERS = 8
};

/*
 * Settings of a WowFlutter: the mixture of what moves, as set, as left out or as the profile has it.
 * parts : ndarray, shape (parts, 4)
 * Rotating parts: rate in Hz, peak in percent, phase in turns, and 1 if it is set.
 * random_percent, random_slope_db_per_octave, random_low_hz, random_high_hz
 * The random part.
 * scrape_percent, scrape_low_hz, scrape_high_hz
 * Scrape flutter of its own band.
 * scale
 * Factor on all that moves but azimuth and speed error, from the weighted figure.
 * settling_percent
 * Flutter that settling is held against.
 * speed_error_percent, azimuth_skew_us, azimuth_wander_us, reader_taps, seed
 * As in the processor.
 */
enum {
    TAPEEMU_WOW_FLUTTER_RANDOM_PERCENT = 0, /* real */
    TAPEEMU_WOW_FLUTTER_RANDOM_SLOPE_DB_PER_OCTAVE = 1, /* real */
    TAPEEMU_WOW_FLUTTER_RANDOM_LOW_HZ = 2, /* real */
    TAPEEMU_WOW_FLUTTER_RANDOM_HIGH_HZ = 3, /* real */
    TAPEEMU_WOW_FLUTTER_SCRAPE_PERCENT = 4, /* real */
    TAPEEMU_WOW_FLUTTER_SCRAPE_LOW_HZ = 5, /* real */
    TAPEEMU_WOW_FLUTTER_SCRAPE_HIGH_HZ = 6, /* real */
    TAPEEMU_WOW_FLUTTER_SCALE = 7, /* real */
    TAPEEMU_WOW_FLUTTER_SETTLING_PERCENT = 8, /* real */
    TAPEEMU_WOW_FLUTTER_SPEED_ERROR_PERCENT = 9, /* real */
    TAPEEMU_WOW_FLUTTER_AZIMUTH_SKEW_US = 10, /* real */
    TAPEEMU_WOW_FLUTTER_AZIMUTH_WANDER_US = 11, /* real */
    TAPEEMU_WOW_FLUTTER_READER_TAPS = 12, /* whole */
    TAPEEMU_WOW_FLUTTER_SEED = 13, /* whole */
    /* then the table parts: real, 2 dimension(s) */
    TAPEEMU_WOW_FLUTTER_NUMBERS = 14
};

#endif
