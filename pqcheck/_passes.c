/* One pass over a stretch of a series: how many values, the largest ones, sums of squares of groups; over rows of
 * samples: steps between neighbours, marks by which equal rows are known.
 *
 * A value is members[i], as float or double, times factor[i] where there is a factor, and missing where the mask is set
 * or the result is not a number. The arithmetic is that of passes.py to the last bit: every product and square is
 * rounded to a double (build with -ffp-contract=off), and squares are added in the order of numpy's pairwise summation
 * (Higham, SIAM Journal on Scientific Computing 14 (1993) 783-799), so a recording gives the same findings with and
 * without this module.
 */
#define PY_SSIZE_T_CLEAN
#define Py_LIMITED_API 0x030b0000
#include <Python.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define VERSION 11
#define LANES 8
#define STEP 61 /* every so many values a threshold is guessed from, as in counting.largest */
#define SHORT 4096
#define SHORT_STEP 7 /* the same for stretches of up to SHORT values */

typedef struct {
    const void *members;
    const double *factor;
    const uint8_t *mask;
    Py_ssize_t size;
} Stretch;

#define INLINE static inline __attribute__((always_inline))

INLINE double value_at(const Stretch *of, Py_ssize_t at, int single, int scaled, int masked)
{
    double value = single ? (double)((const float *)of->members)[at] : ((const double *)of->members)[at];
    if (scaled)
        value *= of->factor[at];
    return masked && of->mask[at] ? __builtin_nan("") : value;
}

/* Vectors of 16 bytes, in the extensions of GCC and Clang, which every processor in use has instructions for. */
typedef float Floats __attribute__((vector_size(16)));
typedef float TwoFloats __attribute__((vector_size(8)));
typedef int32_t FloatBits __attribute__((vector_size(16)));
typedef double Doubles __attribute__((vector_size(16)));
typedef int64_t DoubleBits __attribute__((vector_size(16)));

#define PAIRS (LANES / 2)
#define FOURS (LANES / 4)

INLINE Floats floats_at(const Stretch *of, Py_ssize_t at)
{
    Floats values;
    memcpy(&values, (const float *)of->members + at, sizeof values);
    return values;
}

INLINE Doubles doubles_at(const Stretch *of, Py_ssize_t at, int single, int scaled, int masked)
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
    if (masked) {
        DoubleBits missing = {of->mask[at] ? -1 : 0, of->mask[at + 1] ? -1 : 0};
        Doubles nothing = {__builtin_nan(""), __builtin_nan("")};
        values = (Doubles)(((DoubleBits)values & ~missing) | ((DoubleBits)nothing & missing));
    }
    return values;
}

/* The smallest float that is not below a double, so that floats can be compared as they are. */
static float at_least(double threshold)
{
    float near = (float)threshold;
    if ((double)near < threshold) {
        int32_t bits;
        memcpy(&bits, &near, sizeof bits);
        bits += bits >= 0 ? 1 : -1;
        memcpy(&near, &bits, sizeof near);
    }
    return near;
}

typedef struct {
    Py_ssize_t valid, found;
    double top, least;
} Answer;

/* In one pass the number of values and those that reach the threshold, times sign; found = -1 when there are more of these
 * than fit. The largest of them is the largest of all, as a threshold is always one of the values, or below all. */
