/* What the page of the desk needs of the library beyond its own interface: a setup as a row of numbers, and what the
 * kernels say of settings before anything sounds.
 *
 * The row: sample rate, channels, block, place, track, stages, groups; for every stage its kind, the number of its
 * settings, that of a still tape's or 0, the settings, those of the still tape; for every group first, behind, share.
 * Addresses are the page's to choose; nothing is kept here.
 *
 * SPDX-License-Identifier: ISC
 */
#include "../native/c/tapeemu.c"

#include "../native/c/live.h"

#define EXPORTED __attribute__((visibility("default")))

enum { ROW_RATE, ROW_CHANNELS, ROW_BLOCK, ROW_PLACE, ROW_TRACK, ROW_STAGES, ROW_GROUPS, ROW_NUMBERS };

EXPORTED size_t desk_bytes(const tapeemu_number *row);
EXPORTED tapeemu *desk_create(const tapeemu_number *row, void *memory);
EXPORTED void desk_retrack(tapeemu *chain, double stage, double track);
EXPORTED double desk_latency(const tapeemu *chain);
EXPORTED double desk_tail(const tapeemu *chain, double level_db);
EXPORTED void desk_seek(tapeemu *chain, double place);
EXPORTED double desk_cell(const tapeemu *chain, double stage);
EXPORTED double desk_share_cell(const tapeemu *chain, double group);
EXPORTED double desk_group_place(const tapeemu *chain, double group);
EXPORTED void desk_begin_earlier(tapeemu *chain, double group, double samples);
EXPORTED double desk_run_group(
    tapeemu *chain, double group, const tapeemu_real *const *in, tapeemu_real *const *out, double count);
EXPORTED size_t desk_live_bytes(double rate, double channels, double latency);
EXPORTED tapeemu_live *desk_live_create(double rate, double channels, double latency, void *memory);
EXPORTED double desk_live_tail(const tapeemu_live *live, double level_db);
EXPORTED void desk_flutter_figures(double *numbers, void *work);
EXPORTED double desk_figure(const tapeemu_number *row, double what, double argument, void *work);

enum { LIVE_BLOCK = 256 };

static tapeemu_setup setup_of(const tapeemu_number *row, tapeemu_stage *stages, tapeemu_group *groups)
{
    const int32_t stage_count = (int32_t)row[ROW_STAGES].real;
    const int32_t group_count = (int32_t)row[ROW_GROUPS].real;
    const tapeemu_number *at = row + ROW_NUMBERS;
    for (int32_t i = 0; i < stage_count && i < TAPEEMU_MOST_STAGES; i++) {
        const int32_t count = (int32_t)at[1].real;
        const int32_t still = (int32_t)at[2].real;
        stages[i] =
            (tapeemu_stage){(int32_t)at[0].real, count, at + 3, still > 0 ? at + 3 + count : NULL, still};
        at += 3 + count + still;
    }
    for (int32_t i = 0; i < group_count && i < TAPEEMU_MOST_GROUPS; i++, at += 3)
        groups[i] = (tapeemu_group){(int32_t)at[0].real, (int32_t)at[1].real, at[2].real};
    return (tapeemu_setup){
        .sample_rate = row[ROW_RATE].real,
        .place = (int64_t)row[ROW_PLACE].real,
        .track = (int64_t)row[ROW_TRACK].real,
        .channels = (int32_t)row[ROW_CHANNELS].real,
        .block = (int32_t)row[ROW_BLOCK].real,
        .stage_count = stage_count,
        .group_count = group_count,
        .stages = stages,
        .groups = groups,
    };
}

/* Memory that a chain needs; 0 if the row is not valid. */
size_t desk_bytes(const tapeemu_number *row)
{
    tapeemu_stage stages[TAPEEMU_MOST_STAGES];
    tapeemu_group groups[TAPEEMU_MOST_GROUPS];
    const tapeemu_setup setup = setup_of(row, stages, groups);
    return tapeemu_size(&setup).fast;
}

