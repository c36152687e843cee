/* What Python may ask for, and the loops over trees, points and half-edges; those over faces, edges, the surroundings of points and what
 * lies about a point are in faces_module.c, edges_module.c, rough_module.c and about_module.c. */
#include "arrays.h"

#include <limits.h>
#include <stdlib.h>
#ifdef __GLIBC__
#include <malloc.h>
#endif

#include "loops.h"

/* Whether the points that are named are neither infinite nor no number. */
static int all_finite(const double *point, const int64_t *number, int64_t count)
{
    for (int64_t i = 0; i < count; i++)
        for (int a = 0; a < 3; a++)
            if (point[3 * number[i] + a] - point[3 * number[i] + a] != 0)
                return 0;
    return 1;
}

static void free_tree(PyObject *capsule)
{
    tree_free(PyCapsule_GetPointer(capsule, TREE_NAME));
}

static PyObject *py_tree(PyObject *self, PyObject *args)
{
    PyObject *vertices, *faces;
    Array in[2];
    (void)self;
    if (!PyArg_ParseTuple(args, "OO", &vertices, &faces))
        return NULL;
    if (take_all((Want[]){{vertices, 'd', 3, 0, "vertices"}, {faces, 'q', 3, 0, "faces"}}, in, 2) < 0)
        return NULL;
    int64_t n = in[0].rows, m = in[1].rows;
    const int64_t *corner = in[1].view.buf;
    const double *point = in[0].view.buf;
    if (!(m > 0 && m < MOST_FACES && n < INT32_MAX && within(corner, 3 * m, n) && all_finite(point, corner, 3 * m)))
        return wrong(in, 2, "faces that a tree can be made of, with finite corners, are wanted");
    Tree *tree;
    Py_BEGIN_ALLOW_THREADS
    tree = tree_build(point, n, corner, m);
    Py_END_ALLOW_THREADS
    drop(in, 2);
    if (!tree)
        return PyErr_NoMemory();
    PyObject *capsule = PyCapsule_New(tree, TREE_NAME, free_tree);
    if (!capsule)
        tree_free(tree);
    return capsule;
}

static PyObject *py_cast(PyObject *self, PyObject *args)
{
    PyObject *capsule, *origin, *direction, *normal, *face, *far;
    double reach;
    int facing;
    Array in[5];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOdiOOO", &capsule, &origin, &direction, &reach, &facing, &normal, &face, &far))
        return NULL;
    const Tree *tree = PyCapsule_GetPointer(capsule, TREE_NAME);
    int count = facing ? 5 : 4;
    if (!tree || take_all((Want[]){{origin, 'd', 3, 0, "origins"}, {direction, 'd', 3, 0, "directions"}, {face, 'q', 0, 1, "face"},
                                   {far, 'd', 0, 1, "far"}, {normal, 'd', 3, 0, "normals"}}, in, count) < 0)
        return NULL;
    for (int k = 1; k < 4; k++)
        if (in[k].rows != in[0].rows)
            return wrong(in, count, "one direction, face and distance a ray are wanted");
    if (facing && in[4].rows != tree->faces)
        return wrong(in, count, "one normal a face is wanted");
    Py_BEGIN_ALLOW_THREADS
    tree_cast(tree, in[0].view.buf, in[1].view.buf, in[0].rows, reach, facing, facing ? in[4].view.buf : NULL, in[2].view.buf, in[3].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, count);
    Py_RETURN_NONE;
}

static PyObject *py_nearest(PyObject *self, PyObject *args)
{
    PyObject *capsule, *point, *face, *square, *spot;
    double reach;
    Array in[4];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOdOOO", &capsule, &point, &reach, &face, &square, &spot))
        return NULL;
    const Tree *tree = PyCapsule_GetPointer(capsule, TREE_NAME);
    int count = spot == Py_None ? 3 : 4;
    if (!tree || take_all((Want[]){{point, 'd', 3, 0, "points"}, {face, 'q', 0, 1, "face"}, {square, 'd', 0, 1, "square"},
                                   {spot, 'd', 3, 1, "spot"}}, in, count) < 0)
        return NULL;
    for (int k = 1; k < count; k++)
        if (in[k].rows != in[0].rows)
            return wrong(in, count, "one face, square and spot a point are wanted");
    Py_BEGIN_ALLOW_THREADS
    tree_nearest(tree, in[0].view.buf, in[0].rows, reach, in[1].view.buf, in[2].view.buf, count == 4 ? in[3].view.buf : NULL);
    Py_END_ALLOW_THREADS
    drop(in, count);
    Py_RETURN_NONE;
}

