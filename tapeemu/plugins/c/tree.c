/* Text of a preset as a tree: the part of TOML that presets are written in, read strictly.
 *
 * Not read here, though TOML has it: literal and multi-line texts, dotted keys, other bases, underscores, dates,
 * infinities. What is refused leaves everything as it was. SPDX-License-Identifier: ISC
 */

enum { NODE_TABLE, NODE_LIST, NODE_TEXT, NODE_NUMBER, NODE_TRUTH };

typedef struct {
    int sort;
    const char *key; /* not closed by a zero */
    int key_length;
    const char *text; /* of a text, escapes resolved; of a number as written */
    int length;
    Decimal number;
    bool truth;
    bool headed; /* a table or a list of tables that a line of its own opens */
    int first, last, next, count;
} Node;

typedef struct {
    const char *at, *end;
    char *texts; /* room for texts with their escapes resolved */
    Node *nodes;
    int used, room, depth;
} Reader;

#define NO_NODE (-1)

static int new_node(Reader *reader, int sort)
{
    if (reader->used == reader->room)
        return NO_NODE;
    reader->nodes[reader->used] = (Node){.sort = sort, .first = NO_NODE, .last = NO_NODE, .next = NO_NODE};
    return reader->used++;
}

static bool same(const char *one, int length, const char *other)
{
    return (int)strlen(other) == length && memcmp(one, other, (size_t)length) == 0;
}

static int find(const Node *nodes, int table, const char *key, int length)
{
    for (int k = nodes[table].first; k != NO_NODE; k = nodes[k].next)
        if (nodes[k].key_length == length && memcmp(nodes[k].key, key, (size_t)length) == 0)
            return k;
    return NO_NODE;
}

static bool append(Reader *reader, int parent, int child, int most)
{
    Node *above = reader->nodes + parent;
    if (child == NO_NODE || above->count == most)
        return false;
    if (above->first == NO_NODE)
        above->first = child;
    else
        reader->nodes[above->last].next = child;
    above->last = child;
    above->count++;
    return true;
}

static void skip_blanks(Reader *reader)
{
    while (reader->at < reader->end && (*reader->at == ' ' || *reader->at == '\t'))
        reader->at++;
}

/* A comment, if there is one, and the end of the line. */
static bool end_line(Reader *reader)
{
    skip_blanks(reader);
    if (reader->at < reader->end && *reader->at == '#')
        while (reader->at < reader->end && *reader->at != '\n') {
            const unsigned char byte = (unsigned char)*reader->at++;
            const bool last_of_line = byte == '\r' && reader->at < reader->end && *reader->at == '\n';
            if ((byte < 32 && byte != '\t' && !last_of_line) || byte == 127)
                return false;
        }
    if (reader->at < reader->end && *reader->at == '\r')
        reader->at++;
    if (reader->at == reader->end)
        return reader->at[-1] != '\r';
    return *reader->at++ == '\n';
}

static int hexadecimal(char digit)
{
    if (digit >= '0' && digit <= '9')
        return digit - '0';
    if (digit >= 'a' && digit <= 'f')
        return digit - 'a' + 10;
    return digit >= 'A' && digit <= 'F' ? digit - 'A' + 10 : -1;
}

static char *write_utf8(char *to, uint32_t code)
{
    if (code < 0x80)
        *to++ = (char)code;
    else if (code < 0x800) {
        *to++ = (char)(0xc0 | code >> 6);
        *to++ = (char)(0x80 | (code & 63));
    } else {
        *to++ = (char)(0xe0 | code >> 12);
        *to++ = (char)(0x80 | (code >> 6 & 63));
        *to++ = (char)(0x80 | (code & 63));
    }
    return to;
}

static bool read_text(Reader *reader, const char **text, int *length)
{
    char *to = reader->texts;
    *text = to;
    for (reader->at++;;) {
        if (reader->at == reader->end)
            return false;
        const unsigned char byte = (unsigned char)*reader->at++;
        if (byte == '"')
            break;
        if ((byte < 32 && byte != '\t') || byte == 127)
            return false;
        if (byte != '\\') {
            *to++ = (char)byte;
            continue;
        }
        if (reader->at == reader->end)
            return false;
        const char letter = *reader->at++;
        static const char LETTERS[] = "btnfr\"\\", MEANT[] = "\b\t\n\f\r\"\\";
        if (letter == 'u') {
            uint32_t code = 0;
            for (int k = 0; k < 4; k++) {
                const int digit = reader->at < reader->end ? hexadecimal(*reader->at) : -1;
                if (digit < 0)
                    return false;
                code = code * 16 + (uint32_t)digit;
                reader->at++;
            }
            if (code >= 0xd800 && code < 0xe000)
                return false;
            to = write_utf8(to, code);
            continue;
        }
        const char *found = memchr(LETTERS, letter, sizeof LETTERS - 1);
        if (found == NULL)
            return false;
        *to++ = MEANT[found - LETTERS];
    }
    *length = (int)(to - *text);
    reader->texts = to;
    return true;
}

