/* Numbers of delimited text, straight into the rows of a buffer: one look at every byte, no interpreter lock.
 *
 * Only what is plainly a number or plainly blank is taken. Whatever else stands in the text (quotes, words, thousands
 * marks, more cells than the header has) makes parse() give up, and the library and pqcheck/io/csv/csv_decoder.py
 * decide, so that no rule about odd cells is written twice.
 *
 * Values are correctly rounded, bit for bit those of Python's float(): up to 2^53 and powers of ten up to 22 a single
 * division or multiplication is exact (Clinger, PLDI 1990, 92-101), all others by a product with a 128-bit power of
 * five (Lemire, Software: Practice and Experience 51 (2021) 1700-1727), whose table comes from compiled_numbers.py.
 */
#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030b0000
#include <Python.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#if !defined(__SIZEOF_INT128__) || __BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__
#error "needs 128-bit integers and a little-endian machine; without this module the library reads the text"
#endif

#define VERSION 4
#define LOWEST_POWER (-64)
#define HIGHEST_POWER 64

static const double POWERS[23] = {
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
    1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
};

#define INLINE static inline __attribute__((always_inline))

/* The loop over all cells is compiled twice: for any processor, and for those that find bits in fewer steps, which nearly
 * all do. Which form is used is decided when the module is loaded; both do the same. */
#if defined(__x86_64__)
#define WIDE __attribute__((target("bmi,bmi2")))
#define WIDE_HERE (__builtin_cpu_init(), __builtin_cpu_supports("bmi") && __builtin_cpu_supports("bmi2"))
#else
#define WIDE
#define WIDE_HERE 0
#endif
static int wide;

typedef struct {
    char delimiter, decimal;
    const uint64_t *fives; /* high and low half of the powers of five, LOWEST_POWER .. HIGHEST_POWER */
    Py_ssize_t blanks;
    const char *blank[32];
    Py_ssize_t blank_size[32];
} Style;

/* mantissa x 10^power, correctly rounded; 0 when it is too large, too small or out of the table. */
static int rounded(uint64_t mantissa, int64_t power, const uint64_t *fives, double *value)
{
    if (mantissa == 0) {
        *value = 0.0;
        return 1;
    }
    if (power < LOWEST_POWER || power > HIGHEST_POWER)
        return 0;
    int shift = __builtin_clzll(mantissa);
    uint64_t wide = mantissa << shift;
    const uint64_t *five = fives + 2 * (power - LOWEST_POWER);
    unsigned __int128 product = (unsigned __int128)wide * five[0];
    uint64_t high = (uint64_t)(product >> 64), low = (uint64_t)product;
    if ((high & 0x1FF) == 0x1FF) {
        uint64_t more = (uint64_t)(((unsigned __int128)wide * five[1]) >> 64);
        low += more;
        high += low < more;
    }
    int upper = (int)(high >> 63);
    uint64_t bits = high >> (upper + 9);
    int64_t exponent = ((217706 * power) >> 16) + 63 + upper - shift + 1023;
    if (exponent <= 0 || exponent >= 2046)
        return 0;
    /* Just half way between two numbers: the even one. */
    if (low <= 1 && power >= -4 && power <= 23 && (bits & 3) == 1 && bits << (upper + 9) == high)
        bits &= ~(uint64_t)1;
    bits += bits & 1;
    bits >>= 1;
    if (bits >= (uint64_t)2 << 52) {
        bits = (uint64_t)1 << 52;
        exponent++;
    }
    bits = (bits & ~((uint64_t)1 << 52)) | (uint64_t)exponent << 52;
    memcpy(value, &bits, sizeof bits);
    return 1;
}