INLINE Answer survey(const Stretch *of, double sign, double threshold, double *out, Py_ssize_t room, int single,
                     int scaled, int masked)
{
    /* Floats without a factor are compared as they are, four in a vector. */
    const int plain = single && !scaled && !masked;
    const float nearly = at_least(threshold);
    FloatBits missing[FOURS] = {{0}};
    DoubleBits absent[PAIRS] = {{0}};
    Answer answer = {0, 0, -__builtin_inf(), __builtin_nan("")};
    Py_ssize_t at = 0;
    for (; at + LANES <= of->size; at += LANES) {
        int64_t any;
        if (plain) {
            FloatBits reached = {0};
            for (int four = 0; four < FOURS; four++) {
                Floats values = floats_at(of, at + 4 * four) * (float)sign;
                missing[four] += values != values;
                reached |= values >= nearly;
            }
            DoubleBits halves = (DoubleBits)reached;
            any = halves[0] | halves[1];
        } else {
            DoubleBits reached = {0};
            for (int pair = 0; pair < PAIRS; pair++) {
                Doubles values = doubles_at(of, at + 2 * pair, single, scaled, masked) * sign;
                absent[pair] += values != values;
                reached |= values >= threshold;
            }
            any = reached[0] | reached[1];
        }
        /* Nearly all of them lie below. */
        if (!any || answer.found < 0)
            continue;
        if (answer.found + LANES > room) {
            answer.found = -1;
            continue;
        }
        for (int lane = 0; lane < LANES; lane++) {
            double value = sign * value_at(of, at + lane, single, scaled, masked);
            out[answer.found] = value;
            answer.found += value >= threshold;
        }
    }
    answer.valid = at;
    for (int lane = 0; lane < LANES; lane++)
        answer.valid += plain ? (Py_ssize_t)missing[lane / 4][lane % 4] : (Py_ssize_t)absent[lane / 2][lane % 2];
    for (; at < of->size; at++) {
        double value = sign * value_at(of, at, single, scaled, masked);
        answer.valid += value == value;
        if (value >= threshold && answer.found >= 0) {
            if (answer.found == room)
                answer.found = -1;
            else
                out[answer.found++] = value;
        }
    }
    for (Py_ssize_t one = 0; one < answer.found; one++)
        answer.top = out[one] > answer.top ? out[one] : answer.top;
    return answer;
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

/* The largest few of the values so far, the largest first. */
#define FEW 64

INLINE void keep_few(double *few, Py_ssize_t room, double value)
{
    Py_ssize_t at = room - 1;
    for (; at > 0 && few[at - 1] < value; at--)
        few[at] = few[at - 1];
    few[at] = value;
}

/* The threshold for a stretch is guessed from every so many of its values. */
static Py_ssize_t step_of(Py_ssize_t size)
{
    return size <= SHORT ? SHORT_STEP : STEP;
}

/* A threshold that some more than `keep` values reach, which is one of the values, or below all. */
INLINE double guess(const Stretch *of, double sign, Py_ssize_t keep, double *sample, int single, int scaled, int masked)
{
    Py_ssize_t apart = step_of(of->size), looked_at = (of->size + apart - 1) / apart, count = 0;
    Py_ssize_t wanted = (Py_ssize_t)((double)looked_at * 1.5 * (double)keep / (double)of->size) + 4;
    if (wanted <= FEW) {
        double few[FEW];
        for (Py_ssize_t at = 0; at < wanted; at++)
            few[at] = -__builtin_inf();
        for (Py_ssize_t at = 0; at < of->size; at += apart) {
            double value = sign * value_at(of, at, single, scaled, masked);
            if (value > few[wanted - 1])
                keep_few(few, wanted, value);
        }
        return few[wanted - 1];
    }
    for (Py_ssize_t at = 0; at < of->size; at += apart) {
        double value = sign * value_at(of, at, single, scaled, masked);
        sample[count] = value;
        count += value == value;
    }
    return wanted >= count ? -__builtin_inf() : bring_forward(sample, count, wanted);
}

static double least_of(const double *values, Py_ssize_t count)
{
    double least = values[0];
    for (Py_ssize_t at = 1; at < count; at++)
        least = values[at] < least ? values[at] : least;
    return least;
}

/* `sample` has room for the values that `guess` looks at. found = -1 when the values do not fit. */
INLINE Answer select_in(const Stretch *of, double sign, Py_ssize_t keep, double *out, Py_ssize_t room, double *sample,
                        int single, int scaled, int masked)
{
    double threshold = -__builtin_inf();
    if (keep * LANES < of->size)
        threshold = guess(of, sign, keep, sample, single, scaled, masked);
    Answer answer = survey(of, sign, threshold, out, room, single, scaled, masked);
    if (keep > answer.valid)
        keep = answer.valid;
    if (answer.found >= 0 && answer.found < keep)
        answer.found = survey(of, sign, -__builtin_inf(), out, room, single, scaled, masked).found;
    if (answer.found > keep) {
        if (keep > 0)
            answer.least = bring_forward(out, answer.found, keep);
        answer.found = keep;
    } else if (answer.found > 0)
        answer.least = least_of(out, answer.found);
    return answer;
}

/* The sum of squares of some members, added as numpy adds them. */
INLINE double squares_in(const Stretch *of, Py_ssize_t first, Py_ssize_t size, int single, int scaled, int masked)
{
    if (size < LANES) {
        double total = -0.0;
        for (Py_ssize_t at = first; at < first + size; at++) {
            double value = value_at(of, at, single, scaled, masked);
            total += value * value;
        }
        return total;
    }
    double sums[LANES];
    for (int lane = 0; lane < LANES; lane++) {
        double value = value_at(of, first + lane, single, scaled, masked);
        sums[lane] = value * value;
    }
    Py_ssize_t at = LANES;
    for (; at < size - size % LANES; at += LANES)
        for (int lane = 0; lane < LANES; lane++) {
            double value = value_at(of, first + at + lane, single, scaled, masked);
            sums[lane] += value * value;
        }
    double total = ((sums[0] + sums[1]) + (sums[2] + sums[3])) + ((sums[4] + sums[5]) + (sums[6] + sums[7]));
    for (; at < size; at++) {
        double value = value_at(of, first + at, single, scaled, masked);
        total += value * value;
    }
    return total;
}

/* Add the squares of the values times `by` to totals. */
INLINE void add_in(const Stretch *of, double by, double *totals, int single, int scaled, int masked)
{
    for (Py_ssize_t at = 0; at < of->size; at++) {
        double value = by * value_at(of, at, single, scaled, masked);
        totals[at] += value * value;
    }
}

#define LEAF 128

#define VARIANT(NAME, SINGLE, SCALED, MASKED)                                                                         \
    static double leaves_##NAME(const Stretch *of, Py_ssize_t first, Py_ssize_t size)                                  \
    {                                                                                                                  \
        if (size <= LEAF)                                                                                              \
            return squares_in(of, first, size, SINGLE, SCALED, MASKED);                                                \
        Py_ssize_t half = size / 2;                                                                                    \
        half -= half % LANES;                                                                                          \
        return leaves_##NAME(of, first, half) + leaves_##NAME(of, first + half, size - half);                          \
    }                                                                                                                  \
    static void squares_##NAME(const Stretch *of, Py_ssize_t group, Py_ssize_t groups, double *out)                    \
    {                                                                                                                  \
        for (Py_ssize_t at = 0; at < groups; at++)                                                                     \
            out[at] = leaves_##NAME(of, at * group, group);                                                            \
    }                                                                                                                  \
    static Answer select_##NAME(const Stretch *of, double sign, Py_ssize_t keep, double *out, Py_ssize_t room,         \
                                double *sample)                                                                        \
    {                                                                                                                  \
        return select_in(of, sign, keep, out, room, sample, SINGLE, SCALED, MASKED);                                   \
    }                                                                                                                  \
    static void add_##NAME(const Stretch *of, double by, double *totals)                                               \
    {                                                                                                                  \
        add_in(of, by, totals, SINGLE, SCALED, MASKED);                                                                \
    }

