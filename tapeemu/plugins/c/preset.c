/* A preset: from the text of its file and back. SPDX-License-Identifier: ISC */

typedef struct {
    bool given;
    double number;
    uint64_t whole; /* of a whole number; place of a choice; truth of a switch */
} Setting;

#define CHAIN_KIND (-1)

typedef struct {
    int kind; /* number in KINDS, or CHAIN_KIND */
    int behind; /* number of the stage behind this one and all that it holds */
    int depth;
    char name[MOST_NAME];
    bool bypass;
    double mix_percent;
    Setting settings[MOST_VALUES];
    bool listed_given;
    int part_count;
    Setting parts[MOST_PARTS][MOST_COLUMNS];
} StageText;

typedef struct {
    char purpose[MOST_TEXT + 1];
    char tags[32][MOST_NAME];
    int tag_count;
    int stage_count;
    StageText stages[MOST_STAGES];
} Preset;

static void as_left_out(const Value *values, int count, Setting *to)
{
    for (int k = 0; k < count; k++)
        to[k] = (Setting){false, values[k].preset, values[k].preset > 0.0 ? (uint64_t)values[k].preset : 0};
}

static void settings_as_left_out(StageText *stage)
{
    as_left_out(KINDS[stage->kind].values, KINDS[stage->kind].value_count, stage->settings);
}

static bool read_setting(const Value *value, const Node *node, Setting *to)
{
    const double number = node->number.real;
    to->given = true;
    switch (value->sort) {
    case SORT_NUMBER:
        if (node->sort != NODE_NUMBER || number < value->least || number > value->most)
            return false;
        if ((value->least_open && number == value->least) || (value->most_open && number == value->most))
            return false;
        to->number = number;
        return true;
    case SORT_WHOLE:
        if (node->sort != NODE_NUMBER || !node->number.whole || (node->number.negative && node->number.digits != 0))
            return false;
        to->whole = node->number.digits;
        to->number = number;
        return number <= value->most && (value->most > 1e19 || node->number.digits <= (uint64_t)INT64_MAX);
    case SORT_SWITCH:
        to->whole = node->truth;
        return node->sort == NODE_TRUTH;
    case SORT_WORD:
    case SORT_STEP:
        if (node->sort != (value->sort == SORT_WORD ? NODE_TEXT : NODE_NUMBER))
            return false;
        for (int k = 0; k < value->word_count; k++)
            if (same(node->text, node->length, word_at(value->words, k))) {
                to->whole = (uint64_t)k;
                return true;
            }
        return false;
    default:
        return false;
    }
}

static int place_of(const Kind *kind, const char *before, const char *key, int length, const char *after)
{
    char whole[2 * MOST_NAME];
    const size_t first = strlen(before), last = strlen(after);
    if (first + (size_t)length + last >= sizeof whole)
        return -1;
    memcpy(whole, before, first);
    memcpy(whole + first, key, (size_t)length);
    memcpy(whole + first + (size_t)length, after, last + 1);
    for (int k = 0; k < kind->value_count; k++)
        if (strcmp(text_at(kind->values[k].key), whole) == 0)
            return k;
    return -1;
}

static bool read_parts(const Kind *kind, const Node *nodes, int list, StageText *stage)
{
    stage->listed_given = true;
    for (int row = nodes[list].first; row != NO_NODE; row = nodes[row].next) {
        if (stage->part_count == MOST_PARTS || nodes[row].sort != NODE_TABLE)
            return false;
        Setting *part = stage->parts[stage->part_count++];
        as_left_out(kind->columns, kind->column_count, part);
        for (int cell = nodes[row].first; cell != NO_NODE; cell = nodes[cell].next) {
            int column = 0;
            while (column < kind->column_count && !same(nodes[cell].key, nodes[cell].key_length, text_at(kind->columns[column].key)))
                column++;
            if (column == kind->column_count || !read_setting(kind->columns + column, nodes + cell, part + column))
                return false;
        }
        for (int column = 0; column < kind->column_count; column++)
            if (!kind->columns[column].optional && !part[column].given)
                return false;
    }
    return true;
}