static PyObject *py_pairs(PyObject *self, PyObject *args)
{
    PyObject *capsule, *normal, *usable, *simple;
    double tolerance, flat;
    Array in[3];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOdd", &capsule, &normal, &usable, &simple, &tolerance, &flat))
        return NULL;
    const Tree *tree = PyCapsule_GetPointer(capsule, TREE_NAME);
    if (!tree || take_all((Want[]){{normal, 'd', 3, 0, "normals"}, {usable, '?', 0, 0, "usable"}, {simple, '?', 0, 0, "simple"}}, in, 3) < 0)
        return NULL;
    for (int k = 0; k < 3; k++)
        if (in[k].rows != tree->faces)
            return wrong(in, 3, "one normal and two marks a face are wanted");
    Pairs found[KINDS] = {{0}};
    int failed;
    Py_BEGIN_ALLOW_THREADS
    failed = tree_pairs(tree, in[0].view.buf, in[1].view.buf, in[2].view.buf, tolerance, flat, found);
    Py_END_ALLOW_THREADS
    drop(in, 3);
    PyObject *all = failed ? PyErr_NoMemory() : PyTuple_New(KINDS);
    for (int k = 0; k < KINDS; k++) {
        PyObject *one = all ? PyBytes_FromStringAndSize((const char *)found[k].pair, (Py_ssize_t)(found[k].count * sizeof *found[k].pair)) : NULL;
        free(found[k].pair);
        if (all && (!one || PyTuple_SetItem(all, k, one) < 0)) {
            Py_DECREF(all);
            all = NULL;
        }
    }
    return all;
}

static PyObject *py_weld(PyObject *self, PyObject *args)
{
    PyObject *rows, *number, *row;
    Array in[3];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOO", &rows, &number, &row))
        return NULL;
    if (take_all((Want[]){{rows, 'd', 3, 0, "rows"}, {number, 'q', 0, 1, "number"}, {row, 'q', 0, 1, "row"}}, in, 3) < 0)
        return NULL;
    if (in[1].rows != in[0].rows || in[2].rows != in[0].rows)
        return wrong(in, 3, "one number and one place a row are wanted");
    int64_t count;
    Py_BEGIN_ALLOW_THREADS
    count = weld_rows(in[0].view.buf, in[0].rows, in[1].view.buf, in[2].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 3);
    return count < 0 ? PyErr_NoMemory() : PyLong_FromLongLong(count);
}

static PyObject *py_halves(PyObject *self, PyObject *args)
{
    PyObject *faces, *order, *first;
    long long n;
    Array in[3];
    (void)self;
    if (!PyArg_ParseTuple(args, "OLOO", &faces, &n, &order, &first))
        return NULL;
    if (take_all((Want[]){{faces, 'q', 3, 0, "faces"}, {order, 'q', 0, 1, "order"}, {first, '?', 0, 1, "first"}}, in, 3) < 0)
        return NULL;
    int64_t m = in[0].rows, count;
    if (n < 0 || in[1].rows != 3 * m || in[2].rows != 3 * m || !within(in[0].view.buf, 3 * m, n))
        return wrong(in, 3, "faces of points that there are, with three places and marks each, are wanted");
    Py_BEGIN_ALLOW_THREADS
    count = order_half_edges(in[0].view.buf, m, n, in[1].view.buf, in[2].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 3);
    return count < 0 ? PyErr_NoMemory() : PyLong_FromLongLong(count);
}

static PyObject *py_join(PyObject *self, PyObject *args)
{
    PyObject *one, *two, *label;
    Array in[3];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOO", &one, &two, &label))
        return NULL;
    if (take_all((Want[]){{one, 'q', 0, 0, "one"}, {two, 'q', 0, 0, "two"}, {label, 'q', 0, 1, "label"}}, in, 3) < 0)
        return NULL;
    int64_t n = in[2].rows, k = in[0].rows;
    const int64_t *a = in[0].view.buf, *b = in[1].view.buf;
    if (in[1].rows != k || !within(a, k, n) || !within(b, k, n))
        return wrong(in, 3, "links between nodes that there are, two ends each, are wanted");
    int64_t count;
    Py_BEGIN_ALLOW_THREADS
    count = join_nodes(n, a, b, k, in[2].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 3);
    return PyLong_FromLongLong(count);
}

static PyObject *py_hits(PyObject *self, PyObject *args)
{
    PyObject *vertices, *faces, *fresh, *hit;
    double fold;
    int first;
    Array in[4];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOdpO", &vertices, &faces, &fresh, &fold, &first, &hit))
        return NULL;
    if (take_all((Want[]){{vertices, 'd', 3, 0, "vertices"}, {faces, 'q', 3, 0, "faces"}, {fresh, '?', 0, 0, "fresh"},
                          {hit, '?', 0, 1, "hit"}}, in, 4) < 0)
        return NULL;
    int64_t n = in[0].rows, m = in[1].rows;
    if (in[2].rows != m || in[3].rows != m || m >= MOST_FACES || n >= INT32_MAX || !within(in[1].view.buf, 3 * m, n) ||
        !all_finite(in[0].view.buf, in[1].view.buf, 3 * m))
        return wrong(in, 4, "faces with finite corners, and two marks a face, are wanted");
    int found;
    Py_BEGIN_ALLOW_THREADS
    found = faces_hit(in[0].view.buf, n, in[1].view.buf, m, in[2].view.buf, fold, first, in[3].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 4);
    return found < 0 ? PyErr_NoMemory() : PyBool_FromLong(found);
}

