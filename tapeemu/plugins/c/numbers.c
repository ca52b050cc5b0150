/* From settings as people give them to the numbers of the library, and what may not stand together.
 *
 * The rules are those of the processors in Python, which say in words what is wrong; here a change that breaks one
 * is not made. SPDX-License-Identifier: ISC
 */

#define MOST_NUMBERS 256
#define TWO_SIGMA 1.959963984540054
#define PI 3.141592653589793

typedef struct {
    tapeemu_number numbers[MOST_NUMBERS];
    int count;
} Numbers;

static void put_double(Numbers *to, double value)
{
    if (to->count < MOST_NUMBERS)
        to->numbers[to->count].real = value;
    to->count++;
}

static void put_integer(Numbers *to, int64_t value)
{
    if (to->count < MOST_NUMBERS)
        to->numbers[to->count].whole = value;
    to->count++;
}

static int64_t step_of(const Value *value, uint64_t place)
{
    int64_t number = 0;
    for (const char *at = word_at(value->words, place); *at >= '0' && *at <= '9'; at++)
        number = 10 * number + (*at - '0');
    return number;
}

/* When a start or a stop has its own time constant it counts. */
static double time_constant_of(const StageText *stage, const Setting *event)
{
    if (event[2].given)
        return event[2].number;
    return stage->settings[event[0].whole == 0 ? START_STOP_START_SECONDS : START_STOP_STOP_SECONDS].number;
}

static void put_rows(Numbers *to, const StageText *stage)
{
    put_integer(to, stage->part_count);
    put_integer(to, stage->kind == KIND_AMPLITUDE_FLUTTER ? 4 : 3);
    for (int row = 0; row < stage->part_count; row++) {
        const Setting *part = stage->parts[row];
        if (stage->kind == KIND_START_STOP) {
            const bool cued = stage->settings[START_STOP_START_LAW].whole == 0;
            put_double(to, part[0].whole == 1 ? 0.0 : cued ? 1.0 : 2.0);
            put_double(to, part[1].number);
            put_double(to, time_constant_of(stage, part));
            continue;
        }
        if (stage->kind == KIND_SPLICES) {
            put_double(to, part[0].number);
            put_double(to, part[1].number);
            put_double(to, (double)part[2].whole);
            continue;
        }
        put_double(to, part[0].number);
        put_double(to, part[1].number);
        put_double(to, part[2].given ? part[2].number : 0.0);
        put_double(to, part[2].given ? 1.0 : 0.0);
    }
}

/* --- wow and flutter ----------------------------------------------------------------------------------- */

typedef struct {
    double tape_speed_cm_s, random_percent, low_hz, high_hz, slope;
    double scrape_percent, scrape_low_hz, scrape_high_hz;
    int part_count;
    double rates[MOST_PARTS], peaks[MOST_PARTS], phases[MOST_PARTS];
    bool set[MOST_PARTS];
} Mixture;

static double given_or(const StageText *stage, int place, double otherwise)
{
    return stage->settings[place].given ? stage->settings[place].number : otherwise;
}

static const Profile *profile_of(const StageText *stage)
{
    const Setting *profile = stage->settings + WOW_FLUTTER_PROFILE;
    return PROFILES + (profile->given ? profile->whole + 1 : 0);
}

