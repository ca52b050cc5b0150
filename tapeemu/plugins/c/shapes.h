/* What the plug-ins are made of, in the order in which the files of this folder build on each other.
 *
 * plugins.c includes them all; one compiler call makes the three formats. SPDX-License-Identifier: ISC
 */
#ifndef TAPEEMU_PLUGIN_SHAPES_H
#define TAPEEMU_PLUGIN_SHAPES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define MOST_STAGES 32
#define MOST_COLUMNS 4
#define MOST_NAME 64
#define MOST_TEXT 400   /* characters of a text in a preset */
#define MOST_BYTES (128 * 1024) /* of a preset */
#define MOST_STEP_TEXT 64

/* --- tables, see tables.py ----------------------------------------------------------------------------- */

enum { SORT_NUMBER, SORT_WHOLE, SORT_SWITCH, SORT_WORD, SORT_STEP };

typedef struct {
    const char *key;
    int sort;
    bool optional;
    double least, most;
    bool least_open, most_open;
    double preset; /* default, or where the knob stands */
    const char *const *words;
    int word_count;
} Value;

enum {
    RULE_NUMBER,
    RULE_ABOVE,
    RULE_BEYOND,
    RULE_ALONE,
    RULE_WHOLE,
    RULE_STEP,
    RULE_CHOICE,
    RULE_GIVEN,
    RULE_TABLE,
    RULE_WHICH,
    RULE_ALWAYS,
    RULE_PARTS
};

typedef struct {
    int rule, place;
    /* Where it is left out; for tables the number of rows; a bound; the setting that takes its place. */
    double otherwise;
} Number;

enum {
    ROLE_VALUE, ROLE_SELECT, ROLE_BYPASS, ROLE_MIX, ROLE_TRACK, ROLE_PRESET, ROLE_STAGE_BYPASS, ROLE_STAGE_MIX
};

typedef struct {
    uint32_t id;
    const char *key, *label, *unit;
    int role, first, count;
    double least, most, preset;
    bool stepped, logarithmic;
    const char *const *words;
    int word_count;
} Knob;

typedef struct {
    const char *kind, *label;
    int native;
    const Value *values;
    int value_count;
    const char *listed; /* key of a list of tables, or NULL */
    bool listed_optional;
    const Value *columns;
    int column_count;
    const Number *numbers; /* NULL where they are computed */
    int number_count;
    const Knob *knobs;
    int knob_count;
} Kind;

typedef struct {
    double tape_speed_cm_s, weighted_flutter_percent, random_percent, low_hz, high_hz;
    int part_count;
    double parts[8][2];
} Profile;

typedef struct {
    const char *name, *text;
} Shipped;

#endif
