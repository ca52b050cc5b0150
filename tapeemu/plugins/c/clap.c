/* CLAP. SPDX-License-Identifier: ISC
 *
 * The declarations say, in our own words, what the public interface of CLAP 1.2 is as a machine sees it.
 */

typedef struct {
    uint32_t major, minor, revision;
} ClapVersion;

typedef struct {
    ClapVersion version;
    const char *id, *name, *vendor, *url, *manual_url, *support_url, *plugin_version, *description;
    const char *const *features;
} ClapDescriptor;

typedef struct ClapHost {
    ClapVersion version;
    void *data;
    const char *name, *vendor, *url, *host_version;
    const void *(*extension)(const struct ClapHost *, const char *id);
    void (*request_restart)(const struct ClapHost *);
    void (*request_process)(const struct ClapHost *);
    void (*request_callback)(const struct ClapHost *);
} ClapHost;

typedef struct {
    uint32_t size, time;
    uint16_t space, sort;
    uint32_t flags;
} ClapEvent;

enum { CLAP_VALUE = 5 };

typedef struct {
    ClapEvent header;
    uint32_t id;
    void *cookie;
    int32_t note;
    int16_t port, channel, key;
    double value;
} ClapValue;

typedef struct {
    ClapEvent header;
    uint32_t flags;
    int64_t beats, seconds; /* seconds in units of 2^-31 */
    double tempo, tempo_step;
    int64_t loop[4], bar;
    int32_t bar_number;
    uint16_t signature[2];
} ClapTransport;

enum { CLAP_HAS_SECONDS = 1 << 2, CLAP_PLAYING = 1 << 4 };

typedef struct ClapEventsIn {
    void *data;
    uint32_t (*count)(const struct ClapEventsIn *);
    const ClapEvent *(*get)(const struct ClapEventsIn *, uint32_t number);
} ClapEventsIn;

typedef struct {
    float **narrow;
    double **wide;
    uint32_t channels, latency;
    uint64_t constant;
} ClapBuffer;

typedef struct {
    int64_t steady;
    uint32_t count;
    const ClapTransport *transport;
    const ClapBuffer *in;
    ClapBuffer *out;
    uint32_t ins, outs;
    const ClapEventsIn *events;
    const void *events_out;
} ClapProcess;

typedef struct ClapPlugin {
    const ClapDescriptor *descriptor;
    void *data;
    bool (*init)(const struct ClapPlugin *);
    void (*destroy)(const struct ClapPlugin *);
    bool (*activate)(const struct ClapPlugin *, double rate, uint32_t least, uint32_t most);
    void (*deactivate)(const struct ClapPlugin *);
    bool (*start)(const struct ClapPlugin *);
    void (*stop)(const struct ClapPlugin *);
    void (*reset)(const struct ClapPlugin *);
    int32_t (*process)(const struct ClapPlugin *, const ClapProcess *);
    const void *(*extension)(const struct ClapPlugin *, const char *id);
    void (*on_main_thread)(const struct ClapPlugin *);
} ClapPlugin;

/* --- extensions ---------------------------------------------------------------------------------------- */

/* The interface of presets was a draft first, which is the same to the byte. */
#define CLAP_PRESET_LOAD_ID "clap.preset-load/2"
#define CLAP_PRESET_LOAD_DRAFT_ID "clap.preset-load.draft/2"
#define CLAP_DISCOVERY_ID "clap.preset-discovery-factory/2"
#define CLAP_DISCOVERY_DRAFT_ID "clap.preset-discovery-factory/draft-2"

typedef struct {
    uint32_t id, flags;
    void *cookie;
    char name[256], module[1024];
    double least, most, preset;
} ClapParameter;

enum { CLAP_STEPPED = 1, CLAP_IS_BYPASS = 1 << 4, CLAP_AUTOMATED = 1 << 5, CLAP_LISTED = 1 << 16 };

typedef struct {
    uint32_t (*count)(const ClapPlugin *);
    bool (*info)(const ClapPlugin *, uint32_t number, ClapParameter *);
    bool (*get)(const ClapPlugin *, uint32_t id, double *value);
    bool (*to_text)(const ClapPlugin *, uint32_t id, double value, char *to, uint32_t room);
    bool (*from_text)(const ClapPlugin *, uint32_t id, const char *text, double *value);
    void (*flush)(const ClapPlugin *, const ClapEventsIn *, const void *out);
} ClapParameters;

