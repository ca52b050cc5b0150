/* A host for any machine: gives each preset to the plug-in that holds a chain, and writes what it plays.
 *
 *     plain_host LIBRARY OUT PRESET...
 *
 * SPDX-License-Identifier: ISC
 */
#include <stdio.h>
#include <string.h>

#include "clap_interface.h"

#ifdef _WIN32
#include <windows.h>
#define OPEN(path) ((void *)LoadLibraryA(path))
#define FIND(library, name) ((void *)GetProcAddress((HMODULE)(library), name))
#else
#include <dlfcn.h>
#define OPEN(path) dlopen(path, RTLD_NOW)
#define FIND(library, name) dlsym(library, name)
#endif

enum { BLOCK = 500, BLOCKS = 60 };

typedef struct Stream {
    FILE *file;
    int64_t (*read)(const struct Stream *, void *, uint64_t);
} Stream;

static float rows[2][BLOCK];

static const void *no_extension(const void *host, const char *id) { (void)host; (void)id; return NULL; }
static void nothing(const void *host) { (void)host; }
static uint32_t no_events(const void *events) { (void)events; return 0; }
static const void *no_event(const void *events, uint32_t number) { (void)events; (void)number; return NULL; }
static int64_t read_file(const Stream *stream, void *to, uint64_t most)
{
    return (int64_t)fread(to, 1, (size_t)most, stream->file);
}

static void play(const Plugin *plugin, int number, FILE *out)
{
    static float *channels[2] = {rows[0], rows[1]};
    static const Events events = {NULL, no_events, no_event};
    Buffer buffer = {channels, NULL, 2, 0, 0};
    Transport transport = {sizeof transport, 0, 0, 9, 0, 1 << 2 | 1 << 4, 0, 0, {0}};
    transport.seconds = (int64_t)((double)(number * BLOCK) / 48000.0 * 2147483648.0);
    Process data = {-1, BLOCK, &transport, &buffer, &buffer, 1, 1, &events, NULL};
    for (int k = 0; k < BLOCK; k++) {
        const int at = number * BLOCK + k;
        rows[0][k] = 0.5f * (float)(at * 7919 % 1000 - 500) / 500.0f;
        rows[1][k] = at % 4000 < 2000 ? 0.25f * (float)(at * 104729 % 1000 - 500) / 500.0f : 0.0f;
    }
    plugin->process(plugin, &data);
    fwrite(rows, sizeof rows, 1, out);
}

int main(int count, char **arguments)
{
    static const Host host = {{1, 2, 0}, NULL, {"plain", "", "", "1"}, no_extension, {nothing, nothing, nothing}};
    void *library = count < 4 ? NULL : OPEN(arguments[1]);
    if (library == NULL)
        return 2;
    const char *entry = FIND(library, "clap_entry");
    bool (*begin)(const char *);
    const void *(*factory_of)(const char *);
    memcpy(&begin, entry + 16, sizeof begin);
    memcpy(&factory_of, entry + 32, sizeof factory_of);
    if (!begin(arguments[1]))
        return 3;
    const void *factory = factory_of("clap.plugin-factory");
    const Plugin *(*create)(const void *, const Host *, const char *);
    memcpy(&create, (const char *)factory + 16, sizeof create);
    FILE *out = fopen(arguments[2], "wb");
    for (int each = 3; each < count; each++) {
        const Plugin *plugin = create(factory, &host, "tapeemu.chain");
        if (plugin == NULL || !plugin->init(plugin))
            return 4;
        Stream stream = {fopen(arguments[each], "rb"), read_file};
        bool (*load)(const Plugin *, const Stream *);
        memcpy(&load, (const char *)plugin->extension(plugin, "clap.state") + sizeof(void *), sizeof load);
        if (stream.file == NULL || !load(plugin, &stream))
            return 5;
        fclose(stream.file);
        bool (*render)(const Plugin *, int32_t);
        memcpy(&render, (const char *)plugin->extension(plugin, "clap.render") + sizeof(void *), sizeof render);
        render(plugin, 1);
        if (!plugin->activate(plugin, 48000.0, 1, BLOCK) || !plugin->start(plugin))
            return 6;
        for (int number = 0; number < BLOCKS; number++)
            play(plugin, number, out);
        plugin->stop(plugin);
        plugin->deactivate(plugin);
        plugin->destroy(plugin);
    }
    return fclose(out) == 0 ? 0 : 7;
}