/* A setting of a stage, which may be a number, a table of numbers, a band or a list of tables. */
static bool read_pair_of_stage(const Kind *kind, const Node *nodes, int node, StageText *stage)
{
    const Node *given = nodes + node;
    if (kind->listed != 0 && same(given->key, given->key_length, text_at(kind->listed)))
        return given->sort == NODE_LIST && read_parts(kind, nodes, node, stage);
    const int place = place_of(kind, "", given->key, given->key_length, "");
    if (place >= 0)
        return read_setting(kind->values + place, given, stage->settings + place);
    if (given->sort == NODE_LIST && given->count == 2) {
        const int low = place_of(kind, "", given->key, given->key_length, "[0]");
        const int node_low = given->first, node_high = given->last;
        return low >= 0 && read_setting(kind->values + low, nodes + node_low, stage->settings + low) &&
            read_setting(kind->values + low + 1, nodes + node_high, stage->settings + low + 1);
    }
    if (given->sort != NODE_TABLE || given->headed || given->count == 0)
        return false;
    char before[MOST_NAME];
    if (given->key_length + 2 > MOST_NAME)
        return false;
    memcpy(before, given->key, (size_t)given->key_length);
    strcpy(before + given->key_length, ".");
    for (int cell = given->first; cell != NO_NODE; cell = nodes[cell].next) {
        const int inner = place_of(kind, before, nodes[cell].key, nodes[cell].key_length, "");
        if (inner < 0 || !read_setting(kind->values + inner, nodes + cell, stage->settings + inner))
            return false;
    }
    return true;
}

static bool good_name(const char *name, int length)
{
    bool letters = false;
    for (int k = 0; k < length; k++) {
        const bool blank = name[k] == ' ';
        if (!blank && !bare(name[k]))
            return false;
        letters = letters || !blank;
    }
    return letters && length < MOST_NAME;
}

static bool read_stages(const Node *nodes, int list, Preset *preset, int depth);

static bool read_stage(const Node *nodes, int table, Preset *preset, int depth)
{
    if (preset->stage_count == MOST_STAGES || nodes[table].sort != NODE_TABLE)
        return false;
    const int number = preset->stage_count++;
    StageText *stage = preset->stages + number;
    *stage = (StageText){.kind = CHAIN_KIND, .depth = depth, .mix_percent = 100.0};
    const int kind_node = find(nodes, table, "kind", 4);
    if (kind_node == NO_NODE || nodes[kind_node].sort != NODE_TEXT)
        return false;
    const bool chain = same(nodes[kind_node].text, nodes[kind_node].length, "chain");
    for (int k = 0; k < KIND_COUNT; k++)
        if (same(nodes[kind_node].text, nodes[kind_node].length, text_at(KINDS[k].kind)))
            stage->kind = k;
    if (!chain && stage->kind == CHAIN_KIND)
        return false;
    if (!chain)
        settings_as_left_out(stage);
    bool held = false;
    for (int k = nodes[table].first; k != NO_NODE; k = nodes[k].next) {
        const Node *node = nodes + k;
        if (k == kind_node)
            continue;
        if (same(node->key, node->key_length, "name")) {
            if (node->sort != NODE_TEXT || !good_name(node->text, node->length))
                return false;
            memcpy(stage->name, node->text, (size_t)node->length);
        } else if (same(node->key, node->key_length, "bypass")) {
            if (node->sort != NODE_TRUTH)
                return false;
            stage->bypass = node->truth;
        } else if (same(node->key, node->key_length, "mix_percent")) {
            if (node->sort != NODE_NUMBER || !(node->number.real >= 0.0 && node->number.real <= 100.0))
                return false;
            stage->mix_percent = node->number.real;
        } else if (chain) {
            if (!same(node->key, node->key_length, "stages") || !read_stages(nodes, k, preset, depth + 1))
                return false;
            held = true;
        } else if (!read_pair_of_stage(KINDS + stage->kind, nodes, k, stage))
            return false;
    }
    stage->behind = preset->stage_count;
    return held || !chain;
}