typedef struct ClapStreamOut {
    void *data;
    int64_t (*write)(const struct ClapStreamOut *, const void *bytes, uint64_t count);
} ClapStreamOut;

typedef struct ClapStreamIn {
    void *data;
    int64_t (*read)(const struct ClapStreamIn *, void *bytes, uint64_t count);
} ClapStreamIn;

typedef struct {
    bool (*save)(const ClapPlugin *, const ClapStreamOut *);
    bool (*load)(const ClapPlugin *, const ClapStreamIn *);
} ClapState;

typedef struct {
    uint32_t (*get)(const ClapPlugin *);
} ClapNumber; /* latency, tail */

typedef struct {
    uint32_t id;
    char name[256];
    uint32_t flags, channels;
    const char *sort;
    uint32_t in_place;
} ClapPort;

enum { CLAP_MAIN = 1, CLAP_WIDE = 2, CLAP_SAME_SIZE = 8 };

typedef struct {
    uint32_t (*count)(const ClapPlugin *, bool in);
    bool (*get)(const ClapPlugin *, uint32_t number, bool in, ClapPort *);
} ClapPorts;

typedef struct {
    bool in;
    uint32_t port, channels;
    const char *sort;
    const void *details;
} ClapPortRequest;

typedef struct {
    bool (*can)(const ClapPlugin *, const ClapPortRequest *, uint32_t count);
    bool (*apply)(const ClapPlugin *, const ClapPortRequest *, uint32_t count);
} ClapPortChoice;

typedef struct {
    bool (*hard_real_time)(const ClapPlugin *);
    bool (*set)(const ClapPlugin *, int32_t mode);
} ClapRender;

typedef struct {
    bool (*from_location)(const ClapPlugin *, uint32_t kind, const char *location, const char *key);
} ClapPresetLoad;

enum { CLAP_IN_FILE = 0, CLAP_IN_PLUGIN = 1 };

/* What the host offers. */
typedef struct {
    void (*failed)(
        const ClapHost *, uint32_t kind, const char *location, const char *key, int32_t reason, const char *words);
    void (*loaded)(const ClapHost *, uint32_t kind, const char *location, const char *key);
} ClapHostPresetLoad;

typedef struct {
    void (*rescan)(const ClapHost *, uint32_t what);
    void (*clear)(const ClapHost *, uint32_t id, uint32_t what);
    void (*request_flush)(const ClapHost *);
} ClapHostParameters;

enum { CLAP_VALUES_CHANGED = 1 };

typedef struct {
    ClapPlugin plugin;
    const ClapHost *host;
    Core *core;
    double rate;
} ClapInstance;

static Core *clap_core(const ClapPlugin *plugin)
{
    return ((ClapInstance *)plugin->data)->core;
}

static uint32_t clap_count(const ClapPlugin *plugin)
{
    return (uint32_t)clap_core(plugin)->knob_count;
}

static bool clap_info(const ClapPlugin *plugin, uint32_t number, ClapParameter *to)
{
    const Core *core = clap_core(plugin);
    if (number >= (uint32_t)core->knob_count)
        return false;
    const Knob *knob = core->knobs + number;
    memset(to, 0, sizeof *to);
    to->id = knob->id;
    to->flags = CLAP_AUTOMATED | (knob->stepped ? CLAP_STEPPED : 0u) | (knob->role == ROLE_BYPASS ? CLAP_IS_BYPASS : 0u) |
        (knob->word_count > 0 ? CLAP_LISTED : 0u);
    strncpy(to->name, text_at(knob->label), sizeof to->name - 1);
    to->least = knob->least;
    to->most = knob->most;
    to->preset = knob->preset;
    return true;
}

static bool clap_get(const ClapPlugin *plugin, uint32_t id, double *value)
{
    const int knob = knob_of_id(clap_core(plugin), id);
    if (knob < 0)
        return false;
    *value = value_of(clap_core(plugin), knob);
    return true;
}

static bool clap_to_text(const ClapPlugin *plugin, uint32_t id, double value, char *to, uint32_t room)
{
    const int knob = knob_of_id(clap_core(plugin), id);
    if (knob < 0)
        return false;
    knob_text(clap_core(plugin)->knobs + knob, value, to, room);
    return true;
}

