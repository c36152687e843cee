/* The loops over the faces of a skin, as Python asks for them. */
#include "arrays.h"
#include "loops.h"

PyObject *py_facets(PyObject *self, PyObject *args)
{
    PyObject *vertices, *faces, *normal, *area, *centre;
    Array in[5];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOO", &vertices, &faces, &normal, &area, &centre))
        return NULL;
    if (take_all((Want[]){{vertices, 'd', 3, 0, "vertices"}, {faces, 'q', 3, 0, "faces"}, {normal, 'd', 3, 1, "normal"},
                          {area, 'd', 0, 1, "area"}, {centre, 'd', 3, 1, "centre"}}, in, 5) < 0)
        return NULL;
    int64_t m = in[1].rows;
    if (in[2].rows != m || in[3].rows != m || in[4].rows != m || !within(in[1].view.buf, 3 * m, in[0].rows))
        return wrong(in, 5, "faces of points that there are, with a normal, an area and a centre each, are wanted");
    Py_BEGIN_ALLOW_THREADS
    face_facts(in[0].view.buf, in[1].view.buf, m, in[2].view.buf, in[3].view.buf, in[4].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 5);
    Py_RETURN_NONE;
}

PyObject *py_sides(PyObject *self, PyObject *args)
{
    PyObject *vertices, *faces, *square;
    Array in[3];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOO", &vertices, &faces, &square))
        return NULL;
    if (take_all((Want[]){{vertices, 'd', 3, 0, "vertices"}, {faces, 'q', 3, 0, "faces"}, {square, 'd', 0, 1, "square"}}, in, 3) < 0)
        return NULL;
    int64_t m = in[1].rows;
    if (in[2].rows != m || !within(in[1].view.buf, 3 * m, in[0].rows))
        return wrong(in, 3, "faces of points that there are, with a square each, are wanted");
    Py_BEGIN_ALLOW_THREADS
    longest_squares(in[0].view.buf, in[1].view.buf, m, in[2].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 3);
    Py_RETURN_NONE;
}

PyObject *py_folds(PyObject *self, PyObject *args)
{
    PyObject *normal, *centre, *neighbours, *agree, *angle;
    Array in[5];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOO", &normal, &centre, &neighbours, &agree, &angle))
        return NULL;
    if (take_all((Want[]){{normal, 'd', 3, 0, "normals"}, {centre, 'd', 3, 0, "centres"}, {neighbours, 'q', 2, 0, "neighbours"},
                          {agree, '?', 0, 0, "agree"}, {angle, 'd', 0, 1, "angle"}}, in, 5) < 0)
        return NULL;
    int64_t k = in[2].rows;
    if (in[1].rows != in[0].rows || in[3].rows != k || in[4].rows != k || !within(in[2].view.buf, 2 * k, in[0].rows))
        return wrong(in, 5, "pairs of faces that there are, with a mark and an angle each, are wanted");
    Py_BEGIN_ALLOW_THREADS
    fold_angles(in[0].view.buf, in[1].view.buf, in[2].view.buf, in[3].view.buf, k, in[4].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 5);
    Py_RETURN_NONE;
}

PyObject *py_plain(PyObject *self, PyObject *args)
{
    PyObject *vertices, *faces, *normal, *closed, *plain;
    Array in[5];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOO", &vertices, &faces, &normal, &closed, &plain))
        return NULL;
    if (take_all((Want[]){{vertices, 'd', 3, 0, "vertices"}, {faces, 'q', 3, 0, "faces"}, {normal, 'd', 3, 0, "normals"},
                          {plain, '?', 0, 1, "plain"}, {closed, '?', 0, 0, "closed"}}, in, 5) < 0)
        return NULL;
    int64_t n = in[0].rows, m = in[1].rows;
    if (in[3].rows != n || in[4].rows != n || in[2].rows != m || !within(in[1].view.buf, 3 * m, n))
        return wrong(in, 5, "faces of points that there are, a normal a face and two marks a point are wanted");
    int failed;
    Py_BEGIN_ALLOW_THREADS
    failed = plain_fans(in[0].view.buf, n, in[1].view.buf, in[2].view.buf, m, in[4].view.buf, in[3].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 5);
    if (failed)
        return PyErr_NoMemory();
    Py_RETURN_NONE;
}