static void mixture_of(const StageText *stage, Mixture *to)
{
    const Profile *profile = profile_of(stage);
    to->tape_speed_cm_s = given_or(stage, WOW_FLUTTER_TAPE_SPEED_CM_S, profile->tape_speed_cm_s);
    to->random_percent = given_or(stage, WOW_FLUTTER_RANDOM_PERCENT, profile->random_percent);
    to->low_hz = given_or(stage, WOW_FLUTTER_RANDOM_BAND_HZ_0, profile->low_hz);
    to->high_hz = given_or(stage, WOW_FLUTTER_RANDOM_BAND_HZ_1, profile->high_hz);
    to->slope = given_or(stage, WOW_FLUTTER_RANDOM_SLOPE_DB_PER_OCTAVE, -3.0);
    to->scrape_percent = stage->settings[WOW_FLUTTER_SCRAPE_PERCENT].number;
    to->scrape_low_hz = given_or(stage, WOW_FLUTTER_SCRAPE_BAND_HZ_0, 100.0);
    to->scrape_high_hz = given_or(stage, WOW_FLUTTER_SCRAPE_BAND_HZ_1, 5000.0);
    to->part_count = stage->listed_given ? stage->part_count : profile->part_count;
    for (int k = 0; k < to->part_count; k++) {
        const Setting *part = stage->parts[k];
        const bool by_diameter = !stage->listed_given || part[1].given;
        const double diameter = stage->listed_given ? part[1].number : profile->parts[k][0];
        to->rates[k] = by_diameter ? 10.0 * to->tape_speed_cm_s / (PI * diameter) : part[0].number;
        to->peaks[k] = stage->listed_given ? part[2].number : profile->parts[k][1];
        to->set[k] = stage->listed_given && part[3].given;
        const double turns = to->set[k] ? part[3].number / 360.0 : 0.0;
        to->phases[k] = turns - floor_of_double(turns);
    }
}

static double most_deviation(const Mixture *mixture)
{
    double sum = 0.0;
    for (int k = 0; k < mixture->part_count; k++)
        sum += mixture->peaks[k];
    return sum + mixture->random_percent + mixture->scrape_percent;
}

/* Two-sigma figures in percent before scaling. */
static void unscaled_figures(const Mixture *mixture, double *weighted, double *unweighted)
{
    static const ix POINTS = FLUTTER_FIGURES_FLUTTER_POINTS;
    double lines[3 * MOST_PARTS], curve[17 * 3], figures[2];
    double *work = malloc((size_t)POINTS * sizeof(double));
    *weighted = *unweighted = 0.0;
    if (work == NULL)
        return;
    for (int k = 0; k < mixture->part_count; k++) {
        lines[3 * k] = mixture->rates[k];
        lines[3 * k + 1] = mixture->peaks[k] / 100.0;
    }
    flutter_figures_flutter_figures((doubles_2){lines, mixture->part_count, 3}, mixture->random_percent / 100.0 / TWO_SIGMA,
        mixture->low_hz, mixture->high_hz, mixture->slope, mixture->scrape_percent / 100.0 / TWO_SIGMA,
        mixture->scrape_low_hz, mixture->scrape_high_hz, (doubles_2){curve, 17, 3}, (doubles_1){work, POINTS}, (doubles_1){figures, 2});
    free(work);
    *weighted = figures[0];
    *unweighted = figures[1];
}

/* The weighted figure that is wanted: false if nothing is scaled. */
static bool wanted_figure(const StageText *stage, double *figure)
{
    *figure = given_or(stage, WOW_FLUTTER_WEIGHTED_FLUTTER_PERCENT, profile_of(stage)->weighted_flutter_percent);
    return stage->settings[WOW_FLUTTER_WEIGHTED_FLUTTER_PERCENT].given || stage->settings[WOW_FLUTTER_PROFILE].given;
}

static bool band_fits(double low, double high, double lowest, double highest, double apart)
{
    return lowest <= low && apart * low <= high && high <= highest;
}