static bool clap_from_text(const ClapPlugin *plugin, uint32_t id, const char *text, double *value)
{
    const int knob = knob_of_id(clap_core(plugin), id);
    return knob >= 0 && knob_value(clap_core(plugin)->knobs + knob, text, value);
}

static void clap_take(Core *core, const ClapEvent *event)
{
    if (event->space != 0 || event->sort != CLAP_VALUE)
        return;
    const ClapValue *value = (const ClapValue *)(const void *)event;
    const int knob = knob_of_id(core, value->id);
    /* A value for single notes is none for an effect. */
    if (knob >= 0 && value->note < 0 && value->key < 0)
        turn_knob(core, knob, value->value);
}

static void clap_flush(const ClapPlugin *plugin, const ClapEventsIn *events, const void *out)
{
    (void)out;
    for (uint32_t k = 0; events != NULL && k < events->count(events); k++)
        clap_take(clap_core(plugin), events->get(events, k));
}

static bool clap_save(const ClapPlugin *plugin, const ClapStreamOut *stream)
{
    size_t bytes = 0, done = 0;
    char *text = core_save(clap_core(plugin), &bytes);
    while (text != NULL && done < bytes) {
        const int64_t written = stream->write(stream, text + done, bytes - done);
        if (written <= 0)
            break;
        done += (size_t)written;
    }
    free(text);
    return text != NULL && done == bytes;
}

static bool clap_load(const ClapPlugin *plugin, const ClapStreamIn *stream)
{
    ClapInstance *instance = plugin->data;
    size_t bytes = 0;
    int64_t read = 0;
    char *text = malloc(MOST_BYTES + 1);
    while (text != NULL && bytes <= MOST_BYTES && (read = stream->read(stream, text + bytes, MOST_BYTES + 1 - bytes)) > 0)
        bytes += (size_t)read;
    const bool good = text != NULL && read == 0 && core_load(instance->core, text, bytes);
    free(text);
    return good;
}

/* The text of a shipped preset by its name, to be freed; NULL if there is none. */
static char *shipped_preset(const char *name, size_t *bytes)
{
    for (int number = 0; number < PRESET_COUNT; number++)
        if (name != NULL && strcmp(preset_name(number), name) == 0)
            return shipped_text(number, bytes);
    return NULL;
}

/* What a preset browser tells a plug-in to load. */
static bool clap_from_location(const ClapPlugin *plugin, uint32_t kind, const char *location, const char *key)
{
    const ClapInstance *instance = plugin->data;
    const ClapHost *host = instance->host;
    const ClapHostPresetLoad *told = host->extension(host, CLAP_PRESET_LOAD_ID);
    const ClapHostParameters *knobs = host->extension(host, "clap.params");
    const char *wrong = "this is no preset that this plug-in can hold";
    size_t bytes = 0;
    int32_t reason = 0;
    char *text = kind == CLAP_IN_PLUGIN ? shipped_preset(key, &bytes) : NULL;
    if (told == NULL)
        told = host->extension(host, CLAP_PRESET_LOAD_DRAFT_ID);
    if (kind == CLAP_IN_FILE && location != NULL && (text = read_file(location, MOST_BYTES + 1, &bytes, &reason)) == NULL)
        wrong = "the file cannot be read";
    const bool good = text != NULL && core_load(instance->core, text, bytes);
    free(text);
    if (good && knobs != NULL)
        knobs->rescan(host, CLAP_VALUES_CHANGED);
    if (good && told != NULL)
        told->loaded(host, kind, location, key);
    if (!good && told != NULL)
        told->failed(host, kind, location, key, reason, wrong);
    return good;
}

static uint32_t clap_latency(const ClapPlugin *plugin)
{
    return (uint32_t)core_latency(clap_core(plugin));
}

static uint32_t clap_tail(const ClapPlugin *plugin)
{
    const int64_t tail = core_tail(clap_core(plugin));
    return tail < 0 || tail >= INT32_MAX ? INT32_MAX : (uint32_t)tail;
}

static uint32_t clap_port_count(const ClapPlugin *plugin, bool in)
{
    (void)plugin;
    (void)in;
    return 1;
}

static bool clap_port(const ClapPlugin *plugin, uint32_t number, bool in, ClapPort *to)
{
    const int channels = clap_core(plugin)->channels;
    if (number != 0)
        return false;
    memset(to, 0, sizeof *to);
    strcpy(to->name, in ? "Input" : "Output");
    to->flags = CLAP_MAIN | CLAP_WIDE | CLAP_SAME_SIZE;
    to->channels = (uint32_t)channels;
    to->sort = channels == 1 ? "mono" : channels == 2 ? "stereo" : NULL;
    return true;
}

