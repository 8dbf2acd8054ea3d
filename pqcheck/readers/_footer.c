/* What a Parquet file says of itself: its footer, and the headers of its pages (Apache Parquet format 2.x, parquet.thrift,
 * in the compact protocol of Apache Thrift).
 *
 * Nothing in a file is believed: every length is compared with what is there, and what does not fit is an error.
 * parquet_footer.py decides what the numbers mean and what is left to the library.
 */
#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030b0000
#include <Python.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define VERSION 1

typedef struct {
    const uint8_t *at, *end;
    int broken;
} Reader;

enum { T_TRUE = 1, T_FALSE, T_BYTE, T_I16, T_I32, T_I64, T_DOUBLE, T_BINARY, T_LIST, T_SET, T_MAP, T_STRUCT };

#define DEEPEST 16

static uint64_t varint(Reader *r)
{
    uint64_t value = 0;
    for (int shift = 0; shift < 64; shift += 7) {
        if (r->at >= r->end)
            break;
        uint8_t byte = *r->at++;
        value |= (uint64_t)(byte & 0x7F) << shift;
        if (byte < 0x80)
            return value;
    }
    r->broken = 1;
    return 0;
}

static int64_t integer(Reader *r)
{
    uint64_t raw = varint(r);
    return (int64_t)(raw >> 1) ^ -(int64_t)(raw & 1);
}

/* The type of the next field, 0 at the end of the structure; *field becomes its number. */
static int next_field(Reader *r, int *field)
{
    if (r->broken || r->at >= r->end) {
        r->broken = 1;
        return 0;
    }
    uint8_t head = *r->at++;
    if (head == 0)
        return 0;
    *field = head >> 4 ? *field + (head >> 4) : (int)integer(r);
    return head & 15;
}

/* Length of a list; *type becomes that of its items. Every item takes a byte, so a longer list than the rest is broken. */
static uint64_t list_head(Reader *r, int *type)
{
    if (r->at >= r->end) {
        r->broken = 1;
        return 0;
    }
    uint8_t head = *r->at++;
    *type = head & 15;
    uint64_t count = head >> 4;
    if (count == 15)
        count = varint(r);
    if (count > (uint64_t)(r->end - r->at)) {
        r->broken = 1;
        return 0;
    }
    return count;
}

static const uint8_t *binary(Reader *r, uint64_t *size)
{
    *size = varint(r);
    const uint8_t *bytes = r->at;
    if (*size > (uint64_t)(r->end - r->at)) {
        r->broken = 1;
        *size = 0;
        return bytes;
    }
    r->at += *size;
    return bytes;
}

static void skip(Reader *r, int type, int depth)
{
    int field = 0, inner;
    uint64_t size;
    if (depth > DEEPEST)
        r->broken = 1;
    if (r->broken)
        return;
    switch (type) {
    case T_TRUE:
    case T_FALSE:
        return;
    case T_BYTE:
        size = 1;
        break;
    case T_I16:
    case T_I32:
    case T_I64:
        varint(r);
        return;
    case T_DOUBLE:
        size = 8;
        break;
    case T_BINARY:
        binary(r, &size);
        return;
    case T_LIST:
    case T_SET:
        size = list_head(r, &inner);
        while (size-- && !r->broken) {
            if (inner == T_TRUE || inner == T_FALSE)
                skip(r, T_BYTE, depth + 1); /* in a list a truth value is a byte */
            else
                skip(r, inner, depth + 1);
        }
        return;
    case T_STRUCT:
        while ((inner = next_field(r, &field)))
            skip(r, inner, depth + 1);
        return;
    default:
        /* No structure read here holds a map. */
        r->broken = 1;
        return;
    }
    if (size > (uint64_t)(r->end - r->at))
        r->broken = 1;
    else
        r->at += size;
}

static int is_integer(int type)
{
    return type == T_I16 || type == T_I32 || type == T_I64;
}

/* ---- the footer ---- */

typedef struct {
    int64_t type, repetition, children, logical, unit, adjusted;
    const uint8_t *name;
    uint64_t name_size;
} Element;

enum { NO_LOGICAL = 0, TIMESTAMP = 8, INTEGER = 10, UNSIGNED = -10 };

