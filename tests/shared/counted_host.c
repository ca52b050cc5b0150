/* A host whose audio call has a name, so that an instruction counter can tell its blocks apart.
 *
 *     counted_host LIBRARY ID BLOCK SCENE KNOB
 *
 * plays half a second of noise in blocks. A third of the way in nothing happens (scene "still"), a knob turns ("knob"),
 * or the song jumps ten seconds ("jump"). After a turn it waits until the plug-in's own thread has made a chain.
 *
 * SPDX-License-Identifier: ISC
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "clap_interface.h"

enum { LONGEST = 4096, SAMPLES = 24000 };

static const Plugin *plugin;
static float rows[2][LONGEST];
static Value event;
static uint32_t event_count;

static const void *no_extension(const void *host, const char *id) { (void)host; (void)id; return NULL; }
static void nothing(const void *host) { (void)host; }
static uint32_t events_count(const void *events) { (void)events; return event_count; }
static const void *events_get(const void *events, uint32_t number) { (void)events; (void)number; return &event; }

__attribute__((noinline)) void play(const Process *data)
{
    plugin->process(plugin, data);
}

static bool begin(const char *path, const char *id, uint32_t block)
{
    static const Host host = {{1, 2, 0}, NULL, {"counted", "", "", "1"}, no_extension, {nothing, nothing, nothing}};
    void *library = dlopen(path, RTLD_NOW);
    const char *entry = library == NULL ? NULL : dlsym(library, "clap_entry");
    const void *(*factory_of)(const char *);
    const Plugin *(*create)(const void *, const Host *, const char *);
    if (entry == NULL)
        return false;
    memcpy(&factory_of, entry + 32, sizeof factory_of);
    const void *factory = factory_of("clap.plugin-factory");
    memcpy(&create, (const char *)factory + 16, sizeof create);
    plugin = create(factory, &host, id);
    return plugin != NULL && plugin->init(plugin) && plugin->activate(plugin, 48000.0, 1, block);
}

/* The knob of a name. */
static bool find_knob(const char *name, Parameter *knob)
{
    const void *parameters = plugin->extension(plugin, "clap.params");
    uint32_t (*count)(const Plugin *);
    bool (*info)(const Plugin *, uint32_t, Parameter *);
    memcpy(&count, parameters, sizeof count);
    memcpy(&info, (const char *)parameters + 8, sizeof info);
    for (uint32_t k = 0; k < count(plugin); k++)
        if (info(plugin, k, knob) && strcmp(knob->name, name) == 0)
            return true;
    return false;
}

int main(int count, char **arguments)
{
    static float *channels[2] = {rows[0], rows[1]};
    static const Events events = {NULL, events_count, events_get};
    if (count < 6)
        return 2;
    const int block = atoi(arguments[3]), blocks = SAMPLES / block;
    const char *scene = arguments[4];
    Parameter knob;
    if (block > LONGEST || !begin(arguments[1], arguments[2], (uint32_t)block) || !find_knob(arguments[5], &knob))
        return 3;
    for (int number = 0; number < blocks; number++) {
        const bool turns = strcmp(scene, "knob") == 0 && number == blocks / 3;
        const bool behind = strcmp(scene, "jump") == 0 && number >= blocks / 3;
        Buffer buffer = {channels, NULL, 2, 0, 0};
        Transport transport = {sizeof transport, 0, 0, 9, 0, 1 << 2 | 1 << 4, 0, 0, {0}};
        transport.seconds = (int64_t)(((double)number * block + (behind ? 480000.0 : 0.0)) / 48000.0 * 2147483648.0);
        Process data = {-1, (uint32_t)block, &transport, &buffer, &buffer, 1, 1, &events, NULL};
        for (int k = 0; k < block; k++)
            rows[0][k] = rows[1][k] = 0.3f * (float)((k * 7919 + number * 31) % 1000 - 500) / 500.0f;
        event_count = turns;
        if (turns)
            event = (Value){sizeof event, 0, 0, 5, 0, knob.id, NULL, -1, -1, -1, -1, knob.least + 0.3 * (knob.most - knob.least)};
        play(&data);
        if (turns)
            sleep(4);
    }
    plugin->deactivate(plugin);
    plugin->destroy(plugin);
    return 0;
}
