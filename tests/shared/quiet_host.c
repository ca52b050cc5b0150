/* A host whose audio thread may call nothing: the kernel ends it at its first system call (strict seccomp), and what
 * allocates or locks is counted. Prints for each plug-in its name, calls counted, and worst and mean block time.
 *
 * SPDX-License-Identifier: ISC
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <linux/seccomp.h>
#include <poll.h>
#include <pthread.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#include "clap_interface.h"

enum { BLOCK = 512, BLOCKS = 600 };

static __thread bool watched;
static int counted;

/* What the plug-in calls by these names it gets from here; the real ones do the work. */
#define COUNTED(result, name, parameters, arguments)                                                                 \
    result name parameters                                                                                           \
    {                                                                                                                \
        static result(*real) parameters;                                                                             \
        if (real == NULL)                                                                                            \
            *(void **)&real = dlsym(RTLD_NEXT, #name);                                                               \
        counted += watched;                                                                                          \
        return real arguments;                                                                                       \
    }
COUNTED(void *, malloc, (size_t size), (size))
COUNTED(void *, realloc, (void *old, size_t size), (old, size))
COUNTED(int, pthread_mutex_lock, (pthread_mutex_t *lock), (lock))
COUNTED(int, pthread_cond_signal, (pthread_cond_t *signal), (signal))
COUNTED(int, nanosleep, (const struct timespec *time, struct timespec *left), (time, left))

void free(void *memory)
{
    static void (*real)(void *);
    if (real == NULL)
        *(void **)&real = dlsym(RTLD_NEXT, "free");
    counted += watched;
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

int main(int count, char **arguments)
{
    static const Host host = {{1, 2, 0}, NULL, {"quiet", "", "", "1"}, no_extension, {nothing, nothing, nothing}};
    void *library = dlopen(arguments[1], RTLD_NOW);
    if (library == NULL || count < 3 || pipe(done) != 0)
        return 2;
    const char *entry = dlsym(library, "clap_entry");
    const void *(*factory_of)(const char *);
    memcpy(&factory_of, entry + 32, sizeof factory_of);
    const void *factory = factory_of("clap.plugin-factory");
    const Plugin *(*create)(const void *, const Host *, const char *);
    memcpy(&create, (const char *)factory + 16, sizeof create);
    for (int each = 2; each < count; each++) {
        plugin = create(factory, &host, arguments[each]);
        if (plugin == NULL || !plugin->init(plugin) || !plugin->activate(plugin, 48000.0, 1, BLOCK))
            return 3;
        const void *parameters = plugin->extension(plugin, "clap.params");
        uint32_t (*number_of)(const Plugin *);
        bool (*info)(const Plugin *, uint32_t, Parameter *);
        memcpy(&number_of, parameters, sizeof number_of);
        memcpy(&info, (const char *)parameters + 8, sizeof info);
        knob_count = number_of(plugin) < 64 ? number_of(plugin) : 64;
        for (uint32_t k = 0; k < knob_count; k++)
            info(plugin, k, knobs + k);
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
        struct pollfd waits = {done[0], POLLIN, 0};
        if (poll(&waits, 1, 120000) != 1) {
            printf("%s: a call of the system in the audio call\n", arguments[each]);
            return 1;
        }
        char letter;
        (void)!read(done[0], &letter, 1);
        printf("%s: %d calls, worst block %.1f us, mean %.1f us\n", arguments[each], counted, 1e6 * worst,
            1e6 * sum / BLOCKS);
        fflush(stdout);
        usleep(20000);
        plugin->deactivate(plugin);
        plugin->destroy(plugin);
    }
    return 0;
}