PyObject *py_sags(PyObject *self, PyObject *args)
{
    PyObject *from[11], *sag;
    long long count;
    Bent of;
    Array in[12];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOOOOOOOOLdddddO", from, from + 1, from + 2, from + 3, from + 4, from + 5, from + 6, from + 7, from + 8,
                          from + 9, from + 10, &count, &of.flat, &of.sharp, &of.lean, &of.alike, &of.least, &sag))
        return NULL;
    if (take_all((Want[]){{from[0], 'd', 3, 0, "vertices"}, {from[1], 'q', 3, 0, "faces"}, {from[2], 'd', 3, 0, "normal"},
                          {from[3], 'd', 3, 0, "centre"}, {from[4], 'd', 0, 0, "area"}, {from[5], 'q', 2, 0, "ends"},
                          {from[6], 'q', 2, 0, "neighbours"}, {from[7], 'q', 0, 0, "edge"}, {from[8], 'd', 0, 0, "angle"},
                          {from[9], 'q', 0, 0, "facet"}, {from[10], 'q', 0, 0, "half edges"}, {sag, 'd', 0, 1, "sag"}}, in, 12) < 0)
        return NULL;
    int64_t n = in[0].rows, m = in[1].rows, e = in[5].rows, k = in[6].rows;
    int good = in[2].rows == m && in[3].rows == m && in[4].rows == m && in[9].rows == m && in[10].rows == 3 * m && in[11].rows == m && in[7].rows == k && in[8].rows == k;
    good = good && m < MOST_FACES && k < INT32_MAX / 2 && within(in[1].view.buf, 3 * m, n) && within(in[5].view.buf, 2 * e, n) &&
           within(in[6].view.buf, 2 * k, m) && within(in[7].view.buf, k, e) && within(in[9].view.buf, m, count);
    if (!good)
        return wrong(in, 12, "a skin, its shared edges and its facets are wanted, and a number a face to fill");
    of.vertices = in[0].view.buf, of.faces_of = in[1].view.buf, of.normal = in[2].view.buf, of.centre = in[3].view.buf;
    of.area = in[4].view.buf, of.ends = in[5].view.buf, of.neighbours = in[6].view.buf, of.edge = in[7].view.buf;
    of.angle = in[8].view.buf, of.facet = in[9].view.buf, of.half_edge = in[10].view.buf, of.faces = m, of.shared = k, of.count = count;
    int failed;
    Py_BEGIN_ALLOW_THREADS
    failed = facet_sags(&of, in[11].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 12);
    if (failed)
        return PyErr_NoMemory();
    Py_RETURN_NONE;
}

PyObject *py_middle(PyObject *self, PyObject *args)
{
    PyObject *vertices, *faces, *start, *said;
    Array in[4];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOO", &vertices, &faces, &start, &said))
        return NULL;
    if (take_all((Want[]){{vertices, 'd', 3, 0, "vertices"}, {faces, 'q', 3, 0, "faces"}, {start, 'd', 0, 0, "start"},
                          {said, 'd', 0, 1, "said"}}, in, 4) < 0)
        return NULL;
    if (in[2].rows != 3 || in[3].rows != 5 || !within(in[1].view.buf, 3 * in[1].rows, in[0].rows))
        return wrong(in, 4, "faces of points that there are, a start and five numbers to fill are wanted");
    Py_BEGIN_ALLOW_THREADS
    double *sum = in[3].view.buf;
    skin_middle(in[0].view.buf, in[1].view.buf, in[1].rows, in[2].view.buf, sum, sum + 4);
    Py_END_ALLOW_THREADS
    drop(in, 4);
    Py_RETURN_NONE;
}

PyObject *py_powers(PyObject *self, PyObject *args)
{
    PyObject *vertices, *faces, *middle, *sums;
    double scale;
    Array in[4];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOdO", &vertices, &faces, &middle, &scale, &sums))
        return NULL;
    if (take_all((Want[]){{vertices, 'd', 3, 0, "vertices"}, {faces, 'q', 3, 0, "faces"}, {middle, 'd', 0, 0, "middle"},
                          {sums, 'd', 0, 1, "sums"}}, in, 4) < 0)
        return NULL;
    if (in[2].rows != 3 || in[3].rows != POWERS || !within(in[1].view.buf, 3 * in[1].rows, in[0].rows))
        return wrong(in, 4, "faces of points that there are, a middle and 22 sums to fill are wanted");
    Py_BEGIN_ALLOW_THREADS
    skin_powers(in[0].view.buf, in[1].view.buf, in[1].rows, in[2].view.buf, scale, in[3].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 4);
    Py_RETURN_NONE;
}
