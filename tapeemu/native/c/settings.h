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
    TAPEEMU_CROSSTALK = 1,
    TAPEEMU_DRIVE = 2,
    TAPEEMU_ERASE_RESIDUE = 3,
    TAPEEMU_HEAD_AZIMUTH = 4,
    TAPEEMU_MAGNETISED = 5,
    TAPEEMU_PRINT_THROUGH = 6,
    TAPEEMU_ROOM = 7,
    TAPEEMU_SPLICES = 8,
    TAPEEMU_START_STOP = 9,
    TAPEEMU_TAPE_NOISE = 10,
    TAPEEMU_TAPE_RESPONSE = 11,
    TAPEEMU_WOW_FLUTTER = 12,
    TAPEEMU_KINDS = 13
};

/*
 * Settings of an AmplitudeFlutter.
 * spacing
 * 1 if filters move, 0 if gains do.
 * periodic_parts : ndarray, shape (parts, 4)
 * Rate in Hz, peak in dB, phase in degrees, and 1 if the phase is set.
 * periodic_percent
 * Of the peaks.
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
    TAPEEMU_AMPLITUDE_FLUTTER_PERIODIC_PERCENT = 1, /* real, moves */
    TAPEEMU_AMPLITUDE_FLUTTER_RANDOM_DB = 2, /* real, moves */
    TAPEEMU_AMPLITUDE_FLUTTER_RANDOM_LOW_HZ = 3, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_RANDOM_HIGH_HZ = 4, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_CHANNEL_CORRELATION = 5, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_SPACING_FREQUENCY_HZ = 6, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_DROPOUTS_PER_MINUTE = 7, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_DROPOUT_LEAST_DB = 8, /* real, moves */
    TAPEEMU_AMPLITUDE_FLUTTER_DROPOUT_MOST_DB = 9, /* real, moves */
    TAPEEMU_AMPLITUDE_FLUTTER_DROPOUT_SHORTEST_MS = 10, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_DROPOUT_LONGEST_MS = 11, /* real */
    TAPEEMU_AMPLITUDE_FLUTTER_DROPOUTS_ON_ALL_CHANNELS = 12, /* whole */
    TAPEEMU_AMPLITUDE_FLUTTER_SEED = 13, /* whole */
    /* then the table periodic_parts: real, 2 dimension(s) */
    TAPEEMU_AMPLITUDE_FLUTTER_NUMBERS = 14
};

/*
 * Settings of the crosstalk, as numbers.
 * fringing_db : float
 * Level of the fringing at the longest wavelengths; -120 for none.
 * guard_mm, tape_speed_cm_s : float
 * Distance between two tracks, and speed of the tape.
 * coupling_db : float
 * Level of the coupling at 1 kHz; -120 for none.
 * tracks_heard : int
 * How many tracks away a track is heard, 1 to 3.
 * track_width_mm : float
 * Width of the tracks that lie between.
 * coupling_step_db : float
 * By how much coupling falls with every track further away.
 */
enum {
    TAPEEMU_CROSSTALK_FRINGING_DB = 0, /* real, moves */
    TAPEEMU_CROSSTALK_GUARD_MM = 1, /* real */
    TAPEEMU_CROSSTALK_TAPE_SPEED_CM_S = 2, /* real */
    TAPEEMU_CROSSTALK_COUPLING_DB = 3, /* real, moves */
    TAPEEMU_CROSSTALK_TRACKS_HEARD = 4, /* whole */
    TAPEEMU_CROSSTALK_TRACK_WIDTH_MM = 5, /* real */
    TAPEEMU_CROSSTALK_COUPLING_STEP_DB = 6, /* real, moves */
    TAPEEMU_CROSSTALK_NUMBERS = 7
};

/*
 * Settings of a PreampDrive.
 * drive_db, drive_given
 * Gain into the curve, and 1 if it is set; 6 dB if neither it nor the distortion is.
 * thd_percent, thd_given
 * Distortion of a sine at the reference level, and 1 if it is set.
 * reference_level_dbfs, asymmetry_percent, level_matched, high_pass_hz
 * As in the processor; the switch is 1 or 0.
 * most_oversampling
 * Most times the rate that the curve runs at: 12 for as often as its folding asks for.
 */