VARIANT(double, 0, 0, 0)
VARIANT(double_masked, 0, 0, 1)
VARIANT(double_scaled, 0, 1, 0)
VARIANT(double_scaled_masked, 0, 1, 1)
VARIANT(single, 1, 0, 0)
VARIANT(single_masked, 1, 0, 1)
VARIANT(single_scaled, 1, 1, 0)
VARIANT(single_scaled_masked, 1, 1, 1)

static void (*const SQUARES[8])(const Stretch *, Py_ssize_t, Py_ssize_t, double *) = {
    squares_double, squares_double_masked, squares_double_scaled, squares_double_scaled_masked,
    squares_single, squares_single_masked, squares_single_scaled, squares_single_scaled_masked,
};
static Answer (*const SELECT[8])(const Stretch *, double, Py_ssize_t, double *, Py_ssize_t, double *) = {
    select_double, select_double_masked, select_double_scaled, select_double_scaled_masked,
    select_single, select_single_masked, select_single_scaled, select_single_scaled_masked,
};

static void (*const ADD[8])(const Stretch *, double, double *) = {
    add_double, add_double_masked, add_double_scaled, add_double_scaled_masked,
    add_single, add_single_masked, add_single_scaled, add_single_scaled_masked,
};

typedef struct {
    Py_buffer members, factor, mask, out;
    Stretch of;
    int variant;
} Opened;

static int buffer_of(PyObject *object, Py_buffer *buffer, int flags)
{
    buffer->obj = NULL;
    buffer->buf = NULL;
    return object == Py_None || PyObject_GetBuffer(object, buffer, flags) == 0;
}

static void let_go(Opened *opened)
{
    PyBuffer_Release(&opened->members);
    PyBuffer_Release(&opened->factor);
    PyBuffer_Release(&opened->mask);
    PyBuffer_Release(&opened->out);
}

/* The buffers of a call; 0 with an error set when they do not fit each other. Where `single` is negative, the members
 * know their width. */
