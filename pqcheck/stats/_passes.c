/* Two passes over series: the largest values of each, and sums of the squares of groups of values.
 *
 * A value is members[i], as float or double, times factor[i] where there is a factor; NaN is missing. The arithmetic is
 * that of series_passes.py to the last bit: every product and square is rounded to a double (build with -ffp-contract=off), and
 * squares are added in the order of numpy's pairwise summation (Higham, SIAM Journal on Scientific Computing 14 (1993)
 * 783-799), so a recording gives the same findings with and without this module.
 */
#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030b0000
#include <Python.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define VERSION 12
#define LANES 8
#define STEP 61 /* every so many values a threshold is guessed from, as in counting.largest */

typedef struct {
    const void *members;
    const double *factor;
    Py_ssize_t size;
} Series;

#define INLINE static inline __attribute__((always_inline))

INLINE double value_at(const Series *of, Py_ssize_t at, int single, int scaled)
{
    double value = single ? (double)((const float *)of->members)[at] : ((const double *)of->members)[at];
    return scaled ? value * of->factor[at] : value;
}

/* Vectors of 16 bytes, in the extensions of GCC and Clang, which every processor in use has instructions for. */
typedef float TwoFloats __attribute__((vector_size(8)));
typedef double Doubles __attribute__((vector_size(16)));
typedef int64_t DoubleBits __attribute__((vector_size(16)));

#define PAIRS (LANES / 2)

INLINE Doubles doubles_at(const Series *of, Py_ssize_t at, int single, int scaled)
{
    Doubles values;
    if (single) {
        TwoFloats narrow;
        memcpy(&narrow, (const float *)of->members + at, sizeof narrow);
        values = __builtin_convertvector(narrow, Doubles);
    } else
        memcpy(&values, (const double *)of->members + at, sizeof values);
    if (scaled) {
        Doubles factors;
        memcpy(&factors, of->factor + at, sizeof factors);
        values *= factors;
    }
    return values;
}

/* In one pass the number of values, and those that reach the threshold, times sign, into `out`, which has room for all. */
INLINE Py_ssize_t survey(const Series *of, double sign, double threshold, double *out, int64_t *valid, int single,
                         int scaled)
{
    DoubleBits absent[PAIRS] = {{0}};
    Py_ssize_t at = 0, found = 0;
    for (; at + LANES <= of->size; at += LANES) {
        DoubleBits reached = {0};
        for (int pair = 0; pair < PAIRS; pair++) {
            Doubles values = doubles_at(of, at + 2 * pair, single, scaled) * sign;
            absent[pair] += values != values;
            reached |= values >= threshold;
        }
        /* Nearly all of them lie below. */
        if (!(reached[0] | reached[1]))
            continue;
        for (int lane = 0; lane < LANES; lane++) {
            double value = sign * value_at(of, at + lane, single, scaled);
            out[found] = value;
            found += value >= threshold;
        }
    }
    *valid = at;
    for (int lane = 0; lane < LANES; lane++)
        *valid += absent[lane / 2][lane % 2];
    for (; at < of->size; at++) {
        double value = sign * value_at(of, at, single, scaled);
        *valid += value == value;
        if (value >= threshold)
            out[found++] = value;
    }
    return found;
}

/* Bring the values that reach a pivot (`or_equal`), or lie above it, to the front; how many they are. Without a branch that
 * depends on a value: which way it goes cannot be guessed, and guessing wrong costs more than all the rest. */
INLINE Py_ssize_t gather(double *values, Py_ssize_t count, double pivot, int or_equal)
{
    Py_ssize_t front = 0;
    for (Py_ssize_t at = 0; at < count; at++) {
        double value = values[at];
        values[at] = values[front];
        values[front] = value;
        front += or_equal ? value >= pivot : value > pivot;
    }
    return front;
}