static bool wow_numbers(const StageText *stage, Numbers *to)
{
    Mixture mixture;
    double weighted, unweighted, wanted;
    const Setting *settings = stage->settings;
    mixture_of(stage, &mixture);
    if (settings[WOW_FLUTTER_RANDOM_BAND_HZ_0].given && !band_fits(mixture.low_hz, mixture.high_hz, 0.01, 20000.0, 2.0))
        return false;
    if (settings[WOW_FLUTTER_SCRAPE_BAND_HZ_0].given &&
        !band_fits(mixture.scrape_low_hz, mixture.scrape_high_hz, 50.0, 20000.0, 1.25))
        return false;
    if (settings[WOW_FLUTTER_PROFILE].given &&
        (stage->listed_given || settings[WOW_FLUTTER_RANDOM_PERCENT].given || settings[WOW_FLUTTER_SCRAPE_PERCENT].given))
        return false;
    bool by_diameter = !stage->listed_given;
    for (int k = 0; stage->listed_given && k < stage->part_count; k++) {
        if (stage->parts[k][0].given == stage->parts[k][1].given)
            return false;
        by_diameter = by_diameter || stage->parts[k][1].given;
    }
    if (settings[WOW_FLUTTER_TAPE_SPEED_CM_S].given && !by_diameter)
        return false;
    for (int k = 0; k < mixture.part_count; k++)
        if (!(mixture.rates[k] >= 0.02 && mixture.rates[k] <= 250.0))
            return false;
    unscaled_figures(&mixture, &weighted, &unweighted);
    const bool scaled = wanted_figure(stage, &wanted);
    if (scaled && wanted != 0.0 && !(weighted > 0.0))
        return false;
    const double scale = !scaled ? 1.0 : wanted != 0.0 ? wanted / weighted : 0.0;
    /* A host wants as many samples as it gives, so a tape at the wrong speed is for the command line alone. */
    if (scale * most_deviation(&mixture) > 20.0 || settings[WOW_FLUTTER_SPEED_ERROR_PERCENT].number != 0.0)
        return false;
    put_double(to, mixture.random_percent);
    put_double(to, mixture.slope);
    put_double(to, mixture.low_hz);
    put_double(to, mixture.high_hz);
    put_double(to, mixture.scrape_percent);
    put_double(to, mixture.scrape_low_hz);
    put_double(to, mixture.scrape_high_hz);
    put_double(to, scaled ? wanted : 0.0);
    put_integer(to, scaled ? 1 : 0);
    put_double(to, weighted);
    put_double(to, unweighted);
    put_double(to, 0.0);
    put_double(to, settings[WOW_FLUTTER_AZIMUTH_SKEW_US].number);
    put_double(to, settings[WOW_FLUTTER_AZIMUTH_WANDER_US].number);
    put_double(to, settings[WOW_FLUTTER_TRACK_SKEW_US].number);
    put_integer(to, step_of(KINDS[KIND_WOW_FLUTTER].values + WOW_FLUTTER_READER_TAPS, settings[WOW_FLUTTER_READER_TAPS].whole));
    put_integer(to, (int64_t)settings[WOW_FLUTTER_SEED].whole);
    put_integer(to, mixture.part_count);
    put_integer(to, 4);
    for (int k = 0; k < mixture.part_count; k++) {
        put_double(to, mixture.rates[k]);
        put_double(to, mixture.peaks[k]);
        put_double(to, mixture.phases[k]);
        put_double(to, mixture.set[k] ? 1.0 : 0.0);
    }
    return true;
}

/* --- rules of the others ------------------------------------------------------------------------------- */

static bool drive_fits(const StageText *stage)
{
    const Setting *thd = stage->settings + PREAMP_DRIVE_THD_PERCENT;
    const double level = stage->settings[PREAMP_DRIVE_REFERENCE_LEVEL_DBFS].number;
    const double asymmetry = stage->settings[PREAMP_DRIVE_ASYMMETRY_PERCENT].number;
    if (!thd->given)
        return true;
    return !stage->settings[PREAMP_DRIVE_DRIVE_DB].given && driven_sine_driven_thd_percent(-40.0, level, asymmetry) <= thd->number &&
        thd->number <= driven_sine_driven_thd_percent(60.0, level, asymmetry);
}

static bool magnetisation_fits(const StageText *stage)
{
    return !(stage->settings[TAPE_MAGNETISATION_DRIVE_DB].given && stage->settings[TAPE_MAGNETISATION_MOL_DB].given);
}

static bool level_flutter_fits(const StageText *stage)
{
    const Setting *settings = stage->settings;
    const double low = settings[AMPLITUDE_FLUTTER_RANDOM_LOW_HZ].number;
    const double high = settings[AMPLITUDE_FLUTTER_RANDOM_HIGH_HZ].number;
    const bool spacing = settings[AMPLITUDE_FLUTTER_MODE].whole == 1;
    double peaks = 0.0;
    for (int k = 0; k < stage->part_count; k++)
        peaks += stage->parts[k][1].number;
    const double share = 0.01 * settings[AMPLITUDE_FLUTTER_PERIODIC_PERCENT].number;
    if (!spacing && settings[AMPLITUDE_FLUTTER_SPACING_FREQUENCY_HZ].given)
        return false;
    if (low > 0.0 && !(1.25 * low <= high && high <= 200.0 * low))
        return false;
    if (settings[AMPLITUDE_FLUTTER_DROPOUT_LEAST_DB].number > settings[AMPLITUDE_FLUTTER_DROPOUT_MOST_DB].number ||
        settings[AMPLITUDE_FLUTTER_DROPOUT_SHORTEST_MS].number > settings[AMPLITUDE_FLUTTER_DROPOUT_LONGEST_MS].number)
        return false;
    const double contact = share * peaks + 3.0 / TWO_SIGMA * settings[AMPLITUDE_FLUTTER_RANDOM_DB].number;
    const double rise = contact * 20000.0 / settings[AMPLITUDE_FLUTTER_SPACING_FREQUENCY_HZ].number;
    return peaks <= 24.0 && !(spacing && rise > 40.0);
}