static bool clap_can_ports(const ClapPlugin *plugin, const ClapPortRequest *requests, uint32_t count)
{
    (void)plugin;
    for (uint32_t k = 0; k < count; k++)
        if (requests[k].port != 0 || requests[k].channels != requests[0].channels || requests[k].channels < 1 ||
            requests[k].channels > TAPEEMU_MOST_CHANNELS)
            return false;
    return count > 0;
}

static bool clap_apply_ports(const ClapPlugin *plugin, const ClapPortRequest *requests, uint32_t count)
{
    Core *core = clap_core(plugin);
    return !core->active && clap_can_ports(plugin, requests, count) &&
        core_format(core, core->rate, (int)requests[0].channels);
}

static bool clap_hard_real_time(const ClapPlugin *plugin)
{
    (void)plugin;
    return false;
}

static bool clap_set_render(const ClapPlugin *plugin, int32_t mode)
{
    core_set_offline(clap_core(plugin), mode == 1);
    return mode == 0 || mode == 1;
}

static const ClapParameters CLAP_PARAMETERS = {clap_count, clap_info, clap_get, clap_to_text, clap_from_text, clap_flush};
static const ClapState CLAP_STATE = {clap_save, clap_load};
static const ClapNumber CLAP_LATENCY = {clap_latency}, CLAP_TAIL = {clap_tail};
static const ClapPorts CLAP_PORTS = {clap_port_count, clap_port};
static const ClapPortChoice CLAP_PORT_CHOICE = {clap_can_ports, clap_apply_ports};
static const ClapPresetLoad CLAP_PRESET_LOAD = {clap_from_location};
static const ClapRender CLAP_RENDER = {clap_hard_real_time, clap_set_render};

static const void *clap_extension(const ClapPlugin *plugin, const char *id)
{
    static const struct {
        const char *id;
        const void *table;
    } KNOWN[] = {
        {"clap.params", &CLAP_PARAMETERS}, {"clap.state", &CLAP_STATE}, {"clap.latency", &CLAP_LATENCY},
        {"clap.tail", &CLAP_TAIL}, {"clap.audio-ports", &CLAP_PORTS},
        {"clap.configurable-audio-ports/1", &CLAP_PORT_CHOICE}, {"clap.render", &CLAP_RENDER},
        {CLAP_PRESET_LOAD_ID, &CLAP_PRESET_LOAD}, {CLAP_PRESET_LOAD_DRAFT_ID, &CLAP_PRESET_LOAD}};
    (void)plugin;
    for (size_t k = 0; k < sizeof KNOWN / sizeof *KNOWN; k++)
        if (strcmp(KNOWN[k].id, id) == 0)
            return KNOWN[k].table;
    return NULL;
}

/* --- plug-in ------------------------------------------------------------------------------------------- */

static bool clap_init(const ClapPlugin *plugin)
{
    (void)plugin;
    return true;
}

static void clap_destroy(const ClapPlugin *plugin)
{
    core_end(clap_core(plugin));
    free(plugin->data);
}

static bool clap_activate(const ClapPlugin *plugin, double rate, uint32_t least, uint32_t most)
{
    (void)least;
    (void)most;
    Core *core = clap_core(plugin);
    return core_format(core, rate, core->channels) && core_activate(core);
}

static void clap_deactivate(const ClapPlugin *plugin)
{
    core_deactivate(clap_core(plugin));
}

static bool clap_start(const ClapPlugin *plugin)
{
    return clap_core(plugin)->active;
}

static void clap_stop(const ClapPlugin *plugin)
{
    (void)plugin;
}

static void clap_reset(const ClapPlugin *plugin)
{
    core_reset(clap_core(plugin));
}

static void clap_stretch(Core *core, const ClapProcess *data, Transport transport, uint32_t from, uint32_t to)
{
    const void *in[TAPEEMU_MOST_CHANNELS];
    void *out[TAPEEMU_MOST_CHANNELS];
    const bool wide = data->in->wide != NULL && data->out->wide != NULL;
    for (int channel = 0; channel < core->channels; channel++) {
        in[channel] = wide ? (const void *)(data->in->wide[channel] + from) : (const void *)(data->in->narrow[channel] + from);
        out[channel] = wide ? (void *)(data->out->wide[channel] + from) : (void *)(data->out->narrow[channel] + from);
    }
    transport.place += from;
    core_process(core, transport, in, out, wide, (int32_t)(to - from));
}