/* Bring the `keep` largest of `count` values to the front (0 < keep <= count); the smallest of these (Hoare,
 * Communications of the ACM 4 (1961) 321). The pivot comes from places without a pattern: what rises and falls within a
 * day would make fixed ones the worst there are (splitmix: Steele, Lea and Flood, OOPSLA 2014). */
static double bring_forward(double *values, Py_ssize_t count, Py_ssize_t keep)
{
    uint64_t state = 0;
    double some[3];
    for (;;) {
        for (int one = 0; one < 3; one++) {
            state += 0x9E3779B97F4A7C15;
            uint64_t mixed = (state ^ state >> 30) * 0xBF58476D1CE4E5B9;
            some[one] = values[(mixed ^ mixed >> 27) % (uint64_t)count];
        }
        double a = some[0], b = some[1], c = some[2];
        double pivot = a < b ? (b < c ? b : (a < c ? c : a)) : (a < c ? a : (b < c ? c : b));
        Py_ssize_t above = gather(values, count, pivot, 0);
        if (keep <= above) {
            count = above;
            continue;
        }
        /* Rounded values are often equal, so those equal to the pivot are taken out at once. */
        Py_ssize_t equal = gather(values + above, count - above, pivot, 1);
        if (keep <= above + equal)
            return pivot;
        values += above + equal;
        count -= above + equal;
        keep -= above + equal;
    }
}

/* A threshold that some more than `keep` values reach, which is one of the values, or below all. */
INLINE double guess(const Series *of, double sign, Py_ssize_t keep, double *sample, int single, int scaled)
{
    Py_ssize_t looked_at = (of->size + STEP - 1) / STEP, count = 0;
    Py_ssize_t wanted = (Py_ssize_t)((double)looked_at * 1.5 * (double)keep / (double)of->size) + 4;
    for (Py_ssize_t at = 0; at < of->size; at += STEP) {
        double value = sign * value_at(of, at, single, scaled);
        sample[count] = value;
        count += value == value;
    }
    return wanted >= count ? -__builtin_inf() : bring_forward(sample, count, wanted);
}

/* The `keep` largest values times sign into `best`, in no order, filled up with minus infinity; `scratch` has room for
 * all values and for those that `guess` looks at. */
INLINE void select_in(const Series *of, double sign, Py_ssize_t keep, double *scratch, double *best, int64_t *valid,
                      int single, int scaled)
{
    double threshold = -__builtin_inf();
    if (keep * LANES < of->size)
        threshold = guess(of, sign, keep, scratch + of->size, single, scaled);
    Py_ssize_t found = survey(of, sign, threshold, scratch, valid, single, scaled);
    if (found < keep && found < *valid)
        found = survey(of, sign, -__builtin_inf(), scratch, valid, single, scaled);
    if (found > keep)
        bring_forward(scratch, found, keep);
    for (Py_ssize_t at = 0; at < keep; at++)
        best[at] = at < found ? scratch[at] : -__builtin_inf();
}

/* The sum of squares of some members, added as numpy adds them. */
INLINE double squares_in(const Series *of, Py_ssize_t first, Py_ssize_t size, int single, int scaled)
{
    if (size < LANES) {
        double total = -0.0;
        for (Py_ssize_t at = first; at < first + size; at++) {
            double value = value_at(of, at, single, scaled);
            total += value * value;
        }
        return total;
    }
    double sums[LANES];
    for (int lane = 0; lane < LANES; lane++) {
        double value = value_at(of, first + lane, single, scaled);
        sums[lane] = value * value;
    }
    Py_ssize_t at = LANES;
    for (; at < size - size % LANES; at += LANES)
        for (int lane = 0; lane < LANES; lane++) {
            double value = value_at(of, first + at + lane, single, scaled);
            sums[lane] += value * value;
        }
    double total = ((sums[0] + sums[1]) + (sums[2] + sums[3])) + ((sums[4] + sums[5]) + (sums[6] + sums[7]));
    for (; at < size; at++) {
        double value = value_at(of, first + at, single, scaled);
        total += value * value;
    }
    return total;
}