static const char *kind_of(const StageText *stage)
{
    return stage->kind == CHAIN_KIND ? "chain" : text_at(KINDS[stage->kind].kind);
}

/* A name for each stage that has none, as the command line gives it; false if two are given alike. */
static bool name_stages(Preset *preset, int first, int behind)
{
    for (int one = first; one < behind; one = preset->stages[one].behind)
        for (int other = first; other < one; other = preset->stages[other].behind)
            if (preset->stages[one].name[0] != '\0' && strcmp(preset->stages[one].name, preset->stages[other].name) == 0)
                return false;
    for (int one = first; one < behind; one = preset->stages[one].behind) {
        char *name = preset->stages[one].name;
        for (int number = 1; name[0] == '\0' && number < 100; number++) {
            char tried[MOST_NAME];
            strcpy(tried, kind_of(preset->stages + one));
            if (number > 1) {
                const size_t length = strlen(tried);
                tried[length] = '_';
                tried[length + 1 + (size_t)write_whole(tried + length + 1, (uint64_t)number)] = '\0';
            }
            bool taken = false;
            for (int other = first; other < behind; other = preset->stages[other].behind)
                taken = taken || strcmp(preset->stages[other].name, tried) == 0;
            if (!taken)
                strcpy(name, tried);
        }
    }
    return true;
}

static bool read_stages(const Node *nodes, int list, Preset *preset, int depth)
{
    const int first = preset->stage_count;
    if (nodes[list].sort != NODE_LIST || nodes[list].count == 0 || depth > 4)
        return false;
    for (int k = nodes[list].first; k != NO_NODE; k = nodes[k].next)
        if (!read_stage(nodes, k, preset, depth))
            return false;
    return name_stages(preset, first, preset->stage_count);
}

static bool blank(const char *text, int length)
{
    for (int k = 0; k < length; k++)
        if (text[k] != ' ' && text[k] != '\t')
            return false;
    return true;
}

static bool read_tags(const Node *nodes, int list, Preset *preset)
{
    if (nodes[list].sort != NODE_LIST)
        return false;
    for (int k = nodes[list].first; k != NO_NODE; k = nodes[k].next) {
        if (preset->tag_count == 32 || nodes[k].sort != NODE_TEXT || nodes[k].length >= MOST_NAME ||
            blank(nodes[k].text, nodes[k].length))
            return false;
        memcpy(preset->tags[preset->tag_count], nodes[k].text, (size_t)nodes[k].length);
        preset->tags[preset->tag_count++][nodes[k].length] = '\0';
    }
    return true;
}

static bool short_texts(const Node *nodes, int count)
{
    for (int k = 0; k < count; k++) {
        if (nodes[k].sort == NODE_TEXT && nodes[k].length > MOST_TEXT)
            return false;
        for (int i = 0; nodes[k].sort == NODE_TEXT && i < nodes[k].length; i++)
            if (nodes[k].text[i] == '\n' || nodes[k].text[i] == '\0')
                return false;
    }
    return true;
}