static bool bare(char letter)
{
    return (letter >= 'a' && letter <= 'z') || (letter >= 'A' && letter <= 'Z') || (letter >= '0' && letter <= '9') ||
        letter == '_' || letter == '-';
}

static bool read_key(Reader *reader, const char **key, int *length)
{
    skip_blanks(reader);
    if (reader->at < reader->end && *reader->at == '"')
        return read_text(reader, key, length);
    *key = reader->at;
    while (reader->at < reader->end && bare(*reader->at))
        reader->at++;
    *length = (int)(reader->at - *key);
    return *length > 0;
}

static int read_value(Reader *reader);

static bool read_pair(Reader *reader, int table)
{
    const char *key;
    int length;
    if (!read_key(reader, &key, &length))
        return false;
    skip_blanks(reader);
    if (reader->at == reader->end || *reader->at++ != '=' || find(reader->nodes, table, key, length) != NO_NODE)
        return false;
    const int value = read_value(reader);
    if (!append(reader, table, value, 256))
        return false;
    reader->nodes[value].key = key;
    reader->nodes[value].key_length = length;
    return true;
}

static int read_inline_table(Reader *reader)
{
    const int table = new_node(reader, NODE_TABLE);
    reader->at++;
    skip_blanks(reader);
    if (table == NO_NODE || (reader->at < reader->end && *reader->at == '}')) {
        reader->at++;
        return table;
    }
    for (;;) {
        if (!read_pair(reader, table))
            return NO_NODE;
        skip_blanks(reader);
        if (reader->at == reader->end)
            return NO_NODE;
        const char next = *reader->at++;
        if (next == '}')
            return table;
        if (next != ',')
            return NO_NODE;
    }
}

static bool skip_lines(Reader *reader)
{
    for (;;) {
        skip_blanks(reader);
        if (reader->at == reader->end)
            return false;
        if (*reader->at != '#' && *reader->at != '\n' && *reader->at != '\r')
            return true;
        if (!end_line(reader))
            return false;
    }
}

static int read_list(Reader *reader)
{
    const int list = new_node(reader, NODE_LIST);
    reader->at++;
    if (list == NO_NODE || !skip_lines(reader))
        return NO_NODE;
    while (*reader->at != ']') {
        if (!append(reader, list, read_value(reader), 64) || !skip_lines(reader))
            return NO_NODE;
        if (*reader->at == ',') {
            reader->at++;
            if (!skip_lines(reader))
                return NO_NODE;
        } else if (*reader->at != ']')
            return NO_NODE;
    }
    reader->at++;
    return list;
}

/* A word such as true, and nothing that makes it a longer one. */
static bool take_word(Reader *reader, const char *word)
{
    const size_t length = strlen(word);
    if ((size_t)(reader->end - reader->at) < length || memcmp(reader->at, word, length) != 0)
        return false;
    reader->at += length;
    return true;
}

static int read_value(Reader *reader)
{
    skip_blanks(reader);
    if (reader->at == reader->end || reader->depth == 10)
        return NO_NODE;
    int made;
    reader->depth++;
    if (*reader->at == '{')
        made = read_inline_table(reader);
    else if (*reader->at == '[')
        made = read_list(reader);
    else if (*reader->at == '"') {
        made = new_node(reader, NODE_TEXT);
        if (made != NO_NODE && !read_text(reader, &reader->nodes[made].text, &reader->nodes[made].length))
            made = NO_NODE;
    } else if (take_word(reader, "true") || take_word(reader, "false")) {
        made = new_node(reader, NODE_TRUTH);
        if (made != NO_NODE)
            reader->nodes[made].truth = reader->at[-2] == 'u';
    } else {
        made = new_node(reader, NODE_NUMBER);
        const char *from = reader->at;
        const char *behind = made == NO_NODE ? NULL : read_decimal(from, reader->end, &reader->nodes[made].number);
        if (behind == NULL)
            made = NO_NODE;
        else {
            reader->nodes[made].text = from;
            reader->nodes[made].length = (int)(behind - from);
            reader->at = behind;
        }
    }
    reader->depth--;
    return made;
}

