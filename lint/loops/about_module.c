/* The loops over what lies about a point, over lines of a grid and down a skin, as Python asks for them. */
#include "arrays.h"
#include "loops.h"

#include <stdlib.h>

PyObject *py_about(PyObject *self, PyObject *args)
{
    PyObject *capsule;
    double point[3], across[3], reach;
    (void)self;
    if (!PyArg_ParseTuple(args, "O(ddd)d(ddd)", &capsule, point, point + 1, point + 2, &reach, across, across + 1, across + 2))
        return NULL;
    const Tree *tree = PyCapsule_GetPointer(capsule, TREE_NAME);
    if (!tree)
        return NULL;
    Few found = {0};
    int failed;
    Py_BEGIN_ALLOW_THREADS
    failed = tree_about(tree, point, reach, across, &found);
    Py_END_ALLOW_THREADS
    PyObject *said = failed ? PyErr_NoMemory() : PyBytes_FromStringAndSize((const char *)found.face, (Py_ssize_t)(found.count * sizeof *found.face));
    free(found.face);
    return said;
}

PyObject *py_columns(PyObject *self, PyObject *args)
{
    PyObject *x, *y, *vertices, *faces;
    long long wide, deep;
    Array in[4];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOLL", &x, &y, &vertices, &faces, &wide, &deep))
        return NULL;
    if (take_all((Want[]){{x, 'd', 0, 0, "x"}, {y, 'd', 0, 0, "y"}, {vertices, 'd', 3, 0, "vertices"}, {faces, 'q', 3, 0, "faces"}}, in, 4) < 0)
        return NULL;
    int64_t n = in[2].rows, m = in[3].rows;
    if (in[0].rows != n || in[1].rows != n || wide < 0 || deep < 0 || wide > INT32_MAX || deep > INT32_MAX || !within(in[3].view.buf, 3 * m, n))
        return wrong(in, 4, "faces of points that there are, with two coordinates in the grid each, are wanted");
    Met found = {0};
    int failed;
    Py_BEGIN_ALLOW_THREADS
    failed = column_crossings(in[0].view.buf, in[1].view.buf, in[2].view.buf, in[3].view.buf, m, wide, deep, &found);
    Py_END_ALLOW_THREADS
    drop(in, 4);
    const void *part[4] = {found.column, found.height, found.face, found.up};
    const size_t size[4] = {sizeof *found.column, sizeof *found.height, sizeof *found.face, sizeof *found.up};
    PyObject *all = failed ? PyErr_NoMemory() : PyTuple_New(4);
    for (int k = 0; all && k < 4; k++) {
        PyObject *one = PyByteArray_FromStringAndSize(part[k], (Py_ssize_t)(found.count * (int64_t)size[k]));
        if (!one || PyTuple_SetItem(all, k, one) < 0) {
            Py_DECREF(all);
            all = NULL;
        }
    }
    free(found.column);
    free(found.height);
    free(found.face);
    free(found.up);
    return all;
}

PyObject *py_descend(PyObject *self, PyObject *args)
{
    PyObject *vertices, *faces, *ends, *basin, *face_basin, *twice, *up, *apart;
    Array in[8];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOOOOO", &vertices, &faces, &ends, &basin, &face_basin, &twice, &up, &apart))
        return NULL;
    if (take_all((Want[]){{vertices, 'd', 3, 0, "vertices"}, {faces, 'q', 3, 0, "faces"}, {ends, 'q', 2, 0, "ends"}, {basin, 'q', 0, 1, "basin"},
                          {face_basin, 'q', 0, 1, "face_basin"}, {twice, 'd', 0, 1, "twice"}, {up, '?', 0, 1, "up"},
                          {apart, 'q', 0, 1, "apart"}}, in, 8) < 0)
        return NULL;
    int64_t n = in[0].rows, m = in[1].rows, e = in[2].rows;
    if (in[3].rows != n || in[4].rows != m || in[5].rows != m || in[6].rows != n || in[7].rows != e ||
        !within(in[1].view.buf, 3 * m, n) || !within(in[2].view.buf, 2 * e, n))
        return wrong(in, 8, "faces and edges of points that there are, and room for what is told of each, are wanted");
    int64_t count;
    Py_BEGIN_ALLOW_THREADS
    count = descend(in[0].view.buf, n, in[1].view.buf, m, in[2].view.buf, e, in[3].view.buf, in[4].view.buf, in[5].view.buf, in[6].view.buf,
                    in[7].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 8);
    return count < 0 ? PyErr_NoMemory() : PyLong_FromLongLong(count);
}