#define LEAF 128

#define VARIANT(NAME, SINGLE, SCALED)                                                                                 \
    static double leaves_##NAME(const Series *of, Py_ssize_t first, Py_ssize_t size)                                   \
    {                                                                                                                  \
        if (size <= LEAF)                                                                                              \
            return squares_in(of, first, size, SINGLE, SCALED);                                                        \
        Py_ssize_t half = size / 2;                                                                                    \
        half -= half % LANES;                                                                                          \
        return leaves_##NAME(of, first, half) + leaves_##NAME(of, first + half, size - half);                          \
    }                                                                                                                  \
    static void select_##NAME(const Series *of, double sign, Py_ssize_t keep, double *scratch, double *best,           \
                              int64_t *valid)                                                                          \
    {                                                                                                                  \
        select_in(of, sign, keep, scratch, best, valid, SINGLE, SCALED);                                               \
    }

VARIANT(double, 0, 0)
VARIANT(double_scaled, 0, 1)
VARIANT(single, 1, 0)
VARIANT(single_scaled, 1, 1)

static double (*const LEAVES[4])(const Series *, Py_ssize_t, Py_ssize_t) = {
    leaves_double, leaves_double_scaled, leaves_single, leaves_single_scaled,
};
static void (*const SELECT[4])(const Series *, double, Py_ssize_t, double *, double *, int64_t *) = {
    select_double, select_double_scaled, select_single, select_single_scaled,
};

/* Series of one length, opened, and up to two buffers to write to. */
typedef struct {
    Py_buffer members, factor;
    Series of;
    int variant;
} Opened;

typedef struct {
    Opened *opened;
    Py_ssize_t count;
    Py_buffer out[2];
} Call;

static int open_series(PyObject *item, Opened *opened)
{
    PyObject *members, *factor;
    memset(opened, 0, sizeof *opened);
    if (!PyTuple_Check(item)) {
        PyErr_SetString(PyExc_TypeError, "a series is a tuple of members and factor");
        return 0;
    }
    if (!PyArg_ParseTuple(item, "OO", &members, &factor) ||
        PyObject_GetBuffer(members, &opened->members, PyBUF_SIMPLE) < 0)
        return 0;
    if (factor != Py_None && PyObject_GetBuffer(factor, &opened->factor, PyBUF_SIMPLE) < 0) {
        PyBuffer_Release(&opened->members);
        return 0;
    }
    int single = opened->members.itemsize == (Py_ssize_t)sizeof(float);
    opened->of.members = opened->members.buf;
    opened->of.factor = opened->factor.buf;
    opened->of.size = opened->members.len / (Py_ssize_t)(single ? sizeof(float) : sizeof(double));
    opened->variant = 2 * single + (factor != Py_None);
    return 1;
}

static int series_fit(const Call *call)
{
    for (Py_ssize_t at = 0; at < call->count; at++) {
        const Opened *one = &call->opened[at];
        if (one->of.size != call->opened[0].of.size ||
            (one->of.factor != NULL && one->factor.len != one->of.size * (Py_ssize_t)sizeof(double)))
            return 0;
    }
    return 1;
}

static PyObject *close_call(Call *call, int fits)
{
    while (call->count-- > 0) {
        PyBuffer_Release(&call->opened[call->count].members);
        PyBuffer_Release(&call->opened[call->count].factor);
    }
    free(call->opened);
    PyBuffer_Release(&call->out[0]);
    PyBuffer_Release(&call->out[1]);
    if (!fits && !PyErr_Occurred())
        PyErr_SetString(PyExc_ValueError, "sizes of the buffers do not fit");
    return fits ? Py_NewRef(Py_None) : NULL;
}