static int open_up(PyObject *members, int single, PyObject *factor, PyObject *mask, PyObject *out, Opened *opened)
{
    memset(opened, 0, sizeof *opened);
    if (!buffer_of(members, &opened->members, PyBUF_SIMPLE) || !buffer_of(factor, &opened->factor, PyBUF_SIMPLE) ||
        !buffer_of(mask, &opened->mask, PyBUF_SIMPLE) || !buffer_of(out, &opened->out, PyBUF_WRITABLE)) {
        let_go(opened);
        return 0;
    }
    if (single < 0)
        single = opened->members.itemsize == (Py_ssize_t)sizeof(float);
    Py_ssize_t size = opened->members.len / (Py_ssize_t)(single ? sizeof(float) : sizeof(double));
    opened->of = (Stretch){opened->members.buf, opened->factor.buf, opened->mask.buf, size};
    opened->variant = (single ? 4 : 0) + (factor == Py_None ? 0 : 2) + (mask == Py_None ? 0 : 1);
    if ((factor != Py_None && opened->factor.len != size * (Py_ssize_t)sizeof(double)) ||
        (mask != Py_None && opened->mask.len != size)) {
        let_go(opened);
        PyErr_SetString(PyExc_ValueError, "sizes of the buffers do not fit");
        return 0;
    }
    return 1;
}

/* One of several passes: the largest values when group is 0, else sums of squares. */
typedef struct {
    Opened opened;
    double sign;
    Py_ssize_t keep, group, room;
    Answer answer;
} Pass;

/* Room for the candidates of one pass, then for the values its threshold is guessed from; the passes of a call use it one
 * after the other, since fresh memory is dear. Of a short stretch a threshold is guessed from so few values that many
 * more than asked for may reach it. */
static Py_ssize_t room_of(Pass *pass)
{
    Py_ssize_t size = pass->opened.of.size, some = 4 * pass->keep + 256;
    pass->room = pass->keep * LANES >= size || some > size ? size : some;
    return pass->group > 0 ? 0 : pass->room + size / step_of(size) + 1;
}

static void run(Pass *pass, double *scratch)
{
    double *out = pass->opened.out.buf;
    Py_ssize_t length = pass->opened.out.len / (Py_ssize_t)sizeof(double);
    if (pass->group > 0) {
        SQUARES[pass->opened.variant](&pass->opened.of, pass->group, length, out);
        return;
    }
    pass->answer = SELECT[pass->opened.variant](&pass->opened.of, pass->sign, pass->keep, scratch, pass->room,
                                                scratch + pass->room);
    if (pass->answer.found > 0)
        memcpy(out, scratch, sizeof(double) * (size_t)pass->answer.found);
}

static int open_pass(PyObject *item, Pass *pass)
{
    PyObject *members, *factor, *mask, *out;
    int single;
    memset(pass, 0, sizeof *pass);
    if (!PyArg_ParseTuple(item, "OiOOdnnO", &members, &single, &factor, &mask, &pass->sign, &pass->keep, &pass->group,
                          &out) ||
        !open_up(members, single, factor, mask, out, &pass->opened))
        return 0;
    Py_ssize_t length = pass->opened.out.len / (Py_ssize_t)sizeof(double);
    if (pass->group < 0 || (pass->group > 0 && length > pass->opened.of.size / pass->group)) {
        let_go(&pass->opened);
        PyErr_SetString(PyExc_ValueError, "more groups than there are members");
        return 0;
    }
    /* Never more than there is room for. */
    pass->keep = pass->keep < 0 ? 0 : pass->keep > length ? length : pass->keep;
    return 1;
}

/* Passes over several stretches without the interpreter lock: for each the number of values, the largest, how many of
 * the largest were kept, and the least of these. */
static PyObject *look(PyObject *module, PyObject *items)
{
    (void)module;
    Py_ssize_t count = PyList_Size(items), opened = 0;
    if (count < 0)
        return NULL;
    Pass *passes = malloc(sizeof(Pass) * (size_t)(count + 1));
    if (passes == NULL)
        return PyErr_NoMemory();
    Py_ssize_t most = 1;
    while (opened < count && open_pass(PyList_GetItem(items, opened), &passes[opened])) {
        Py_ssize_t needed = room_of(&passes[opened++]);
        most = needed > most ? needed : most;
    }
    PyObject *found = NULL;
    double *scratch = opened == count ? malloc(sizeof(double) * (size_t)most) : NULL;
    if (scratch != NULL) {
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t at = 0; at < count; at++)
            run(&passes[at], scratch);
        Py_END_ALLOW_THREADS
        free(scratch);
        found = PyList_New(count);
    } else if (opened == count) {
        PyErr_NoMemory();
    }
    for (Py_ssize_t at = 0; at < opened; at++) {
        Answer *answer = &passes[at].answer;
        if (found != NULL) {
            PyObject *entry = Py_BuildValue("ndnd", answer->valid, answer->top, answer->found, answer->least);
            if (entry == NULL || PyList_SetItem(found, at, entry) < 0)
                Py_CLEAR(found);
        }
        let_go(&passes[at].opened);
    }
    free(passes);
    return found;
}

