/* VST3: an object with one table of functions for each interface. SPDX-License-Identifier: ISC
 *
 * The declarations say, in our own words, what the public interfaces of VST 3.8 are as a machine sees them: order of
 * functions, layout of structures, identifiers. Component and controller are one object.
 */

#if defined(_WIN32)
#define V3_CALL __stdcall
#else
#define V3_CALL
#endif

typedef int32_t V3Result;
typedef uint8_t V3Id[16];
typedef uint16_t V3Text[128];

#if defined(_WIN32)
enum { V3_OK = 0, V3_FALSE = 1, V3_NO_INTERFACE = (int)0x80004002, V3_WRONG = (int)0x80070057, V3_NOT_HERE = (int)0x80004001, V3_NO_MEMORY = (int)0x8007000E };
#define V3_ID(a, b, c, d) \
    {(a) & 255, (a) >> 8 & 255, (a) >> 16 & 255, (a) >> 24 & 255, (b) >> 16 & 255, (b) >> 24 & 255, (b) & 255, (b) >> 8 & 255, \
        (c) >> 24 & 255, (c) >> 16 & 255, (c) >> 8 & 255, (c) & 255, (d) >> 24 & 255, (d) >> 16 & 255, (d) >> 8 & 255, (d) & 255}
#else
enum { V3_OK = 0, V3_FALSE = 1, V3_NO_INTERFACE = -1, V3_WRONG = 2, V3_NOT_HERE = 3, V3_NO_MEMORY = 6 };
#define V3_ID(a, b, c, d) \
    {(a) >> 24 & 255, (a) >> 16 & 255, (a) >> 8 & 255, (a) & 255, (b) >> 24 & 255, (b) >> 16 & 255, (b) >> 8 & 255, (b) & 255, \
        (c) >> 24 & 255, (c) >> 16 & 255, (c) >> 8 & 255, (c) & 255, (d) >> 24 & 255, (d) >> 16 & 255, (d) >> 8 & 255, (d) & 255}
#endif

static const V3Id V3_UNKNOWN = V3_ID(0x00000000u, 0x00000000u, 0xC0000000u, 0x00000046u);
static const V3Id V3_BASE = V3_ID(0x22888DDBu, 0x156E45AEu, 0x8358B348u, 0x08190625u);
static const V3Id V3_COMPONENT = V3_ID(0xE831FF31u, 0xF2D54301u, 0x928EBBEEu, 0x25697802u);
static const V3Id V3_PROCESSOR = V3_ID(0x42043F99u, 0xB7DA453Cu, 0xA569E79Du, 0x9AAEC33Du);
static const V3Id V3_CONTROLLER = V3_ID(0xDCD7BBE3u, 0x7742448Du, 0xA874AACCu, 0x979C759Eu);
static const V3Id V3_CONTEXT_NEEDS = V3_ID(0x2A654303u, 0xEF764E3Du, 0x95B5FE83u, 0x730EF6D0u);
static const V3Id V3_FACTORY = V3_ID(0x7A4D811Cu, 0x52114A1Fu, 0xAED9D2EEu, 0x0B43BF9Fu);
static const V3Id V3_FACTORY_2 = V3_ID(0x0007B650u, 0xF24B4C0Bu, 0xA464EDB9u, 0xF00B2ABBu);

/* --- what the host hands over -------------------------------------------------------------------------- */

#define V3_UNKNOWN_FUNCTIONS \
    V3Result(V3_CALL *query)(void *, const V3Id, void **); \
    uint32_t(V3_CALL *hold)(void *); \
    uint32_t(V3_CALL *release)(void *)

typedef struct {
    V3_UNKNOWN_FUNCTIONS;
    V3Result(V3_CALL *read)(void *, void *bytes, int32_t count, int32_t *read);
    V3Result(V3_CALL *write)(void *, void *bytes, int32_t count, int32_t *written);
    V3Result(V3_CALL *seek)(void *, int64_t to, int32_t from, int64_t *place);
    V3Result(V3_CALL *tell)(void *, int64_t *place);
} V3Stream;

typedef struct {
    V3_UNKNOWN_FUNCTIONS;
    uint32_t(V3_CALL *id)(void *);
    int32_t(V3_CALL *count)(void *);
    V3Result(V3_CALL *point)(void *, int32_t number, int32_t *offset, double *value);
    V3Result(V3_CALL *add)(void *, int32_t offset, double value, int32_t *number);
} V3Queue;

