/* LV2: one plug-in of two channels and one of one channel for each kind. SPDX-License-Identifier: ISC
 *
 * The declarations below say what the public interface of LV2 is (core, state and URID), in our own words.
 */

typedef struct {
    const char *uri;
    void *data;
} Lv2Feature;

typedef struct Lv2Descriptor {
    const char *uri;
    void *(*instantiate)(const struct Lv2Descriptor *, double rate, const char *bundle, const Lv2Feature *const *);
    void (*connect_port)(void *, uint32_t port, void *data);
    void (*activate)(void *);
    void (*run)(void *, uint32_t count);
    void (*deactivate)(void *);
    void (*cleanup)(void *);
    const void *(*extension_data)(const char *uri);
} Lv2Descriptor;

/* Texts that stand for each other in both directions have numbers, which the host gives. */
typedef struct {
    void *data;
    uint32_t (*number)(void *data, const char *uri);
} Lv2Map;

/* A piece of data; its bytes follow. Pieces begin at multiples of eight. */
typedef struct {
    uint32_t bytes, type;
} Lv2Atom;

typedef struct {
    Lv2Atom atom;
    uint32_t unit, unused; /* events follow */
} Lv2Sequence;

typedef struct {
    int64_t at; /* samples from the beginning of the block */
    Lv2Atom atom;
} Lv2Event;

typedef struct {
    uint32_t id, type; /* properties follow */
} Lv2Object;

typedef struct {
    uint32_t key, context;
    Lv2Atom value;
} Lv2Property;

typedef int (*Lv2Store)(void *to, uint32_t key, const void *value, size_t bytes, uint32_t type, uint32_t flags);
typedef const void *(*Lv2Retrieve)(void *from, uint32_t key, size_t *bytes, uint32_t *type, uint32_t *flags);

typedef struct {
    int (*save)(void *, Lv2Store, void *to, uint32_t flags, const Lv2Feature *const *);
    int (*restore)(void *, Lv2Retrieve, void *from, uint32_t flags, const Lv2Feature *const *);
} Lv2State;

enum { LV2_GOOD = 0, LV2_UNKNOWN = 1, LV2_WRONG_TYPE = 2, LV2_NOTHING_THERE = 5 };
enum { LV2_PLAIN = 1, LV2_PORTABLE = 2 };

enum {
    LV2_OBJECT, LV2_BLANK, LV2_POSITION, LV2_FRAME, LV2_SPEED, LV2_LONG, LV2_INT, LV2_FLOAT, LV2_DOUBLE, LV2_STRING,
    LV2_PRESET, LV2_NUMBERED
};

#define LV2_BASE "urn:tapeemu:"
#define LV2_ATOM "http://lv2plug.in/ns/ext/atom#"
#define LV2_TIME "http://lv2plug.in/ns/ext/time#"

static const char *const LV2_URIS[LV2_NUMBERED] = {LV2_ATOM "Object", LV2_ATOM "Blank", LV2_TIME "Position",
    LV2_TIME "frame", LV2_TIME "speed", LV2_ATOM "Long", LV2_ATOM "Int", LV2_ATOM "Float", LV2_ATOM "Double",
    LV2_ATOM "String", LV2_BASE "preset"};

enum { LV2_LATENCY, LV2_EVENTS, LV2_ENABLED, LV2_FREEWHEEL, LV2_BEHIND_KNOBS };
#define MOST_PORTS (MOST_KNOBS + 4 + LV2_BEHIND_KNOBS)

typedef struct {
    Core *core;
    int channels;
    double rate;
    void *ports[MOST_PORTS]; /* inputs, outputs, knobs, then those named above */
    uint32_t numbers[LV2_NUMBERED]; /* of LV2_URIS; 0 where the host gives none */
    Transport transport; /* at the beginning of the next block */
} Lv2Plugin;

static int lv2_port_count(const Lv2Plugin *plugin)
{
    return 2 * plugin->channels + plugin->core->knob_count + LV2_BEHIND_KNOBS;
}

static void *lv2_instantiate(const Lv2Descriptor *descriptor, double rate, const char *bundle, const Lv2Feature *const *features);

static void lv2_connect(void *handle, uint32_t port, void *data)
{
    Lv2Plugin *plugin = handle;
    if ((int)port < lv2_port_count(plugin))
        plugin->ports[port] = data;
}

static void lv2_follow_knobs(Lv2Plugin *plugin)
{
    void **knobs = plugin->ports + 2 * plugin->channels;
    for (int k = 0; k < plugin->core->knob_count; k++) {
        if (knobs[k] == NULL)
            continue;
        const double value = (double)*(const float *)knobs[k];
        /* A port has single precision: what it cannot tell apart is no change. */
        if ((float)value_of(plugin->core, k) != (float)value)
            turn_knob(plugin->core, k, value);
    }
}

