/* A host whose audio thread may call nothing: the kernel ends it at its first system call (strict seccomp), and what
 * allocates or locks is counted. Prints for each plug-in its name, calls counted, and worst and mean block time.
 *
 * With a number of reloads it loads and unloads the library so many times instead, with a plug-in made, played, saved
 * and ended each time, and prints by how much memory, maps, threads and open files grew.
 *
 *     quiet_host LIBRARY RELOADS ID...
 *
 * SPDX-License-Identifier: ISC
 */
#define _GNU_SOURCE
#include <dirent.h>
#include <dlfcn.h>
#include <linux/seccomp.h>
#include <poll.h>
#include <pthread.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#include "clap_interface.h"

enum { BLOCK = 512, BLOCKS = 600 };

static __thread bool watched;
static int counted;
static long held; /* blocks of memory, of all threads */

static void hold(long blocks) { __atomic_add_fetch(&held, blocks, __ATOMIC_RELAXED); }

/* What the plug-in calls by these names it gets from here; the real ones do the work. */
#define COUNTED(result, name, parameters, arguments, blocks)                                                         \
    result name parameters                                                                                           \
    {                                                                                                                \
        static result(*real) parameters;                                                                             \
        if (real == NULL)                                                                                            \
            *(void **)&real = dlsym(RTLD_NEXT, #name);                                                               \
        counted += watched;                                                                                          \
        hold(blocks);                                                                                                \
        return real arguments;                                                                                       \
    }
COUNTED(void *, malloc, (size_t size), (size), 1)
COUNTED(void *, calloc, (size_t count, size_t size), (count, size), 1)
COUNTED(void *, realloc, (void *old, size_t size), (old, size), old == NULL)
COUNTED(void *, aligned_alloc, (size_t to, size_t size), (to, size), 1)
COUNTED(int, posix_memalign, (void **memory, size_t to, size_t size), (memory, to, size), 1)
COUNTED(int, pthread_mutex_lock, (pthread_mutex_t *lock), (lock), 0)
COUNTED(int, pthread_mutex_trylock, (pthread_mutex_t *lock), (lock), 0)
COUNTED(int, pthread_cond_signal, (pthread_cond_t *signal), (signal), 0)
COUNTED(int, nanosleep, (const struct timespec *time, struct timespec *left), (time, left), 0)

void free(void *memory)
{
    static void (*real)(void *);
    if (real == NULL)
        *(void **)&real = dlsym(RTLD_NEXT, "free");
    counted += watched;
    hold(-(memory != NULL));
    real(memory);
}

static const Plugin *plugin;
static Parameter knobs[64];
static uint32_t knob_count, event_count;
static Value event;
static float rows[2][BLOCK];
static int done[2];

static const void *no_extension(const void *host, const char *id) { (void)host; (void)id; return NULL; }
static void nothing(const void *host) { (void)host; }
static uint32_t events_count(const void *events) { (void)events; return event_count; }
static const void *events_get(const void *events, uint32_t number) { (void)events; (void)number; return &event; }

static void play(int number, bool moving)
{
    static float *channels[2] = {rows[0], rows[1]};
    static const Events events = {NULL, events_count, events_get};
    Buffer buffer = {channels, NULL, 2, 0, 0};
    Transport transport = {sizeof transport, 0, 0, 9, 0, 1 << 2 | 1 << 4, 0, 0, {0}};
    const int64_t place = (int64_t)number * BLOCK + (moving && number >= BLOCKS / 2 ? 480000 : 0);
    transport.seconds = (int64_t)((double)place / 48000.0 * 2147483648.0);
    Process data = {-1, BLOCK, &transport, &buffer, &buffer, 1, 1, &events, NULL};
    for (int k = 0; k < BLOCK; k++)
        rows[0][k] = rows[1][k] = 0.3f * (float)((k * 7919 + number) % 1000 - 500) / 500.0f;
    event_count = 0;
    if (moving && number % 10 == 0) {
        const Parameter *knob = knobs + (uint32_t)(number / 10) % knob_count;
        event = (Value){sizeof event, 100, 0, 5, 0, knob->id, NULL, -1, -1, -1, -1,
            number % 20 == 0 ? knob->preset : 0.5 * (knob->least + knob->preset)};
        event_count = 1;
    }
    plugin->process(plugin, &data);
}

static void *audio(void *unused)
{
    (void)unused;
    play(0, false); /* whatever the loader resolves at its first call */
    watched = true;
    prctl(PR_SET_SECCOMP, SECCOMP_MODE_STRICT);
    for (int number = 0; number < BLOCKS; number++)
        play(number, true);
    watched = false;
    (void)!write(done[1], "x", 1);
    syscall(SYS_exit, 0);
    return NULL;
}

static double now(void)
{
    struct timespec time;
    clock_gettime(CLOCK_THREAD_CPUTIME_ID, &time);
    return (double)time.tv_sec + 1e-9 * (double)time.tv_nsec;
}

/* A plug-in of a library, with the first knobs that it tells of. */
static bool begin(void *library, const char *id)
{
    static const Host host = {{1, 2, 0}, NULL, {"quiet", "", "", "1"}, no_extension, {nothing, nothing, nothing}};
    const char *entry = dlsym(library, "clap_entry");
    const void *(*factory_of)(const char *);
    memcpy(&factory_of, entry + 32, sizeof factory_of);
    const void *factory = factory_of("clap.plugin-factory");
    const Plugin *(*create)(const void *, const Host *, const char *);
    memcpy(&create, (const char *)factory + 16, sizeof create);
    plugin = create(factory, &host, id);
    if (plugin == NULL || !plugin->init(plugin) || !plugin->activate(plugin, 48000.0, 1, BLOCK))
        return false;
    const void *parameters = plugin->extension(plugin, "clap.params");
    uint32_t (*number_of)(const Plugin *);
    bool (*info)(const Plugin *, uint32_t, Parameter *);
    memcpy(&number_of, parameters, sizeof number_of);
    memcpy(&info, (const char *)parameters + 8, sizeof info);
    knob_count = number_of(plugin) < 64 ? number_of(plugin) : 64;
    for (uint32_t k = 0; k < knob_count; k++)
        info(plugin, k, knobs + k);
    return true;
}

static void end(void)
{
    plugin->deactivate(plugin);
    plugin->destroy(plugin);
}

/* --- an audio call that calls nothing ------------------------------------------------------------------ */

static bool is_quiet(const char *id)
{
    double worst = 0.0, sum = 0.0;
    for (int number = 0; number < BLOCKS; number++) {
        const double before = now();
        play(number, false);
        const double took = now() - before;
        sum += took;
        worst = took > worst ? took : worst;
    }
    pthread_t thread;
    counted = 0;
    pthread_create(&thread, NULL, audio, NULL);
    pthread_detach(thread);
    struct pollfd waits = {done[0], POLLIN, 0};
    if (poll(&waits, 1, 120000) != 1) {
        printf("%s: a call of the system in the audio call\n", id);
        return false;
    }
    char letter;
    (void)!read(done[0], &letter, 1);
    printf("%s: %d calls, worst block %.1f us, mean %.1f us\n", id, counted, 1e6 * worst, 1e6 * sum / BLOCKS);
    fflush(stdout);
    usleep(20000);
    return true;
}

/* --- a library that comes and goes --------------------------------------------------------------------- */

static char state[1 << 16];
static uint64_t state_size, state_at;

static int64_t keep(const void *stream, const void *bytes, uint64_t count)
{
    (void)stream;
    if (state_size + count > sizeof state)
        return -1;
    memcpy(state + state_size, bytes, count);
    state_size += count;
    return (int64_t)count;
}

static int64_t bring(const void *stream, void *bytes, uint64_t count)
{
    (void)stream;
    if (count > state_size - state_at)
        count = state_size - state_at;
    memcpy(bytes, state + state_at, count);
    state_at += count;
    return (int64_t)count;
}

static bool save_and_load(void)
{
    const struct { void *data; int64_t (*write)(const void *, const void *, uint64_t); } to = {NULL, keep};
    const struct { void *data; int64_t (*read)(const void *, void *, uint64_t); } from = {NULL, bring};
    bool (*calls[2])(const Plugin *, const void *);
    memcpy(calls, plugin->extension(plugin, "clap.state"), sizeof calls);
    state_size = state_at = 0;
    return calls[0](plugin, &to) && calls[1](plugin, &from);
}

static bool reload(const char *path, const char *id, int number)
{
    void *library = dlopen(path, RTLD_NOW);
    if (library == NULL)
        return false;
    const char *entry = dlsym(library, "clap_entry");
    bool (*enter)(const char *);
    void (*leave)(void);
    memcpy(&enter, entry + 16, sizeof enter);
    memcpy(&leave, entry + 24, sizeof leave);
    if (!enter(path) || !begin(library, id))
        return false;
    for (int block = 0; block < 3; block++) { /* a knob turns, and the chain that it makes is anywhere when all ends */
        play(10 * (2 * number + 1) + block, true);
        usleep((useconds_t)(number % 4) * 2000);
    }
    const bool good = save_and_load();
    end();
    leave();
    dlclose(library);
    return good && dlopen(path, RTLD_NOW | RTLD_NOLOAD) == NULL;
}

static int entries(const char *folder)
{
    DIR *opened = opendir(folder);
    int count = 0;
    while (opened != NULL && readdir(opened) != NULL)
        count++;
    closedir(opened);
    return count;
}

static int lines(const char *path)
{
    FILE *file = fopen(path, "r");
    int count = 0;
    for (int letter; (letter = getc(file)) != EOF;)
        count += letter == '\n';
    fclose(file);
    return count;
}

static bool reloads(const char *path, char *const *ids, int id_count, int count)
{
    long before[4] = {0}, after[4] = {0};
    for (int number = -2 * id_count; number < count; number++) { /* what the system keeps for itself it has kept by then */
        if (number == 0)
            memcpy(before, after, sizeof before);
        const int each = number + 2 * id_count;
        if (!reload(path, ids[each % id_count], each))
            return false;
        after[0] = held;
        after[1] = lines("/proc/self/maps");
        after[2] = entries("/proc/self/task");
        after[3] = entries("/proc/self/fd");
    }
    printf("%d reloads: %ld blocks, %ld maps, %ld threads, %ld files\n", count, after[0] - before[0],
        after[1] - before[1], after[2] - before[2], after[3] - before[3]);
    return true;
}

int main(int count, char **arguments)
{
    if (count < 4)
        return 2;
    const int wanted = atoi(arguments[2]);
    if (wanted > 0)
        return reloads(arguments[1], arguments + 3, count - 3, wanted) ? 0 : 4;
    void *library = dlopen(arguments[1], RTLD_NOW);
    if (library == NULL || pipe(done) != 0)
        return 2;
    for (int each = 3; each < count; each++) {
        if (!begin(library, arguments[each]))
            return 3;
        if (!is_quiet(arguments[each]))
            return 1;
        end();
    }
    return 0;
}