/* Whether both sides have as many channels, in the same precision. */
static bool clap_has_rows(const ClapProcess *data, int channels)
{
    const bool wide = data->in->wide != NULL && data->out->wide != NULL;
    bool all = data->in->channels >= (uint32_t)channels && data->out->channels >= (uint32_t)channels &&
        (wide || (data->in->narrow != NULL && data->out->narrow != NULL));
    for (int channel = 0; all && channel < channels; channel++)
        all = wide ? data->in->wide[channel] != NULL && data->out->wide[channel] != NULL
                   : data->in->narrow[channel] != NULL && data->out->narrow[channel] != NULL;
    return all;
}

/* Outputs that nothing sounds in are silent, not as they were. */
static void clap_clear(const ClapBuffer *out, uint32_t first, uint32_t count)
{
    for (uint32_t channel = first; channel < out->channels; channel++) {
        if (out->narrow != NULL && out->narrow[channel] != NULL)
            memset(out->narrow[channel], 0, count * sizeof(float));
        if (out->wide != NULL && out->wide[channel] != NULL)
            memset(out->wide[channel], 0, count * sizeof(double));
    }
}

static Transport clap_transport(const ClapTransport *told, double rate)
{
    if (told == NULL || (told->flags & CLAP_HAS_SECONDS) == 0)
        return (Transport){false, false, 0, 0};
    const double seconds = (double)told->seconds / 2147483648.0;
    return (Transport){true, (told->flags & CLAP_PLAYING) != 0, (int64_t)floor_of_double(seconds * rate + 0.5), 1};
}

static int32_t clap_process(const ClapPlugin *plugin, const ClapProcess *data)
{
    Core *core = clap_core(plugin);
    const Transport transport = clap_transport(data->transport, core->rate);
    const bool sounds = core->active && data->ins > 0 && data->outs > 0 && clap_has_rows(data, core->channels);
    const uint32_t events = data->events == NULL ? 0 : data->events->count(data->events);
    uint32_t at = 0;
    for (uint32_t k = 0; k < events; k++) {
        const ClapEvent *event = data->events->get(data->events, k);
        if (sounds && event->time > at && event->time <= data->count) {
            clap_stretch(core, data, transport, at, event->time);
            at = event->time;
        }
        clap_take(core, event);
    }
    if (sounds)
        clap_stretch(core, data, transport, at, data->count);
    for (uint32_t k = 0; k < data->outs; k++)
        clap_clear(data->out + k, k == 0 && sounds ? (uint32_t)core->channels : 0, data->count);
    if (__atomic_load_n(&core->later, __ATOMIC_ACQUIRE)) {
        const ClapHost *host = ((ClapInstance *)plugin->data)->host;
        host->request_callback(host);
    }
    return 1; /* goes on; the host knows the tail */
}

/* Settings that are later than what the host was told sound when it has begun again. */
static void clap_on_main_thread(const ClapPlugin *plugin)
{
    const ClapInstance *instance = plugin->data;
    if (__atomic_exchange_n(&instance->core->later, false, __ATOMIC_ACQ_REL))
        instance->host->request_restart(instance->host);
}

/* --- factory ------------------------------------------------------------------------------------------- */

static const char *const CLAP_FEATURES[] = {"audio-effect", "mono", "stereo", "surround", NULL};

#define CLAP_HERE {1, 2, 0}
#define CLAP_DESCRIPTOR(id, name) \
    {CLAP_HERE, "tapeemu." id, name, "tapeemu", "", "", "", PLUGIN_VERSION, "", CLAP_FEATURES}
static const ClapDescriptor CLAP_DESCRIPTORS[] = {CLAP_ENTRIES};

static uint32_t clap_plugin_count(const void *factory)
{
    (void)factory;
    return PLUGIN_COUNT;
}

static const ClapDescriptor *clap_descriptor(const void *factory, uint32_t number)
{
    (void)factory;
    return number < PLUGIN_COUNT ? CLAP_DESCRIPTORS + number : NULL;
}