/* 0 with an error set where the series, or what is to be written to, are no such thing. */
static int open_call(PyObject *list, PyObject *const *out, int outputs, Call *call)
{
    memset(call, 0, sizeof *call);
    for (int at = 0; at < outputs; at++)
        if (PyObject_GetBuffer(out[at], &call->out[at], PyBUF_WRITABLE) < 0) {
            close_call(call, 0);
            return 0;
        }
    Py_ssize_t wanted = PyList_Size(list);
    call->opened = malloc(sizeof(Opened) * (size_t)(wanted + 1));
    if (call->opened == NULL)
        PyErr_NoMemory();
    while (call->opened != NULL && call->count < wanted &&
           open_series(PyList_GetItem(list, call->count), &call->opened[call->count]))
        call->count++;
    if (call->opened != NULL && call->count == wanted && series_fit(call))
        return 1;
    close_call(call, 0);
    return 0;
}

/* The largest values of series of one length, times sign, and how many values each has. */
static PyObject *largest(PyObject *module, PyObject *args)
{
    PyObject *list, *out[2];
    double sign;
    Call call;
    (void)module;
    if (!PyArg_ParseTuple(args, "O!dOO", &PyList_Type, &list, &sign, &out[0], &out[1]) ||
        !open_call(list, out, 2, &call))
        return NULL;
    Py_ssize_t rows = call.count, size = rows > 0 ? call.opened[0].of.size : 0;
    Py_ssize_t keep = rows > 0 ? call.out[0].len / (Py_ssize_t)sizeof(double) / rows : 0;
    int fits = call.out[0].len == rows * keep * (Py_ssize_t)sizeof(double) && (keep > 0 || rows == 0) &&
               call.out[1].len == rows * (Py_ssize_t)sizeof(int64_t);
    double *scratch = fits ? malloc(sizeof(double) * (size_t)(size + size / STEP + LANES)) : NULL;
    if (fits && scratch == NULL) {
        PyErr_NoMemory();
        fits = 0;
    }
    if (fits) {
        double *best = call.out[0].buf;
        int64_t *valid = call.out[1].buf;
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t row = 0; row < rows; row++)
            SELECT[call.opened[row].variant](&call.opened[row].of, sign, keep, scratch, best + row * keep, valid + row);
        Py_END_ALLOW_THREADS
    }
    free(scratch);
    return close_call(&call, fits);
}

/* Sums of the squares of groups of values, for as many groups of series of one length as are full. */
static PyObject *squares(PyObject *module, PyObject *args)
{
    PyObject *list, *out[1];
    Py_ssize_t group;
    Call call;
    (void)module;
    if (!PyArg_ParseTuple(args, "O!nO", &PyList_Type, &list, &group, &out[0]) || !open_call(list, out, 1, &call))
        return NULL;
    Py_ssize_t rows = call.count, groups = rows > 0 && group > 0 ? call.opened[0].of.size / group : 0;
    int fits = group > 0 && call.out[0].len == rows * groups * (Py_ssize_t)sizeof(double);
    if (fits) {
        double *sums = call.out[0].buf;
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t row = 0; row < rows; row++)
            for (Py_ssize_t at = 0; at < groups; at++)
                *sums++ = LEAVES[call.opened[row].variant](&call.opened[row].of, at * group, group);
        Py_END_ALLOW_THREADS
    }
    return close_call(&call, fits);
}

static PyMethodDef methods[] = {
    {"largest", largest, METH_VARARGS, "The largest values of several series; series_passes.py."},
    {"squares", squares, METH_VARARGS, "Sums of squares of groups of values of several series; series_passes.py."},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef definition = {
    PyModuleDef_HEAD_INIT, "_passes", "Compiled half of series_passes.py.", 0, methods, NULL, NULL, NULL, NULL,
};

PyMODINIT_FUNC PyInit__passes(void)
{
    PyObject *module = PyModule_Create(&definition);
    if (module != NULL && PyModule_AddIntConstant(module, "VERSION", VERSION) < 0) {
        Py_DECREF(module);
        return NULL;
    }
    return module;
}