static bool noise_fits(const StageText *stage)
{
    const Setting *settings = stage->settings;
    const double bass = settings[TAPE_NOISE_BASS_TIME_CONSTANT_US].number;
    const bool set = settings[TAPE_NOISE_HISS_DB].given;
    return !(bass > 0.0 && bass < 500.0) && !(set && settings[TAPE_NOISE_TRACK_WIDTH_MM].given) &&
        !(!set && settings[TAPE_NOISE_HISS_WEIGHTING].given);
}

#define BANDS 9
#define BAND_OF_1_KHZ 4

static bool reverb_fits(const StageText *stage)
{
    const Setting *settings = stage->settings;
    const Setting *bands = settings + FDN_REVERB_DECAY_BY_BAND_SECONDS_AT_63_HZ_SECONDS;
    double logs[BANDS];
    int given = -1;
    for (int band = 0; band < BANDS; band++) {
        if (!bands[band].given)
            continue;
        logs[band] = elementary_logarithm(bands[band].number);
        for (int between = given + 1; between < band; between++)
            logs[between] = given < 0 ? logs[band]
                                      : logs[given] + (logs[band] - logs[given]) * (between - given) / (band - given);
        given = band;
    }
    if (given < 0)
        return true;
    for (int band = given + 1; band < BANDS; band++)
        logs[band] = logs[given];
    if (settings[FDN_REVERB_LOW_DECAY_RATIO].given || settings[FDN_REVERB_HIGH_DECAY_RATIO].given)
        return false;
    const bool scaled = settings[FDN_REVERB_DECAY_SECONDS].given;
    const double shift = scaled ? elementary_logarithm(settings[FDN_REVERB_DECAY_SECONDS].number) - logs[BAND_OF_1_KHZ] : 0.0;
    const double steepest = elementary_logarithm(2.5) + 1e-9;
    for (int band = 0; band < BANDS; band++) {
        const double step = band > 0 ? logs[band] - logs[band - 1] : 0.0;
        if (step > steepest || -step > steepest)
            return false;
        const double seconds = logs[band] + shift;
        if (scaled && (seconds < elementary_logarithm(0.05) - 1e-12 || seconds > elementary_logarithm(60.0) + 1e-12))
            return false;
    }
    return true;
}

static double tangent_of_turns(double turns)
{
    return elementary_sine_of_turns(turns) / elementary_cosine_of_turns(turns);
}

static bool crosstalk_fits(const StageText *stage)
{
    const Setting *settings = stage->settings;
    const double seconds = 0.1 * settings[CROSSTALK_GUARD_MM].number / settings[CROSSTALK_TAPE_SPEED_CM_S].number;
    return !(settings[CROSSTALK_FRINGING_DB].number > -120.0 && seconds > 0.008);
}

static bool azimuth_fits(const StageText *stage)
{
    const Setting *settings = stage->settings;
    const double low = settings[HEAD_AZIMUTH_WANDER_LOW_HZ].number;
    const double high = settings[HEAD_AZIMUTH_WANDER_HIGH_HZ].number;
    const double steepest = magnitude(settings[HEAD_AZIMUTH_AZIMUTH_URAD].number) +
        8.0 / TWO_SIGMA * settings[HEAD_AZIMUTH_WANDER_URAD].number;
    const double slope = tangent_of_turns(1e-6 * steepest / (2.0 * PI));
    const double passing_us =
        1e5 * settings[HEAD_AZIMUTH_TRACK_WIDTH_MM].number / settings[HEAD_AZIMUTH_TAPE_SPEED_CM_S].number * slope;
    return 1.25 * low <= high && high <= 200.0 * low && passing_us <= 200.0;
}