static const ClapPlugin *clap_create(const void *factory, const ClapHost *host, const char *id)
{
    (void)factory;
    for (int which = 0; which < PLUGIN_COUNT; which++) {
        if (strcmp(id, CLAP_DESCRIPTORS[which].id) != 0)
            continue;
        ClapInstance *instance = calloc(1, sizeof *instance);
        if (instance == NULL || (instance->core = core_begin(which)) == NULL) {
            free(instance);
            return NULL;
        }
        instance->host = host;
        instance->plugin = (ClapPlugin){CLAP_DESCRIPTORS + which, instance, clap_init, clap_destroy, clap_activate,
            clap_deactivate, clap_start, clap_stop, clap_reset, clap_process, clap_extension, clap_on_main_thread};
        return &instance->plugin;
    }
    return NULL;
}

typedef struct {
    uint32_t (*count)(const void *);
    const ClapDescriptor *(*descriptor)(const void *, uint32_t number);
    const ClapPlugin *(*create)(const void *, const ClapHost *, const char *id);
} ClapFactory;

static const ClapFactory CLAP_FACTORY = {clap_plugin_count, clap_descriptor, clap_create};

/* --- presets ------------------------------------------------------------------------------------------- */

typedef struct {
    const char *interface, *id;
} ClapAnyPlugin;

/* Hears what is told of presets. */
typedef struct ClapReceiver {
    void *data;
    void (*failed)(const struct ClapReceiver *, int32_t reason, const char *words);
    bool (*begin)(const struct ClapReceiver *, const char *name, const char *key);
    void (*plugin)(const struct ClapReceiver *, const ClapAnyPlugin *);
    void (*pack)(const struct ClapReceiver *, const char *id);
    void (*flags)(const struct ClapReceiver *, uint32_t flags);
    void (*creator)(const struct ClapReceiver *, const char *name);
    void (*description)(const struct ClapReceiver *, const char *text);
    void (*times)(const struct ClapReceiver *, uint64_t created, uint64_t changed);
    void (*feature)(const struct ClapReceiver *, const char *word);
    void (*more)(const struct ClapReceiver *, const char *key, const char *value);
} ClapReceiver;

typedef struct {
    const char *name, *description, *ending;
} ClapFileSort;

typedef struct {
    uint32_t flags;
    const char *name;
    uint32_t kind;
    const char *location;
} ClapLocation;

enum { CLAP_SHIPPED = 1, CLAP_OWN = 2 };

typedef struct ClapIndexer {
    ClapVersion version;
    const char *name, *vendor, *url, *host_version;
    void *data;
    bool (*file_sort)(const struct ClapIndexer *, const ClapFileSort *);
    bool (*location)(const struct ClapIndexer *, const ClapLocation *);
    bool (*pack)(const struct ClapIndexer *, const void *);
    const void *(*extension)(const struct ClapIndexer *, const char *id);
} ClapIndexer;

typedef struct {
    ClapVersion version;
    const char *id, *name, *vendor;
} ClapProviderDescriptor;

typedef struct ClapProvider {
    const ClapProviderDescriptor *descriptor;
    void *data;
    bool (*init)(const struct ClapProvider *);
    void (*destroy)(const struct ClapProvider *);
    bool (*tell)(const struct ClapProvider *, uint32_t kind, const char *location, const ClapReceiver *);
    const void *(*extension)(const struct ClapProvider *, const char *id);
} ClapProvider;

typedef struct {
    ClapProvider provider;
    const ClapIndexer *indexer;
} ClapProviderInstance;

static bool clap_provider_init(const ClapProvider *provider)
{
    static const ClapFileSort SORT = {"tapeemu preset", "A row of stages with their settings, as text", "toml"};
    static const ClapLocation SHIPPED = {CLAP_SHIPPED, "Shipped with Tape Suite", CLAP_IN_PLUGIN, NULL};
    const ClapIndexer *indexer = ((const ClapProviderInstance *)provider->data)->indexer;
    char folder[MOST_PATH];
    if (!indexer->file_sort(indexer, &SORT) || !indexer->location(indexer, &SHIPPED))
        return false;
    const ClapLocation own = {CLAP_OWN, "Your own presets", CLAP_IN_FILE, folder};
    return !own_presets(folder, sizeof folder) || indexer->location(indexer, &own);
}

static void clap_provider_destroy(const ClapProvider *provider)
{
    free(provider->data);
}