static PyObject *same_holes(PyObject *module, PyObject *args)
{
    PyObject *members, *mask;
    int single, same = 0;
    Opened opened;
    (void)module;
    if (!PyArg_ParseTuple(args, "OiO", &members, &single, &mask) ||
        !open_up(members, single, Py_None, mask, Py_None, &opened))
        return NULL;
    Py_BEGIN_ALLOW_THREADS
    Py_ssize_t differing = 0;
    if (single) {
        const float *values = opened.of.members;
        for (Py_ssize_t at = 0; at < opened.of.size; at++)
            differing += (values[at] != values[at]) != opened.of.mask[at];
    } else {
        const double *values = opened.of.members;
        for (Py_ssize_t at = 0; at < opened.of.size; at++)
            differing += (values[at] != values[at]) != opened.of.mask[at];
    }
    same = differing == 0;
    Py_END_ALLOW_THREADS
    let_go(&opened);
    return PyBool_FromLong(same);
}

INLINE void look_at_step(const double *from, double *known, double *zeros, double *least)
{
    double step = from[1] - from[0], size = __builtin_fabs(step);
    *known += step == step ? 1.0 : 0.0;
    *zeros += step == 0 ? 1.0 : 0.0;
    size = size > 0 ? size : __builtin_inf();
    *least = size < *least ? size : *least;
}

/* Steps from each sample of a row to the next: counts = {steps known, equal neighbours, steps that move}; zero beside
 * zero is neither known nor equal. `equal` marks equal neighbours, `held` counts them in bins of `width` steps, where
 * the first step has the number `first`. */
static void neighbours_in(const double *row, Py_ssize_t steps, int64_t first, int64_t width, uint8_t *equal,
                          int64_t *counts, double *smallest, int64_t *held)
{
    /* Lanes of doubles, so that a compiler may take several steps at once. */
    double known[LANES] = {0}, zeros[LANES] = {0}, least[LANES];
    for (int lane = 0; lane < LANES; lane++)
        least[lane] = __builtin_inf();
    Py_ssize_t at = 0;
    for (; at + LANES <= steps; at += LANES)
        for (int lane = 0; lane < LANES; lane++)
            look_at_step(row + at + lane, &known[lane], &zeros[lane], &least[lane]);
    for (; at < steps; at++)
        look_at_step(row + at, known, zeros, least);
    for (at = 0; at < steps; at++)
        equal[at] = (row[at + 1] - row[at] == 0) & (row[at + 1] != 0);
    counts[1] = counts[2] = 0;
    *smallest = __builtin_inf();
    for (int lane = 0; lane < LANES; lane++) {
        counts[2] += (int64_t)(known[lane] - zeros[lane]);
        *smallest = least[lane] < *smallest ? least[lane] : *smallest;
    }
    for (at = 0; at < steps;) {
        int64_t bin = (first + at) / width - first / width;
        Py_ssize_t end = (Py_ssize_t)((first / width + bin + 1) * width - first);
        if (end > steps)
            end = steps;
        int64_t total = 0;
        for (; at < end; at++)
            total += equal[at];
        held[bin] = total;
        counts[1] += total;
    }
    counts[0] = counts[1] + counts[2];
}

static int open_all(PyObject *const *objects, Py_buffer *buffers, int count, int writable_from)
{
    for (int at = 0; at < count; at++)
        if (PyObject_GetBuffer(objects[at], &buffers[at], at < writable_from ? PyBUF_SIMPLE : PyBUF_WRITABLE) < 0) {
            while (at-- > 0)
                PyBuffer_Release(&buffers[at]);
            return 0;
        }
    return 1;
}

static PyObject *close_all(Py_buffer *buffers, int count, int fits)
{
    for (int at = 0; at < count; at++)
        PyBuffer_Release(&buffers[at]);
    if (!fits) {
        if (!PyErr_Occurred())
            PyErr_SetString(PyExc_ValueError, "sizes of the buffers do not fit");
        return NULL;
    }
    Py_INCREF(Py_None);
    return Py_None;
}