static void logical_type(Reader *r, Element *element)
{
    int type, field = 0;
    while ((type = next_field(r, &field))) {
        element->logical = field;
        if (type != T_STRUCT || (field != TIMESTAMP && field != INTEGER)) {
            skip(r, type, 1);
            continue;
        }
        int inner, part = 0;
        while ((inner = next_field(r, &part))) {
            if (field == TIMESTAMP && part == 2 && inner == T_STRUCT) {
                int kind, unit = 0;
                while ((kind = next_field(r, &unit))) {
                    element->unit = unit;
                    skip(r, kind, 3);
                }
            } else {
                if (field == TIMESTAMP && part == 1)
                    element->adjusted = inner == T_TRUE;
                if (field == INTEGER && part == 2 && inner == T_FALSE)
                    element->logical = UNSIGNED;
                skip(r, inner, 2);
            }
        }
    }
}

static void schema_element(Reader *r, Element *element)
{
    static const uint8_t nothing[1] = {0};
    int type, field = 0;
    *element = (Element){-1, -1, 0, NO_LOGICAL, 0, 0, nothing, 0};
    int converted = 0;
    while ((type = next_field(r, &field))) {
        if (field == 4 && type == T_BINARY)
            element->name = binary(r, &element->name_size);
        else if (field == 10 && type == T_STRUCT)
            logical_type(r, element);
        else if (is_integer(type)) {
            int64_t value = integer(r);
            if (field == 1)
                element->type = value;
            else if (field == 3)
                element->repetition = value;
            else if (field == 5)
                element->children = value;
            else if (field == 6)
                converted = 1;
        } else
            skip(r, type, 1);
    }
    /* An older writer's meaning without the newer one beside it: for the library. */
    if (converted && element->logical == NO_LOGICAL)
        element->logical = -1;
}

/* What a chunk is: type, codec, values, offset of its first page, its bytes, encodings (a bit each), whether it is flat. */
enum { C_TYPE, C_CODEC, C_VALUES, C_START, C_SIZE, C_ENCODINGS, C_FLAT, C_FIELDS };

static void chunk_metadata(Reader *r, int64_t *chunk)
{
    int type, field = 0, inner;
    int64_t data = -1, dictionary = -1;
    while ((type = next_field(r, &field))) {
        if ((field == 2 || field == 3) && type == T_LIST) {
            uint64_t count = list_head(r, &inner);
            if (field == 3)
                chunk[C_FLAT] = count == 1;
            while (count-- && !r->broken) {
                if (field == 2 && is_integer(inner)) {
                    int64_t encoding = integer(r);
                    chunk[C_ENCODINGS] |= encoding >= 0 && encoding < 32 ? (int64_t)1 << encoding : (int64_t)1 << 32;
                } else
                    skip(r, inner, 1);
            }
        } else if (is_integer(type)) {
            int64_t value = integer(r);
            switch (field) {
            case 1: chunk[C_TYPE] = value; break;
            case 4: chunk[C_CODEC] = value; break;
            case 5: chunk[C_VALUES] = value; break;
            case 7: chunk[C_SIZE] = value; break;
            case 9: data = value; break;
            case 11: dictionary = value; break;
            default: break;
            }
        } else
            skip(r, type, 1);
    }
    /* Some writers give 0 for "no dictionary". */
    chunk[C_START] = dictionary > 0 && dictionary < data ? dictionary : data;
}

static void column_chunk(Reader *r, int64_t *chunk)
{
    int type, field = 0, elsewhere = 0;
    for (int at = 0; at < C_FIELDS; at++)
        chunk[at] = 0;
    chunk[C_TYPE] = chunk[C_START] = -1;
    while ((type = next_field(r, &field))) {
        if (field == 3 && type == T_STRUCT)
            chunk_metadata(r, chunk);
        else {
            /* In another file, or encrypted. */
            elsewhere |= field == 1 || field == 8 || field == 9;
            skip(r, type, 1);
        }
    }
    if (elsewhere)
        chunk[C_FLAT] = 0;
}

