/* Generated from the kernels of the processors; do not edit. SPDX-License-Identifier: ISC
 *
 * Settings of a stage are numbers in the order of these names. Tables follow behind them: of each its
 * dimensions, then its values.
 */
#ifndef TAPEEMU_SETTINGS_H
#define TAPEEMU_SETTINGS_H

/* Kinds of stages. */
enum {
    TAPEEMU_DRIVE = 0,
    TAPEEMU_KINDS = 1
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

#endif