static PyObject *neighbours(PyObject *module, PyObject *args)
{
    PyObject *objects[5];
    Py_buffer buffers[5];
    Py_ssize_t rows;
    long long first, width;
    (void)module;
    if (!PyArg_ParseTuple(args, "OnLLOOOO", &objects[0], &rows, &first, &width, &objects[1], &objects[2], &objects[3],
                          &objects[4]))
        return NULL;
    if (!open_all(objects, buffers, 5, 1))
        return NULL;
    Py_ssize_t columns = rows > 0 ? buffers[0].len / (Py_ssize_t)sizeof(double) / rows : 0, steps = columns - 1;
    int fits = steps > 0 && first >= 0 && width > 0;
    Py_ssize_t bins = fits ? (Py_ssize_t)((first + steps - 1) / width - first / width + 1) : 0;
    fits = fits && buffers[0].len == rows * columns * (Py_ssize_t)sizeof(double) && buffers[1].len == rows * steps &&
           buffers[2].len == rows * 3 * (Py_ssize_t)sizeof(int64_t) &&
           buffers[3].len == rows * (Py_ssize_t)sizeof(double) &&
           buffers[4].len == rows * bins * (Py_ssize_t)sizeof(int64_t);
    if (fits) {
        const double *values = buffers[0].buf;
        uint8_t *equal = buffers[1].buf;
        int64_t *counts = buffers[2].buf, *held = buffers[4].buf;
        double *smallest = buffers[3].buf;
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t row = 0; row < rows; row++)
            neighbours_in(values + row * columns, steps, first, width, equal + row * steps, counts + row * 3,
                          smallest + row, held + row * bins);
        Py_END_ALLOW_THREADS
    }
    return close_all(buffers, 5, fits);
}

/* A number for each row of samples, by which rows of equal values are known: a sum of their bits times weights. */
static PyObject *marks(PyObject *module, PyObject *args)
{
    PyObject *objects[3];
    Py_buffer buffers[3];
    Py_ssize_t rows;
    (void)module;
    if (!PyArg_ParseTuple(args, "OnOO", &objects[0], &rows, &objects[1], &objects[2]) ||
        !open_all(objects, buffers, 3, 2))
        return NULL;
    Py_ssize_t columns = buffers[1].len / (Py_ssize_t)sizeof(uint64_t);
    int fits = buffers[0].len == rows * columns * (Py_ssize_t)sizeof(uint64_t) &&
               buffers[2].len == rows * (Py_ssize_t)sizeof(uint64_t);
    if (fits) {
        const uint64_t *bits = buffers[0].buf, *weights = buffers[1].buf;
        uint64_t *out = buffers[2].buf;
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t row = 0; row < rows; row++, bits += columns) {
            uint64_t total = 0;
            for (Py_ssize_t at = 0; at < columns; at++)
                total += (bits[at] ^ bits[at] >> 32) * weights[at];
            out[row] = total;
        }
        Py_END_ALLOW_THREADS
    }
    return close_all(buffers, 3, fits);
}

/* Where the largest value of each of several stretches first stands; -1 where all of them are NaN. */
static PyObject *largest_at(PyObject *module, PyObject *args)
{
    PyObject *objects[4];
    Py_buffer buffers[4];
    (void)module;
    if (!PyArg_ParseTuple(args, "OOOO", &objects[0], &objects[1], &objects[2], &objects[3]) ||
        !open_all(objects, buffers, 4, 3))
        return NULL;
    Py_ssize_t count = buffers[1].len / (Py_ssize_t)sizeof(int64_t), size = buffers[0].len / (Py_ssize_t)sizeof(double);
    int fits = buffers[2].len == buffers[1].len && buffers[3].len == buffers[1].len;
    const int64_t *first = buffers[1].buf, *end = buffers[2].buf;
    for (Py_ssize_t one = 0; fits && one < count; one++)
        fits = first[one] >= 0 && end[one] <= size;
    if (fits) {
        const double *values = buffers[0].buf;
        int64_t *out = buffers[3].buf;
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t one = 0; one < count; one++) {
            int64_t found = -1;
            double top = 0;
            for (int64_t at = first[one]; at < end[one]; at++)
                if (found < 0 ? values[at] == values[at] : values[at] > top) {
                    found = at;
                    top = values[at];
                }
            out[one] = found;
        }
        Py_END_ALLOW_THREADS
    }
    return close_all(buffers, 4, fits);
}

/* What is asked of one of several stretches of one length; sweep.py makes such rows. `by` are for values the number to
 * keep and the share as a fraction, for sums the size of a group; answers are written from `at` on: number of values,
 * the largest, the one of the rank that the share gives, or the sums. */