enum {
    TAPEEMU_DRIVE_DRIVE_DB = 0, /* real, moves */
    TAPEEMU_DRIVE_DRIVE_GIVEN = 1, /* whole */
    TAPEEMU_DRIVE_THD_PERCENT = 2, /* real, moves */
    TAPEEMU_DRIVE_THD_GIVEN = 3, /* whole */
    TAPEEMU_DRIVE_REFERENCE_LEVEL_DBFS = 4, /* real, moves */
    TAPEEMU_DRIVE_ASYMMETRY_PERCENT = 5, /* real */
    TAPEEMU_DRIVE_LEVEL_MATCHED = 6, /* whole */
    TAPEEMU_DRIVE_HIGH_PASS_HZ = 7, /* real */
    TAPEEMU_DRIVE_MOST_OVERSAMPLING = 8, /* whole */
    TAPEEMU_DRIVE_NUMBERS = 9
};

/*
 * Settings of the erase residue, as numbers.
 * residue_db, bass_rise_db, bass_corner_hz, earlier_seconds
 * As in the processor.
 */
enum {
    TAPEEMU_ERASE_RESIDUE_RESIDUE_DB = 0, /* real, moves */
    TAPEEMU_ERASE_RESIDUE_BASS_RISE_DB = 1, /* real, moves */
    TAPEEMU_ERASE_RESIDUE_BASS_CORNER_HZ = 2, /* real */
    TAPEEMU_ERASE_RESIDUE_EARLIER_SECONDS = 3, /* real */
    TAPEEMU_ERASE_RESIDUE_NUMBERS = 4
};

/*
 * Settings of the azimuth, as numbers.
 * azimuth_urad, wander_urad, wander_low_hz, wander_high_hz, seed
 * As in the processor.
 * tape_speed_cm_s, track_spacing_mm, track_width_mm, tracks
 * As in the processor.
 */
enum {
    TAPEEMU_HEAD_AZIMUTH_AZIMUTH_URAD = 0, /* real, moves */
    TAPEEMU_HEAD_AZIMUTH_WANDER_URAD = 1, /* real, moves */
    TAPEEMU_HEAD_AZIMUTH_WANDER_LOW_HZ = 2, /* real */
    TAPEEMU_HEAD_AZIMUTH_WANDER_HIGH_HZ = 3, /* real */
    TAPEEMU_HEAD_AZIMUTH_TAPE_SPEED_CM_S = 4, /* real */
    TAPEEMU_HEAD_AZIMUTH_TRACK_SPACING_MM = 5, /* real */
    TAPEEMU_HEAD_AZIMUTH_TRACK_WIDTH_MM = 6, /* real */
    TAPEEMU_HEAD_AZIMUTH_SEED = 7, /* whole */
    TAPEEMU_HEAD_AZIMUTH_TRACKS = 8, /* whole */
    TAPEEMU_HEAD_AZIMUTH_NUMBERS = 9
};

/*
 * Settings of a TapeMagnetisation.
 * drive_db, drive_given
 * Field of a full-scale sine, and 1 if it is set; 6 dB if neither it nor the level of 3 % is.
 * mol_db, mol_given
 * Level of 3 % third harmonic above the reference level, and 1 if it is set.
 * reference_level_dbfs, bias_percent, high_pass_hz
 * As in the processor.
 * most_oversampling
 * Most times the rate that the loop is followed at: 12 for as often as its folding asks for.
 */
enum {
    TAPEEMU_MAGNETISED_DRIVE_DB = 0, /* real, moves */
    TAPEEMU_MAGNETISED_DRIVE_GIVEN = 1, /* whole */
    TAPEEMU_MAGNETISED_MOL_DB = 2, /* real, moves */
    TAPEEMU_MAGNETISED_MOL_GIVEN = 3, /* whole */
    TAPEEMU_MAGNETISED_REFERENCE_LEVEL_DBFS = 4, /* real, moves */
    TAPEEMU_MAGNETISED_BIAS_PERCENT = 5, /* real */
    TAPEEMU_MAGNETISED_HIGH_PASS_HZ = 6, /* real */
    TAPEEMU_MAGNETISED_MOST_OVERSAMPLING = 7, /* whole */
    TAPEEMU_MAGNETISED_NUMBERS = 8
};

/*
 * Settings of the print-through, as numbers.
 * level_db, asymmetry_db
 * As in the processor.
 * pre_echo : int
 * 1 with it, 0 without.
 * heads_out : int
 * 1 if the tape begins at the outside, 0 if at the hub.
 * tape_speed_cm_s, coating_um, base_um, hub_radius_mm, full_radius_mm
 * As in the processor.
 */