/* Tell of one preset; false if the receiver wants no more. */
static bool tell_preset(const ClapReceiver *to, const Preset *preset, const char *name, const char *key)
{
    ClapAnyPlugin plugin = {"clap", CLAP_DESCRIPTORS[CHAIN_PLUGIN].id};
    if (!to->begin(to, name, key))
        return false;
    to->plugin(to, &plugin);
    if (preset->stage_count == 1 && preset->stages[0].kind != CHAIN_KIND) {
        plugin.id = CLAP_DESCRIPTORS[preset->stages[0].kind + 1].id;
        to->plugin(to, &plugin);
    }
    to->description(to, preset->purpose);
    to->feature(to, CLAP_FEATURES[0]);
    return true;
}

static bool clap_provider_tell(
    const ClapProvider *provider, uint32_t kind, const char *location, const ClapReceiver *to)
{
    Preset *preset = malloc(sizeof *preset);
    Setup *setup = malloc(sizeof *setup);
    const char *wrong = preset == NULL || setup == NULL ? "there is no memory" : NULL;
    int32_t reason = 0;
    (void)provider;
    if (wrong == NULL && kind == CLAP_IN_PLUGIN) {
        for (int number = 0; number < PRESET_COUNT; number++)
            if (read_shipped(number, preset) &&
                !tell_preset(to, preset, preset_name(number), preset_name(number)))
                break;
    } else if (wrong == NULL) {
        size_t bytes = 0;
        char *text =
            kind == CLAP_IN_FILE && location != NULL ? read_file(location, MOST_BYTES + 1, &bytes, &reason) : NULL;
        if (text == NULL)
            wrong = "the file cannot be read";
        else if (!read_preset(text, bytes, preset) || !setup_of(preset, 48000.0, 1, PIECE, 0, setup))
            wrong = "this is no preset that a plug-in can hold";
        else
            (void)tell_preset(to, preset, NULL, NULL);
        free(text);
    }
    free(preset);
    free(setup);
    if (wrong != NULL)
        to->failed(to, reason, wrong);
    return wrong == NULL;
}

static const void *clap_provider_extension(const ClapProvider *provider, const char *id)
{
    (void)provider;
    (void)id;
    return NULL;
}

static const ClapProviderDescriptor CLAP_PROVIDER = {CLAP_HERE, "tapeemu.presets", "Tape Suite presets", "tapeemu"};

static uint32_t clap_provider_count(const void *factory)
{
    (void)factory;
    return 1;
}

static const ClapProviderDescriptor *clap_provider_descriptor(const void *factory, uint32_t number)
{
    (void)factory;
    return number == 0 ? &CLAP_PROVIDER : NULL;
}

static const ClapProvider *clap_provider_create(const void *factory, const ClapIndexer *indexer, const char *id)
{
    (void)factory;
    ClapProviderInstance *made = strcmp(id, CLAP_PROVIDER.id) == 0 ? malloc(sizeof *made) : NULL;
    if (made == NULL)
        return NULL;
    made->indexer = indexer;
    made->provider = (ClapProvider){&CLAP_PROVIDER, made, clap_provider_init, clap_provider_destroy, clap_provider_tell,
        clap_provider_extension};
    return &made->provider;
}

typedef struct {
    uint32_t (*count)(const void *);
    const ClapProviderDescriptor *(*descriptor)(const void *, uint32_t number);
    const ClapProvider *(*create)(const void *, const ClapIndexer *, const char *id);
} ClapDiscovery;

static const ClapDiscovery CLAP_DISCOVERY = {clap_provider_count, clap_provider_descriptor, clap_provider_create};

static bool clap_begin(const char *path)
{
    (void)path;
    return true;
}

static void clap_end(void)
{
}

static const void *clap_factory(const char *id)
{
    if (strcmp(id, CLAP_DISCOVERY_ID) == 0 || strcmp(id, CLAP_DISCOVERY_DRAFT_ID) == 0)
        return &CLAP_DISCOVERY;
    return strcmp(id, "clap.plugin-factory") == 0 ? &CLAP_FACTORY : NULL;
}

typedef struct {
    ClapVersion version;
    bool (*begin)(const char *path);
    void (*end)(void);
    const void *(*factory)(const char *id);
} ClapEntry;

EXPORTED extern const ClapEntry clap_entry;
const ClapEntry clap_entry = {CLAP_HERE, clap_begin, clap_end, clap_factory};