typedef struct {
    int64_t item, kind, start, end, by[3], at;
} Asked;

enum { LARGEST, SMALLEST, SUMS };

typedef struct {
    double *room;
    Py_ssize_t size;
} Scratch;

static int make_room(Scratch *scratch, Py_ssize_t size)
{
    if (size > scratch->size) {
        free(scratch->room);
        scratch->room = malloc(sizeof(double) * (size_t)size);
        scratch->size = scratch->room == NULL ? 0 : size;
    }
    return scratch->room != NULL;
}

/* Number of values, the largest times sign, and the reading of rank ceil(share x number of values) when they are sorted
 * with the farthest last (counting.rank); 0 without memory. */
static int rank_in(const Stretch *of, int variant, const Asked *asked, Scratch *scratch, double *out)
{
    double sign = asked->kind == SMALLEST ? -1.0 : 1.0;
    Py_ssize_t keep = (Py_ssize_t)asked->by[0], room = of->size;
    if (keep < of->size / LANES && 4 * keep + 256 < room)
        room = 4 * keep + 256;
    Answer answer;
    for (;;) {
        if (!make_room(scratch, room + of->size / step_of(of->size) + 1))
            return 0;
        answer = SELECT[variant](of, sign, keep, scratch->room, room, scratch->room + room);
        if (answer.found >= 0)
            break;
        /* Of a short stretch a threshold is guessed from so few values that many more may reach it. */
        room = of->size;
    }
    out[0] = (double)answer.valid;
    out[1] = answer.top;
    out[2] = __builtin_nan("");
    if (answer.valid == 0)
        return 1;
    int64_t rank = (asked->by[1] * answer.valid + asked->by[2] - 1) / asked->by[2];
    Py_ssize_t place = answer.valid - (Py_ssize_t)(rank < 1 ? 1 : rank) + 1;
    if (place < answer.found)
        answer.least = bring_forward(scratch->room, answer.found, place);
    out[2] = sign * answer.least;
    return 1;
}

/* Whether a row asks for what there is, and its answer has room. */
static int holds(const Asked *asked, Py_ssize_t items, Py_ssize_t size, Py_ssize_t room)
{
    const int64_t *by = asked->by, most = (int64_t)1 << 31;
    if (asked->item < 0 || asked->item >= items || asked->start < 0 || asked->end < asked->start ||
        asked->end > size || asked->at < 0 || asked->at > room)
        return 0;
    if (asked->kind == SUMS)
        return by[0] > 0 && (asked->end - asked->start) / by[0] <= room - asked->at;
    return (asked->kind == LARGEST || asked->kind == SMALLEST) && room - asked->at >= 3 && by[0] > 0 && by[1] > 0 &&
           by[1] <= by[2] && by[2] < most && size < most;
}

/* Some values of a stretch. */
static Stretch part_of(const Opened *one, Py_ssize_t start, Py_ssize_t size)
{
    Stretch part = one->of;
    part.members = (const char *)part.members + start * (Py_ssize_t)(one->variant & 4 ? sizeof(float) : sizeof(double));
    part.factor = part.factor == NULL ? NULL : part.factor + start;
    part.mask = part.mask == NULL ? NULL : part.mask + start;
    part.size = size;
    return part;
}

static int answer_all(const Opened *opened, const Asked *asked, Py_ssize_t rows, double *out)
{
    Scratch scratch = {NULL, 0};
    int enough = 1;
    for (; enough && rows > 0; rows--, asked++) {
        const Opened *one = &opened[asked->item];
        Py_ssize_t start = (Py_ssize_t)asked->start, group = (Py_ssize_t)asked->by[0];
        Stretch part = part_of(one, start, (Py_ssize_t)asked->end - start);
        if (asked->kind == SUMS)
            SQUARES[one->variant](&part, group, part.size / group, out + asked->at);
        else
            enough = rank_in(&part, one->variant, asked, &scratch, out + asked->at);
    }
    free(scratch.room);
    return enough;
}

/* Opens (members, factor, mask) of `size` values each; the number opened, fewer with an error set. */
static Py_ssize_t open_items(PyObject *items, Py_ssize_t count, Py_ssize_t size, Opened *opened)
{
    for (Py_ssize_t at = 0; at < count; at++) {
        PyObject *members, *factor, *mask;
        PyObject *item = PyList_GetItem(items, at);
        if (!PyTuple_Check(item)) {
            PyErr_SetString(PyExc_TypeError, "items are tuples of members, factor and mask");
            return at;
        }
        if (!PyArg_ParseTuple(item, "OOO", &members, &factor, &mask) ||
            !open_up(members, -1, factor, mask, Py_None, &opened[at]))
            return at;
        if (opened[at].of.size != size) {
            let_go(&opened[at]);
            PyErr_SetString(PyExc_ValueError, "members of another length");
            return at;
        }
    }
    return count;
}