typedef struct {
    V3_UNKNOWN_FUNCTIONS;
    int32_t(V3_CALL *count)(void *);
    void *(V3_CALL *queue)(void *, int32_t number);
    void *(V3_CALL *add)(void *, const uint32_t *id, int32_t *number);
} V3Changes;

typedef struct {
    V3_UNKNOWN_FUNCTIONS;
    V3Result(V3_CALL *begin)(void *, uint32_t id);
    V3Result(V3_CALL *perform)(void *, uint32_t id, double value);
    V3Result(V3_CALL *end)(void *, uint32_t id);
    V3Result(V3_CALL *restart)(void *, int32_t flags);
} V3Handler;

#define V3_LATENCY_CHANGED (1 << 3)
#define V3_VALUES_CHANGED (1 << 2)

typedef struct {
    int32_t mode, sample_size, most_samples;
    double rate;
} V3Setup;

typedef struct {
    int32_t channels;
    uint64_t silent;
    void **buffers;
} V3Buffers;

typedef struct {
    uint32_t state;
    double rate;
    int64_t project_samples;
    int64_t system_time;
    int64_t continuous_samples;
    double musical[4];
    double tempo;
    int32_t signature[2];
    uint8_t chord[4];
    int32_t frames[3];
    int32_t to_clock;
} V3Context;

#define V3_PLAYING (1u << 1)
#define V3_OFFLINE 2

typedef struct {
    int32_t mode, sample_size, samples, inputs, outputs;
    V3Buffers *in, *out;
    void *changes, *changes_out, *events, *events_out;
    V3Context *context;
} V3Data;

typedef struct {
    int32_t media, direction, channels;
    V3Text name;
    int32_t sort;
    uint32_t flags;
} V3Bus;

typedef struct {
    uint32_t id;
    V3Text title, short_title, unit;
    int32_t steps;
    double preset;
    int32_t group;
    int32_t flags;
} V3Parameter;

enum { V3_AUTOMATED = 1, V3_LISTED = 8, V3_BYPASS = 1 << 16 };

/* --- the object ---------------------------------------------------------------------------------------- */

typedef struct {
    V3_UNKNOWN_FUNCTIONS;
    V3Result(V3_CALL *initialise)(void *, void *context);
    V3Result(V3_CALL *terminate)(void *);
    V3Result(V3_CALL *controller_class)(void *, V3Id);
    V3Result(V3_CALL *set_mode)(void *, int32_t);
    int32_t(V3_CALL *bus_count)(void *, int32_t media, int32_t direction);
    V3Result(V3_CALL *bus)(void *, int32_t media, int32_t direction, int32_t number, V3Bus *);
    V3Result(V3_CALL *routing)(void *, void *, void *);
    V3Result(V3_CALL *activate_bus)(void *, int32_t media, int32_t direction, int32_t number, uint8_t on);
    V3Result(V3_CALL *set_active)(void *, uint8_t on);
    V3Result(V3_CALL *set_state)(void *, V3Stream **);
    V3Result(V3_CALL *get_state)(void *, V3Stream **);
} V3Component;

typedef struct {
    V3_UNKNOWN_FUNCTIONS;
    V3Result(V3_CALL *set_buses)(void *, uint64_t *in, int32_t ins, uint64_t *out, int32_t outs);
    V3Result(V3_CALL *get_bus)(void *, int32_t direction, int32_t number, uint64_t *speakers);
    V3Result(V3_CALL *can_process)(void *, int32_t sample_size);
    uint32_t(V3_CALL *latency)(void *);
    V3Result(V3_CALL *set_up)(void *, V3Setup *);
    V3Result(V3_CALL *set_processing)(void *, uint8_t on);
    V3Result(V3_CALL *process)(void *, V3Data *);
    uint32_t(V3_CALL *tail)(void *);
} V3Processor;

typedef struct {
    V3_UNKNOWN_FUNCTIONS;
    V3Result(V3_CALL *initialise)(void *, void *context);
    V3Result(V3_CALL *terminate)(void *);
    V3Result(V3_CALL *set_component_state)(void *, V3Stream **);
    V3Result(V3_CALL *set_state)(void *, V3Stream **);
    V3Result(V3_CALL *get_state)(void *, V3Stream **);
    int32_t(V3_CALL *count)(void *);
    V3Result(V3_CALL *info)(void *, int32_t number, V3Parameter *);
    V3Result(V3_CALL *to_text)(void *, uint32_t id, double value, V3Text);
    V3Result(V3_CALL *from_text)(void *, uint32_t id, uint16_t *, double *value);
    double(V3_CALL *plain)(void *, uint32_t id, double value);
    double(V3_CALL *normal)(void *, uint32_t id, double value);
    double(V3_CALL *get)(void *, uint32_t id);
    V3Result(V3_CALL *set)(void *, uint32_t id, double value);
    V3Result(V3_CALL *set_handler)(void *, V3Handler **);
    void *(V3_CALL *view)(void *, const char *name);
} V3Controller;