enum {
    TAPEEMU_PRINT_THROUGH_LEVEL_DB = 0, /* real, moves */
    TAPEEMU_PRINT_THROUGH_ASYMMETRY_DB = 1, /* real, moves */
    TAPEEMU_PRINT_THROUGH_PRE_ECHO = 2, /* whole */
    TAPEEMU_PRINT_THROUGH_HEADS_OUT = 3, /* whole */
    TAPEEMU_PRINT_THROUGH_TAPE_SPEED_CM_S = 4, /* real */
    TAPEEMU_PRINT_THROUGH_COATING_UM = 5, /* real */
    TAPEEMU_PRINT_THROUGH_BASE_UM = 6, /* real */
    TAPEEMU_PRINT_THROUGH_HUB_RADIUS_MM = 7, /* real */
    TAPEEMU_PRINT_THROUGH_FULL_RADIUS_MM = 8, /* real */
    TAPEEMU_PRINT_THROUGH_NUMBERS = 9
};

/*
 * The settings of the reverb as numbers; those that may be left out have a flag beside them.
 * decay_seconds, low_decay_ratio, high_decay_ratio : float
 * Count if their flag is not 0.
 * decay_given, low_given, high_given : int
 * The flags.
 * band_seconds : ndarray, shape (9,)
 * Decay times by octave bands, where `bands_given` is not 0. If none is given, the ratios hold.
 * bands_given : ndarray of int64, shape (9,)
 * pre_delay_seconds, size_percent, diffusion_percent, modulation_percent, modulation_hz : float
 * width_percent, wet_percent : float
 * lines : int
 * 8, 16 or 32.
 * room_seed : uint64
 */
enum {
    TAPEEMU_ROOM_DECAY_SECONDS = 0, /* real, moves */
    TAPEEMU_ROOM_DECAY_GIVEN = 1, /* whole */
    TAPEEMU_ROOM_LOW_DECAY_RATIO = 2, /* real */
    TAPEEMU_ROOM_LOW_GIVEN = 3, /* whole */
    TAPEEMU_ROOM_HIGH_DECAY_RATIO = 4, /* real */
    TAPEEMU_ROOM_HIGH_GIVEN = 5, /* whole */
    TAPEEMU_ROOM_PRE_DELAY_SECONDS = 6, /* real */
    TAPEEMU_ROOM_SIZE_PERCENT = 7, /* real */
    TAPEEMU_ROOM_DIFFUSION_PERCENT = 8, /* real */
    TAPEEMU_ROOM_MODULATION_PERCENT = 9, /* real */
    TAPEEMU_ROOM_MODULATION_HZ = 10, /* real */
    TAPEEMU_ROOM_WIDTH_PERCENT = 11, /* real, moves */
    TAPEEMU_ROOM_WET_PERCENT = 12, /* real, moves */
    TAPEEMU_ROOM_LINES = 13, /* whole */
    TAPEEMU_ROOM_ROOM_SEED = 14, /* whole */
    /* then the table band_seconds: real, 1 dimension(s) */
    /* then the table bands_given: whole, 1 dimension(s) */
    TAPEEMU_ROOM_NUMBERS = 15
};

/*
 * Settings of splices, as numbers.
 * splices : ndarray, shape (splices, 3)
 * In order: place on the tape in seconds, seconds of the recording by which what follows is later, and 1 if
 * it is blank tape.
 * tape_speed_cm_s, track_width_mm, track_spacing_mm : float
 * Speed of the tape, width of a track, and distance from one track to the next, middle to middle.
 * angle_degrees : float
 * Between cut and edge of the tape.
 */
enum {
    TAPEEMU_SPLICES_TAPE_SPEED_CM_S = 0, /* real */
    TAPEEMU_SPLICES_TRACK_WIDTH_MM = 1, /* real */
    TAPEEMU_SPLICES_TRACK_SPACING_MM = 2, /* real */
    TAPEEMU_SPLICES_ANGLE_DEGREES = 3, /* real */
    /* then the table splices: real, 2 dimension(s) */
    TAPEEMU_SPLICES_NUMBERS = 4
};

/*
 * Settings of starts and stops, as numbers.
 * events : ndarray, shape (events, 3)
 * In order: 0 a stop, 1 a start from a cued place, 2 a start that catches up; place on the tape and time
 * constant in seconds.
 * treble_us, bass_us : float
 * Time constants of the replay equalisation.
 */
enum {
    TAPEEMU_START_STOP_TREBLE_US = 0, /* real */
    TAPEEMU_START_STOP_BASS_US = 1, /* real */
    /* then the table events: real, 2 dimension(s) */
    TAPEEMU_START_STOP_NUMBERS = 2
};