static PyObject *py_hold(PyObject *self, PyObject *args)
{
    (void)self;
    (void)args;
#ifdef __GLIBC__
    mallopt(M_MMAP_THRESHOLD, 32 << 20); /* the largest that is taken */
    mallopt(M_TRIM_THRESHOLD, INT_MAX);
    mallopt(M_TOP_PAD, 64 << 20); /* grown in long steps */
    mallopt(M_ARENA_MAX, 1);      /* what one thread frees, another takes */
#endif
    Py_RETURN_NONE;
}

static PyMethodDef methods[] = {
    {"tree", py_tree, METH_VARARGS, "tree(vertices, faces): a tree of boxes over faces"},
    {"cast", py_cast, METH_VARARGS, "cast(tree, origins, directions, reach, facing, normals, face, far): fills face and far"},
    {"nearest", py_nearest, METH_VARARGS, "nearest(tree, points, reach, face, square, spot): fills face, square and, unless None, spot"},
    {"about", py_about, METH_VARARGS, "about(tree, point, reach, across): numbers of faces, as bytes of int32"},
    {"columns", py_columns, METH_VARARGS, "columns(x, y, vertices, faces, wide, deep): columns, heights, faces and sides, as arrays of bytes"},
    {"descend", py_descend, METH_VARARGS, "descend(vertices, faces, ends, five arrays): fills the five; how many edges part basins"},
    {"pairs", py_pairs, METH_VARARGS, "pairs(tree, normals, usable, simple, tolerance, flat): four kinds of pairs, as bytes of int32"},
    {"weld", py_weld, METH_VARARGS, "weld(rows, number, row): fills both; how many distinct rows there are"},
    {"halves", py_halves, METH_VARARGS, "halves(faces, points, order, first): fills both; how many half-edges there are"},
    {"edges", py_edges, METH_VARARGS, "edges(faces, order, first, eight arrays): fills the arrays; how many edges have two half-edges"},
    {"walks", py_walks, METH_VARARGS, "walks(faces, order, begin, most, unsound, several): fills both marks"},
    {"boxes", py_boxes, METH_VARARGS, "boxes(vertices, faces, label, low, high): widens both"},
    {"volumes", py_volumes, METH_VARARGS, "volumes(vertices, faces, label, start, six): adds to six"},
    {"join", py_join, METH_VARARGS, "join(one, two, label): fills label; how many components there are"},
    {"facets", py_facets, METH_VARARGS, "facets(vertices, faces, normal, area, centre): fills the three"},
    {"sides", py_sides, METH_VARARGS, "sides(vertices, faces, square): fills square"},
    {"folds", py_folds, METH_VARARGS, "folds(normals, centres, neighbours, agree, angle): fills angle"},
    {"sags", py_sags, METH_VARARGS, "sags(11 arrays of skin and bends, count, flat, sharp, lean, alike, least, sag): fills sag where it is not zero"},
    {"rings", py_rings, METH_VARARGS, "rings(ends, points, chosen, fewest, start, start): fills both; the rings of one and of two edges, as bytes of int64"},
    {"normals", py_normals, METH_VARARGS, "normals(faces, normal, area, points, chosen, unit): fills unit"},
    {"quadrics", py_quadrics, METH_VARARGS, "quadrics(vertices, points, normal, begin, neighbour, at, left, right, reach): fills the last four"},
    {"residues", py_residues, METH_VARARGS, "residues(at, begin, solved, square): fills square"},
    {"few", py_few, METH_VARARGS, "few(points, few, sorted, nearest): fills nearest"},
    {"middles", py_middles, METH_VARARGS, "middles(value, around, many, middle): fills middle"},
    {"plain", py_plain, METH_VARARGS, "plain(vertices, faces, normals, closed, plain): fills plain"},
    {"hits", py_hits, METH_VARARGS, "hits(vertices, faces, fresh, fold, first, hit): fills hit; whether there is one"},
    {"middle", py_middle, METH_VARARGS, "middle(vertices, faces, start, said): fills area, middle times area, and reach"},
    {"powers", py_powers, METH_VARARGS, "powers(vertices, faces, middle, scale, sums): fills 22 sums"},
    {"hold", py_hold, METH_NOARGS, "hold(): keep memory that was freed, for the next that is wanted"},
    {NULL, NULL, 0, NULL},
};

static struct PyModuleDef module = {PyModuleDef_HEAD_INIT, "lint.loops.compiled", "Loops of buckwright in C; see loops.h.", -1, methods,
                                    NULL, NULL, NULL, NULL};

PyMODINIT_FUNC PyInit_compiled(void)
{
    PyObject *made = PyModule_Create(&module);
    if (made && PyModule_AddIntConstant(made, "issue", ISSUE) < 0) {
        Py_DECREF(made);
        return NULL;
    }
    return made;
}