typedef struct {
    V3_UNKNOWN_FUNCTIONS;
    uint32_t(V3_CALL *needs)(void *);
} V3ContextNeeds;

typedef struct {
    const V3Component *component;
    const V3Processor *processor;
    const V3Controller *controller;
    const V3ContextNeeds *needs;
    uint32_t holders;
    Core *core;
    uint64_t speakers;
    double rate;
    bool offline; /* as set up */
    V3Handler **handler;
} V3Plugin;

#define V3_OF(address, field) ((V3Plugin *)(void *)((char *)(address) - offsetof(V3Plugin, field)))

static bool v3_is(const V3Id one, const V3Id other)
{
    return memcmp(one, other, sizeof(V3Id)) == 0;
}

static void v3_widen(V3Text to, const char *from)
{
    int count = 0;
    while (*from != '\0' && count < 127) { /* up to two bytes of UTF-8 are all that units and labels have */
        const unsigned char byte = (unsigned char)*from++;
        uint16_t letter = byte;
        if (byte >= 0xc0 && byte < 0xe0)
            letter = (uint16_t)((byte & 31) << 6 | (*from++ & 63));
        to[count++] = letter;
    }
    to[count] = 0;
}

static void v3_narrow(char *to, int room, const uint16_t *from)
{
    int count = 0;
    for (; *from != 0 && count + 3 < room; from++) {
        if (*from < 0x80)
            to[count++] = (char)*from;
        else {
            to[count++] = (char)(0xc0 | (*from >> 6 & 31));
            to[count++] = (char)(0x80 | (*from & 63));
        }
    }
    to[count] = '\0';
}

static V3Result v3_query(V3Plugin *plugin, const V3Id id, void **to)
{
    *to = NULL;
    if (v3_is(id, V3_UNKNOWN) || v3_is(id, V3_BASE) || v3_is(id, V3_COMPONENT))
        *to = &plugin->component;
    else if (v3_is(id, V3_PROCESSOR))
        *to = &plugin->processor;
    else if (v3_is(id, V3_CONTROLLER))
        *to = &plugin->controller;
    else if (v3_is(id, V3_CONTEXT_NEEDS))
        *to = &plugin->needs;
    else
        return V3_NO_INTERFACE;
    __atomic_add_fetch(&plugin->holders, 1, __ATOMIC_RELAXED);
    return V3_OK;
}

static uint32_t v3_release(V3Plugin *plugin)
{
    const uint32_t left = __atomic_sub_fetch(&plugin->holders, 1, __ATOMIC_ACQ_REL);
    if (left == 0) {
        if (plugin->handler != NULL)
            (*plugin->handler)->release(plugin->handler);
        core_end(plugin->core);
        free(plugin);
    }
    return left;
}

#define V3_UNKNOWN_OF(field) \
    static V3Result V3_CALL v3_##field##_query(void *self, const V3Id id, void **to) { return v3_query(V3_OF(self, field), id, to); } \
    static uint32_t V3_CALL v3_##field##_hold(void *self) { return __atomic_add_fetch(&V3_OF(self, field)->holders, 1, __ATOMIC_RELAXED); } \
    static uint32_t V3_CALL v3_##field##_release(void *self) { return v3_release(V3_OF(self, field)); }
V3_UNKNOWN_OF(component)
V3_UNKNOWN_OF(processor)
V3_UNKNOWN_OF(controller)
V3_UNKNOWN_OF(needs)

/* --- component ----------------------------------------------------------------------------------------- */

static V3Result V3_CALL v3_initialise(void *self, void *context)
{
    (void)self;
    (void)context;
    return V3_OK;
}

static V3Result V3_CALL v3_terminate(void *self)
{
    (void)self;
    return V3_OK;
}

static V3Result V3_CALL v3_controller_class(void *self, V3Id id)
{
    (void)self;
    (void)id;
    return V3_NOT_HERE;
}

static V3Result V3_CALL v3_set_mode(void *self, int32_t mode)
{
    (void)self;
    (void)mode;
    return V3_NOT_HERE;
}

static int32_t V3_CALL v3_bus_count(void *self, int32_t media, int32_t direction)
{
    (void)self;
    (void)direction;
    return media == 0 ? 1 : 0;
}