/* A new member of a table that a heading names; NO_NODE if there is no room. */
static int headed_child(Reader *reader, int table, int sort, const char *key, int length)
{
    const int child = new_node(reader, sort);
    if (!append(reader, table, child, 256))
        return NO_NODE;
    reader->nodes[child].key = key;
    reader->nodes[child].key_length = length;
    reader->nodes[child].headed = true;
    return child;
}

/* [a.b] or [[a.b]]: the table that the lines behind it belong to. */
static int read_header(Reader *reader)
{
    const bool listed = reader->end - reader->at > 1 && reader->at[1] == '[';
    reader->at += listed ? 2 : 1;
    int table = 0;
    for (;;) {
        const char *key;
        int length;
        if (!read_key(reader, &key, &length))
            return NO_NODE;
        skip_blanks(reader);
        const bool more = reader->at < reader->end && *reader->at == '.';
        int child = find(reader->nodes, table, key, length);
        if (more) {
            if (child == NO_NODE) {
                child = headed_child(reader, table, NODE_TABLE, key, length);
                if (child == NO_NODE)
                    return NO_NODE;
            } else if (!reader->nodes[child].headed)
                return NO_NODE;
            table = reader->nodes[child].sort == NODE_LIST ? reader->nodes[child].last : child;
            reader->at++;
            continue;
        }
        if (child == NO_NODE) {
            child = headed_child(reader, table, listed ? NODE_LIST : NODE_TABLE, key, length);
            if (child == NO_NODE)
                return NO_NODE;
        } else if (!listed || !reader->nodes[child].headed || reader->nodes[child].sort != NODE_LIST)
            return NO_NODE;
        if (listed) {
            const int item = new_node(reader, NODE_TABLE);
            if (!append(reader, child, item, 64))
                return NO_NODE;
            reader->nodes[item].headed = true;
            child = item;
        }
        for (int k = 0; k < (listed ? 2 : 1); k++)
            if (reader->at == reader->end || *reader->at++ != ']')
                return NO_NODE;
        return child;
    }
}

static bool good_utf8(const unsigned char *at, const unsigned char *end)
{
    while (at < end) {
        const unsigned char byte = *at++;
        int more = byte < 0x80 ? 0 : byte >= 0xc2 && byte < 0xe0 ? 1 : byte >= 0xe0 && byte < 0xf0 ? 2 : byte >= 0xf0 && byte < 0xf5 ? 3 : -1;
        if (more < 0 || end - at < more)
            return false;
        if (more > 1 && ((byte == 0xe0 && *at < 0xa0) || (byte == 0xed && *at >= 0xa0) || (byte == 0xf0 && *at < 0x90) ||
                (byte == 0xf4 && *at >= 0x90)))
            return false;
        for (; more > 0; more--)
            if ((*at++ & 0xc0) != 0x80)
                return false;
    }
    return true;
}

/* Not so long that reading it could be used against anyone; the limits are those of the command line. */
static bool within_limits(const char *text, size_t bytes)
{
    int lines = 1, in_line = 0;
    if (bytes == 0 || bytes > MOST_BYTES)
        return false;
    for (size_t k = 0; k < bytes; k++) {
        in_line = text[k] == '\n' ? 0 : in_line + 1;
        lines += text[k] == '\n';
        if (text[k] == '\0' || in_line > 2000 || lines > 4000)
            return false;
    }
    return good_utf8((const unsigned char *)text, (const unsigned char *)text + bytes);
}

/* Read a whole text; the first node is the outermost table. Give back with free_tree, also after a failure. */
static bool read_tree(Reader *reader, const char *text, size_t bytes)
{
    *reader = (Reader){.at = text, .end = text + bytes};
    if (!within_limits(text, bytes))
        return false;
    reader->room = (int)bytes / 2 + 8;
    reader->nodes = malloc((size_t)reader->room * sizeof *reader->nodes + bytes);
    if (reader->nodes == NULL)
        return false;
    reader->texts = (char *)(reader->nodes + reader->room);
    int table = new_node(reader, NODE_TABLE);
    while (reader->at < reader->end) {
        skip_blanks(reader);
        if (reader->at == reader->end)
            break;
        if (*reader->at == '[') {
            table = read_header(reader);
            if (table == NO_NODE || !end_line(reader))
                return false;
        } else if (*reader->at == '#' || *reader->at == '\n' || *reader->at == '\r') {
            if (!end_line(reader))
                return false;
        } else if (!read_pair(reader, table) || !end_line(reader))
            return false;
    }
    return true;
}

static void free_tree(Reader *reader)
{
    free(reader->nodes);
    reader->nodes = NULL;
}
