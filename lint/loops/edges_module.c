/* The loops over edges and shells, as Python asks for them. */
#include "arrays.h"
#include "loops.h"

PyObject *py_edges(PyObject *self, PyObject *args)
{
    enum { FACES, ORDER, FIRST, ENDS, BEGIN, COUNT, HALF, FORWARD, NEIGHBOURS, PAIR, AGREE, ALL };
    PyObject *from[ALL];
    Array in[ALL];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOOOOOOOO", from, from + 1, from + 2, from + 3, from + 4, from + 5, from + 6, from + 7, from + 8, from + 9,
                          from + 10))
        return NULL;
    if (take_all((Want[]){{from[FACES], 'q', 3, 0, "faces"}, {from[ORDER], 'q', 0, 0, "order"}, {from[FIRST], '?', 0, 0, "first"},
                          {from[ENDS], 'q', 2, 1, "ends"}, {from[BEGIN], 'q', 0, 1, "begin"}, {from[COUNT], 'q', 0, 1, "count"},
                          {from[HALF], 'q', 0, 1, "half_edge"}, {from[FORWARD], '?', 0, 1, "forward"},
                          {from[NEIGHBOURS], 'q', 2, 1, "neighbours"}, {from[PAIR], 'q', 0, 1, "pair"}, {from[AGREE], '?', 0, 1, "agree"}},
                 in, ALL) < 0)
        return NULL;
    int64_t m = in[FACES].rows, k = in[ORDER].rows, edges = 0;
    const uint8_t *first = in[FIRST].view.buf;
    int good = in[FIRST].rows == k && within(in[ORDER].view.buf, k, 3 * m) && (!k || first[0]);
    for (int64_t i = 0; good && i < k; i++)
        edges += !!first[i];
    good = good && in[BEGIN].rows == edges + 1 && in[HALF].rows == 3 * m && in[FORWARD].rows == 3 * m;
    for (int each = ENDS; each < ALL; each++)
        good = good && (each == BEGIN || each == HALF || each == FORWARD || in[each].rows == edges);
    if (!good)
        return wrong(in, ALL, "half-edges of the faces in order, and arrays for as many edges as begin in it, are wanted");
    int64_t pairs;
    Py_BEGIN_ALLOW_THREADS
    pairs = edge_table(in[FACES].view.buf, m, in[ORDER].view.buf, first, k, in[ENDS].view.buf, in[BEGIN].view.buf, in[COUNT].view.buf,
                       in[HALF].view.buf, in[FORWARD].view.buf, in[NEIGHBOURS].view.buf, in[PAIR].view.buf, in[AGREE].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, ALL);
    return PyLong_FromLongLong(pairs);
}

PyObject *py_walks(PyObject *self, PyObject *args)
{
    PyObject *faces, *order, *begin, *unsound, *several;
    long long most;
    Array in[5];
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOLOO", &faces, &order, &begin, &most, &unsound, &several))
        return NULL;
    if (take_all((Want[]){{faces, 'q', 3, 0, "faces"}, {order, 'q', 0, 0, "order"}, {begin, 'q', 0, 0, "begin"},
                          {unsound, '?', 0, 1, "unsound"}, {several, '?', 0, 1, "several"}}, in, 5) < 0)
        return NULL;
    int64_t m = in[0].rows, n = in[3].rows, e = in[2].rows - 1;
    if (e < 0 || in[4].rows != n || m >= MOST_FACES || n >= INT32_MAX || !within(in[0].view.buf, 3 * m, n) ||
        !within(in[1].view.buf, in[1].rows, 3 * m) || !within(in[2].view.buf, e + 1, in[1].rows + 1))
        return wrong(in, 5, "faces, their half-edges in order and two marks a point are wanted");
    int failed;
    Py_BEGIN_ALLOW_THREADS
    failed = fans_met(in[0].view.buf, m, n, in[1].view.buf, in[2].view.buf, e, most, in[3].view.buf, in[4].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 5);
    if (failed)
        return PyErr_NoMemory();
    Py_RETURN_NONE;
}

/* Both take vertices, faces and labels; then the boxes, or the starts and the sums. */
static PyObject *of_shells(PyObject *args, int boxes)
{
    PyObject *vertices, *faces, *label, *one, *two;
    Array in[5];
    if (!PyArg_ParseTuple(args, "OOOOO", &vertices, &faces, &label, &one, &two))
        return NULL;
    if (take_all((Want[]){{vertices, 'd', 3, 0, "vertices"}, {faces, 'q', 3, 0, "faces"}, {label, 'q', 0, 0, "label"},
                          {one, 'd', 3, boxes, "low corners or starts"}, {two, 'd', boxes ? 3 : 0, 1, "high corners or sums"}}, in, 5) < 0)
        return NULL;
    int64_t m = in[1].rows, s = in[3].rows;
    const int64_t *of = in[2].view.buf;
    int good = in[2].rows == m && in[4].rows == s && within(in[1].view.buf, 3 * m, in[0].rows);
    for (int64_t f = 0; good && f < m; f++)
        good = of[f] < s;
    if (!good)
        return wrong(in, 5, "faces of points that there are, and a shell that there is for each, are wanted");
    Py_BEGIN_ALLOW_THREADS
    if (boxes)
        shell_boxes(in[0].view.buf, in[1].view.buf, m, of, in[3].view.buf, in[4].view.buf);
    else
        shell_volumes(in[0].view.buf, in[1].view.buf, m, of, (const double(*)[3])in[3].view.buf, in[4].view.buf);
    Py_END_ALLOW_THREADS
    drop(in, 5);
    Py_RETURN_NONE;
}

PyObject *py_boxes(PyObject *self, PyObject *args)
{
    (void)self;
    return of_shells(args, 1);
}

PyObject *py_volumes(PyObject *self, PyObject *args)
{
    (void)self;
    return of_shells(args, 0);
}