/* The number that begins at `at`; NULL when none does or it has too many digits. Text always ends with a line feed. */
static inline const char *number(const char *at, const Style *style, double *value)
{
    const char decimal = style->decimal;
    int negative = *at == '-';
    at += negative || *at == '+';
    const char *begin = at;
    uint64_t mantissa = 0;
    unsigned digit;
    while ((digit = (unsigned)(unsigned char)*at - '0') <= 9) {
        mantissa = mantissa * 10 + digit;
        at++;
    }
    Py_ssize_t digits = at - begin;
    int64_t power = 0;
    if (*at == decimal) {
        const char *fraction = ++at;
        while ((digit = (unsigned)(unsigned char)*at - '0') <= 9) {
            mantissa = mantissa * 10 + digit;
            at++;
        }
        power = fraction - at;
        digits -= power;
    }
    if (digits == 0)
        return NULL;
    if (digits > 19) {
        /* Zeros in front are no digits. */
        for (const char *front = begin; *front == '0' || *front == decimal; front++)
            digits -= *front == '0';
        if (digits > 19)
            return NULL;
    }
    if ((*at | 0x20) == 'e') {
        at++;
        int down = *at == '-';
        at += down || *at == '+';
        const char *first = at;
        int64_t tens = 0;
        while ((digit = (unsigned)(unsigned char)*at - '0') <= 9) {
            if (at - first > 4)
                return NULL;
            tens = tens * 10 + digit;
            at++;
        }
        if (at == first)
            return NULL;
        power += down ? -tens : tens;
    }
    double found;
    if (mantissa >> 53 == 0 && power <= 0 && power >= -22)
        found = (double)mantissa / POWERS[-power];
    else if (mantissa >> 53 == 0 && power > 0 && power <= 22)
        found = (double)mantissa * POWERS[power];
    else if (!rounded(mantissa, power, style->fives, &found))
        return NULL;
    *value = negative ? -found : found;
    return at;
}

/* The same for what most cells are: digits with one decimal mark, less than eight bytes with what ends them.
 *
 * All eight bytes at once, without a branch that depends on how many digits there are. NULL = look at it by number(). */
INLINE const char *short_number(const char *at, const Style *style, double *value)
{
    uint64_t text;
    memcpy(&text, at, sizeof text);
    uint64_t digits = text ^ 0x3030303030303030u;
    uint64_t others = (((digits & 0x7F7F7F7F7F7F7F7Fu) + 0x7676767676767676u) | digits) & 0x8080808080808080u;
    uint64_t behind = others & (others - 1);
    if (behind == 0)
        return NULL;
    int mark = __builtin_ctzll(others) & 56, end = __builtin_ctzll(behind) & 56;
    if ((char)(text >> mark) != style->decimal || end <= 8)
        return NULL;
    uint64_t front = ((uint64_t)1 << mark) - 1;
    uint64_t joined = ((digits & front) | ((digits >> 8) & ~front)) << (72 - end);
    joined = joined * 10 + (joined >> 8);
    joined = ((joined & 0x000000FF000000FFu) * 0x000F424000000064u +
              ((joined >> 16) & 0x000000FF000000FFu) * 0x0000271000000001u) >> 32;
    *value = (double)(uint32_t)joined / POWERS[(end - mark - 8) >> 3];
    return at + (end >> 3);
}

/* Past the blanks and the sign for "no value" of a cell without a number; NULL when it holds something else. */
static const char *nothing(const char *at, const Style *style)
{
    const char *begin = at;
    while (*at != style->delimiter && *at != '\n')
        at++;
    const char *end = at;
    while (end > begin && (end[-1] == ' ' || end[-1] == '\r'))
        end--;
    while (begin < end && *begin == ' ')
        begin++;
    if (begin == end)
        return at;
    for (Py_ssize_t sign = 0; sign < style->blanks; sign++)
        if (style->blank_size[sign] == end - begin && memcmp(style->blank[sign], begin, (size_t)(end - begin)) == 0)
            return at;
    return NULL;
}

/* `count` rows of the text from row `from` on go to place `to` of the row of each column; other rows go nowhere. */
typedef struct {
    int64_t to, from, count;
} Move;

/* The extremes of a column. */
enum { T_TOP, T_BOTTOM, T_FIELDS };

typedef struct {
    const int32_t *targets; /* number of the row for each column of the text, or -1 */
    Py_ssize_t columns;
    double **out;
    double *extremes;
    const Move *moves;
    Py_ssize_t moved;
} Places;