static V3Result V3_CALL v3_bus(void *self, int32_t media, int32_t direction, int32_t number, V3Bus *bus)
{
    if (media != 0 || number != 0 || direction < 0 || direction > 1)
        return V3_WRONG;
    memset(bus, 0, sizeof *bus);
    bus->direction = direction;
    bus->channels = V3_OF(self, component)->core->channels;
    v3_widen(bus->name, direction == 0 ? "Input" : "Output");
    bus->flags = 1; /* active from the beginning */
    return V3_OK;
}

static V3Result V3_CALL v3_routing(void *self, void *in, void *out)
{
    (void)self;
    (void)in;
    (void)out;
    return V3_NOT_HERE;
}

static V3Result V3_CALL v3_activate_bus(void *self, int32_t media, int32_t direction, int32_t number, uint8_t on)
{
    (void)self;
    (void)direction;
    (void)on;
    return media == 0 && number == 0 ? V3_OK : V3_WRONG;
}

static V3Result V3_CALL v3_set_active(void *self, uint8_t on)
{
    V3Plugin *plugin = V3_OF(self, component);
    if (on == 0)
        core_deactivate(plugin->core);
    else if (!core_activate(plugin->core))
        return V3_FALSE;
    return V3_OK;
}

static V3Result v3_load(Core *core, V3Stream **stream)
{
    size_t bytes = 0;
    char *text;
    if (stream == NULL || (text = malloc(MOST_BYTES + 1)) == NULL)
        return V3_WRONG;
    while (bytes <= MOST_BYTES) {
        int32_t read = 0;
        const int32_t wanted = (int32_t)(MOST_BYTES + 1 - bytes);
        if (wanted == 0 || (*stream)->read(stream, text + bytes, wanted, &read) != V3_OK || read <= 0)
            break;
        bytes += (size_t)read;
    }
    const bool good = core_load(core, text, bytes);
    free(text);
    return good ? V3_OK : V3_FALSE;
}

static V3Result v3_save(Core *core, V3Stream **stream)
{
    size_t bytes = 0, done = 0;
    char *text = stream == NULL ? NULL : core_save(core, &bytes);
    if (text == NULL)
        return V3_FALSE;
    while (done < bytes) {
        int32_t written = 0;
        if ((*stream)->write(stream, text + done, (int32_t)(bytes - done), &written) != V3_OK || written <= 0)
            break;
        done += (size_t)written;
    }
    free(text);
    return done == bytes ? V3_OK : V3_FALSE;
}

static void v3_tell_changes(V3Plugin *plugin)
{
    if (plugin->handler != NULL)
        (*plugin->handler)->restart(plugin->handler, V3_LATENCY_CHANGED | V3_VALUES_CHANGED);
}

static V3Result V3_CALL v3_set_state(void *self, V3Stream **stream)
{
    V3Plugin *plugin = V3_OF(self, component);
    const V3Result result = v3_load(plugin->core, stream);
    if (result == V3_OK)
        v3_tell_changes(plugin);
    return result;
}

static V3Result V3_CALL v3_get_state(void *self, V3Stream **stream)
{
    return v3_save(V3_OF(self, component)->core, stream);
}

/* --- processor ----------------------------------------------------------------------------------------- */

static int v3_channels(uint64_t speakers)
{
    int channels = 0;
    for (; speakers != 0; speakers &= speakers - 1)
        channels++;
    return channels;
}

static V3Result V3_CALL v3_set_buses(void *self, uint64_t *in, int32_t ins, uint64_t *out, int32_t outs)
{
    V3Plugin *plugin = V3_OF(self, processor);
    if (ins != 1 || outs != 1 || in == NULL || out == NULL || *in != *out || plugin->core->active)
        return V3_FALSE;
    if (!core_format(plugin->core, plugin->rate, v3_channels(*in)))
        return V3_FALSE;
    plugin->speakers = *in;
    return V3_OK;
}

static V3Result V3_CALL v3_get_bus(void *self, int32_t direction, int32_t number, uint64_t *speakers)
{
    if (number != 0 || direction < 0 || direction > 1)
        return V3_WRONG;
    *speakers = V3_OF(self, processor)->speakers;
    return V3_OK;
}

static V3Result V3_CALL v3_can_process(void *self, int32_t sample_size)
{
    (void)self;
    return sample_size == 0 || sample_size == 1 ? V3_OK : V3_FALSE;
}

static uint32_t V3_CALL v3_latency(void *self)
{
    return (uint32_t)core_latency(V3_OF(self, processor)->core);
}