static bool preset_of_tree(const Reader *reader, Preset *preset)
{
    const Node *nodes = reader->nodes;
    bool format = false, staged = false;
    *preset = (Preset){.stage_count = 0};
    if (!short_texts(nodes, reader->used))
        return false;
    for (int k = nodes[0].first; k != NO_NODE; k = nodes[k].next) {
        const Node *node = nodes + k;
        if (same(node->key, node->key_length, "format")) {
            if (node->sort != NODE_NUMBER || !node->number.whole || node->number.negative || node->number.digits != 1)
                return false;
            format = true;
        } else if (same(node->key, node->key_length, "purpose")) {
            if (node->sort != NODE_TEXT || blank(node->text, node->length))
                return false;
            memcpy(preset->purpose, node->text, (size_t)node->length);
        } else if (same(node->key, node->key_length, "tags")) {
            if (!read_tags(nodes, k, preset))
                return false;
        } else if (same(node->key, node->key_length, "stages")) {
            if (!read_stages(nodes, k, preset, 1))
                return false;
            staged = true;
        } else if (!same(node->key, node->key_length, "measured") || node->sort != NODE_TABLE)
            return false;
    }
    return format && staged && preset->purpose[0] != '\0';
}

/* From the text of a preset; false if it is none, or one that no plug-in can hold. */
static bool read_preset(const char *text, size_t bytes, Preset *preset)
{
    Reader reader;
    const bool read = read_tree(&reader, text, bytes) && preset_of_tree(&reader, preset);
    free_tree(&reader);
    return read;
}

/* --- texts that are written ---------------------------------------------------------------------------- */

typedef struct {
    char *text;
    size_t used, room; /* used counts on where there is no room */
} Writer;

static void put_bytes(Writer *writer, const char *bytes, size_t count)
{
    if (writer->used + count < writer->room)
        memcpy(writer->text + writer->used, bytes, count);
    writer->used += count;
}

/* What a byte of the packed texts stands for: itself, or two bytes that stand for more. */
static void put_packed(Writer *writer, uint8_t byte)
{
    while (PACKED[byte][0] != 0) {
        put_packed(writer, PACKED[byte][0]);
        byte = PACKED[byte][1];
    }
    put_bytes(writer, (const char *)&byte, 1);
}

static void put_shipped(Writer *writer, int number)
{
    for (int each = PRESET_BEGINS[number]; each < PRESET_BEGINS[number + 1]; each++)
        for (int at = ROWS[PRESET_ROWS[each]]; at < ROWS[PRESET_ROWS[each] + 1]; at++)
            put_packed(writer, (uint8_t)PRESET_TEXT[at]);
}

/* The text of a shipped preset, from its rows, to be freed; NULL without memory. */
static char *shipped_text(int number, size_t *bytes)
{
    Writer writer = {NULL, 0, 0};
    put_shipped(&writer, number);
    *bytes = writer.used;
    writer = (Writer){malloc(*bytes + 1), 0, *bytes + 1};
    if (writer.text != NULL)
        put_shipped(&writer, number);
    return writer.text;
}

/* False also for a step of the knob that waits for a preset. */
static bool read_shipped(int number, Preset *preset)
{
    size_t bytes = 0;
    if (number >= PRESET_COUNT)
        return false;
    char *text = shipped_text(number, &bytes);
    const bool read = text != NULL && read_preset(text, bytes, preset);
    free(text);
    return read;
}

/* --- and back ------------------------------------------------------------------------------------------ */

static void put(Writer *writer, const char *text)
{
    put_bytes(writer, text, strlen(text));
}

static void put_text(Writer *writer, const char *text)
{
    put(writer, "\"");
    for (; *text != '\0'; text++) {
        const unsigned char byte = (unsigned char)*text;
        char escaped[8] = {*text, '\0'};
        if (byte == '"' || byte == '\\') {
            escaped[0] = '\\';
            escaped[1] = *text;
        } else if (byte < 32 || byte == 127) {
            static const char DIGITS[] = "0123456789abcdef";
            memcpy(escaped, "\\u00", 4);
            escaped[4] = DIGITS[byte >> 4];
            escaped[5] = DIGITS[byte & 15];
        }
        put(writer, escaped);
    }
    put(writer, "\"");
}

static void put_real(Writer *writer, double value)
{
    char text[40];
    write_real(text, value, 17);
    put(writer, text);
}