/* (rows, bytes with C_FIELDS numbers per column) of a row group; NULL with or without an error set. */
static PyObject *row_group(Reader *r)
{
    int type, field = 0, inner = 0;
    int64_t rows = -1;
    PyObject *chunks = NULL;
    while ((type = next_field(r, &field))) {
        if (field == 1 && type == T_LIST && chunks == NULL) {
            uint64_t count = list_head(r, &inner);
            int64_t *all = calloc(count + 1, C_FIELDS * sizeof(int64_t));
            if (all == NULL)
                return PyErr_NoMemory();
            for (uint64_t at = 0; at < count && !r->broken && inner == T_STRUCT; at++)
                column_chunk(r, all + at * C_FIELDS);
            r->broken |= inner != T_STRUCT;
            chunks = PyBytes_FromStringAndSize((const char *)all, (Py_ssize_t)(count * C_FIELDS * sizeof(int64_t)));
            free(all);
            if (chunks == NULL)
                return NULL;
        } else if (field == 3 && is_integer(type))
            rows = integer(r);
        else
            skip(r, type, 1);
    }
    if (r->broken || chunks == NULL || rows < 0) {
        r->broken = 1;
        Py_XDECREF(chunks);
        return NULL;
    }
    return Py_BuildValue("LN", (long long)rows, chunks);
}

static int appended(PyObject *list, PyObject *item)
{
    if (item == NULL)
        return 0;
    int done = PyList_Append(list, item) == 0;
    Py_DECREF(item);
    return done;
}

static PyObject *key_value(Reader *r)
{
    int type, field = 0;
    uint64_t key_size = 0, value_size = 0;
    const uint8_t *key = r->at, *value = r->at;
    while ((type = next_field(r, &field))) {
        if (field == 1 && type == T_BINARY)
            key = binary(r, &key_size);
        else if (field == 2 && type == T_BINARY)
            value = binary(r, &value_size);
        else
            skip(r, type, 1);
    }
    return Py_BuildValue("y#y#", (const char *)key, (Py_ssize_t)key_size, (const char *)value, (Py_ssize_t)value_size);
}

static PyObject *described(Reader *r)
{
    Element element;
    schema_element(r, &element);
    return Py_BuildValue("y#LLLLLL", (const char *)element.name, (Py_ssize_t)element.name_size, (long long)element.type,
                         (long long)element.repetition, (long long)element.children, (long long)element.logical,
                         (long long)element.unit, (long long)element.adjusted);
}

static PyObject *footer(PyObject *module, PyObject *args)
{
    Py_buffer data;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*", &data))
        return NULL;
    Reader reader = {data.buf, (const uint8_t *)data.buf + data.len, 0}, *r = &reader;
    PyObject *schema = PyList_New(0), *groups = PyList_New(0), *keys = PyList_New(0);
    int64_t rows = -1;
    int type, field = 0, inner, fine = schema != NULL && groups != NULL && keys != NULL;
    while (fine && (type = next_field(r, &field))) {
        if ((field == 2 || field == 4 || field == 5) && type == T_LIST) {
            uint64_t count = list_head(r, &inner);
            r->broken |= count > 0 && inner != T_STRUCT;
            while (fine && count-- && !r->broken)
                fine = field == 2   ? appended(schema, described(r))
                       : field == 4 ? appended(groups, row_group(r))
                                    : appended(keys, key_value(r));
        } else if (field == 3 && is_integer(type))
            rows = integer(r);
        else {
            r->broken |= field == 8; /* encrypted */
            skip(r, type, 1);
        }
    }
    PyBuffer_Release(&data);
    PyObject *result = NULL;
    if (fine && !r->broken && rows >= 0)
        result = Py_BuildValue("LOOO", (long long)rows, schema, groups, keys);
    else if (!PyErr_Occurred())
        PyErr_SetString(PyExc_ValueError, "its footer does not say what it holds");
    Py_XDECREF(schema);
    Py_XDECREF(groups);
    Py_XDECREF(keys);
    return result;
}

/* ---- the pages of chunks ---- */

/* What a page is; _pages.c has the same list. */
enum { DATA, DATA_V2, DICTIONARY }; /* kinds of pages, as they are handed on */

enum { P_CHUNK, P_KIND, P_PLACE, P_SIZE, P_UNPACKED, P_VALUES, P_ENCODING, P_LEVELS, P_ROW, P_PACKED, P_FIELDS };

/* Larger pages than this are no writer's; it bounds what a damaged length can ask for. */
#define LARGEST_PAGE ((int64_t)1 << 30)