static V3Result V3_CALL v3_set_up(void *self, V3Setup *setup)
{
    V3Plugin *plugin = V3_OF(self, processor);
    if (plugin->core->active || !core_format(plugin->core, setup->rate, plugin->core->channels))
        return V3_FALSE;
    plugin->rate = setup->rate;
    plugin->offline = setup->mode == V3_OFFLINE;
    core_set_offline(plugin->core, plugin->offline);
    return V3_OK;
}

static V3Result V3_CALL v3_set_processing(void *self, uint8_t on)
{
    if (on == 0)
        core_reset(V3_OF(self, processor)->core);
    return V3_OK;
}

static int32_t v3_follow_changes(Core *core, void *list, int32_t *done, int32_t at, int32_t count);
static double v3_plain_of(const Knob *knob, double value);

/* Which channels are all zeros, a bit each. */
static uint64_t v3_silent(const V3Buffers *of, int32_t samples, bool wide)
{
    uint64_t silent = 0;
    for (int channel = 0; channel < of->channels && channel < 64; channel++) {
        const void *row = of->buffers[channel];
        int32_t at = 0;
        if (row == NULL)
            at = samples;
        else if (wide)
            while (at < samples && ((const double *)row)[at] == 0.0)
                at++;
        else
            while (at < samples && ((const float *)row)[at] == 0.0f)
                at++;
        silent |= (uint64_t)(at == samples) << channel;
    }
    return silent;
}

/* Outputs that nothing sounds in are silent, not as they were. */
static void v3_clear(const V3Data *data, int32_t number, int first)
{
    const V3Buffers *out = data->out + number;
    const size_t bytes = data->sample_size == 1 ? sizeof(double) : sizeof(float);
    for (int channel = first; out->buffers != NULL && channel < out->channels; channel++)
        if (out->buffers[channel] != NULL)
            memset(out->buffers[channel], 0, (size_t)data->samples * bytes);
}

static bool v3_has_rows(const V3Buffers *buffers, int channels)
{
    bool all = buffers->buffers != NULL && buffers->channels >= channels;
    for (int channel = 0; all && channel < channels; channel++)
        all = buffers->buffers[channel] != NULL;
    return all;
}

static void v3_stretch(Core *core, const V3Data *data, Transport transport, int32_t from, int32_t to)
{
    const bool wide = data->sample_size == 1;
    const ptrdiff_t bytes = from * (ptrdiff_t)(wide ? sizeof(double) : sizeof(float));
    const void *in[TAPEEMU_MOST_CHANNELS];
    void *out[TAPEEMU_MOST_CHANNELS];
    for (int channel = 0; channel < core->channels; channel++) {
        in[channel] = (const char *)data->in->buffers[channel] + bytes;
        out[channel] = (char *)data->out->buffers[channel] + bytes;
    }
    transport.place += from;
    core_process(core, transport, in, out, wide, to - from);
}

static V3Result V3_CALL v3_process(void *self, V3Data *data)
{
    V3Plugin *plugin = V3_OF(self, processor);
    Core *core = plugin->core;
    Transport transport = {false, false, 0, 0};
    const int32_t count = data->samples > 0 ? data->samples : 0;
    const bool sounds = count > 0 && core->active && data->inputs > 0 && data->outputs > 0 &&
        v3_has_rows(data->in, core->channels) && v3_has_rows(data->out, core->channels);
    /* Some hosts say with the sound alone that they render offline. */
    core_set_offline(core, plugin->offline || data->mode == V3_OFFLINE);
    if (data->context != NULL) {
        transport.known = true;
        transport.playing = (data->context->state & V3_PLAYING) != 0;
        transport.place = whole_place_within(data->context->project_samples);
    }
    int32_t done[MOST_KNOBS] = {0}, at = 0;
    do {
        const int32_t next = v3_follow_changes(core, data->changes, done, at, count);
        if (sounds)
            v3_stretch(core, data, transport, at, next);
        at = next;
    } while (at < count);
    for (int32_t k = 0; count > 0 && k < data->outputs; k++) {
        v3_clear(data, k, k == 0 && sounds ? core->channels : 0);
        if (data->out[k].buffers != NULL)
            data->out[k].silent = v3_silent(data->out + k, count, data->sample_size == 1);
    }
    return V3_OK;
}

static uint32_t V3_CALL v3_tail(void *self)
{
    const int64_t tail = core_tail(V3_OF(self, processor)->core);
    return tail < 0 || tail >= UINT32_MAX ? UINT32_MAX : (uint32_t)tail;
}