static void put_setting(Writer *writer, const Value *value, const Setting *setting)
{
    char text[40];
    switch (value->sort) {
    case SORT_NUMBER:
        put_real(writer, setting->number);
        break;
    case SORT_WHOLE:
        text[write_whole(text, setting->whole)] = '\0';
        put(writer, text);
        break;
    case SORT_SWITCH:
        put(writer, setting->whole != 0 ? "true" : "false");
        break;
    case SORT_WORD:
        put_text(writer, word_at(value->words, setting->whole));
        break;
    default:
        put(writer, word_at(value->words, setting->whole));
    }
}

static void put_parts(Writer *writer, const Kind *kind, const StageText *stage)
{
    put(writer, text_at(kind->listed));
    put(writer, " = [");
    for (int row = 0; row < stage->part_count; row++) {
        bool first = true;
        put(writer, "\n    {");
        for (int column = 0; column < kind->column_count; column++) {
            if (!stage->parts[row][column].given)
                continue;
            put(writer, first ? "" : ", ");
            put(writer, text_at(kind->columns[column].key));
            put(writer, " = ");
            put_setting(writer, kind->columns + column, &stage->parts[row][column]);
            first = false;
        }
        put(writer, "},");
    }
    put(writer, stage->part_count > 0 ? "\n]\n" : "]\n");
}

static void put_stage(Writer *writer, const StageText *stage)
{
    put(writer, "\n[[stages");
    for (int k = 1; k < stage->depth; k++)
        put(writer, ".stages");
    put(writer, "]]\nname = ");
    put_text(writer, stage->name);
    put(writer, "\nkind = ");
    put_text(writer, kind_of(stage));
    put(writer, "\n");
    if (stage->bypass)
        put(writer, "bypass = true\n");
    if (stage->mix_percent != 100.0) {
        put(writer, "mix_percent = ");
        put_real(writer, stage->mix_percent);
        put(writer, "\n");
    }
    if (stage->kind == CHAIN_KIND)
        return;
    const Kind *kind = KINDS + stage->kind;
    for (int k = 0; k < kind->value_count; k++) {
        if (!stage->settings[k].given)
            continue;
        const char *key = text_at(kind->values[k].key);
        const char *dot = strchr(key, '.'), *bracket = strchr(key, '[');
        if (dot != NULL) { /* a table in a line: all keys with the same beginning */
            const size_t length = (size_t)(dot - key) + 1;
            put_bytes(writer, key, length - 1);
            put(writer, " = {");
            for (bool first = true; k < kind->value_count && strncmp(text_at(kind->values[k].key), key, length) == 0; k++) {
                if (!stage->settings[k].given)
                    continue;
                put(writer, first ? "" : ", ");
                put(writer, text_at(kind->values[k].key) + length);
                put(writer, " = ");
                put_setting(writer, kind->values + k, stage->settings + k);
                first = false;
            }
            k--;
            put(writer, "}\n");
        } else if (bracket != NULL) {
            put_bytes(writer, key, (size_t)(bracket - key));
            put(writer, " = [");
            put_setting(writer, kind->values + k, stage->settings + k);
            put(writer, ", ");
            put_setting(writer, kind->values + k + 1, stage->settings + k + 1);
            put(writer, "]\n");
            k++;
        } else {
            put(writer, key);
            put(writer, " = ");
            put_setting(writer, kind->values + k, stage->settings + k);
            put(writer, "\n");
        }
    }
    if (stage->listed_given)
        put_parts(writer, kind, stage);
}

static void put_preset(Writer *writer, const Preset *preset)
{
    put(writer, "format = 1\npurpose = ");
    put_text(writer, preset->purpose);
    put(writer, "\n");
    if (preset->tag_count > 0) {
        put(writer, "tags = [");
        for (int k = 0; k < preset->tag_count; k++) {
            put(writer, k > 0 ? ", " : "");
            put_text(writer, preset->tags[k]);
        }
        put(writer, "]\n");
    }
    for (int k = 0; k < preset->stage_count; k++)
        put_stage(writer, preset->stages + k);
}
