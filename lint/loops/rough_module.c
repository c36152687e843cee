/* The loops over the surroundings of points, as Python asks for them. */
#include "arrays.h"
#include "loops.h"

#include <stdlib.h>

PyObject *py_rings(PyObject *self, PyObject *args)
{
    PyObject *ends, *points, *start[2];
    long long n, fewest;
    Array in[4];
    (void)self;
    if (!PyArg_ParseTuple(args, "OLOLOO", &ends, &n, &points, &fewest, start, start + 1))
        return NULL;
    if (take_all((Want[]){{ends, 'q', 2, 0, "ends"}, {points, 'q', 0, 0, "points"}, {start[0], 'q', 0, 1, "start"},
                          {start[1], 'q', 0, 1, "start"}}, in, 4) < 0)
        return NULL;
    int64_t e = in[0].rows, k = in[1].rows;
    if (n < 0 || n >= INT32_MAX || k >= INT32_MAX || 2 * e + n >= INT32_MAX || in[2].rows != k + 1 || in[3].rows != k + 1 ||
        !within(in[0].view.buf, 2 * e, n) || !within(in[1].view.buf, k, n))
        return wrong(in, 4, "edges and points that there are, and one place more than points, are wanted");
    Numbers found[2] = {{0}};
    int failed;
    Py_BEGIN_ALLOW_THREADS
    failed = point_rings(in[0].view.buf, e, n, in[1].view.buf, k, fewest, (int64_t *[]){in[2].view.buf, in[3].view.buf}, found);
    Py_END_ALLOW_THREADS
    drop(in, 4);
    PyObject *both = failed ? PyErr_NoMemory() : PyTuple_New(2);
    for (int r = 0; r < 2; r++) {
        PyObject *one = both ? PyBytes_FromStringAndSize((const char *)found[r].number, (Py_ssize_t)(found[r].count * sizeof(int64_t))) : NULL;
        free(found[r].number);
        if (both && (!one || PyTuple_SetItem(both, r, one) < 0)) {
            Py_DECREF(both);
            both = NULL;
        }
    }
    return both;
}

PyObject *py_normals(PyObject *self, PyObject *args)
{
    PyObject *faces, *normal, *area, *points, *unit;
    long long n;
    Array in[5];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOLOO", &faces, &normal, &area, &n, &points, &unit))
        return NULL;
    if (take_all((Want[]){{faces, 'q', 3, 0, "faces"}, {normal, 'd', 3, 0, "normal"}, {area, 'd', 0, 0, "area"},
                          {points, 'q', 0, 0, "points"}, {unit, 'd', 3, 1, "unit"}}, in, 5) < 0)
        return NULL;
    int64_t m = in[0].rows, k = in[3].rows;
    if (n < 0 || k >= INT32_MAX || in[1].rows != m || in[2].rows != m || in[4].rows != k || !within(in[0].view.buf, 3 * m, n) ||
        !within(in[3].view.buf, k, n))
        return wrong(in, 5, "faces and points that there are, a normal and an area a face and a row a point are wanted");
    int failed;
    Py_BEGIN_ALLOW_THREADS
    failed = point_normals(in[0].view.buf, in[1].view.buf, in[2].view.buf, m, n, in[3].view.buf, k, in[4].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 5);
    if (failed)
        return PyErr_NoMemory();
    Py_RETURN_NONE;
}

/* Whether every one of k points has at least one neighbour, and all together that many. */
static int well_begun(const int64_t *begin, int64_t k, int64_t all)
{
    for (int64_t i = 0; i < k; i++)
        if (begin[i] >= begin[i + 1])
            return 0;
    return begin[0] == 0 && begin[k] == all;
}

