/* Numbers of the pages of Parquet files, straight into the rows of a buffer, without the interpreter lock.
 *
 * pages.py finds the pages and has a library unpack zstd and gzip; snappy, which is a page of code, is done here.
 * Encodings are those that writers use for numbers: plain, and a dictionary with bit-packed places in it. Whatever else
 * a file holds goes to the library: parquet_footer.py looks before it calls.
 *
 * Nothing in a file is believed: every length is compared with what is there, and a page that does not fit ends the call.
 * Layout: Apache Parquet format 2.x, Encodings.md; snappy format_description.txt.
 */
#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030b0000
#include <Python.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#if __BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__
#error "needs a little-endian machine; without this module the library reads Parquet"
#endif

#define VERSION 4

/* What runs over all values is compiled twice: for any processor, and for those that take 32 bytes at once, which nearly
 * all do. Which form is used is decided when the module is loaded; both do the same. */
#if defined(__x86_64__)
#define WIDE __attribute__((target("avx2")))
#define WIDE_HERE (__builtin_cpu_init(), __builtin_cpu_supports("avx2") != 0)
#else
#define WIDE
#define WIDE_HERE 0
#endif
static int wide;

enum { INT32 = 1, INT64 = 2, FLOAT = 4, DOUBLE = 5 };         /* physical types */
enum { SNAPPY = 1 };                                          /* codecs */
enum { PLAIN = 0, PLAIN_DICTIONARY = 2, RLE_DICTIONARY = 8 }; /* encodings */

/* What a page is; _footer.c has the same lists. */
enum { DATA, DATA_V2, DICTIONARY };
enum { P_CHUNK, P_KIND, P_PLACE, P_SIZE, P_UNPACKED, P_VALUES, P_ENCODING, P_LEVELS, P_ROW, P_PACKED, P_FIELDS };

/* Larger pages than this are no writer's; it bounds what a damaged length can ask for. */
#define LARGEST_PAGE ((int64_t)1 << 30)

/* A number of seven bits a byte; -1 when it does not end. */
static int64_t varint(const uint8_t **at, const uint8_t *end)
{
    int64_t value = 0;
    for (int shift = 0; shift < 35 && *at < end; shift += 7) {
        uint8_t byte = *(*at)++;
        value |= (int64_t)(byte & 0x7F) << shift;
        if (byte < 0x80)
            return value;
    }
    return -1;
}

/* ---- snappy ---- */

/* Unpack exactly `size` bytes; 0 when the text is no such thing. */
static int unsnappy(const uint8_t *at, int64_t length, uint8_t *out, int64_t size)
{
    const uint8_t *end = at + length;
    if (varint(&at, end) != size)
        return 0;
    int64_t done = 0;
    while (at < end) {
        uint8_t tag = *at++;
        int64_t count, back = 0;
        if ((tag & 3) == 0) {
            count = (tag >> 2) + 1;
            if (count > 60) {
                int bytes = (int)count - 60;
                if (end - at < bytes)
                    return 0;
                count = 0;
                for (int byte = 0; byte < bytes; byte++)
                    count |= (int64_t)at[byte] << (8 * byte);
                count++;
                at += bytes;
            }
            if (count > end - at || count > size - done)
                return 0;
            memcpy(out + done, at, (size_t)count);
            at += count;
            done += count;
            continue;
        }
        if ((tag & 3) == 1) {
            if (end - at < 1)
                return 0;
            count = ((tag >> 2) & 7) + 4;
            back = ((int64_t)(tag >> 5) << 8) | at[0];
            at += 1;
        } else {
            int bytes = (tag & 3) == 2 ? 2 : 4;
            if (end - at < bytes)
                return 0;
            count = (tag >> 2) + 1;
            for (int byte = 0; byte < bytes; byte++)
                back |= (int64_t)at[byte] << (8 * byte);
            at += bytes;
        }
        if (back == 0 || back > done || count > size - done)
            return 0;
        if (back >= count)
            memcpy(out + done, out + done - back, (size_t)count);
        else
            for (int64_t byte = 0; byte < count; byte++)
                out[done + byte] = out[done + byte - back];
        done += count;
    }
    return done == size;
}

/* ---- values ---- */

typedef struct {
    int64_t type, optional, whole, codec;
} Column; /* `whole`: 64-bit integers stay integers (stamps) */

static int64_t width_of(const Column *column)
{
    return column->type == FLOAT ? 4 : 8;
}