static void page_header(Reader *r, int64_t *page)
{
    int type, field = 0, kind = -1;
    page[P_UNPACKED] = page[P_SIZE] = page[P_VALUES] = page[P_ENCODING] = -1;
    page[P_LEVELS] = 0;
    page[P_PACKED] = 1;
    while ((type = next_field(r, &field))) {
        if (type == T_STRUCT && (field == 5 || field == 7 || field == 8)) {
            int inner, part = 0;
            while ((inner = next_field(r, &part))) {
                if (field == 8 && part == 7)
                    page[P_PACKED] = inner == T_TRUE;
                if (!is_integer(inner)) {
                    skip(r, inner, 2);
                    continue;
                }
                int64_t value = integer(r);
                if (part == 1)
                    page[P_VALUES] = value;
                else if (part == (field == 8 ? 4 : 2))
                    page[P_ENCODING] = value;
                else if (field == 8 && part == 5)
                    page[P_LEVELS] = value;
                else if (field == 8 && part == 6)
                    r->broken |= value != 0; /* repeated values have no place in a flat column */
            }
        } else if (is_integer(type)) {
            int64_t value = integer(r);
            if (field == 1)
                kind = value == 0 ? DATA : value == 3 ? DATA_V2 : value == 2 ? DICTIONARY : -1;
            else if (field == 2)
                page[P_UNPACKED] = value;
            else if (field == 3)
                page[P_SIZE] = value;
        } else
            skip(r, type, 1);
    }
    page[P_KIND] = kind;
}

/* Pages of a chunk at data[start .. start+size] that hold rows first .. last; their number, or -1. */
static int64_t chunk_pages(const uint8_t *data, int64_t start, int64_t size, int64_t number, int64_t first, int64_t last,
                           int64_t *pages, int64_t room)
{
    Reader reader = {data + start, data + start + size, 0}, *r = &reader;
    int64_t row = 0, found = 0;
    while (r->at < r->end && row < last) {
        int64_t page[P_FIELDS];
        page_header(r, page);
        int64_t body = page[P_SIZE];
        if (r->broken || body < 0 || body > r->end - r->at || page[P_UNPACKED] < 0 || page[P_UNPACKED] > LARGEST_PAGE)
            return -1;
        page[P_CHUNK] = number;
        page[P_PLACE] = r->at - data;
        page[P_ROW] = row;
        r->at += body;
        if (page[P_KIND] < 0)
            continue; /* an index */
        if (page[P_VALUES] < 0 || page[P_VALUES] > LARGEST_PAGE || page[P_LEVELS] < 0 || page[P_LEVELS] > body ||
            page[P_LEVELS] > page[P_UNPACKED])
            return -1;
        if (page[P_KIND] != DICTIONARY) {
            row += page[P_VALUES];
            if (row <= first || page[P_VALUES] == 0)
                continue;
        }
        if (found == room)
            return -2;
        memcpy(pages + P_FIELDS * found++, page, sizeof page);
    }
    return row >= last ? found : -1;
}

static PyObject *pages_of(PyObject *module, PyObject *args)
{
    Py_buffer data, spans, out;
    long long first, last;
    (void)module;
    if (!PyArg_ParseTuple(args, "y*y*LLw*", &data, &spans, &first, &last, &out))
        return NULL;
    int64_t found = 0, chunks = spans.len / (2 * (Py_ssize_t)sizeof(int64_t));
    int64_t room = out.len / (P_FIELDS * (Py_ssize_t)sizeof(int64_t));
    const int64_t *span = spans.buf;
    for (int64_t at = 0; at < chunks && found >= 0; at++) {
        int64_t start = span[2 * at], size = span[2 * at + 1];
        if (start < 0 || size < 0 || start > data.len || size > data.len - start) {
            found = -1;
            break;
        }
        int64_t more = chunk_pages(data.buf, start, size, at, first, last, (int64_t *)out.buf + P_FIELDS * found,
                                   room - found);
        found = more < 0 ? more : found + more;
    }
    PyBuffer_Release(&data);
    PyBuffer_Release(&spans);
    PyBuffer_Release(&out);
    return PyLong_FromLongLong(found);
}

static PyMethodDef methods[] = {
    {"footer", footer, METH_VARARGS, "What a file says of itself; see parquet_footer.py."},
    {"pages", pages_of, METH_VARARGS, "The pages of some column chunks; see pages.py."},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef definition = {
    PyModuleDef_HEAD_INIT, "_footer", "Compiled half of parquet_footer.py.", 0, methods, NULL, NULL, NULL, NULL,
};

PyMODINIT_FUNC PyInit__footer(void)
{
    PyObject *module = PyModule_Create(&definition);
    if (module != NULL && PyModule_AddIntConstant(module, "VERSION", VERSION) < 0) {
        Py_DECREF(module);
        return NULL;
    }
    return module;
}