/* Rows parsed, or -1. */
INLINE Py_ssize_t fill_in(const char *at, const char *end, Py_ssize_t rows, const Places *places, const Style *style)
{
    const int32_t *targets = places->targets;
    const Py_ssize_t columns = places->columns;
    const Move *move = places->moves, *last = move + places->moved;
    double **out = places->out;
    const double blank = __builtin_nan("");
    const char *quick = end - 8;
    /* A quoted cell may hold delimiters and line feeds. */
    if (memchr(at, '"', (size_t)(end - at)) != NULL)
        return -1;
    Py_ssize_t row = 0;
    for (; at < end; row++) {
        if (row == rows)
            return -1;
        while (move < last && row >= move->from + move->count)
            move++;
        const Py_ssize_t place = move < last && row >= move->from ? (Py_ssize_t)(move->to + row - move->from) : -1;
        Py_ssize_t column = 0;
        for (;; column++, at++) {
            if (column == columns) {
                /* Beyond the header: blank cells only. */
                at = nothing(at, style);
                if (at == NULL)
                    return -1;
                if (*at == '\n')
                    break;
                column--;
                continue;
            }
            int32_t target = targets[column];
            if (target < 0) {
                while (*at != style->delimiter && *at != '\n')
                    at++;
            } else {
                double value = blank, *extremes = places->extremes + T_FIELDS * target;
                const char *next = at;
                if (*at != style->delimiter) {
                    next = at < quick ? short_number(at, style, &value) : NULL;
                    if (next == NULL || (*next != style->delimiter && *next != '\n'))
                        next = number(at, style, &value);
                }
                if (next != NULL && *next != style->delimiter && *next != '\n') {
                    /* Blanks behind the number, or the return of a line that ends with one. */
                    while (*next == ' ' || *next == '\r')
                        next++;
                    if (*next != style->delimiter && *next != '\n')
                        return -1;
                }
                if (next == NULL) {
                    while (*at == ' ')
                        at++;
                    next = number(at, style, &value);
                    if (next != NULL) {
                        while (*next == ' ' || *next == '\r')
                            next++;
                        if (*next != style->delimiter && *next != '\n')
                            return -1;
                    } else {
                        value = blank;
                        next = nothing(at, style);
                        if (next == NULL)
                            return -1;
                    }
                }
                at = next;
                if (place >= 0)
                    out[target][place] = value;
                if (value > extremes[T_TOP])
                    extremes[T_TOP] = value;
                if (value < extremes[T_BOTTOM])
                    extremes[T_BOTTOM] = value;
            }
            if (*at == '\n')
                break;
        }
        at++;
        /* What a short line lacks is blank. */
        for (column++; column < columns; column++)
            if (targets[column] >= 0 && place >= 0)
                out[targets[column]][place] = blank;
    }
    return row;
}

static Py_ssize_t fill(const char *at, const char *end, Py_ssize_t rows, const Places *places, const Style *style)
{
    return fill_in(at, end, rows, places, style);
}

WIDE static Py_ssize_t fill_wide(const char *at, const char *end, Py_ssize_t rows, const Places *places, const Style *style)
{
    return fill_in(at, end, rows, places, style);
}

/* Whether moves are in the order of the text, and their places lie in rows of `room` values. */
static int in_order(const Move *moves, Py_ssize_t count, int64_t room)
{
    int64_t from = 0;
    for (Py_ssize_t at = 0; at < count; at++) {
        const Move *move = &moves[at];
        if (move->from < from || move->count < 0 || move->to < 0 || move->to > room || move->count > room - move->to ||
            move->from > INT64_MAX - move->count)
            return 0;
        from = move->from + move->count;
    }
    return 1;
}

/* Buffers of the rows, and the length of the shortest in values; how many, fewer with an error set. */
static Py_ssize_t rows_of(PyObject *list, Py_ssize_t count, Py_buffer *buffers, double **out, int64_t *room)
{
    *room = INT64_MAX;
    for (Py_ssize_t at = 0; at < count; at++) {
        if (PyObject_GetBuffer(PyList_GetItem(list, at), &buffers[at], PyBUF_WRITABLE) < 0)
            return at;
        int64_t length = buffers[at].len / (Py_ssize_t)sizeof(double);
        *room = length < *room ? length : *room;
        out[at] = buffers[at].buf;
    }
    return count;
}

