/* Numbers of delimited text, straight into the rows of a buffer: one look at every byte, no interpreter lock.
 *
 * Only what is plainly a number or plainly blank is taken. Whatever else stands in the text (quotes, words, thousands
 * marks, more cells than the header has) makes parse() give up, and the library and pqcheck/readers/csv_decode.py
 * decide, so that no rule about odd cells is written twice.
 *
 * Values are correctly rounded, bit for bit those of Python's float(): up to 2^53 and powers of ten up to 22 a single
 * division or multiplication is exact (Clinger, PLDI 1990, 92-101), all others by a product with a 128-bit power of
 * five (Lemire, Software: Practice and Experience 51 (2021) 1700-1727), whose table comes from numbers.py.
 */
#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030b0000
#include <Python.h>
#include <stdint.h>
#include <string.h>

#if !defined(__SIZEOF_INT128__) || __BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__
#error "needs 128-bit integers and a little-endian machine; without this module the library reads the text"
#endif

#define VERSION 1
#define LOWEST_POWER (-64)
#define HIGHEST_POWER 64

static const double POWERS[23] = {
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
    1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
};

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
static inline const char *short_number(const char *at, const Style *style, double *value)
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

/* Rows parsed, or -1. `targets` gives the row of `out` for each of `columns` columns, or -1. */
static Py_ssize_t fill(const char *at, const char *end, Py_ssize_t rows, const int32_t *targets, Py_ssize_t columns,
                       double *out, Py_ssize_t stride, double *tops, double *bottoms, const Style *style)
{
    const double blank = __builtin_nan("");
    const char *quick = end - 8;
    /* A quoted cell may hold delimiters and line feeds. */
    if (memchr(at, '"', (size_t)(end - at)) != NULL)
        return -1;
    Py_ssize_t row = 0;
    for (; at < end; row++) {
        if (row == rows)
            return -1;
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
                double value = blank;
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
                out[target * stride + row] = value;
                if (value > tops[target])
                    tops[target] = value;
                if (value < bottoms[target])
                    bottoms[target] = value;
            }
            if (*at == '\n')
                break;
        }
        at++;
        /* What a short line lacks is blank. */
        for (column++; column < columns; column++)
            if (targets[column] >= 0)
                out[targets[column] * stride + row] = blank;
    }
    return row;
}

static PyObject *parse(PyObject *module, PyObject *args)
{
    Py_buffer data, targets, out, tops, bottoms, fives;
    Py_ssize_t rows, stride;
    int delimiter, decimal;
    PyObject *blanks;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*ny*w*nw*w*iiy*O", &data, &rows, &targets, &out, &stride, &tops, &bottoms, &delimiter,
                          &decimal, &fives, &blanks))
        return NULL;
    Style style = {(char)delimiter, (char)decimal, fives.buf, PyTuple_Size(blanks), {NULL}, {0}};
    Py_ssize_t columns = targets.len / (Py_ssize_t)sizeof(int32_t);
    Py_ssize_t wanted = tops.len / (Py_ssize_t)sizeof(double);
    const int32_t *target = targets.buf;
    const char *text = data.buf;
    int sound = style.blanks >= 0 && style.blanks <= 32 && data.len > 0 && text[data.len - 1] == '\n' && rows >= 0 &&
                stride >= rows && bottoms.len == tops.len && out.len >= wanted * stride * (Py_ssize_t)sizeof(double) &&
                fives.len == 2 * (HIGHEST_POWER - LOWEST_POWER + 1) * (Py_ssize_t)sizeof(uint64_t);
    for (Py_ssize_t column = 0; sound && column < columns; column++)
        sound = target[column] < wanted;
    for (Py_ssize_t sign = 0; sound && sign < style.blanks; sign++) {
        char *bytes;
        sound = PyBytes_AsStringAndSize(PyTuple_GetItem(blanks, sign), &bytes, &style.blank_size[sign]) == 0;
        style.blank[sign] = bytes;
    }
    Py_ssize_t found = -1;
    if (sound) {
        Py_BEGIN_ALLOW_THREADS
        found = fill(text, text + data.len, rows, target, columns, out.buf, stride, tops.buf, bottoms.buf, &style);
        Py_END_ALLOW_THREADS
    } else if (!PyErr_Occurred()) {
        PyErr_SetString(PyExc_ValueError, "sizes of the buffers do not fit, or the text does not end with a line feed");
    }
    PyBuffer_Release(&data);
    PyBuffer_Release(&targets);
    PyBuffer_Release(&out);
    PyBuffer_Release(&tops);
    PyBuffer_Release(&bottoms);
    PyBuffer_Release(&fives);
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

static PyMethodDef methods[] = {
    {"lines", lines, METH_VARARGS, "Begin, end and number of the lines of a text; see numbers.py."},
    {"parse", parse, METH_VARARGS, "Numbers of whole lines into rows of a buffer; see numbers.py."},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef definition = {
    PyModuleDef_HEAD_INIT, "_numbers", "Compiled half of numbers.py.", 0, methods, NULL, NULL, NULL, NULL,
};

PyMODINIT_FUNC PyInit__numbers(void)
{
    PyObject *module = PyModule_Create(&definition);
    if (module != NULL && PyModule_AddIntConstant(module, "VERSION", VERSION) < 0) {
        Py_DECREF(module);
        return NULL;
    }
    return module;
}