static bool print_fits(const StageText *stage)
{
    const Setting *settings = stage->settings;
    const double full = settings[PRINT_THROUGH_FULL_RADIUS_MM].number;
    const double turn = 0.2 * PI * full / settings[PRINT_THROUGH_TAPE_SPEED_CM_S].number;
    return full >= settings[PRINT_THROUGH_HUB_RADIUS_MM].number && turn <= 12.0;
}

static bool splices_fit(const StageText *stage)
{
    const Setting *settings = stage->settings;
    const double along =
        0.1 / (tangent_of_turns(settings[SPLICES_ANGLE_DEGREES].number / 360.0) * settings[SPLICES_TAPE_SPEED_CM_S].number);
    for (int k = 0; k < stage->part_count; k++) {
        const Setting *splice = stage->parts[k];
        if (splice[2].whole != 0 && splice[1].given)
            return false;
        const double since = k == 0 ? 0.0 : splice[0].number - stage->parts[k - 1][0].number;
        if (k > 0 && !(since >= along * settings[SPLICES_TRACK_WIDTH_MM].number))
            return false;
    }
    return true;
}

static bool starts_fit(const StageText *stage)
{
    const double settling = 1e-6 * 20.0 * stage->settings[START_STOP_BASS_TIME_CONSTANT_US].number;
    for (int k = 1; k < stage->part_count; k++) {
        const Setting *event = stage->parts[k], *before = stage->parts[k - 1];
        const bool start = event[0].whole == 0;
        if (event[0].whole == before[0].whole || event[1].number <= before[1].number)
            return false;
        const double rest = time_constant_of(stage, before) * elementary_logarithm(2.3 / 0.01) + settling;
        if (start && event[1].number < before[1].number + rest)
            return false;
    }
    return true;
}

#define FACE_NODE_ROWS 5 /* as face_nodes in the kernels fills them */

/* Highest output at 10 kHz of a tape with these numbers but another loss of recording. */
static double highest_output_db(const TapeResponseSettings *as_set, double record_loss_um, double *work)
{
    const doubles_2 nodes = {work, FACE_NODE_ROWS, HEAD_FACE_FACE_NODES};
    TapeResponseSettings settings = *as_set;
    settings.sol_set = 0;
    settings.record_loss_um = record_loss_um;
    settings.medium.spacing_um = 0.0;
    settings.medium.tolerance_db = 0.0;
    head_face_face_nodes(nodes);
    const tape_response_face_shares_of_result shares = tape_response_face_shares_of(&settings, nodes);
    return tape_response_saturated_output_db(&settings, record_loss_um, nodes, shares.m0, shares.m1);
}

static bool response_fits(const StageText *stage)
{
    const Setting *settings = stage->settings;
    const double bass = settings[TAPE_RESPONSE_BASS_TIME_CONSTANT_US].number;
    const double echo =
        0.05 * settings[TAPE_RESPONSE_FACE_LENGTH_MM].number / settings[TAPE_RESPONSE_TAPE_SPEED_CM_S].number;
    const bool output_set = settings[TAPE_RESPONSE_SOL_10KHZ_DB].given;
    return !(bass > 0.0 && bass < 500.0) && !(echo > 0.05) &&
        !(settings[TAPE_RESPONSE_BUMP_DB].given && settings[TAPE_RESPONSE_POLES].given) &&
        !(output_set && (settings[TAPE_RESPONSE_RECORD_LOSS_UM].given || settings[TAPE_RESPONSE_SPACING_UM].given)) &&
        !(settings[TAPE_RESPONSE_RESPONSE_TOLERANCE_DB].given && settings[TAPE_RESPONSE_BOOST_LIMIT_DB].given);
}