/* Stretches of one length and two buffers, the second of which is written to. */
typedef struct {
    Opened *opened;
    Py_ssize_t count, size;
    Py_buffer buffers[2];
} Several;

static PyObject *close_several(Several *several, int fits)
{
    while (several->count-- > 0)
        let_go(&several->opened[several->count]);
    free(several->opened);
    return close_all(several->buffers, 2, fits);
}

/* 0 with an error set where the arguments are no such thing. */
static int open_several(PyObject *args, Several *several)
{
    PyObject *items, *objects[2];
    if (!PyArg_ParseTuple(args, "O!nOO", &PyList_Type, &items, &several->size, &objects[0], &objects[1]) ||
        !open_all(objects, several->buffers, 2, 1))
        return 0;
    Py_ssize_t wanted = PyList_Size(items);
    several->count = 0;
    several->opened = malloc(sizeof(Opened) * (size_t)(wanted + 1));
    if (several->opened == NULL)
        PyErr_NoMemory();
    else
        several->count = open_items(items, wanted, several->size, several->opened);
    if (several->opened != NULL && several->count == wanted)
        return 1;
    close_several(several, 0);
    return 0;
}

/* Answers to what is asked of several stretches of one length, without the interpreter lock. */
static PyObject *sweep(PyObject *module, PyObject *args)
{
    Several several;
    (void)module;
    if (!open_several(args, &several))
        return NULL;
    const Asked *asked = several.buffers[0].buf;
    Py_ssize_t rows = several.buffers[0].len / (Py_ssize_t)sizeof(Asked);
    Py_ssize_t room = several.buffers[1].len / (Py_ssize_t)sizeof(double);
    int fits = 1;
    for (Py_ssize_t at = 0; fits && at < rows; at++)
        fits = holds(&asked[at], several.count, several.size, room);
    if (fits) {
        Py_BEGIN_ALLOW_THREADS
        fits = answer_all(several.opened, asked, rows, several.buffers[1].buf);
        Py_END_ALLOW_THREADS
        if (!fits)
            PyErr_NoMemory();
    }
    return close_several(&several, fits);
}

/* So many totals at a time, which stay near while one stretch after the other is added. */
#define NEAR 1024

/* Add the squares of the values of several stretches, each times a number, to totals, one stretch after the other. */
static PyObject *add_squares(PyObject *module, PyObject *args)
{
    Several several;
    (void)module;
    if (!open_several(args, &several))
        return NULL;
    const Py_ssize_t size = several.size;
    int fits = size >= 0 && several.buffers[0].len == several.count * (Py_ssize_t)sizeof(double) &&
               several.buffers[1].len == size * (Py_ssize_t)sizeof(double);
    if (fits) {
        const double *by = several.buffers[0].buf;
        double *totals = several.buffers[1].buf;
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t start = 0; start < size; start += NEAR)
            for (Py_ssize_t at = 0; at < several.count; at++) {
                Stretch part = part_of(&several.opened[at], start, size - start < NEAR ? size - start : NEAR);
                ADD[several.opened[at].variant](&part, by[at], totals + start);
            }
        Py_END_ALLOW_THREADS
    }
    return close_several(&several, fits);
}

static PyMethodDef methods[] = {
    {"sweep", sweep, METH_VARARGS, "Ranks and squares asked of several stretches; sweep.py."},
    {"largest_at", largest_at, METH_VARARGS, "Where the largest values of stretches stand; passes.py."},
    {"neighbours", neighbours, METH_VARARGS, "Steps between neighbouring samples of rows; passes.py."},
    {"marks", marks, METH_VARARGS, "Numbers by which equal rows are known; passes.py."},
    {"same_holes", same_holes, METH_VARARGS, "Whether values are missing just where a mask is set; passes.py."},
    {"add_squares", add_squares, METH_VARARGS, "Add the squares of several stretches to totals; passes.py."},
    {"look", look, METH_O, "Largest values or squares of several stretches; passes.py."},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef definition = {
    PyModuleDef_HEAD_INIT, "_passes", "Compiled half of passes.py.", 0, methods, NULL, NULL, NULL, NULL,
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