/* Make a chain in memory of that size; NULL if the row is not valid. */
tapeemu *desk_create(const tapeemu_number *row, void *memory)
{
    tapeemu_stage stages[TAPEEMU_MOST_STAGES];
    tapeemu_group groups[TAPEEMU_MOST_GROUPS];
    const tapeemu_setup setup = setup_of(row, stages, groups);
    return tapeemu_create(&setup, memory, NULL);
}

/* Put a stage of a chain that has only just been made on another track. */
void desk_retrack(tapeemu *chain, double number, double track)
{
    Stage *stage = chain->stages + (ix)number;
    const int64_t start = chain->memory.starts.at[(ix)number];
    chain->track = (int64_t)track;
    clear((char *)stage->stills - stage->bytes, stage->bytes); /* what lies in front of the still tapes, see lay() */
    design(chain, stage, start);
}

/* As in tapeemu.h, with numbers that scripts have. */
double desk_latency(const tapeemu *chain)
{
    return (double)tapeemu_latency(chain);
}

double desk_tail(const tapeemu *chain, double level_db)
{
    return (double)tapeemu_tail(chain, level_db);
}

void desk_seek(tapeemu *chain, double place)
{
    tapeemu_seek(chain, (int64_t)place);
}

double desk_cell(const tapeemu *chain, double stage)
{
    return (double)tapeemu_cell(chain, (int32_t)stage);
}

double desk_share_cell(const tapeemu *chain, double group)
{
    return (double)tapeemu_share_cell(chain, (int32_t)group);
}

/* Stages of a group, and the groups within it. */
typedef struct {
    ix first, behind, group, groups;
} Inside;

static Inside inside(const tapeemu *chain, double number)
{
    const int64_t *bounds = chain->settings.groups.at + 2 * (ix)number;
    Inside found = {(ix)bounds[0], (ix)bounds[1], (ix)number, 0};
    while (found.group + found.groups + 1 < chain->group_count &&
        chain->settings.groups.at[2 * (found.group + found.groups + 1)] < bounds[1])
        found.groups++;
    return found;
}

/* Place on the tape where a group begins. */
double desk_group_place(const tapeemu *chain, double group)
{
    return (double)chain->memory.starts.at[inside(chain, group).first];
}

/* Let the inside of a group that has heard nothing yet begin earlier than what stands around it. */
void desk_begin_earlier(tapeemu *chain, double group, double samples)
{
    const Inside part = inside(chain, group);
    const ix stages = part.behind - part.first, inner = part.group + 1;
    int64_t bounds[2 * TAPEEMU_MOST_GROUPS];
    double totals[3];
    ChainSettings plan = chain->settings;
    ChainMemory memory = chain->memory;
    plan.latencies = (int64s_1){plan.latencies.at + part.first, stages};
    plan.ratios = (doubles_1){plan.ratios.at + part.first, stages};
    plan.groups = (int64s_2){bounds, part.groups, 2};
    for (ix k = 0; k < 2 * part.groups; k++)
        bounds[k] = chain->settings.groups.at[2 * inner + k] - part.first;
    memory.starts = (int64s_1){memory.starts.at + part.first, stages};
    memory.heard = (int64s_1){memory.heard.at + inner, part.groups};
    memory.totals = (doubles_1){totals, 3};
    memory.rings.n0 = 0; /* nothing waits in them yet */
    memory.lines.n0 = 0;
    seek_chain(&plan, memory.starts.at[0] - (int64_t)samples, &memory);
    seek_shares(chain);
    for (ix i = part.first; i < part.behind; i++) {
        Stage *stage = chain->stages + i;
        stage->place = chain->memory.starts.at[i];
        begin_cell(chain, stage, stage->place);
        stage_seek(stage->kind, &stage->memory, stage->place);
        for (ix k = 0; k < stage->still_tapes; k++)
            stage_seek(stage->kind, stage->stills + k, stage->place);
    }
}

