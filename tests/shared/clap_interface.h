/* The part of CLAP 1.2 that our hosts use: layouts as in its public interface, names our own.
 * SPDX-License-Identifier: ISC
 */
#include <stdbool.h>
#include <stdint.h>

typedef struct {
    uint32_t version[3];
    void *data;
    const char *texts[4];
    const void *(*extension)(const void *, const char *);
    void (*calls[3])(const void *);
} Host;

typedef struct Plugin {
    const void *descriptor;
    void *data;
    bool (*init)(const struct Plugin *);
    void (*destroy)(const struct Plugin *);
    bool (*activate)(const struct Plugin *, double, uint32_t, uint32_t);
    void (*deactivate)(const struct Plugin *);
    bool (*start)(const struct Plugin *);
    void (*stop)(const struct Plugin *);
    void (*reset)(const struct Plugin *);
    int32_t (*process)(const struct Plugin *, const void *);
    const void *(*extension)(const struct Plugin *, const char *);
} Plugin;

typedef struct {
    uint32_t size, time;
    uint16_t space, sort;
    uint32_t flags, id;
    void *cookie;
    int32_t note;
    int16_t port, channel, key;
    double value;
} Value;

typedef struct {
    uint32_t size, time;
    uint16_t space, sort;
    uint32_t header_flags, flags;
    int64_t beats, seconds;
    char rest[128];
} Transport;

typedef struct {
    float **narrow;
    double **wide;
    uint32_t channels, latency;
    uint64_t constant;
} Buffer;

typedef struct {
    void *data;
    uint32_t (*count)(const void *);
    const void *(*get)(const void *, uint32_t);
} Events;

typedef struct {
    int64_t steady;
    uint32_t count;
    const Transport *transport;
    Buffer *in, *out;
    uint32_t ins, outs;
    const Events *events;
    const void *events_out;
} Process;

typedef struct {
    uint32_t id, flags;
    void *cookie;
    char name[256], module[1024];
    double least, most, preset;
} Parameter;