/* --- controller ---------------------------------------------------------------------------------------- */

static double v3_plain_of(const Knob *knob, double value)
{
    value = !(value > 0.0) ? 0.0 : value > 1.0 ? 1.0 : value;
    if (!knob->logarithmic)
        return settled(knob, knob->least + value * (knob->most - knob->least));
    return settled(knob, knob->least * elementary_exponential(value * elementary_logarithm(knob->most / knob->least)));
}

static double v3_normal_of(const Knob *knob, double value)
{
    value = settled(knob, value);
    if (!knob->logarithmic)
        return (value - knob->least) / (knob->most - knob->least);
    return elementary_logarithm(value / knob->least) / elementary_logarithm(knob->most / knob->least);
}

/* What the host read from a knob and hands back is no change, though the way there and back may round; some hosts keep
 * it in single precision. */
static void v3_turn(Core *core, int knob, double value)
{
    const double now = v3_normal_of(core->knobs + knob, value_of(core, knob));
    if (value != now && value != (double)(float)now)
        turn_knob(core, knob, v3_plain_of(core->knobs + knob, value));
}

/* Turn the knobs as the points up to a sample say, and return the sample of the next point, or `count`. `done` counts the
 * points of each queue that are behind; the format says that they are in order, and one queue a knob. */
static int32_t v3_follow_changes(Core *core, void *list, int32_t *done, int32_t at, int32_t count)
{
    const V3Changes *changes = list == NULL ? NULL : *(const V3Changes **)list;
    const int32_t queues = changes == NULL ? 0 : changes->count(list);
    int32_t next = count;
    for (int32_t k = 0; k < queues && k < MOST_KNOBS; k++) {
        void *queue = changes->queue(list, k);
        const V3Queue *of = queue == NULL ? NULL : *(const V3Queue **)queue;
        const int knob = of == NULL ? -1 : knob_of_id(core, of->id(queue));
        const int32_t points = knob < 0 ? 0 : of->count(queue);
        for (; done[k] < points; done[k]++) {
            int32_t offset = 0;
            double value = 0.0;
            if (of->point(queue, done[k], &offset, &value) != V3_OK)
                continue;
            offset = offset < count ? offset : count - 1;
            if (offset > at) {
                next = offset < next ? offset : next;
                break;
            }
            v3_turn(core, knob, value);
        }
    }
    return next;
}

static V3Result V3_CALL v3_set_component_state(void *self, V3Stream **stream)
{
    (void)self;
    (void)stream;
    return V3_OK; /* one object: the component has it */
}

static V3Result V3_CALL v3_no_state(void *self, V3Stream **stream)
{
    (void)self;
    (void)stream;
    return V3_NOT_HERE;
}

static int32_t V3_CALL v3_count(void *self)
{
    return V3_OF(self, controller)->core->knob_count;
}

static V3Result V3_CALL v3_info(void *self, int32_t number, V3Parameter *to)
{
    const Core *core = V3_OF(self, controller)->core;
    if (number < 0 || number >= core->knob_count)
        return V3_WRONG;
    const Knob *knob = core->knobs + number;
    memset(to, 0, sizeof *to);
    to->id = knob->id;
    v3_widen(to->title, text_at(knob->label));
    v3_widen(to->short_title, text_at(knob->label));
    v3_widen(to->unit, text_at(knob->unit));
    to->steps = knob->stepped ? (int32_t)(knob->most - knob->least) : 0;
    to->preset = v3_normal_of(knob, knob->preset);
    to->flags = V3_AUTOMATED | (knob->word_count > 0 && knob->role != ROLE_BYPASS ? V3_LISTED : 0) | (knob->role == ROLE_BYPASS ? V3_BYPASS : 0);
    return V3_OK;
}

static V3Result V3_CALL v3_to_text(void *self, uint32_t id, double value, V3Text to)
{
    const Core *core = V3_OF(self, controller)->core;
    const int knob = knob_of_id(core, id);
    char text[128];
    if (knob < 0)
        return V3_WRONG;
    knob_text(core->knobs + knob, v3_plain_of(core->knobs + knob, value), text, sizeof text);
    v3_widen(to, text);
    return V3_OK;
}

static V3Result V3_CALL v3_from_text(void *self, uint32_t id, uint16_t *from, double *value)
{
    const Core *core = V3_OF(self, controller)->core;
    const int knob = knob_of_id(core, id);
    char text[256];
    if (knob < 0 || from == NULL)
        return V3_WRONG;
    v3_narrow(text, sizeof text, from);
    if (!knob_value(core->knobs + knob, text, value))
        return V3_FALSE;
    *value = v3_normal_of(core->knobs + knob, *value);
    return V3_OK;
}