/*
 * Settings of the noise, as numbers.
 * hiss : int
 * 1 with hiss, 0 without.
 * hiss_set : int
 * 1 if `hiss_db` holds, 0 if the level follows from the medium.
 * hiss_db : float
 * Weighted level of the hiss, in dB above that of a sine at the reference level.
 * weighting : int
 * By which it is told: 0 A-weighted rms, 1 quasi-peak of ITU-R BS.468-4.
 * tape_speed_cm_s : float
 * Speed of the tape.
 * treble_us, bass_us : float
 * Time constants of the replay equalisation; `bass_us` 0 for none.
 * coating_um, spacing_um, track_width_mm : float
 * Thickness of the coating, distance between head and tape, and width of the track.
 * skirt : int
 * 1 with modulation noise, 0 without.
 * skirt_db, skirt_hz : float
 * Its level re the signal, and the width of its skirts (-3 dB).
 * hum : int
 * 1 with hum, 0 without.
 * hum_db, mains_hz : float
 * Its rms re that of a sine at the reference level, and its fundamental.
 * reference_level_dbfs : float
 * Level of the sine that levels are told against.
 * seed : uint64
 * Number of the tape.
 */
enum {
    TAPEEMU_TAPE_NOISE_HISS = 0, /* whole */
    TAPEEMU_TAPE_NOISE_HISS_SET = 1, /* whole */
    TAPEEMU_TAPE_NOISE_HISS_DB = 2, /* real, moves */
    TAPEEMU_TAPE_NOISE_WEIGHTING = 3, /* whole */
    TAPEEMU_TAPE_NOISE_TAPE_SPEED_CM_S = 4, /* real */
    TAPEEMU_TAPE_NOISE_TREBLE_US = 5, /* real */
    TAPEEMU_TAPE_NOISE_BASS_US = 6, /* real */
    TAPEEMU_TAPE_NOISE_COATING_UM = 7, /* real */
    TAPEEMU_TAPE_NOISE_SPACING_UM = 8, /* real */
    TAPEEMU_TAPE_NOISE_TRACK_WIDTH_MM = 9, /* real */
    TAPEEMU_TAPE_NOISE_SKIRT = 10, /* whole */
    TAPEEMU_TAPE_NOISE_SKIRT_DB = 11, /* real, moves */
    TAPEEMU_TAPE_NOISE_SKIRT_HZ = 12, /* real */
    TAPEEMU_TAPE_NOISE_HUM = 13, /* whole */
    TAPEEMU_TAPE_NOISE_HUM_DB = 14, /* real, moves */
    TAPEEMU_TAPE_NOISE_MAINS_HZ = 15, /* real */
    TAPEEMU_TAPE_NOISE_REFERENCE_LEVEL_DBFS = 16, /* real, moves */
    TAPEEMU_TAPE_NOISE_SEED = 17, /* whole */
    TAPEEMU_TAPE_NOISE_NUMBERS = 18
};

/*
 * Settings of a TapeResponse.
 * medium : Medium
 * The tape, its speed, its heads and its equalisation.
 * bass_us : float
 * Longer time constant of the equalisation; 0 for none.
 * face_mm, bump_set, bump_db
 * Length of the replay head's face (0 for no limit); 1 if the height of its first rise is set; that height.
 * thin_poles : int
 * 1 for thin poles, 0 for deep ones, where the height is not set.
 * record_loss_um, sol_set, sol_db
 * Loss of recording as a distance; 1 if the saturated output at 10 kHz is set instead; that output.
 * bias_db : float
 * Bias re its optimum.
 * self_erasure_db : float
 * Loss at 10 kHz of a sine whose field is that of saturation.
 * mol_db, reference_level_dbfs, high_pass_hz
 * As in the processor.
 */
