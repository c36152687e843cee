/* How Python is met: arrays come in by the buffer protocol, and the lock of the interpreter is let go while loops run. Only the stable
 * interface is used, so one build serves every later Python. For the files that make the module. */
#ifndef BUCKWRIGHT_ARRAYS_H
#define BUCKWRIGHT_ARRAYS_H

#define Py_LIMITED_API 0x030B0000
#define PY_SSIZE_T_CLEAN
#include <Python.h>

#include <stdint.h>

#define TREE_NAME "lint.loops.tree"

/* An array in one piece of memory, rows x columns (columns 0: one number a row); kind: its numbers, as in the module struct. */
typedef struct {
    Py_buffer view;
    int64_t rows;
} Array;

static inline int take(PyObject *from, Array *to, char kind, int columns, int writable, const char *name)
{
    if (PyObject_GetBuffer(from, &to->view, PyBUF_FORMAT | PyBUF_C_CONTIGUOUS | (writable ? PyBUF_WRITABLE : 0)) < 0)
        return -1;
    const char *format = to->view.format ? to->view.format : "B";
    int whole = kind == 'q' && (*format == 'q' || *format == 'l') && to->view.itemsize == 8;
    int plain = kind == '?' && (*format == '?' || *format == 'B') && to->view.itemsize == 1;
    int good = whole || plain || (kind == 'd' && *format == 'd');
    good = good && to->view.ndim == (columns ? 2 : 1) && (!columns || to->view.shape[1] == columns);
    if (!good) {
        PyBuffer_Release(&to->view);
        PyErr_Format(PyExc_TypeError, "%s: an array of another shape or of other numbers is wanted", name);
        return -1;
    }
    to->rows = to->view.shape[0];
    return 0;
}

static inline void drop(Array *some, int count)
{
    for (int k = 0; k < count; k++)
        PyBuffer_Release(&some[k].view);
}

typedef struct {
    PyObject *from;
    char kind;
    int columns, writable;
    const char *name;
} Want;

/* All the arrays or none. */
static inline int take_all(const Want *want, Array *to, int count)
{
    for (int k = 0; k < count; k++)
        if (take(want[k].from, to + k, want[k].kind, want[k].columns, want[k].writable, want[k].name) < 0) {
            drop(to, k);
            return -1;
        }
    return 0;
}

static inline PyObject *wrong(Array *some, int count, const char *why)
{
    drop(some, count);
    PyErr_SetString(PyExc_ValueError, why);
    return NULL;
}

static inline int within(const int64_t *number, int64_t count, int64_t below)
{
    for (int64_t i = 0; i < count; i++)
        if (number[i] < 0 || number[i] >= below)
            return 0;
    return 1;
}

/* Loops over the faces of a skin, in faces_module.c. */
PyObject *py_facets(PyObject *self, PyObject *args);
PyObject *py_sides(PyObject *self, PyObject *args);
PyObject *py_folds(PyObject *self, PyObject *args);
PyObject *py_plain(PyObject *self, PyObject *args);
PyObject *py_sags(PyObject *self, PyObject *args);
PyObject *py_middle(PyObject *self, PyObject *args);
PyObject *py_powers(PyObject *self, PyObject *args);

/* Loops over edges and shells, in edges_module.c. */
PyObject *py_edges(PyObject *self, PyObject *args);
PyObject *py_walks(PyObject *self, PyObject *args);
PyObject *py_boxes(PyObject *self, PyObject *args);
PyObject *py_volumes(PyObject *self, PyObject *args);

/* Loops over the surroundings of points, in rough_module.c. */
PyObject *py_rings(PyObject *self, PyObject *args);
PyObject *py_normals(PyObject *self, PyObject *args);
PyObject *py_quadrics(PyObject *self, PyObject *args);
PyObject *py_residues(PyObject *self, PyObject *args);
PyObject *py_middles(PyObject *self, PyObject *args);
PyObject *py_few(PyObject *self, PyObject *args);

/* Over what lies about a point, over lines of a grid and down a skin, in about_module.c. */
PyObject *py_about(PyObject *self, PyObject *args);
PyObject *py_columns(PyObject *self, PyObject *args);
PyObject *py_descend(PyObject *self, PyObject *args);

#endif