/* Whether a switch behind the knobs is on; `otherwise` if the host left it out. */
static bool lv2_is_on(const Lv2Plugin *plugin, int which, bool otherwise)
{
    const float *port = plugin->ports[2 * plugin->channels + plugin->core->knob_count + which];
    return port == NULL ? otherwise : *port > 0.0f;
}

static void lv2_activate(void *handle)
{
    Lv2Plugin *plugin = handle;
    lv2_follow_knobs(plugin);
    core_activate(plugin->core);
    core_reset(plugin->core); /* a host may activate twice */
}

static void lv2_stretch(Lv2Plugin *plugin, uint32_t from, uint32_t to)
{
    const int channels = plugin->channels;
    const void *in[2];
    void *out[2];
    if (to <= from)
        return;
    for (int channel = 0; channel < 2 * channels; channel++)
        if (plugin->ports[channel] == NULL)
            return;
    for (int channel = 0; channel < channels; channel++) {
        in[channel] = (const float *)plugin->ports[channel] + from;
        out[channel] = (float *)plugin->ports[channels + channel] + from;
    }
    core_process(plugin->core, plugin->transport, in, out, false, (int32_t)(to - from));
    if (plugin->transport.playing)
        plugin->transport.place += to - from;
}

/* A number of any of the sorts that a host may send. */
static double lv2_real(const Lv2Plugin *plugin, const Lv2Atom *atom)
{
    const void *value = atom + 1;
    if (atom->type == plugin->numbers[LV2_LONG] && atom->bytes >= sizeof(int64_t)) {
        int64_t whole;
        memcpy(&whole, value, sizeof whole);
        return (double)whole;
    }
    if (atom->type == plugin->numbers[LV2_DOUBLE] && atom->bytes >= sizeof(double)) {
        double real;
        memcpy(&real, value, sizeof real);
        return real;
    }
    if (atom->type == plugin->numbers[LV2_INT] && atom->bytes >= sizeof(int32_t))
        return (double)*(const int32_t *)value;
    if (atom->type == plugin->numbers[LV2_FLOAT] && atom->bytes >= sizeof(float))
        return (double)*(const float *)value;
    return 0.0;
}

static size_t lv2_padded(uint32_t bytes)
{
    return ((size_t)bytes + 7) & ~(size_t)7;
}

/* Where the song is, as an event says. */
static void lv2_follow_position(Lv2Plugin *plugin, const Lv2Atom *atom)
{
    const Lv2Object *object = (const Lv2Object *)(const void *)(atom + 1);
    const bool is_object = atom->type == plugin->numbers[LV2_OBJECT] || atom->type == plugin->numbers[LV2_BLANK];
    if (!is_object || atom->bytes < sizeof *object || object->type != plugin->numbers[LV2_POSITION])
        return;
    const char *at = (const char *)(object + 1), *end = (const char *)object + atom->bytes;
    while ((size_t)(end - at) >= sizeof(Lv2Property)) {
        const Lv2Property *property = (const Lv2Property *)(const void *)at;
        const size_t bytes = sizeof *property + lv2_padded(property->value.bytes);
        if (property->value.bytes > (size_t)(end - at) - sizeof *property)
            return;
        if (property->key == plugin->numbers[LV2_FRAME]) {
            plugin->transport.known = true;
            plugin->transport.place = place_within(lv2_real(plugin, &property->value));
            /* In single precision a place is known less well the later it is: what it cannot tell apart is no jump. */
            plugin->transport.slack = property->value.type != plugin->numbers[LV2_FLOAT] ? 0
                : (plugin->transport.place < 0 ? -plugin->transport.place : plugin->transport.place) >> 23;
        } else if (property->key == plugin->numbers[LV2_SPEED])
            plugin->transport.playing = lv2_real(plugin, &property->value) == 1.0;
        if (bytes > (size_t)(end - at))
            return;
        at += bytes;
    }
}