/* Run the inside of a group alone, as tapeemu_process does the whole; returns the samples made. */
double desk_run_group(
    tapeemu *chain, double group, const tapeemu_real *const *in, tapeemu_real *const *out, double count)
{
    const Inside part = inside(chain, group);
    const int64_t *steps = chain->memory.steps.at;
    ix first = 0;
    while (steps[3 * first] != CHAIN_PROCESS || steps[3 * first + 2] != part.first)
        first++;
    ix behind = first;
    while (steps[3 * behind] != CHAIN_PROCESS || steps[3 * behind + 2] != part.behind - 1)
        behind++;
    behind++;
    while (first > 0 && steps[3 * first - 3] == CHAIN_KEEP && steps[3 * first - 1] > part.group)
        first--;
    for (ix i = behind; steps[3 * i] == CHAIN_DELAY || steps[3 * i] == CHAIN_STILL || steps[3 * i] == CHAIN_MIX; i++) {
        if (steps[3 * i] != CHAIN_MIX)
            continue;
        if (steps[3 * i + 2] <= part.group)
            break;
        behind = i + 1;
    }
    return (double)process_steps(chain, first, behind, in, out, (ptrdiff_t)count);
}

/* As in live.h, with numbers that scripts have. */
size_t desk_live_bytes(double rate, double channels, double latency)
{
    return tapeemu_live_size(rate, (int32_t)channels, LIVE_BLOCK, (int64_t)latency);
}

tapeemu_live *desk_live_create(double rate, double channels, double latency, void *memory)
{
    return tapeemu_live_create(rate, (int32_t)channels, LIVE_BLOCK, (int64_t)latency, memory);
}

double desk_live_tail(const tapeemu_live *live, double level_db)
{
    return (double)tapeemu_live_tail(live, level_db);
}

/* Figures of a transport before scaling, see flutter_figures.c.
 *
 * numbers: how many sines there are; rms and edges and slope of the random part; rms and edges of scrape flutter; then
 * rate and peak of every sine. The first two become the weighted and the unweighted figure in percent. work: memory. */
void desk_flutter_figures(double *numbers, void *work)
{
    enum { FIXED = 8, CURVE_POINTS = 17, FLUTTER_POINTS = 16384 };
    const ix lines = (ix)numbers[0];
    double *sines = work, *curve = sines + 3 * lines, *points = curve + 3 * CURVE_POINTS;
    for (ix i = 0; i < lines; i++) {
        sines[3 * i] = numbers[FIXED + 2 * i];
        sines[3 * i + 1] = numbers[FIXED + 2 * i + 1];
        sines[3 * i + 2] = 0.0;
    }
    flutter_figures_flutter_figures(
        (doubles_2){sines, lines, 3}, numbers[1], numbers[2], numbers[3], numbers[4], numbers[5], numbers[6], numbers[7],
        (doubles_2){curve, CURVE_POINTS, 3}, (doubles_1){points, FLUTTER_POINTS}, (doubles_1){numbers, 2});
}

/* What is asked of the first stage of a row. */
enum {
    FIGURE_DRIVE_DB,
    FIGURE_THD_PERCENT,
    FIGURE_MOL_DB,
    FIGURE_HISS_DB,
    FIGURE_DECAY_SECONDS,
    FIGURE_RECORD_LOSS_UM,
    FIGURE_SOL_DB,
    FIGURE_NOISE_POWER,
    FIGURE_BOOST_LIMIT_DB
};

/* A-weighted power of hiss and hum re a sine at the reference level. */
static double noise_power(const TapeNoiseSettings *given, double rate)
{
    enum { HARMONICS = 5 };
    TapeNoiseSettings settings = *given;
    const double top = 0.5 * rate < 30000.0 ? 0.5 * rate : 30000.0;
    double power = 0.0, hum = 0.0, all = 0.0;
    if (settings.hiss != 0) {
        const double scale = tape_noise_scale_of_hiss(&settings, rate);
        settings.weighting = 0;
        power = 2.0 * scale * tape_noise_weighted_power(&settings, top) /
            elementary_power_of_ten(0.1 * settings.reference_level_dbfs);
    }
    for (int n = 1; n < 2 * HARMONICS; n += 2) {
        all += 1.0 / (n * n);
        if (n * settings.mains_hz < 0.45 * rate)
            hum += tape_noise_a_weighting_power(n * settings.mains_hz) / (n * n);
    }
    return settings.hum != 0 ? power + hum / all * elementary_power_of_ten(0.1 * settings.hum_db) : power;
}