PyObject *py_quadrics(PyObject *self, PyObject *args)
{
    PyObject *vertices, *points, *normal, *begin, *neighbour, *at, *left, *right, *reach;
    Array in[9];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOOOOOO", &vertices, &points, &normal, &begin, &neighbour, &at, &left, &right, &reach))
        return NULL;
    if (take_all((Want[]){{vertices, 'd', 3, 0, "vertices"}, {points, 'q', 0, 0, "points"}, {normal, 'd', 3, 0, "normal"},
                          {begin, 'q', 0, 0, "begin"}, {neighbour, 'q', 0, 0, "neighbour"}, {at, 'd', 0, 1, "at"},
                          {left, 'd', 36, 1, "left"}, {right, 'd', 6, 1, "right"}, {reach, 'd', 0, 1, "reach"}}, in, 9) < 0)
        return NULL;
    int64_t n = in[0].rows, k = in[1].rows, all = in[4].rows;
    int good = in[2].rows == k && in[3].rows == k + 1 && in[5].rows == 3 * all && in[6].rows == k && in[7].rows == k && in[8].rows == k;
    if (!good || !well_begun(in[3].view.buf, k, all) || !within(in[1].view.buf, k, n) || !within(in[4].view.buf, all, n))
        return wrong(in, 9, "points that there are, with neighbours, a normal and room for what is said of each, are wanted");
    Cloud of = {in[0].view.buf, in[2].view.buf, in[1].view.buf, in[3].view.buf, in[4].view.buf, k};
    int failed;
    Py_BEGIN_ALLOW_THREADS
    failed = quadric_sums(&of, in[5].view.buf, in[6].view.buf, in[7].view.buf, in[8].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 9);
    if (failed)
        return PyErr_NoMemory();
    Py_RETURN_NONE;
}

PyObject *py_residues(PyObject *self, PyObject *args)
{
    PyObject *at, *begin, *solved, *square;
    Array in[4];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOO", &at, &begin, &solved, &square))
        return NULL;
    if (take_all((Want[]){{at, 'd', 0, 0, "at"}, {begin, 'q', 0, 0, "begin"}, {solved, 'd', 6, 0, "solved"},
                          {square, 'd', 0, 1, "square"}}, in, 4) < 0)
        return NULL;
    int64_t k = in[2].rows, all = in[0].rows / 3;
    if (in[1].rows != k + 1 || in[3].rows != k || in[0].rows != 3 * all || !well_begun(in[1].view.buf, k, all))
        return wrong(in, 4, "neighbours, a solution and room for a number of each point are wanted");
    int failed;
    Py_BEGIN_ALLOW_THREADS
    failed = quadric_residues(in[0].view.buf, in[1].view.buf, k, in[2].view.buf, in[3].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 4);
    if (failed)
        return PyErr_NoMemory();
    Py_RETURN_NONE;
}

PyObject *py_middles(PyObject *self, PyObject *args)
{
    PyObject *value, *around, *middle;
    int many;
    Array in[3];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOiO", &value, &around, &many, &middle))
        return NULL;
    if (take_all((Want[]){{value, 'd', 0, 0, "value"}, {around, 'q', many, 0, "around"}, {middle, 'd', 0, 1, "middle"}}, in, 3) < 0)
        return NULL;
    int64_t k = in[1].rows;
    if (many < 1 || in[2].rows != k || !within(in[1].view.buf, k * many, in[0].rows))
        return wrong(in, 3, "numbers that there are, and room for one a row, are wanted");
    int failed;
    Py_BEGIN_ALLOW_THREADS
    failed = middle_values(in[0].view.buf, in[1].view.buf, k, many, in[2].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 3);
    if (failed)
        return PyErr_NoMemory();
    Py_RETURN_NONE;
}

PyObject *py_few(PyObject *self, PyObject *args)
{
    PyObject *points, *nearest;
    int few, sorted;
    Array in[2];
    (void)self;
    if (!PyArg_ParseTuple(args, "OiiO", &points, &few, &sorted, &nearest))
        return NULL;
    if (take_all((Want[]){{points, 'd', 3, 0, "points"}, {nearest, 'q', few, 1, "nearest"}}, in, 2) < 0)
        return NULL;
    int64_t n = in[0].rows;
    const double *at = in[0].view.buf;
    int good = few > 0 && few <= n && sorted <= few && n < INT32_MAX && in[1].rows == n;
    for (int64_t i = 0; good && i < 3 * n; i++)
        good = at[i] - at[i] == 0;
    if (!good)
        return wrong(in, 2, "finite points, at least as many as are wanted of each, and room for those are wanted");
    int failed;
    Py_BEGIN_ALLOW_THREADS
    failed = nearest_few(at, n, few, sorted, in[1].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 2);
    if (failed)
        return PyErr_NoMemory();
    Py_RETURN_NONE;
}