static void lv2_run(void *handle, uint32_t count)
{
    Lv2Plugin *plugin = handle;
    const int behind_knobs = 2 * plugin->channels + plugin->core->knob_count;
    const Lv2Sequence *events = plugin->ports[behind_knobs + LV2_EVENTS];
    uint32_t done = 0;
    lv2_follow_knobs(plugin);
    plugin->core->switched_off = !lv2_is_on(plugin, LV2_ENABLED, true);
    core_set_offline(plugin->core, lv2_is_on(plugin, LV2_FREEWHEEL, false));
    if (events != NULL && plugin->numbers[LV2_POSITION] != 0 && events->atom.bytes >= 8) {
        const char *at = (const char *)(events + 1), *end = (const char *)(&events->unit) + events->atom.bytes;
        while (end - at >= (ptrdiff_t)sizeof(Lv2Event)) {
            const Lv2Event *event = (const Lv2Event *)(const void *)at;
            const size_t left = (size_t)(end - at) - sizeof *event;
            if (event->atom.bytes > left)
                break;
            if (event->at > (int64_t)done && event->at <= (int64_t)count) {
                lv2_stretch(plugin, done, (uint32_t)event->at);
                done = (uint32_t)event->at;
            }
            lv2_follow_position(plugin, &event->atom);
            if (lv2_padded(event->atom.bytes) > left)
                break;
            at += sizeof *event + lv2_padded(event->atom.bytes);
        }
    }
    lv2_stretch(plugin, done, count);
    float *latency = plugin->ports[behind_knobs + LV2_LATENCY];
    if (latency != NULL)
        *latency = (float)core_latency(plugin->core);
}

static void lv2_deactivate(void *handle)
{
    core_deactivate(((Lv2Plugin *)handle)->core);
}

static void lv2_cleanup(void *handle)
{
    core_end(((Lv2Plugin *)handle)->core);
    free(handle);
}

/* The state is the text of a preset, as everywhere. */
static int lv2_save(void *handle, Lv2Store store, void *to, uint32_t flags, const Lv2Feature *const *features)
{
    Lv2Plugin *plugin = handle;
    size_t bytes = 0;
    (void)flags;
    (void)features;
    if (plugin->numbers[LV2_PRESET] == 0)
        return LV2_UNKNOWN;
    char *text = core_save(plugin->core, &bytes);
    if (text == NULL)
        return LV2_UNKNOWN;
    char *closed = realloc(text, bytes + 1);
    if (closed == NULL) {
        free(text);
        return LV2_UNKNOWN;
    }
    closed[bytes] = '\0';
    const int result = store(to, plugin->numbers[LV2_PRESET], closed, bytes + 1, plugin->numbers[LV2_STRING], LV2_PLAIN | LV2_PORTABLE);
    free(closed);
    return result;
}

static int lv2_restore(void *handle, Lv2Retrieve retrieve, void *from, uint32_t flags, const Lv2Feature *const *features)
{
    Lv2Plugin *plugin = handle;
    size_t bytes = 0;
    uint32_t type = 0, found = 0;
    (void)flags;
    (void)features;
    if (plugin->numbers[LV2_PRESET] == 0)
        return LV2_UNKNOWN;
    const char *text = retrieve(from, plugin->numbers[LV2_PRESET], &bytes, &type, &found);
    if (text == NULL)
        return LV2_NOTHING_THERE;
    if (type != plugin->numbers[LV2_STRING])
        return LV2_WRONG_TYPE;
    if (bytes > 0 && text[bytes - 1] == '\0')
        bytes--;
    return core_load(plugin->core, text, bytes) ? LV2_GOOD : LV2_UNKNOWN;
}

static const Lv2State LV2_STATE = {lv2_save, lv2_restore};

static const void *lv2_extension(const char *uri)
{
    return strcmp(uri, "http://lv2plug.in/ns/ext/state#interface") == 0 ? &LV2_STATE : NULL;
}

#define LV2_ENTRY(uri) \
    {uri, lv2_instantiate, lv2_connect, lv2_activate, lv2_run, lv2_deactivate, lv2_cleanup, lv2_extension}
static const Lv2Descriptor LV2_DESCRIPTORS[] = {LV2_ENTRIES};

static void *lv2_instantiate(const Lv2Descriptor *descriptor, double rate, const char *bundle, const Lv2Feature *const *features)
{
    Lv2Plugin *plugin = calloc(1, sizeof *plugin);
    const int number = (int)(descriptor - LV2_DESCRIPTORS);
    (void)bundle;
    if (plugin == NULL)
        return NULL;
    for (; features != NULL && *features != NULL; features++)
        if (strcmp((*features)->uri, "http://lv2plug.in/ns/ext/urid#map") == 0) {
            const Lv2Map *map = (*features)->data;
            for (int k = 0; k < LV2_NUMBERED; k++)
                plugin->numbers[k] = map->number(map->data, LV2_URIS[k]);
        }
    plugin->channels = number % 2 == 0 ? 2 : 1;
    plugin->core = core_begin(number / 2);
    if (plugin->core == NULL || !core_format(plugin->core, rate, plugin->channels)) {
        core_end(plugin->core);
        free(plugin);
        return NULL;
    }
    return plugin;
}

EXPORTED const Lv2Descriptor *lv2_descriptor(uint32_t number)
{
    return number < 2 * PLUGIN_COUNT ? LV2_DESCRIPTORS + number : NULL;
}