static double V3_CALL v3_plain(void *self, uint32_t id, double value)
{
    const Core *core = V3_OF(self, controller)->core;
    const int knob = knob_of_id(core, id);
    return knob < 0 ? 0.0 : v3_plain_of(core->knobs + knob, value);
}

static double V3_CALL v3_normal(void *self, uint32_t id, double value)
{
    const Core *core = V3_OF(self, controller)->core;
    const int knob = knob_of_id(core, id);
    return knob < 0 ? 0.0 : v3_normal_of(core->knobs + knob, value);
}

/* Settings that are later than what the host was told sound when it has begun again. It may be told on its main thread
 * only, so whatever it asks of a knob there is the occasion. */
static void v3_tell_if_later(V3Plugin *plugin)
{
    if (plugin->handler != NULL && __atomic_exchange_n(&plugin->core->later, false, __ATOMIC_ACQ_REL))
        (*plugin->handler)->restart(plugin->handler, V3_LATENCY_CHANGED);
}

static double V3_CALL v3_get(void *self, uint32_t id)
{
    const Core *core = V3_OF(self, controller)->core;
    v3_tell_if_later(V3_OF(self, controller));
    const int knob = knob_of_id(core, id);
    return knob < 0 ? 0.0 : v3_normal_of(core->knobs + knob, value_of(core, knob));
}

static V3Result V3_CALL v3_set(void *self, uint32_t id, double value)
{
    V3Plugin *plugin = V3_OF(self, controller);
    const int knob = knob_of_id(plugin->core, id);
    if (knob < 0)
        return V3_WRONG;
    v3_turn(plugin->core, knob, value);
    v3_tell_if_later(plugin);
    return V3_OK;
}

static V3Result V3_CALL v3_set_handler(void *self, V3Handler **handler)
{
    V3Plugin *plugin = V3_OF(self, controller);
    if (handler != NULL)
        (*handler)->hold(handler);
    if (plugin->handler != NULL)
        (*plugin->handler)->release(plugin->handler);
    plugin->handler = handler;
    return V3_OK;
}

static void *V3_CALL v3_view(void *self, const char *name)
{
    (void)self;
    (void)name;
    return NULL; /* the host shows the knobs */
}

static uint32_t V3_CALL v3_needs(void *self)
{
    (void)self;
    return 1u << 10; /* whether it plays */
}

static const V3Component V3_COMPONENT_TABLE = {v3_component_query, v3_component_hold, v3_component_release, v3_initialise,
    v3_terminate, v3_controller_class, v3_set_mode, v3_bus_count, v3_bus, v3_routing, v3_activate_bus, v3_set_active,
    v3_set_state, v3_get_state};
static const V3Processor V3_PROCESSOR_TABLE = {v3_processor_query, v3_processor_hold, v3_processor_release, v3_set_buses,
    v3_get_bus, v3_can_process, v3_latency, v3_set_up, v3_set_processing, v3_process, v3_tail};
static const V3Controller V3_CONTROLLER_TABLE = {v3_controller_query, v3_controller_hold, v3_controller_release,
    v3_initialise, v3_terminate, v3_set_component_state, v3_no_state, v3_no_state, v3_count, v3_info, v3_to_text,
    v3_from_text, v3_plain, v3_normal, v3_get, v3_set, v3_set_handler, v3_view};
static const V3ContextNeeds V3_NEEDS_TABLE = {v3_needs_query, v3_needs_hold, v3_needs_release, v3_needs};

/* --- factory ------------------------------------------------------------------------------------------- */

typedef struct {
    char vendor[64], url[256], email[128];
    int32_t flags;
} V3FactoryInfo;

typedef struct {
    V3Id id;
    int32_t instances;
    char category[32], name[64];
    uint32_t flags;
    char sub_categories[128], vendor[64], version[64], interface[64];
} V3ClassInfo;

typedef struct {
    V3_UNKNOWN_FUNCTIONS;
    V3Result(V3_CALL *info)(void *, V3FactoryInfo *);
    int32_t(V3_CALL *count)(void *);
    V3Result(V3_CALL *class_info)(void *, int32_t number, V3ClassInfo *);
    V3Result(V3_CALL *create)(void *, const uint8_t *class_id, const uint8_t *interface_id, void **);
    V3Result(V3_CALL *class_info_2)(void *, int32_t number, V3ClassInfo *);
} V3Factory;