enum {
    TAPEEMU_TAPE_RESPONSE_MEDIUM_TAPE_SPEED_CM_S = 0, /* real */
    TAPEEMU_TAPE_RESPONSE_MEDIUM_TREBLE_US = 1, /* real */
    TAPEEMU_TAPE_RESPONSE_MEDIUM_COATING_UM = 2, /* real */
    TAPEEMU_TAPE_RESPONSE_MEDIUM_SPACING_UM = 3, /* real */
    TAPEEMU_TAPE_RESPONSE_MEDIUM_GAP_UM = 4, /* real */
    TAPEEMU_TAPE_RESPONSE_MEDIUM_BOOST_LIMIT_DB = 5, /* real */
    TAPEEMU_TAPE_RESPONSE_MEDIUM_TOLERANCE_DB = 6, /* real */
    TAPEEMU_TAPE_RESPONSE_MEDIUM_TOLERANCE_TO_HZ = 7, /* real */
    TAPEEMU_TAPE_RESPONSE_BASS_US = 8, /* real */
    TAPEEMU_TAPE_RESPONSE_FACE_MM = 9, /* real */
    TAPEEMU_TAPE_RESPONSE_BUMP_SET = 10, /* whole */
    TAPEEMU_TAPE_RESPONSE_BUMP_DB = 11, /* real */
    TAPEEMU_TAPE_RESPONSE_THIN_POLES = 12, /* whole */
    TAPEEMU_TAPE_RESPONSE_RECORD_LOSS_UM = 13, /* real */
    TAPEEMU_TAPE_RESPONSE_SOL_SET = 14, /* whole */
    TAPEEMU_TAPE_RESPONSE_SOL_DB = 15, /* real */
    TAPEEMU_TAPE_RESPONSE_BIAS_DB = 16, /* real */
    TAPEEMU_TAPE_RESPONSE_SELF_ERASURE_DB = 17, /* real */
    TAPEEMU_TAPE_RESPONSE_MOL_DB = 18, /* real, moves */
    TAPEEMU_TAPE_RESPONSE_REFERENCE_LEVEL_DBFS = 19, /* real, moves */
    TAPEEMU_TAPE_RESPONSE_HIGH_PASS_HZ = 20, /* real */
    TAPEEMU_TAPE_RESPONSE_NUMBERS = 21
};

/*
 * Settings of a WowFlutter: the mixture of what moves, as set, as left out or as the profile has it.
 * parts : ndarray, shape (parts, 4)
 * Rotating parts: rate in Hz, peak in percent, phase in turns, and 1 if it is set.
 * random_percent, random_slope_db_per_octave, random_low_hz, random_high_hz
 * The random part.
 * scrape_percent, scrape_low_hz, scrape_high_hz
 * Scrape flutter of its own band.
 * weighted_flutter_percent, scaled
 * Figure that all that moves but azimuth and speed error is scaled to, and 1 if it is.
 * figure_percent, wide_figure_percent
 * Figures before scaling, weighted and unweighted.
 * speed_error_percent, azimuth_skew_us, azimuth_wander_us, track_skew_us, reader_taps, seed
 * As in the processor.
 */
enum {
    TAPEEMU_WOW_FLUTTER_RANDOM_PERCENT = 0, /* real, moves */
    TAPEEMU_WOW_FLUTTER_RANDOM_SLOPE_DB_PER_OCTAVE = 1, /* real */
    TAPEEMU_WOW_FLUTTER_RANDOM_LOW_HZ = 2, /* real */
    TAPEEMU_WOW_FLUTTER_RANDOM_HIGH_HZ = 3, /* real */
    TAPEEMU_WOW_FLUTTER_SCRAPE_PERCENT = 4, /* real, moves */
    TAPEEMU_WOW_FLUTTER_SCRAPE_LOW_HZ = 5, /* real */
    TAPEEMU_WOW_FLUTTER_SCRAPE_HIGH_HZ = 6, /* real */
    TAPEEMU_WOW_FLUTTER_WEIGHTED_FLUTTER_PERCENT = 7, /* real, moves */
    TAPEEMU_WOW_FLUTTER_SCALED = 8, /* whole */
    TAPEEMU_WOW_FLUTTER_FIGURE_PERCENT = 9, /* real */
    TAPEEMU_WOW_FLUTTER_WIDE_FIGURE_PERCENT = 10, /* real */
    TAPEEMU_WOW_FLUTTER_SPEED_ERROR_PERCENT = 11, /* real */
    TAPEEMU_WOW_FLUTTER_AZIMUTH_SKEW_US = 12, /* real */
    TAPEEMU_WOW_FLUTTER_AZIMUTH_WANDER_US = 13, /* real */
    TAPEEMU_WOW_FLUTTER_TRACK_SKEW_US = 14, /* real */
    TAPEEMU_WOW_FLUTTER_READER_TAPS = 15, /* whole */
    TAPEEMU_WOW_FLUTTER_SEED = 16, /* whole */
    /* then the table parts: real, 2 dimension(s) */
    TAPEEMU_WOW_FLUTTER_NUMBERS = 17
};

#endif