/* `count` plain numbers in the form they are laid in; 0 when there are fewer. */
static int plain(const uint8_t *from, int64_t bytes, int64_t count, const Column *column, void *to)
{
    int64_t size = column->type == INT32 || column->type == FLOAT ? 4 : 8;
    if (count > bytes / size)
        return 0;
    if (column->type == INT32) {
        double *numbers = to;
        for (int64_t at = 0; at < count; at++) {
            int32_t number;
            memcpy(&number, from + 4 * at, 4);
            numbers[at] = number;
        }
    } else if (column->type == INT64 && !column->whole) {
        double *numbers = to;
        for (int64_t at = 0; at < count; at++) {
            int64_t number;
            memcpy(&number, from + 8 * at, 8);
            numbers[at] = (double)number;
        }
    } else
        memcpy(to, from, (size_t)(count * size));
    return 1;
}

/* Numbers of `width` bits, packed from the lowest bit on: eight at a time. At least 8 bytes follow what is read. */
#define UNPACK_AS(HOW, NAME, WIDTH)                                                                      \
    HOW static void NAME(const uint8_t *from, int64_t groups, uint32_t *to)                              \
    {                                                                                                    \
        for (; groups > 0; groups--, from += WIDTH, to += 8)                                             \
            for (int at = 0; at < 8; at++) {                                                             \
                uint64_t word;                                                                           \
                memcpy(&word, from + (at * WIDTH) / 8, 8);                                               \
                to[at] = (uint32_t)(word >> ((at * WIDTH) % 8)) & (uint32_t)(((uint64_t)1 << WIDTH) - 1); \
            }                                                                                            \
    }
#define UNPACK(WIDTH) UNPACK_AS(, unpack_##WIDTH, WIDTH) UNPACK_AS(WIDE, unpack_wide_##WIDTH, WIDTH)
UNPACK(1) UNPACK(2) UNPACK(3) UNPACK(4) UNPACK(5) UNPACK(6) UNPACK(7) UNPACK(8) UNPACK(9) UNPACK(10) UNPACK(11)
UNPACK(12) UNPACK(13) UNPACK(14) UNPACK(15) UNPACK(16) UNPACK(17) UNPACK(18) UNPACK(19) UNPACK(20) UNPACK(21)
UNPACK(22) UNPACK(23) UNPACK(24)