static PyObject *parse(PyObject *module, PyObject *args)
{
    Py_buffer data, targets, extremes, fives, moves;
    Py_ssize_t rows;
    int delimiter, decimal;
    PyObject *blanks, *list;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*ny*O!y*w*iiy*O!", &data, &rows, &targets, &PyList_Type, &list, &moves, &extremes, &delimiter,
                          &decimal, &fives, &PyTuple_Type, &blanks))
        return NULL;
    Style style = {(char)delimiter, (char)decimal, fives.buf, PyTuple_Size(blanks), {NULL}, {0}};
    Py_ssize_t columns = targets.len / (Py_ssize_t)sizeof(int32_t), wanted = PyList_Size(list), held = 0, found = -1;
    const int32_t *target = targets.buf;
    const char *text = data.buf;
    int64_t room = 0;
    double **out = malloc(sizeof(double *) * (size_t)(wanted + 1));
    Py_buffer *buffers = malloc(sizeof(Py_buffer) * (size_t)(wanted + 1));
    Places places = {target, columns, out, extremes.buf, moves.buf, moves.len / (Py_ssize_t)sizeof(Move)};
    int sound = style.blanks <= 32 && data.len > 0 && text[data.len - 1] == '\n' && rows >= 0 &&
                extremes.len == T_FIELDS * wanted * (Py_ssize_t)sizeof(double) &&
                fives.len == 2 * (HIGHEST_POWER - LOWEST_POWER + 1) * (Py_ssize_t)sizeof(uint64_t);
    for (Py_ssize_t column = 0; sound && column < columns; column++)
        sound = target[column] < wanted;
    for (Py_ssize_t sign = 0; sound && sign < style.blanks; sign++) {
        char *bytes;
        sound = PyBytes_AsStringAndSize(PyTuple_GetItem(blanks, sign), &bytes, &style.blank_size[sign]) == 0;
        style.blank[sign] = bytes;
    }
    if (out == NULL || buffers == NULL)
        PyErr_NoMemory();
    else if (sound)
        held = rows_of(list, wanted, buffers, out, &room);
    sound = sound && !PyErr_Occurred() && in_order(places.moves, places.moved, room);
    if (sound) {
        Py_BEGIN_ALLOW_THREADS
        found = (wide ? fill_wide : fill)(text, text + data.len, rows, &places, &style);
        Py_END_ALLOW_THREADS
    } else if (!PyErr_Occurred()) {
        PyErr_SetString(PyExc_ValueError, "sizes of the buffers do not fit, or the text does not end with a line feed");
    }
    while (held > 0)
        PyBuffer_Release(&buffers[--held]);
    free(out);
    free(buffers);
    PyBuffer_Release(&data);
    PyBuffer_Release(&targets);
    PyBuffer_Release(&extremes);
    PyBuffer_Release(&fives);
    PyBuffer_Release(&moves);
    return PyErr_Occurred() ? NULL : PyLong_FromSsize_t(found);
}

/* Begin, end and number of every line that is not empty, ends without "\r"; the lines in all, or -1 when there are
 * more filled ones than fit. The end of an unfinished last line counts as one. */
static Py_ssize_t split(const char *text, Py_ssize_t first, Py_ssize_t size, int64_t *starts, int64_t *ends,
                        int64_t *numbers, Py_ssize_t room, Py_ssize_t *filled)
{
    Py_ssize_t line = 0, found = 0;
    for (Py_ssize_t at = first; at < size; line++) {
        const char *feed = memchr(text + at, '\n', (size_t)(size - at));
        Py_ssize_t stop = feed == NULL ? size : feed - text;
        Py_ssize_t end = stop > at && text[stop - 1] == '\r' ? stop - 1 : stop;
        if (end > at) {
            if (found == room)
                return -1;
            starts[found] = at;
            ends[found] = end;
            numbers[found++] = line;
        }
        at = stop + 1;
    }
    *filled = found;
    return line;
}

static PyObject *lines(PyObject *module, PyObject *args)
{
    Py_buffer data, starts, ends, numbers;
    Py_ssize_t first, filled = 0;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*nw*w*w*", &data, &first, &starts, &ends, &numbers))
        return NULL;
    Py_ssize_t found = -1, room = starts.len / (Py_ssize_t)sizeof(int64_t);
    if (first < 0 || starts.len != ends.len || starts.len != numbers.len) {
        PyErr_SetString(PyExc_ValueError, "sizes of the buffers do not fit");
    } else {
        Py_BEGIN_ALLOW_THREADS
        found = split(data.buf, first, data.len, starts.buf, ends.buf, numbers.buf, room, &filled);
        Py_END_ALLOW_THREADS
    }
    PyBuffer_Release(&data);
    PyBuffer_Release(&starts);
    PyBuffer_Release(&ends);
    PyBuffer_Release(&numbers);
    return PyErr_Occurred() ? NULL : Py_BuildValue("nn", found, filled);
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
    {"lines", lines, METH_VARARGS, "Begin, end and number of the lines of a text; see compiled_numbers.py."},
    {"parse", parse, METH_VARARGS, "Numbers of whole lines into rows of a buffer; see compiled_numbers.py."},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef definition = {
    PyModuleDef_HEAD_INIT, "_numbers", "Compiled half of compiled_numbers.py.", 0, methods, NULL, NULL, NULL, NULL,
};

PyMODINIT_FUNC PyInit__numbers(void)
{
    wide = WIDE_HERE;
    PyObject *module = PyModule_Create(&definition);
    if (module != NULL && PyModule_AddIntConstant(module, "VERSION", VERSION) < 0) {
        Py_DECREF(module);
        return NULL;
    }
    return module;
}
