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

/* A place in TEXTS, where all texts of the tables stand, each with a zero behind it; 0 is the empty one. A pointer would
 * take four times as much, and as much again where a library is moved to its address. */
typedef uint16_t Text;

enum { SORT_NUMBER, SORT_WHOLE, SORT_SWITCH, SORT_WORD, SORT_STEP };

typedef struct {
    double least, most;
    double preset; /* default, or where the knob stands */
    Text key, words; /* choices, one behind another */
    uint8_t word_count;
    uint8_t sort : 5, optional : 1, least_open : 1, most_open : 1;
} Value;

enum {
    RULE_NUMBER,
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
    double least, most, preset;
    uint32_t id;
    Text key, label, unit, words; /* of its steps, one behind another */
    uint8_t word_count, first, count;
    uint8_t role : 6, stepped : 1, logarithmic : 1;
} Knob;

typedef struct {
    Text kind, label;
    int native;
    const Value *values;
    int value_count;
    Text listed; /* key of a list of tables, or 0 */
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

#endif
