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

#define LV2_BASE "urn:tapeemu:"
#define MOST_PORTS (MOST_KNOBS + 8)

typedef struct {
    Core *core;
    int channels;
    double rate;
    void *ports[MOST_PORTS]; /* inputs, outputs, knobs, latency */
} Lv2Plugin;

static int lv2_port_count(const Lv2Plugin *plugin)
{
    return 2 * plugin->channels + plugin->core->knob_count + 1;
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

static void lv2_activate(void *handle)
{
    Lv2Plugin *plugin = handle;
    lv2_follow_knobs(plugin);
    core_activate(plugin->core);
    core_reset(plugin->core); /* a host may activate twice */
}

static void lv2_run(void *handle, uint32_t count)
{
    Lv2Plugin *plugin = handle;
    const int channels = plugin->channels;
    const void *in[2];
    void *out[2];
    lv2_follow_knobs(plugin);
    for (int channel = 0; channel < channels; channel++) {
        in[channel] = plugin->ports[channel];
        out[channel] = plugin->ports[channels + channel];
    }
    core_process(plugin->core, (Transport){false, false, 0, 0}, in, out, false, (int32_t)count);
    float *latency = plugin->ports[2 * channels + plugin->core->knob_count];
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

static const void *lv2_extension(const char *uri)
{
    (void)uri;
    return NULL;
}

#define LV2_ENTRY(uri) \
    {uri, lv2_instantiate, lv2_connect, lv2_activate, lv2_run, lv2_deactivate, lv2_cleanup, lv2_extension}
static const Lv2Descriptor LV2_DESCRIPTORS[] = {LV2_ENTRIES};

static void *lv2_instantiate(const Lv2Descriptor *descriptor, double rate, const char *bundle, const Lv2Feature *const *features)
{
    Lv2Plugin *plugin = calloc(1, sizeof *plugin);
    const int number = (int)(descriptor - LV2_DESCRIPTORS);
    (void)bundle;
    (void)features;
    if (plugin == NULL)
        return NULL;
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