/* Whether some limit of the record equaliser gives the fall of the response that is asked for. */
static bool fall_can_be(const TapeResponseSettings *settings, double *work)
{
    const doubles_2 nodes = {work, FACE_NODE_ROWS, HEAD_FACE_FACE_NODES};
    head_face_face_nodes(nodes);
    const tape_response_face_shares_of_result shares = tape_response_face_shares_of(settings, nodes);
    const double lost_um = tape_response_solved_record_loss_um(settings, nodes, shares.m0, shares.m1);
    const double limit_db = wavelength_losses_boost_limit_db(&settings->medium, lost_um);
    return limit_db >= 0.0 && limit_db <= 40.0;
}

/* Whether highest output and fall that are asked for are such as the other numbers of the response allow. */
static bool output_can_be(const Numbers *numbers)
{
    TapeResponseSettings settings;
    if (!tape_response_read(numbers->numbers, numbers->count, &settings))
        return false;
    if (settings.sol_set == 0 && settings.medium.tolerance_db <= 0.0)
        return true;
    double *work = malloc((size_t)(FACE_NODE_ROWS * HEAD_FACE_FACE_NODES) * sizeof(double));
    bool fits = work != NULL;
    if (fits && settings.sol_set != 0)
        fits = highest_output_db(&settings, 20.0, work) <= settings.sol_db &&
            settings.sol_db <= highest_output_db(&settings, 0.0, work);
    if (fits && settings.medium.tolerance_db > 0.0)
        fits = fall_can_be(&settings, work);
    free(work);
    return fits;
}

static bool stage_fits(const StageText *stage)
{
    switch (stage->kind) {
    case KIND_CROSSTALK:
        return crosstalk_fits(stage);
    case KIND_HEAD_AZIMUTH:
        return azimuth_fits(stage);
    case KIND_PRINT_THROUGH:
        return print_fits(stage);
    case KIND_SPLICES:
        return splices_fit(stage);
    case KIND_START_STOP:
        return starts_fit(stage);
    case KIND_TAPE_RESPONSE:
        return response_fits(stage);
    case KIND_PREAMP_DRIVE:
        return drive_fits(stage);
    case KIND_TAPE_MAGNETISATION:
        return magnetisation_fits(stage);
    case KIND_AMPLITUDE_FLUTTER:
        return level_flutter_fits(stage);
    case KIND_TAPE_NOISE:
        return noise_fits(stage);
    case KIND_FDN_REVERB:
        return reverb_fits(stage);
    default:
        return true;
    }
}

/* The numbers of a stage that is a processor; false if its settings do not fit together. */
static bool numbers_of(const StageText *stage, Numbers *to)
{
    const Kind *kind = KINDS + stage->kind;
    to->count = 0;
    if (stage->kind == KIND_WOW_FLUTTER)
        return wow_numbers(stage, to) && to->count <= MOST_NUMBERS;
    if (!stage_fits(stage))
        return false;
    for (int k = 0; k < kind->number_count; k++) {
        const Number *number = kind->numbers + k;
        const Value *value = kind->values + number->place;
        const Setting *setting = stage->settings + number->place;
        const int rows = (int)number->otherwise;
        switch (number->rule) {
        case RULE_NUMBER:
            put_double(to, setting->given || !value->optional ? setting->number : number->otherwise);
            break;
        case RULE_BEYOND:
            put_double(to, magnitude(setting->number) > number->otherwise ? setting->number : 0.0);
            break;
        case RULE_ALONE:
            put_double(to, stage->settings[(int)number->otherwise].given ? 0.0 : setting->number);
            break;
        case RULE_WHOLE:
        case RULE_CHOICE:
            put_integer(to, (int64_t)setting->whole);
            break;
        case RULE_STEP:
            put_integer(to, step_of(value, setting->whole));
            break;
        case RULE_GIVEN:
            put_integer(to, setting->given);
            break;
        case RULE_ALWAYS:
            put_integer(to, rows);
            break;
        case RULE_TABLE:
            put_integer(to, rows);
            for (int row = 0; row < rows; row++)
                put_double(to, setting[row].given ? setting[row].number : 0.0);
            break;
        case RULE_WHICH:
            put_integer(to, rows);
            for (int row = 0; row < rows; row++)
                put_integer(to, setting[row].given);
            break;
        default:
            put_rows(to, stage);
        }
    }
    return to->count <= MOST_NUMBERS && (stage->kind != KIND_TAPE_RESPONSE || output_can_be(to));
}