/* The kind itself is its identifier, so that it stays when others are added. */
static void v3_class_id(int which, V3Id to)
{
    const V3Id base = V3_ID(0x7461706Eu, 0x656D7530u, 0u, 0u);
    uint64_t hash = UINT64_C(14695981039346656037);
    for (const char *at = plugin_kind(which); *at != '\0'; at++)
        hash = (hash ^ (uint8_t)*at) * UINT64_C(1099511628211);
    memcpy(to, base, sizeof(V3Id));
    for (int k = 0; k < 8; k++)
        to[8 + k] = (uint8_t)(hash >> (56 - 8 * k));
}

static V3Result V3_CALL v3_factory_query(void *self, const V3Id id, void **to)
{
    const bool known = v3_is(id, V3_UNKNOWN) || v3_is(id, V3_FACTORY) || v3_is(id, V3_FACTORY_2);
    *to = known ? self : NULL;
    return known ? V3_OK : V3_NO_INTERFACE;
}

static uint32_t V3_CALL v3_factory_hold(void *self)
{
    (void)self;
    return 1;
}

static V3Result V3_CALL v3_factory_info(void *self, V3FactoryInfo *to)
{
    (void)self;
    memset(to, 0, sizeof *to);
    strcpy(to->vendor, "tapeemu");
    to->flags = 16; /* texts are Unicode */
    return V3_OK;
}

static int32_t V3_CALL v3_factory_count(void *self)
{
    (void)self;
    return PLUGIN_COUNT;
}

static V3Result V3_CALL v3_class_info(void *self, int32_t number, V3ClassInfo *to)
{
    (void)self;
    if (number < 0 || number >= PLUGIN_COUNT)
        return V3_WRONG;
    memset(to, 0, offsetof(V3ClassInfo, flags)); /* the shorter form ends here */
    v3_class_id(number, to->id);
    to->instances = 0x7FFFFFFF;
    strcpy(to->category, "Audio Module Class");
    strcpy(to->name, plugin_label(number));
    return V3_OK;
}

static V3Result V3_CALL v3_class_info_2(void *self, int32_t number, V3ClassInfo *to)
{
    const V3Result result = v3_class_info(self, number, to);
    if (result != V3_OK)
        return result;
    memset(&to->flags, 0, sizeof *to - offsetof(V3ClassInfo, flags));
    strcpy(to->sub_categories, "Fx");
    strcpy(to->vendor, "tapeemu");
    strcpy(to->version, PLUGIN_VERSION);
    strcpy(to->interface, "VST 3.8.0");
    return V3_OK;
}

static V3Result V3_CALL v3_create(void *self, const uint8_t *class_id, const uint8_t *interface_id, void **to)
{
    (void)self;
    *to = NULL;
    for (int which = 0; which < PLUGIN_COUNT; which++) {
        V3Id id;
        v3_class_id(which, id);
        if (!v3_is(id, class_id))
            continue;
        V3Plugin *plugin = calloc(1, sizeof *plugin);
        if (plugin == NULL || (plugin->core = core_begin(which)) == NULL) {
            free(plugin);
            return V3_NO_MEMORY;
        }
        plugin->component = &V3_COMPONENT_TABLE;
        plugin->processor = &V3_PROCESSOR_TABLE;
        plugin->controller = &V3_CONTROLLER_TABLE;
        plugin->needs = &V3_NEEDS_TABLE;
        plugin->holders = 1;
        plugin->speakers = 3; /* left and right */
        plugin->rate = plugin->core->rate;
        const V3Result result = v3_query(plugin, interface_id, to);
        v3_release(plugin);
        return result;
    }
    return V3_NO_INTERFACE;
}

static const V3Factory V3_FACTORY_TABLE = {v3_factory_query, v3_factory_hold, v3_factory_hold, v3_factory_info,
    v3_factory_count, v3_class_info, v3_create, v3_class_info_2};

EXPORTED const void *V3_CALL GetPluginFactory(void)
{
    static const V3Factory *const FACTORY = &V3_FACTORY_TABLE;
    return &FACTORY;
}

#if defined(_WIN32)
EXPORTED bool InitDll(void) { return true; }
EXPORTED bool ExitDll(void) { return true; }
#elif defined(__APPLE__)
EXPORTED bool bundleEntry(void *bundle) { (void)bundle; return true; }
EXPORTED bool bundleExit(void) { return true; }
#else
EXPORTED bool ModuleEntry(void *library) { (void)library; return true; }
EXPORTED bool ModuleExit(void) { return true; }
#endif
