/* What all formats share: an instance with its knobs, its state and its sound. SPDX-License-Identifier: ISC
 *
 * Three threads may be at work: the host's main thread (state, beginning and end), its audio thread (core_process),
 * and one of our own that makes chains. Knobs are read and written by all of them, one number at a time.
 */

#define PIECE 512 /* samples that are converted and worked on at once */
#define CHAIN_PLUGIN 0 /* the plug-in that holds a whole chain; the others follow in the order of KINDS */
#define PLUGIN_COUNT (KIND_COUNT + 1)

typedef struct {
    bool known; /* the host says where it is */
    bool playing;
    int64_t place; /* of the first sample of the block */
    int64_t slack; /* samples by which what the host says may be rounded */
} Transport;

typedef struct {
    int which;
    const Knob *knobs;
    int knob_count;
    uint64_t values[MOST_KNOBS]; /* bits of doubles: plain values of the knobs */
    uint32_t changes; /* counted by whoever turns a knob */

    Preset *base; /* as loaded; knobs are laid over it */
    char *text; /* of the preset as loaded, or NULL */
    size_t text_bytes;

    double rate;
    int channels;
    int64_t latency; /* as told to the host */
    int64_t tail; /* of the newest chain, below 0 without an end */
    uint32_t told_from; /* changes when both were found */
    bool told;

    /* While it is active. */
    bool active, offline;
    bool switched_off; /* by the host, which has a switch beside the knob Bypass; the audio thread's own */
    tapeemu_live *live;
    Made *made; /* that plays, or is on its way in */
    Made *waiting; /* that the live engine did not take yet */
    Made *older[TAPEEMU_LIVE_CHAINS]; /* that ring on */
    Made *incoming; /* from our thread to the audio thread */
    Made *retired; /* and back, a list */
    uint32_t made_from; /* changes when the newest chain was made */
    int which_chain; /* of the two of `made` */
    int64_t place; /* on the tape, of the next sample */
    bool fresh; /* nothing has sounded yet */
    bool followed; /* the song, in the block before */
    double *buffers; /* channels of PIECE samples */
    Thread thread;
    bool threaded, ending;
    bool later; /* the knobs ask for a chain that is later than what was told */
    bool locked; /* the preset is being read or replaced */
} Core;

#define FARTHEST ((int64_t)1 << 45) /* samples from the beginning of the song: years */

/* A place that a host says; some say it as a real number, and not all of them are places. */
static int64_t place_within(double samples)
{
    if (!(samples > -(double)FARTHEST))
        return -FARTHEST;
    return samples < (double)FARTHEST ? (int64_t)samples : FARTHEST;
}

static int64_t whole_place_within(int64_t samples)
{
    return samples < -FARTHEST ? -FARTHEST : samples > FARTHEST ? FARTHEST : samples;
}

#define SMALLEST 1.1754943508222875e-38 /* a float below it is denormal, and slow on some machines */

/* A sample that comes in or goes out; what is denormal is silence. */
static double without_denormals(double sample)
{
    return sample >= SMALLEST || sample <= -SMALLEST ? sample : 0.0;
}

/* What comes in, one sample; what is no number or endless would stay in filters and rooms for good. */
static double heard(double sample)
{
    return sample - sample == 0.0 ? without_denormals(sample) : 0.0;
}