#define WIDEST 24
#define UNPACK_ALL(F)                                                                                    \
    {NULL,  F##1,  F##2,  F##3,  F##4,  F##5,  F##6,  F##7,  F##8,  F##9,  F##10, F##11, F##12,          \
     F##13, F##14, F##15, F##16, F##17, F##18, F##19, F##20, F##21, F##22, F##23, F##24}
static void (*const UNPACKERS[2][WIDEST + 1])(const uint8_t *, int64_t, uint32_t *) = {UNPACK_ALL(unpack_),
                                                                                      UNPACK_ALL(unpack_wide_)};

/* Runs of small numbers: one repeated, or groups of eight packed ones. Handed on in pieces of at most BATCH. */
#define BATCH 1024

typedef struct {
    const uint8_t *at, *end;
    int width;
    int64_t repeated, packed; /* what is left of the current run */
    uint32_t value;
} Runs;

/* The next numbers: their count, at most `most`; *same tells whether all of them are to[0]. 0 when there are no more. */
static int64_t next_numbers(Runs *runs, int64_t most, uint32_t *to, int *same)
{
    if (runs->width == 0) {
        to[0] = 0;
        *same = 1;
        return most;
    }
    while (runs->repeated == 0 && runs->packed == 0) {
        int64_t head = varint(&runs->at, runs->end);
        if (head >> 1 <= 0 || head >> 1 > LARGEST_PAGE)
            return 0;
        if (head & 1) {
            runs->packed = (head >> 1) * 8;
        } else {
            int bytes = (runs->width + 7) / 8;
            if (runs->end - runs->at < bytes)
                return 0;
            runs->value = 0;
            for (int byte = 0; byte < bytes; byte++)
                runs->value |= (uint32_t)runs->at[byte] << (8 * byte);
            runs->at += bytes;
            runs->repeated = head >> 1;
        }
    }
    if (runs->repeated) {
        int64_t count = runs->repeated < most ? runs->repeated : most;
        runs->repeated -= count;
        to[0] = runs->value;
        *same = 1;
        return count;
    }
    *same = 0;
    int64_t count = runs->packed < BATCH ? runs->packed : BATCH;
    int64_t bytes = count / 8 * runs->width, there = runs->end - runs->at;
    if (there < bytes + 8) {
        /* Near the end of the page: read from a copy with room behind it. The last group may be cut short. */
        uint8_t copy[BATCH / 8 * WIDEST + 8];
        int64_t kept = there < bytes ? there : bytes;
        if (kept * 8 / runs->width < (count < most ? count : most))
            return 0;
        memset(copy, 0, sizeof copy);
        memcpy(copy, runs->at, (size_t)kept);
        UNPACKERS[wide][runs->width](copy, count / 8, to);
        bytes = kept;
    } else
        UNPACKERS[wide][runs->width](runs->at, count / 8, to);
    runs->at += bytes;
    runs->packed -= count;
    return count < most ? count : most;
}

/* How many of `count` values of a page are there; levels[i] tells it of each, unless all are. -1 when it does not fit. */
static int64_t present(const uint8_t *from, int64_t bytes, int64_t count, uint8_t *levels)
{
    Runs runs = {from, from + bytes, 1, 0, 0, 0};
    uint32_t batch[BATCH];
    int64_t done = 0, there = 0;
    int same;
    while (done < count) {
        int64_t more = next_numbers(&runs, count - done, batch, &same);
        if (more <= 0)
            return -1;
        if (same) {
            if (batch[0] > 1)
                return -1;
            memset(levels + done, (int)batch[0], (size_t)more);
            there += (int64_t)batch[0] * more;
        } else
            for (int64_t at = 0; at < more; at++) {
                levels[done + at] = (uint8_t)batch[at];
                there += batch[at];
            }
        done += more;
    }
    return there;
}

/* Entries of a dictionary by their places, which are all places[0] where they are the same. */
#define COPIED_AS(HOW, NAME, TYPE)                                                                                   \
    HOW static void NAME(TYPE *values, const TYPE *known, const uint32_t *places, int64_t count, int same)           \
    {                                                                                                                \
        if (same)                                                                                                    \
            for (int64_t at = 0; at < count; at++)                                                                   \
                values[at] = known[places[0]];                                                                       \
        else                                                                                                         \
            for (int64_t at = 0; at < count; at++)                                                                   \
                values[at] = known[places[at]];                                                                      \
    }
#define COPIED(NAME, TYPE) COPIED_AS(, NAME, TYPE) COPIED_AS(WIDE, NAME##_wide, TYPE)
COPIED(copied_4, uint32_t)
COPIED(copied_8, uint64_t)

#define LARGEST_AS(HOW, NAME)                                                                                        \
    HOW static int32_t NAME(const uint32_t *places, int64_t count)                                                   \
    {                                                                                                                \
        int32_t last = (int32_t)places[0];                                                                           \
        for (int64_t at = 1; at < count; at++)                                                                       \
            last = (int32_t)places[at] > last ? (int32_t)places[at] : last;                                          \
        return last;                                                                                                 \
    }
LARGEST_AS(, largest)
LARGEST_AS(WIDE, largest_wide)

/* Places in the dictionary to values; 0 when one lies behind its end. */
static int looked_up(const uint8_t *from, int64_t bytes, int64_t count, int64_t size, const void *dictionary,
                     int64_t entries, void *to)
{
    if (count == 0)
        return 1;
    if (bytes < 1 || from[0] > WIDEST)
        return 0;
    Runs runs = {from + 1, from + bytes, from[0], 0, 0, 0};
    uint32_t batch[BATCH];
    int64_t done = 0;
    int same;
    while (done < count) {
        int64_t more = next_numbers(&runs, count - done, batch, &same);
        if (more <= 0)
            return 0;
        /* Places have at most 24 bits; of signed numbers any processor finds the largest, some at a time. */
        if ((wide ? largest_wide : largest)(batch, same ? 1 : more) >= entries)
            return 0;
        if (size == 4)
            (wide ? copied_4_wide : copied_4)((uint32_t *)to + done, dictionary, batch, more, same);
        else
            (wide ? copied_8_wide : copied_8)((uint64_t *)to + done, dictionary, batch, more, same);
        done += more;
    }
    return 1;
}

/* Move the values that are there to their places, from the back; the others become NaN. */
static void spread(void *values, int64_t size, int64_t count, int64_t there, const uint8_t *levels)
{
    if (size == 4) {
        float *numbers = values;
        for (int64_t at = count; at-- > 0;)
            numbers[at] = levels[at] ? numbers[--there] : (float)NAN;
    } else {
        double *numbers = values;
        for (int64_t at = count; at-- > 0;)
            numbers[at] = levels[at] ? numbers[--there] : (double)NAN;
    }
}

/* What is told of the numbers of a column: the smallest, the largest, and 1 where some may be missing. */
enum { E_LOW, E_HIGH, E_BLANK, E_FIELDS };

/* Takes up some numbers, two vectors of 16 bytes at a time (extensions of GCC and Clang). */
#define ENDS(TYPE, WHOLE)                                                                                \
    typedef TYPE Vector_##TYPE __attribute__((vector_size(16)));                                         \
    typedef WHOLE Bits_##TYPE __attribute__((vector_size(16)));                                          \
    static void ends_##TYPE(const TYPE *values, int64_t count, double *ends)                             \
    {                                                                                                    \
        enum { LANES = 16 / sizeof(TYPE), BOTH = 2 };                                                    \
        Vector_##TYPE low[BOTH], high[BOTH];                                                             \
        Bits_##TYPE blank = {0};                                                                         \
        for (int half = 0; half < BOTH; half++) {                                                        \
            low[half] = (Vector_##TYPE){0} + (TYPE)INFINITY;                                             \
            high[half] = (Vector_##TYPE){0} - (TYPE)INFINITY;                                            \
        }                                                                                                \
        int64_t at = 0;                                                                                  \
        for (; at + BOTH * LANES <= count; at += BOTH * LANES)                                           \
            for (int half = 0; half < BOTH; half++) {                                                    \
                Vector_##TYPE some;                                                                      \
                memcpy(&some, values + at + half * LANES, sizeof some);                                  \
                Bits_##TYPE less = some < low[half], more = some > high[half];                           \
                blank |= some != some;                                                                   \
                low[half] = (Vector_##TYPE)((less & (Bits_##TYPE)some) | (~less & (Bits_##TYPE)low[half])); \
                high[half] = (Vector_##TYPE)((more & (Bits_##TYPE)some) | (~more & (Bits_##TYPE)high[half])); \
            }                                                                                            \
        for (int lane = 0; lane < BOTH * LANES; lane++) {                                                \
            double least = low[lane / LANES][lane % LANES], most = high[lane / LANES][lane % LANES];     \
            ends[E_LOW] = least < ends[E_LOW] ? least : ends[E_LOW];                                     \
            ends[E_HIGH] = most > ends[E_HIGH] ? most : ends[E_HIGH];                                    \
            ends[E_BLANK] = blank[lane % LANES] ? 1 : ends[E_BLANK];                                     \
        }                                                                                                \
        for (; at < count; at++) {                                                                       \
            ends[E_LOW] = values[at] < ends[E_LOW] ? values[at] : ends[E_LOW];                           \
            ends[E_HIGH] = values[at] > ends[E_HIGH] ? values[at] : ends[E_HIGH];                        \
            ends[E_BLANK] = values[at] != values[at] ? 1 : ends[E_BLANK];                                \
        }                                                                                                \
    }
ENDS(float, int32_t)
ENDS(double, int64_t)

static void look_at(const Column *column, const void *values, int64_t count, double *ends)
{
    if (column->type == FLOAT)
        ends_float(values, count, ends);
    else if (!column->whole)
        ends_double(values, count, ends);
}

typedef struct {
    void *memory;
    size_t size;
} Scratch;

static void *room(Scratch *scratch, int64_t size)
{
    if (scratch->size < (size_t)size) {
        free(scratch->memory);
        scratch->memory = malloc((size_t)size);
        scratch->size = scratch->memory == NULL ? 0 : (size_t)size;
    }
    return scratch->memory;
}

typedef struct {
    Scratch body, dictionary, levels, values;
    int64_t entries; /* of the dictionary of the chunk at hand; -1 without one */
    int told;        /* whether its entries say enough of all that is looked up in it */
    double far;      /* numbers nearer to zero are never odd */
} Work;

/* Reasons to give up, told by pages.py. */
enum { FINE = 0, BROKEN = -1, NULL_STAMP = -2, NO_MEMORY = -3 };

typedef struct {
    const int64_t *page;
    const uint8_t *raw;        /* the page as it stands in the file */
    const uint8_t *unpacked;   /* its packed part unpacked, by a library; NULL when there was nothing for it to do */
    int64_t unpacked_size;
} Page;

/* The part of a page behind version 2's levels, unpacked. */
static int body_of(const Page *page, const Column *column, Work *work, const uint8_t **body, int64_t *size)
{
    const int64_t *field = page->page;
    int64_t levels = field[P_LEVELS];
    if (page->unpacked != NULL) {
        *body = page->unpacked;
        *size = page->unpacked_size;
        return page->unpacked_size == field[P_UNPACKED] - levels ? FINE : BROKEN;
    }
    *body = page->raw + levels;
    *size = field[P_SIZE] - levels;
    if (column->codec == SNAPPY && field[P_PACKED] && *size > 0) {
        int64_t wanted = field[P_UNPACKED] - levels;
        uint8_t *scratch = room(&work->body, wanted + 1);
        if (scratch == NULL)
            return NO_MEMORY;
        if (!unsnappy(*body, *size, scratch, wanted))
            return BROKEN;
        *body = scratch;
        *size = wanted;
    }
    return FINE;
}

/* Where no entry can be odd, what is told of the column takes up the dictionary, which has few, instead of the values. */
static int dictionary_page(const Page *page, const Column *column, Work *work, double *ends)
{
    const uint8_t *body;
    int64_t size, count = page->page[P_VALUES], encoding = page->page[P_ENCODING];
    int state = body_of(page, column, work, &body, &size);
    if (state != FINE)
        return state;
    if ((encoding != PLAIN && encoding != PLAIN_DICTIONARY) || work->entries >= 0 || count > size)
        return BROKEN;
    void *entries = room(&work->dictionary, count * 8 + 8);
    if (entries == NULL)
        return NO_MEMORY;
    if (!plain(body, size, count, column, entries))
        return BROKEN;
    work->entries = count;
    double mine[E_FIELDS] = {INFINITY, -INFINITY, 0};
    look_at(column, entries, count, mine);
    work->told = mine[E_LOW] > -work->far && mine[E_HIGH] < work->far;
    if (work->told) {
        ends[E_LOW] = mine[E_LOW] < ends[E_LOW] ? mine[E_LOW] : ends[E_LOW];
        ends[E_HIGH] = mine[E_HIGH] > ends[E_HIGH] ? mine[E_HIGH] : ends[E_HIGH];
        ends[E_BLANK] = mine[E_BLANK] != 0 ? 1 : ends[E_BLANK];
    }
    return FINE;
}

/* Where the rows of a group go: `count` of them from row `from` on to place `to` of the row of each column. */
typedef struct {
    int64_t to, from, count;
} Move;

typedef struct {
    const Move *moves;
    int64_t count;
} Moves;

/* The move that takes all of some rows; NULL when there is none. */
static const Move *move_of(const Moves *moves, int64_t row, int64_t count)
{
    for (int64_t at = 0; at < moves->count; at++) {
        const Move *move = &moves->moves[at];
        if (row >= move->from && row + count <= move->from + move->count)
            return move;
    }
    return NULL;
}

static int data_page(const Page *page, const Column *column, Work *work, uint8_t *target, const Moves *moves,
                     double *ends)
{
    const int64_t *field = page->page;
    const uint8_t *body, *levels = page->raw;
    int64_t size, count = field[P_VALUES], there = count, level_bytes = field[P_LEVELS], width = width_of(column);
    uint8_t *flags = NULL;
    int state = body_of(page, column, work, &body, &size);
    if (state != FINE)
        return state;
    if (column->optional) {
        if (field[P_KIND] == DATA) {
            uint32_t length;
            if (size < 4)
                return BROKEN;
            memcpy(&length, body, 4);
            if ((int64_t)length > size - 4)
                return BROKEN;
            levels = body + 4;
            level_bytes = length;
            body += 4 + length;
            size -= 4 + length;
        }
        flags = room(&work->levels, count);
        if (flags == NULL)
            return NO_MEMORY;
        there = present(levels, level_bytes, count, flags);
        if (there < 0)
            return BROKEN;
        if (there < count && column->whole)
            return NULL_STAMP;
    } else if (level_bytes)
        return BROKEN;
    /* A page that is not taken in one piece is laid beside its places first. */
    int64_t row = field[P_ROW];
    const Move *whole = move_of(moves, row, count);
    uint8_t *values = whole ? target + (whole->to + row - whole->from) * width : room(&work->values, count * width);
    if (values == NULL)
        return NO_MEMORY;
    int untold = field[P_ENCODING] == PLAIN || !work->told;
    if (field[P_ENCODING] == PLAIN) {
        if (!plain(body, size, there, column, values))
            return BROKEN;
    } else if (work->entries < 0 || (field[P_ENCODING] != RLE_DICTIONARY && field[P_ENCODING] != PLAIN_DICTIONARY) ||
               !looked_up(body, size, there, width, work->dictionary.memory, work->entries, values))
        return BROKEN;
    if (there < count) {
        spread(values, width, count, there, flags);
        ends[E_BLANK] = 1;
    }
    if (whole) {
        if (untold)
            look_at(column, values, count, ends);
        return FINE;
    }
    for (int64_t at = 0; at < moves->count; at++) {
        const Move *move = &moves->moves[at];
        int64_t first = row > move->from ? row : move->from, last = move->from + move->count;
        last = row + count < last ? row + count : last;
        if (first >= last)
            continue;
        uint8_t *place = target + (move->to + first - move->from) * width;
        memcpy(place, values + (first - row) * width, (size_t)((last - first) * width));
        if (untold)
            look_at(column, place, last - first, ends);
    }
    return FINE;
}

/* All pages in turn; the number of the chunk where it stopped is left in *chunk. */
static int laid(Page *pages, int64_t count, const Column *columns, const Py_buffer *rows, const Moves *moves, double *ends,
                double far, int64_t *chunk)
{
    Work work = {{NULL, 0}, {NULL, 0}, {NULL, 0}, {NULL, 0}, -1, 0, far};
    int state = FINE;
    *chunk = -1;
    for (int64_t at = 0; at < count && state == FINE; at++) {
        int64_t number = pages[at].page[P_CHUNK];
        if (number != *chunk) {
            work.entries = -1;
            work.told = 0;
        }
        *chunk = number;
        double *mine = ends + E_FIELDS * number;
        state = pages[at].page[P_KIND] == DICTIONARY
                    ? dictionary_page(&pages[at], &columns[number], &work, mine)
                    : data_page(&pages[at], &columns[number], &work, rows[number].buf, moves, mine);
    }
    free(work.body.memory);
    free(work.dictionary.memory);
    free(work.levels.memory);
    free(work.values.memory);
    return state;
}

/* Whether the pages lie in the data, their chunks are among the columns, and what is moved has a place in each row. */
static int fits(const int64_t *index, int64_t count, int64_t bytes, const Column *columns, const Py_buffer *rows,
                int64_t chunks, const Moves *moves)
{
    for (int64_t at = 0; at < chunks; at++) {
        int64_t type = columns[at].type, space = (int64_t)rows[at].len / width_of(&columns[at]);
        if (type != INT32 && type != INT64 && type != FLOAT && type != DOUBLE)
            return 0;
        for (int64_t number = 0; number < moves->count; number++) {
            const Move *move = &moves->moves[number];
            if (move->to < 0 || move->from < 0 || move->count < 0 || move->to > space || move->count > space - move->to ||
                move->from > INT64_MAX - move->count)
                return 0;
        }
    }
    for (int64_t at = 0; at < count; at++) {
        const int64_t *page = index + P_FIELDS * at;
        if (page[P_CHUNK] < 0 || page[P_CHUNK] >= chunks || page[P_PLACE] < 0 || page[P_SIZE] < 0 ||
            page[P_PLACE] > bytes || page[P_SIZE] > bytes - page[P_PLACE] || page[P_LEVELS] < 0 ||
            page[P_LEVELS] > page[P_SIZE] || page[P_VALUES] < 0 || page[P_VALUES] > LARGEST_PAGE ||
            page[P_UNPACKED] < page[P_LEVELS] || page[P_UNPACKED] > LARGEST_PAGE || page[P_ROW] < 0 ||
            page[P_ROW] > INT64_MAX - LARGEST_PAGE)
            return 0;
    }
    return 1;
}

/* Buffers of the items of a list, for None an empty one; how many, or -1 with an error set. */
static Py_ssize_t buffers_of(PyObject *list, Py_buffer *buffers, int flags)
{
    Py_ssize_t count = PyList_Size(list);
    for (Py_ssize_t at = 0; at < count; at++) {
        PyObject *item = PyList_GetItem(list, at);
        if (item != NULL && item != Py_None && PyObject_GetBuffer(item, &buffers[at], flags) == 0)
            continue;
        if (item == Py_None && flags == PyBUF_SIMPLE)
            continue;
        if (!PyErr_Occurred())
            PyErr_SetString(PyExc_ValueError, "a row is missing");
        while (at-- > 0)
            PyBuffer_Release(&buffers[at]);
        return -1;
    }
    return count;
}

static PyObject *lay(PyObject *module, PyObject *args)
{
    Py_buffer data, index, columns, ends, moved;
    PyObject *unpacked, *targets;
    double far;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*y*O!y*O!y*w*d", &data, &index, &PyList_Type, &unpacked, &columns, &PyList_Type,
                          &targets, &moved, &ends, &far))
        return NULL;
    Py_ssize_t count = index.len / (P_FIELDS * (Py_ssize_t)sizeof(int64_t));
    Py_ssize_t chunks = columns.len / (Py_ssize_t)sizeof(Column), bodies_held = -1, rows_held = -1;
    Moves moves = {moved.buf, moved.len / (Py_ssize_t)sizeof(Move)};
    int64_t chunk = -1;
    int state = FINE;
    Page *pages = calloc((size_t)count + 1, sizeof *pages);
    Py_buffer *bodies = calloc((size_t)count + 1, sizeof *bodies), *rows = calloc((size_t)chunks + 1, sizeof *rows);
    int fine = pages != NULL && bodies != NULL && rows != NULL && PyList_Size(unpacked) == count &&
               PyList_Size(targets) == chunks && ends.len == E_FIELDS * chunks * (Py_ssize_t)sizeof(double);
    if (fine) {
        bodies_held = buffers_of(unpacked, bodies, PyBUF_SIMPLE);
        rows_held = bodies_held < 0 ? -1 : buffers_of(targets, rows, PyBUF_WRITABLE);
        fine = rows_held >= 0 && fits(index.buf, count, data.len, columns.buf, rows, chunks, &moves);
    }
    if (fine) {
        for (Py_ssize_t at = 0; at < count; at++) {
            const int64_t *page = (const int64_t *)index.buf + P_FIELDS * at;
            pages[at] = (Page){page, (const uint8_t *)data.buf + page[P_PLACE], bodies[at].buf, bodies[at].len};
        }
        Py_BEGIN_ALLOW_THREADS
        state = laid(pages, count, columns.buf, rows, &moves, ends.buf, far, &chunk);
        Py_END_ALLOW_THREADS
    } else if (!PyErr_Occurred())
        PyErr_SetString(PyExc_ValueError, "sizes of the buffers do not fit");
    while (bodies_held > 0)
        PyBuffer_Release(&bodies[--bodies_held]);
    while (rows_held > 0)
        PyBuffer_Release(&rows[--rows_held]);
    free(pages);
    free(bodies);
    free(rows);
    PyBuffer_Release(&data);
    PyBuffer_Release(&index);
    PyBuffer_Release(&columns);
    PyBuffer_Release(&moved);
    PyBuffer_Release(&ends);
    if (PyErr_Occurred())
        return NULL;
    if (state == NO_MEMORY)
        return PyErr_NoMemory();
    return Py_BuildValue("iL", state, (long long)chunk);
}

/* Choose the form for processors that take more at once, where this is one; whether it was chosen before. For tests. */
static PyObject *use_wide(PyObject *module, PyObject *choice)
{
    (void)module;
    int chosen = PyObject_IsTrue(choice), before = wide;
    if (chosen < 0)
        return NULL;
    wide = chosen && WIDE_HERE;
    return PyBool_FromLong(before);
}

static PyMethodDef methods[] = {
    {"use_wide", use_wide, METH_O, "Choose between two forms that do the same."},
    {"lay", lay, METH_VARARGS, "Numbers of pages into rows of a buffer; see pages.py."},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef definition = {
    PyModuleDef_HEAD_INIT, "_pages", "Compiled half of pages.py.", 0, methods, NULL, NULL, NULL, NULL,
};

PyMODINIT_FUNC PyInit__pages(void)
{
    wide = WIDE_HERE;
    PyObject *module = PyModule_Create(&definition);
    if (module != NULL && PyModule_AddIntConstant(module, "VERSION", VERSION) < 0) {
        Py_DECREF(module);
        return NULL;
    }
    return module;
}