/* A figure of a tape response, by way of the losses of its head. */
static double response_figure(const TapeResponseSettings *settings, int figure, double *work)
{
    enum { NODE_ROWS = 5 };
    doubles_2 nodes = {work, NODE_ROWS, HEAD_FACE_FACE_NODES};
    head_face_face_nodes(nodes);
    const tape_response_face_shares_of_result shares = tape_response_face_shares_of(settings, nodes);
    const double lost = tape_response_solved_record_loss_um(settings, nodes, shares.m0, shares.m1);
    if (figure == FIGURE_BOOST_LIMIT_DB)
        return wavelength_losses_boost_limit_db(&settings->medium, lost);
    if (figure == FIGURE_SOL_DB)
        return tape_response_saturated_output_db(settings, lost, nodes, shares.m0, shares.m1);
    return lost;
}

/* A figure that the kernels of the first stage of a row solve for; -1e9 if they do not. argument: the level in dBFS of a
 * distortion, the number of an octave, or the sample rate of noise. */
double desk_figure(const tapeemu_number *row, double what, double argument, void *work)
{
    tapeemu_stage stages[TAPEEMU_MOST_STAGES];
    tapeemu_group groups[TAPEEMU_MOST_GROUPS];
    const tapeemu_setup setup = setup_of(row, stages, groups);
    const tapeemu_number *given = stages[0].settings;
    const ix count = stages[0].count;
    const int figure = (int)what;
    if (setup.stage_count < 1 || !stage_valid(stages[0].kind, given, count))
        return -1e9;
    if (stages[0].kind == TAPEEMU_DRIVE) {
        DriveSettings settings;
        drive_read(given, count, &settings);
        const double drive = drive_effective_drive_db(&settings);
        if (figure == FIGURE_DRIVE_DB)
            return drive;
        if (figure == FIGURE_THD_PERCENT)
            return driven_sine_driven_thd_percent(drive, argument, settings.asymmetry_percent);
    } else if (stages[0].kind == TAPEEMU_MAGNETISED) {
        MagnetisedSettings settings;
        magnetised_read(given, count, &settings);
        if (figure == FIGURE_DRIVE_DB)
            return magnetised_field_drive_db(&settings);
        if (figure == FIGURE_MOL_DB)
            return magnetised_mol_db(&settings);
        if (figure == FIGURE_THD_PERCENT)
            return 100.0 * magnetised_third_harmonic_ratio(&settings, argument);
    } else if (stages[0].kind == TAPEEMU_TAPE_NOISE) {
        TapeNoiseSettings settings;
        tape_noise_read(given, count, &settings);
        if (figure == FIGURE_HISS_DB)
            return settings.hiss_set != 0 ? settings.hiss_db : tape_noise_hiss_of_medium_db(&settings);
        if (figure == FIGURE_NOISE_POWER)
            return noise_power(&settings, argument);
    } else if (stages[0].kind == TAPEEMU_ROOM) {
        RoomSettings settings;
        room_read(given, count, &settings);
        if (figure == FIGURE_DECAY_SECONDS)
            return room_layout_decay_of_band(&settings, (ix)argument);
    } else if (stages[0].kind == TAPEEMU_TAPE_RESPONSE) {
        TapeResponseSettings settings;
        tape_response_read(given, count, &settings);
        if (figure == FIGURE_RECORD_LOSS_UM || figure == FIGURE_SOL_DB || figure == FIGURE_BOOST_LIMIT_DB)
            return response_figure(&settings, figure, work);
        if (figure == FIGURE_MOL_DB)
            return settings.mol_db;
    }
    return -1e9;
}