static double value_of(const Core *core, int knob)
{
    const uint64_t bits = __atomic_load_n(&core->values[knob], __ATOMIC_RELAXED);
    double value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

static void keep_value(Core *core, int knob, double value)
{
    uint64_t bits;
    memcpy(&bits, &value, sizeof bits);
    __atomic_store_n(&core->values[knob], bits, __ATOMIC_RELAXED);
}

/* What a knob makes of a number: within its range, on a step, with so many digits as can be read. */
static double settled(const Knob *knob, double value)
{
    if (!(value > knob->least))
        return knob->least;
    if (value > knob->most)
        return knob->most;
    return knob->stepped ? floor_of_double(value + 0.5) : with_nine_digits(value);
}

static void turn_knob(Core *core, int knob, double value)
{
    const double wanted = settled(core->knobs + knob, value);
    if (wanted == value_of(core, knob))
        return;
    keep_value(core, knob, wanted);
    __atomic_add_fetch(&core->changes, 1, __ATOMIC_RELEASE);
}

static int knob_of_id(const Core *core, uint32_t id)
{
    for (int k = 0; k < core->knob_count; k++)
        if (core->knobs[k].id == id)
            return k;
    return -1;
}

/* --- knobs and settings -------------------------------------------------------------------------------- */

static StageText *stage_at(Preset *preset, int number)
{
    for (int k = 0; k < preset->stage_count; k = preset->stages[k].behind)
        if (number-- == 0)
            return preset->stages + k;
    return NULL;
}

/* What a knob stands at for a preset. */
static double value_in(const Knob *knob, const Preset *preset)
{
    const StageText *stage = preset->stages;
    const Setting *setting = stage->settings + knob->first;
    if (knob->role == ROLE_MIX)
        return stage->mix_percent;
    if (knob->role == ROLE_STAGE_BYPASS || knob->role == ROLE_STAGE_MIX) {
        stage = stage_at((Preset *)(uintptr_t)preset, knob->first);
        if (stage == NULL)
            return knob->preset;
        return knob->role == ROLE_STAGE_MIX ? stage->mix_percent : stage->bypass ? 1.0 : 0.0;
    }
    if (knob->role == ROLE_SELECT) {
        const bool band = knob->word_count == 2 && knob->count == 2;
        for (int k = 0; k < knob->count; k++)
            if (setting[k].given)
                return band ? 1.0 : k + 1.0;
        return 0.0;
    }
    if (knob->role != ROLE_VALUE)
        return knob->preset;
    const Value *value = KINDS[stage->kind].values + knob->first;
    if (value->sort == SORT_NUMBER)
        return setting->number;
    if (value->optional && value->sort == SORT_WORD)
        return setting->given ? (double)setting->whole + 1.0 : 0.0;
    return (double)setting->whole;
}

/* Put a knob into a preset. */
static void lay_knob(const Knob *knob, double at, Preset *preset)
{
    StageText *stage = preset->stages;
    Setting *setting = stage->settings + knob->first;
    switch (knob->role) {
    case ROLE_MIX:
        stage->mix_percent = at;
        break;
    case ROLE_STAGE_BYPASS:
    case ROLE_STAGE_MIX:
        stage = stage_at(preset, knob->first);
        if (stage != NULL && knob->role == ROLE_STAGE_MIX)
            stage->mix_percent = at;
        else if (stage != NULL)
            stage->bypass = at != 0.0;
        break;
    case ROLE_SELECT:
        for (int k = 0; k < knob->count; k++)
            setting[k].given = knob->word_count == 2 ? at == 1.0 : at == k + 1.0;
        break;
    case ROLE_VALUE: {
        const Value *value = KINDS[stage->kind].values + knob->first;
        if (value->optional && value->sort == SORT_WORD) {
            setting->given = at > 0.0;
            setting->whole = at > 0.0 ? (uint64_t)at - 1 : 0;
            break;
        }
        setting->number = at;
        setting->whole = value->sort == SORT_NUMBER ? 0 : (uint64_t)at;
        if (!value->optional)
            setting->given = at != value->preset;
        break;
    }
    default:
        break;
    }
}

/* Settings that have nothing to say as the others stand are left out, as the processors want it. */
static void leave_out_idle(StageText *stage)
{
    Setting *settings = stage->settings;
    if (stage->kind == KIND_AMPLITUDE_FLUTTER && settings[AMPLITUDE_FLUTTER_MODE].whole == 0)
        settings[AMPLITUDE_FLUTTER_SPACING_FREQUENCY_HZ].given = false;
    if (stage->kind == KIND_TAPE_NOISE && !settings[TAPE_NOISE_HISS_DB].given)
        settings[TAPE_NOISE_HISS_WEIGHTING].given = false;
    if (stage->kind == KIND_TAPE_RESPONSE && settings[TAPE_RESPONSE_BUMP_DB].given)
        settings[TAPE_RESPONSE_POLES] = (Setting){false, 0.0, 0};
    if (stage->kind == KIND_TAPE_RESPONSE && settings[TAPE_RESPONSE_SOL_10KHZ_DB].given) {
        settings[TAPE_RESPONSE_SPACING_UM].given = false;
        settings[TAPE_RESPONSE_SPACING_UM].number = KINDS[KIND_TAPE_RESPONSE].values[TAPE_RESPONSE_SPACING_UM].preset;
    }
    if (stage->kind == KIND_TAPE_RESPONSE && settings[TAPE_RESPONSE_RESPONSE_TOLERANCE_DB].given) {
        settings[TAPE_RESPONSE_BOOST_LIMIT_DB].given = false;
        settings[TAPE_RESPONSE_BOOST_LIMIT_DB].number =
            KINDS[KIND_TAPE_RESPONSE].values[TAPE_RESPONSE_BOOST_LIMIT_DB].preset;
    }
    if (stage->kind == KIND_WOW_FLUTTER && settings[WOW_FLUTTER_PROFILE].given) {
        settings[WOW_FLUTTER_RANDOM_PERCENT].given = false;
        if (settings[WOW_FLUTTER_SCRAPE_PERCENT].given) {
            settings[WOW_FLUTTER_SCRAPE_PERCENT].given = false;
            settings[WOW_FLUTTER_SCRAPE_PERCENT].number = 0.0;
        }
        stage->listed_given = false;
    }
}

/* The preset as the knobs have it. */
static void preset_as_turned(const Core *core, Preset *to)
{
    *to = *core->base;
    for (int k = 0; k < core->knob_count; k++)
        if (core->knobs[k].role == ROLE_PRESET && value_of(core, k) >= 1.0 &&
            !read_shipped((int)value_of(core, k) - 1, to))
            *to = *core->base;
    for (int k = 0; k < core->knob_count; k++) /* what was not turned may have more digits than a knob */
        if (value_of(core, k) != settled(core->knobs + k, value_in(core->knobs + k, core->base)))
            lay_knob(core->knobs + k, value_of(core, k), to);
    if (core->which != CHAIN_PLUGIN)
        leave_out_idle(to->stages);
}

static void knobs_as_in_base(Core *core)
{
    for (int k = 0; k < core->knob_count; k++)
        keep_value(core, k, settled(core->knobs + k, value_in(core->knobs + k, core->base)));
    __atomic_add_fetch(&core->changes, 1, __ATOMIC_RELEASE);
}

static int knob_with_role(const Core *core, int role)
{
    for (int k = 0; k < core->knob_count; k++)
        if (core->knobs[k].role == role)
            return k;
    return -1;
}

static bool bypassed(const Core *core)
{
    return value_of(core, knob_with_role(core, ROLE_BYPASS)) >= 0.5;
}

/* --- numbers as text ----------------------------------------------------------------------------------- */

/* What a host shows of a value of a knob, closed by a zero. */
static void knob_text(const Knob *knob, double value, char *to, size_t room)
{
    char text[MOST_STEP_TEXT + 40];
    size_t length;
    if (knob->word_count > 0 && settled(knob, value) < knob->word_count) { /* a step may wait for its preset */
        const char *word = word_at(knob->words, (int)settled(knob, value));
        length = strlen(word);
        memcpy(text, word, length + 1);
    } else {
        length = (size_t)write_real(text, settled(knob, value), 9);
        if (length > 2 && knob->stepped)
            length -= 2; /* no fraction */
        if (knob->unit != 0) {
            text[length++] = ' ';
            memcpy(text + length, text_at(knob->unit), strlen(text_at(knob->unit)));
            length += strlen(text_at(knob->unit));
        }
        text[length] = '\0';
    }
    if (room == 0)
        return;
    if (length >= room)
        length = room - 1;
    memcpy(to, text, length);
    to[length] = '\0';
}

/* The value that a text means; its unit may stand behind it. False if it means none. */
static bool knob_value(const Knob *knob, const char *text, double *to)
{
    Decimal read;
    while (*text == ' ')
        text++;
    for (int k = 0; k < knob->word_count; k++)
        if (strcmp(word_at(knob->words, k), text) == 0) {
            *to = k;
            return true;
        }
    const char *end = text + strlen(text);
    const char *behind = read_decimal(text, end, &read);
    if (behind == NULL)
        return false;
    while (*behind == ' ')
        behind++;
    if (*behind != '\0' && strcmp(behind, text_at(knob->unit)) != 0)
        return false;
    *to = settled(knob, read.real);
    return true;
}

/* --- an instance --------------------------------------------------------------------------------------- */

static bool base_of_kind(int which, Preset *to)
{
    *to = (Preset){.stage_count = 1};
    if (which == CHAIN_PLUGIN)
        return read_shipped(0, to);
    StageText *stage = to->stages;
    strcpy(to->purpose, text_at(KINDS[which - 1].label));
    strcat(to->purpose, ", as set in a host.");
    *stage = (StageText){.kind = which - 1, .behind = 1, .depth = 1, .mix_percent = 100.0};
    strcpy(stage->name, text_at(KINDS[which - 1].kind));
    settings_as_left_out(stage);
    return true;
}

static const char *plugin_label(int which)
{
    return which == CHAIN_PLUGIN ? "Tape Suite Chain" : text_at(KINDS[which - 1].label);
}

/* As a step of the knob that chooses it. */
static const char *preset_name(int number)
{
    for (int k = 0; k < CHAIN_KNOB_COUNT; k++)
        if (KNOBS_CHAIN[k].role == ROLE_PRESET)
            return word_at(KNOBS_CHAIN[k].words, number + 1);
    return NULL;
}

static const char *plugin_kind(int which)
{
    return which == CHAIN_PLUGIN ? "chain" : text_at(KINDS[which - 1].kind);
}

static void core_deactivate(Core *core);

static void core_end(Core *core)
{
    if (core == NULL)
        return;
    core_deactivate(core);
    free(core->base);
    free(core->text);
    free(core);
}

static Core *core_begin(int which)
{
    Core *core = calloc(1, sizeof *core);
    if (core == NULL)
        return NULL;
    core->which = which;
    core->knobs = which == CHAIN_PLUGIN ? KNOBS_CHAIN : KINDS[which - 1].knobs;
    core->knob_count = which == CHAIN_PLUGIN ? CHAIN_KNOB_COUNT : KINDS[which - 1].knob_count;
    core->base = malloc(sizeof *core->base);
    core->rate = 48000.0;
    core->channels = 2;
    if (core->base == NULL || !base_of_kind(which, core->base)) {
        core_end(core);
        return NULL;
    }
    knobs_as_in_base(core);
    return core;
}

/* Between the main thread and our own; the audio thread never waits. */
static void lock(Core *core)
{
    while (__atomic_exchange_n(&core->locked, true, __ATOMIC_ACQUIRE))
        wait_milliseconds(1);
}

static void unlock(Core *core)
{
    __atomic_store_n(&core->locked, false, __ATOMIC_RELEASE);
}

static uint32_t changes_of(const Core *core)
{
    return __atomic_load_n(&core->changes, __ATOMIC_ACQUIRE);
}

/* A chain as the knobs stand; NULL if they do not fit together. Not for the audio thread, but where time does not
 * count. */
static Made *core_make(Core *core)
{
    Preset *preset = malloc(sizeof *preset);
    Made *made = NULL;
    if (preset != NULL) {
        lock(core);
        preset_as_turned(core, preset);
        unlock(core);
        const double track = value_of(core, knob_with_role(core, ROLE_TRACK));
        made = make(preset, core->rate, core->channels, PIECE, (int64_t)track, 0);
    }
    free(preset);
    return made;
}

/* Find what the host is told, while nothing sounds. */
static void find_latency(Core *core)
{
    const uint32_t changes = changes_of(core);
    if (core->active || (core->told && core->told_from == changes))
        return;
    Made *made = core_make(core);
    core->told = true;
    core->told_from = changes;
    if (made == NULL)
        return;
    core->latency = made->latency;
    core->tail = made->tail;
    free(made);
}

static int64_t core_latency(Core *core)
{
    find_latency(core);
    return core->latency;
}

static int64_t core_tail(Core *core)
{
    find_latency(core);
    return __atomic_load_n(&core->tail, __ATOMIC_RELAXED);
}

static bool core_format(Core *core, double rate, int channels)
{
    if (!(rate >= 1000.0 && rate <= 1000000.0) || channels < 1 || channels > TAPEEMU_MOST_CHANNELS || core->active)
        return false;
    if (rate != core->rate || channels != core->channels)
        core->told = false;
    core->rate = rate;
    core->channels = channels;
    return true;
}

/* --- our own thread ------------------------------------------------------------------------------------ */

static void free_list(Made *list)
{
    while (list != NULL) {
        Made *next = list->next;
        free(list);
        list = next;
    }
}

static void make_if_turned(Core *core)
{
    const uint32_t changes = changes_of(core);
    if (changes == __atomic_load_n(&core->made_from, __ATOMIC_RELAXED))
        return;
    Made *made = core_make(core);
    __atomic_store_n(&core->made_from, changes, __ATOMIC_RELAXED);
    if (made == NULL)
        return; /* what sounded before goes on */
    if (made->latency > core->latency) {
        __atomic_store_n(&core->later, true, __ATOMIC_RELEASE);
        free(made);
        return;
    }
    __atomic_store_n(&core->later, false, __ATOMIC_RELEASE);
    __atomic_store_n(&core->tail, made->tail, __ATOMIC_RELAXED);
    free(__atomic_exchange_n(&core->incoming, made, __ATOMIC_ACQ_REL));
}

/* Makes chains and frees them. It looks for work instead of being woken: waking is a call of the system. */
#if defined(_WIN32)
static DWORD WINAPI thread_entry(LPVOID data)
#else
static void *thread_entry(void *data)
#endif
{
    Core *core = data;
    int idle = 0;
    while (!__atomic_load_n(&core->ending, __ATOMIC_ACQUIRE)) {
        const uint32_t before = __atomic_load_n(&core->made_from, __ATOMIC_RELAXED);
        free_list(__atomic_exchange_n(&core->retired, NULL, __ATOMIC_ACQ_REL));
        if (!__atomic_load_n(&core->offline, __ATOMIC_RELAXED))
            make_if_turned(core);
        idle = before == __atomic_load_n(&core->made_from, __ATOMIC_RELAXED) ? idle + 1 : 0;
        wait_milliseconds(idle < 400 ? 5 : 20);
    }
    return 0;
}

/* --- sound --------------------------------------------------------------------------------------------- */

static bool core_activate(Core *core)
{
    if (core->active)
        return true;
    core->made_from = changes_of(core);
    core->made = core_make(core);
    if (core->made == NULL) { /* the knobs do not fit together: as they last did */
        lock(core);
        core->made = make(core->base, core->rate, core->channels, PIECE, 0, 0);
        unlock(core);
    }
    if (core->made == NULL)
        return false;
    core->latency = core->made->latency;
    core->tail = core->made->tail;
    core->told = true;
    core->told_from = core->made_from;
    core->buffers = malloc((size_t)core->channels * PIECE * sizeof(double));
    void *memory = malloc(tapeemu_live_size(core->rate, core->channels, PIECE, core->latency));
    core->live = memory == NULL || core->buffers == NULL
        ? NULL
        : tapeemu_live_create(core->rate, core->channels, PIECE, core->latency, memory);
    core->ending = false;
    core->threaded = core->live != NULL && begin_thread(&core->thread, core);
    core->active = true;
    if (core->live == NULL) {
        free(memory);
        core_deactivate(core);
        return false;
    }
    core->which_chain = 0;
    place_chain(core->made, core->made->chains[0], 0);
    core->made->sounding[0] = tapeemu_live_take(core->live, core->made->chains[0]);
    core->place = 0;
    core->fresh = true;
    core->followed = false;
    core->later = false;
    return true;
}

static void core_deactivate(Core *core)
{
    if (!core->active)
        return;
    core->active = false;
    __atomic_store_n(&core->ending, true, __ATOMIC_RELEASE);
    if (core->threaded)
        join_thread(core->thread);
    core->threaded = false;
    for (int k = 0; k < TAPEEMU_LIVE_CHAINS; k++) {
        free(core->older[k]);
        core->older[k] = NULL;
    }
    free(core->made);
    free(core->waiting);
    free(core->incoming);
    free_list(core->retired);
    free(core->live);
    free(core->buffers);
    core->made = core->waiting = core->incoming = core->retired = NULL;
    core->live = NULL;
    core->buffers = NULL;
    core->told = false;
}

static void retire(Core *core, Made *made)
{
    Made *first = __atomic_load_n(&core->retired, __ATOMIC_RELAXED);
    do
        made->next = first;
    while (!__atomic_compare_exchange_n(&core->retired, &first, made, true, __ATOMIC_RELEASE, __ATOMIC_RELAXED));
}

/* Chains that have rung out are free again. */
static void fetch_gone(Core *core)
{
    for (tapeemu *gone; (gone = tapeemu_live_gone(core->live)) != NULL;) {
        for (int k = -1; k < TAPEEMU_LIVE_CHAINS; k++) {
            Made **of = k < 0 ? &core->made : &core->older[k];
            for (int each = 0; *of != NULL && each < 2; each++)
                if ((*of)->chains[each] == gone)
                    (*of)->sounding[each] = false;
            if (k >= 0 && *of != NULL && !(*of)->sounding[0] && !(*of)->sounding[1]) {
                retire(core, *of);
                *of = NULL;
            }
        }
    }
}

static bool room_for_older(const Core *core)
{
    for (int k = 0; k < TAPEEMU_LIVE_CHAINS; k++)
        if (core->older[k] == NULL)
            return true;
    return false;
}

/* Let the newest chain take over, if one waits. */
static void take_newest(Core *core, int64_t place)
{
    Made *newest = __atomic_exchange_n(&core->incoming, NULL, __ATOMIC_ACQ_REL);
    if (newest != NULL) {
        if (core->waiting != NULL)
            retire(core, core->waiting);
        core->waiting = newest;
    }
    if (core->waiting == NULL || tapeemu_live_changing(core->live) || !room_for_older(core))
        return;
    tapeemu_seek(core->waiting->chains[0], place);
    if (!tapeemu_live_take(core->live, core->waiting->chains[0]))
        return;
    core->waiting->sounding[0] = true;
    for (int k = 0; k < TAPEEMU_LIVE_CHAINS; k++)
        if (core->older[k] == NULL) {
            core->older[k] = core->made;
            break;
        }
    core->made = core->waiting;
    core->waiting = NULL;
    core->which_chain = 0;
    core->place = place;
}

/* Go to another place on the tape: the twin goes there and takes over. If it still rings from a jump before this one,
 * the next block tries again. */
static void jump(Core *core, int64_t place)
{
    const int other = 1 - core->which_chain;
    if (core->fresh) { /* nothing has sounded: be there at once */
        place_chain(core->made, core->made->chains[core->which_chain], place);
        core->place = place;
        return;
    }
    if (core->made->sounding[other] || tapeemu_live_changing(core->live))
        return;
    tapeemu_seek(core->made->chains[other], place);
    if (!tapeemu_live_take(core->live, core->made->chains[other]))
        return;
    core->made->sounding[other] = true;
    core->which_chain = other;
    core->place = place;
}

static void core_set_offline(Core *core, bool offline)
{
    __atomic_store_n(&core->offline, offline, __ATOMIC_RELAXED);
}

/* As after activation. */
static void core_reset(Core *core)
{
    if (!core->active || core->fresh)
        return;
    tapeemu_live_reset(core->live, 0);
    fetch_gone(core);
    for (int each = 0; each < 2; each++) /* the one that plays stays, all others are gone */
        core->made->sounding[each] = each == core->which_chain;
    if (core->made->run_in > 0)
        place_chain(core->made, core->made->chains[core->which_chain], 0);
    core->place = 0;
    core->fresh = true;
}

/* in and out: a pointer a channel, to doubles where `wide`, else to floats. */
static void core_process(
    Core *core, Transport transport, const void *const *in, void *const *out, bool wide, int32_t count)
{
    double *pieces[TAPEEMU_MOST_CHANNELS];
    if (!core->active || count <= 0)
        return;
    const bool follows = transport.known && transport.playing;
    /* A host that renders offline and lets the song begin does not always reset: what ran free before is no part of it. */
    if (follows && !core->followed && __atomic_load_n(&core->offline, __ATOMIC_RELAXED))
        core_reset(core);
    core->followed = follows;
    tapeemu_live_bypass(core->live, core->switched_off || bypassed(core));
    for (int channel = 0; channel < core->channels; channel++)
        pieces[channel] = core->buffers + (ptrdiff_t)channel * PIECE;
    for (int32_t at = 0; at < count; at += PIECE) {
        const int32_t now = count - at < PIECE ? count - at : PIECE;
        const int64_t wanted = follows ? transport.place + at : core->place;
        const int64_t beside = wanted > core->place ? wanted - core->place : core->place - wanted;
        if (__atomic_load_n(&core->offline, __ATOMIC_RELAXED)) /* time does not count, but every bounce is the same */
            make_if_turned(core);
        fetch_gone(core);
        const bool elsewhere = beside > (core->fresh ? 0 : transport.slack); /* nobody has counted on from a beginning */
        take_newest(core, elsewhere ? wanted : core->place);
        if (elsewhere && wanted != core->place)
            jump(core, wanted);
        for (int channel = 0; channel < core->channels; channel++)
            for (int32_t k = 0; k < now; k++)
                pieces[channel][k] =
                    heard(wide ? ((const double *)in[channel])[at + k] : (double)((const float *)in[channel])[at + k]);
        tapeemu_live_process(core->live, (const double *const *)pieces, pieces, now);
        for (int channel = 0; channel < core->channels; channel++)
            for (int32_t k = 0; k < now; k++)
                if (wide)
                    ((double *)out[channel])[at + k] = without_denormals(pieces[channel][k]);
                else
                    ((float *)out[channel])[at + k] = (float)without_denormals(pieces[channel][k]);
        core->place += now;
        core->fresh = false;
    }
}

/* --- state --------------------------------------------------------------------------------------------- */

#define HOST_LINE "#: "

/* The state is the text of a preset. What a preset has no word for stands in comments at its top. */
static void put_state(const Core *core, const Preset *preset, const char *text, size_t bytes, Writer *writer)
{
    for (int k = 0; k < core->knob_count; k++) {
        const double value = value_of(core, k);
        if (value == settled(core->knobs + k, value_in(core->knobs + k, preset)) || core->knobs[k].role == ROLE_PRESET)
            continue; /* which preset it was says the text; numbers of presets are those of a version */
        put(writer, HOST_LINE);
        put(writer, text_at(core->knobs[k].key));
        put(writer, " = ");
        put_real(writer, value);
        put(writer, "\n");
    }
    if (text != NULL)
        put_bytes(writer, text, bytes);
    else
        put_preset(writer, preset);
}

static bool same_preset(const Preset *one, const Preset *other)
{
    Writer first = {NULL, 0, 0}, second = {NULL, 0, 0};
    put_preset(&first, one);
    put_preset(&second, other);
    if (first.used != second.used)
        return false;
    first = (Writer){malloc(first.used + 1), 0, first.used + 1};
    second = (Writer){malloc(second.used + 1), 0, second.used + 1};
    bool equal = first.text != NULL && second.text != NULL;
    if (equal) {
        put_preset(&first, one);
        put_preset(&second, other);
        equal = memcmp(first.text, second.text, first.used) == 0;
    }
    free(first.text);
    free(second.text);
    return equal;
}

/* The text of the state of an instance whose knobs stand still; to be freed. */
static char *state_of(const Core *core, size_t *bytes)
{
    Preset *preset = malloc(sizeof *preset);
    char *text = NULL;
    if (preset == NULL)
        return NULL;
    preset_as_turned(core, preset);
    Setup *setup = malloc(sizeof *setup);
    const bool fits = setup != NULL && setup_of(preset, 48000.0, 1, PIECE, 0, setup);
    free(setup);
    if (!fits)
        *preset = *core->base; /* the knobs, which do not fit together, stand in the comments */
    /* As it was loaded, with its comments and measured figures, where nothing was turned. */
    const char *loaded = core->text != NULL && same_preset(preset, core->base) ? core->text : NULL;
    Writer writer = {NULL, 0, 0};
    put_state(core, preset, loaded, core->text_bytes, &writer);
    text = malloc(writer.used + 1);
    writer = (Writer){text, 0, text == NULL ? 0 : writer.used + 1};
    put_state(core, preset, loaded, core->text_bytes, &writer);
    *bytes = writer.used;
    free(preset);
    return text;
}

/* The text of the state; to be freed. The audio thread may turn knobs meanwhile, and another thread bring a state: what
 * is written is one moment of it. */
static char *core_save(Core *core, size_t *bytes)
{
    Core *still = calloc(1, sizeof *still);
    if (still == NULL)
        return NULL;
    lock(core);
    still->which = core->which;
    still->knobs = core->knobs;
    still->knob_count = core->knob_count;
    still->base = core->base;
    still->text = core->text;
    still->text_bytes = core->text_bytes;
    for (int k = 0; k < core->knob_count; k++)
        keep_value(still, k, value_of(core, k));
    char *text = state_of(still, bytes);
    unlock(core);
    free(still);
    return text;
}

/* The knobs that comments at the top of a state name; false if one is not as it is written. Returns what is behind. */
static bool read_host_lines(const Core *core, const char **text, size_t *bytes, double *values, bool *named)
{
    const size_t mark = strlen(HOST_LINE);
    while (*bytes > mark && memcmp(*text, HOST_LINE, mark) == 0) {
        const char *line = *text + mark, *end = memchr(*text, '\n', *bytes);
        if (end == NULL)
            return false;
        const char *equals = memchr(line, '=', (size_t)(end - line));
        int knob = -1;
        for (int k = 0; equals != NULL && equals - line > 1 && k < core->knob_count; k++)
            if (same(line, (int)(equals - line) - 1, text_at(core->knobs[k].key)))
                knob = k;
        Decimal read;
        if (knob < 0 || equals[-1] != ' ' || equals[1] != ' ' || named[knob] || read_decimal(equals + 2, end, &read) != end)
            return false;
        const bool chooses = core->knobs[knob].role == ROLE_PRESET; /* in states of earlier versions, by their numbers */
        if (!chooses && !(read.real >= core->knobs[knob].least && read.real <= core->knobs[knob].most))
            return false;
        values[knob] = chooses ? core->knobs[knob].preset : read.real;
        named[knob] = true;
        *bytes -= (size_t)(end + 1 - *text);
        *text = end + 1;
    }
    return true;
}

/* Take a state; false, and everything as it was, if it is none for this plug-in. */
static bool core_load(Core *core, const char *text, size_t bytes)
{
    double values[MOST_KNOBS];
    bool named[MOST_KNOBS] = {false};
    if (bytes > MOST_BYTES || !read_host_lines(core, &text, &bytes, values, named))
        return false;
    Preset *preset = malloc(sizeof *preset);
    Setup *setup = malloc(sizeof *setup);
    char *kept = malloc(bytes + 1);
    bool good = preset != NULL && setup != NULL && kept != NULL && read_preset(text, bytes, preset) &&
        setup_of(preset, core->rate, core->channels, PIECE, 0, setup);
    if (good && core->which != CHAIN_PLUGIN)
        good = preset->stage_count == 1 && preset->stages[0].kind == core->which - 1;
    free(setup);
    if (!good) {
        free(preset);
        free(kept);
        return false;
    }
    memcpy(kept, text, bytes);
    lock(core);
    free(core->base);
    free(core->text);
    core->base = preset;
    core->text = kept;
    core->text_bytes = bytes;
    knobs_as_in_base(core);
    for (int k = 0; k < core->knob_count; k++)
        if (named[k])
            keep_value(core, k, settled(core->knobs + k, values[k]));
    unlock(core);
    return true;
}
