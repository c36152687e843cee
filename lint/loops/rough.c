/* What scan noise is told by: the points about a point, and a quadric through them. See lint/measure/roughness.py.
 *
 * Sums over the surroundings of a point are made in the order of numpy's add.reduceat: the first number, and to it the others, summed
 * pairwise, eight side by side (numpy 2, loops_utils.h, as its documentation of add describes it). */
#include "loops.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The neighbours of each point along edges (e x 2, in the order of their ends, the smaller first), in their order, itself among them:
 * those of point p from begin[p] up to begin[p + 1]. */
static int links(const int64_t *ends, int64_t e, int64_t n, int32_t *begin, int32_t *other)
{
    for (int64_t i = 0; i < n; i++)
        begin[i + 2] = 1;
    for (int64_t k = 0; k < 2 * e; k++)
        begin[ends[k] + 2]++;
    for (int64_t i = 0; i < n; i++)
        begin[i + 2] += begin[i + 1];
    int64_t own = 0; /* edges come by their smaller end: before the first of a point's own stand all those to smaller points */
    for (int64_t k = 0; k < e; k++) {
        int64_t a = ends[2 * k], b = ends[2 * k + 1];
        if (a >= b || a < own - 1)
            return 0;
        for (; own <= a; own++)
            other[begin[own + 1]++] = (int32_t)own;
        other[begin[a + 1]++] = (int32_t)b;
        other[begin[b + 1]++] = (int32_t)a;
    }
    for (; own < n; own++)
        other[begin[own + 1]++] = (int32_t)own;
    return 1;
}

static int put(Numbers *to, int64_t number)
{
    if (to->count == to->room) {
        int64_t room = to->room ? 2 * to->room : 4096;
        void *larger = realloc(to->number, (size_t)room * sizeof *to->number);
        if (!larger)
            return 0;
        to->number = larger;
        to->room = room;
    }
    to->number[to->count++] = number;
    return 1;
}

int point_rings(const int64_t *ends, int64_t e, int64_t n, const int64_t *points, int64_t k, int64_t fewest, int64_t *start[2],
                Numbers found[2])
{
    int32_t *begin = calloc((size_t)(n + 3), sizeof *begin), *other = malloc((size_t)(2 * e + n + 1) * sizeof *other);
    int32_t *seen = calloc((size_t)(n + 1), sizeof *seen);
    int good = begin && other && seen && links(ends, e, n, begin, other);
    for (int64_t i = 0; good && i < k; i++) {
        int64_t p = points[i], first = found[1].count;
        start[0][i] = found[0].count;
        start[1][i] = first;
        if (begin[p + 1] - begin[p] < fewest)
            continue;
        for (int32_t a = begin[p]; good && a < begin[p + 1]; a++) {
            int32_t q = other[a];
            good = put(found, q);
            for (int32_t b = begin[q]; good && b < begin[q + 1]; b++)
                if (seen[other[b]] != (int32_t)(i + 1)) {
                    seen[other[b]] = (int32_t)(i + 1);
                    good = put(found + 1, other[b]);
                }
        }
        for (int64_t a = first, b = found[1].count - 1; a < b; a++, b--) { /* as a product of sparse matrices leaves them: the last first */
            int64_t swap = found[1].number[a];
            found[1].number[a] = found[1].number[b];
            found[1].number[b] = swap;
        }
    }
    for (int r = 0; r < 2; r++)
        start[r][k] = found[r].count;
    free(begin);
    free(other);
    free(seen);
    return good ? 0 : -1;
}

int point_normals(const int64_t *faces, const double *normal, const double *area, int64_t m, int64_t n, const int64_t *points, int64_t k,
                  double *unit)
{
    int32_t *place = malloc((size_t)(n + 1) * sizeof *place);
    double (*sum)[3] = malloc((size_t)(k + 1) * sizeof *sum);
    if (!place || !sum) {
        free(place);
        free(sum);
        return -1;
    }
    memset(place, -1, (size_t)(n + 1) * sizeof *place);
    for (int64_t i = 0; i < k; i++)
        place[points[i]] = (int32_t)i;
    memset(unit, 0, (size_t)(3 * k) * sizeof *unit);
    for (int c = 0; c < 3; c++) {
        memset(sum, 0, (size_t)(k + 1) * sizeof *sum);
        for (int64_t f = 0; f < m; f++) {
            int32_t at = place[faces[3 * f + c]];
            for (int a = 0; at >= 0 && a < 3; a++)
                sum[at][a] += normal[3 * f + a] * area[f];
        }
        for (int64_t i = 0; i < k; i++)
            for (int a = 0; a < 3; a++)
                unit[3 * i + a] += sum[i][a];
    }
    for (int64_t i = 0; i < k; i++) {
        double length = sqrt(dot(unit + 3 * i, unit + 3 * i));
        for (int a = 0; a < 3; a++)
            unit[3 * i + a] /= length > 1e-300 ? length : 1e-300;
    }
    free(place);
    free(sum);
    return 0;
}

static double pairwise(const double *a, int64_t n)
{
    if (n < 8) {
        double sum = -0.0;
        for (int64_t i = 0; i < n; i++)
            sum += a[i];
        return sum;
    }
    if (n <= 128) {
        double r[8], sum;
        int64_t i;
        for (int j = 0; j < 8; j++)
            r[j] = a[j];
        for (i = 8; i < n - n % 8; i += 8)
            for (int j = 0; j < 8; j++)
                r[j] += a[i + j];
        sum = ((r[0] + r[1]) + (r[2] + r[3])) + ((r[4] + r[5]) + (r[6] + r[7]));
        for (; i < n; i++)
            sum += a[i];
        return sum;
    }
    int64_t half = n / 2;
    half -= half % 8;
    return pairwise(a, half) + pairwise(a + half, n - half);
}

static double added(const double *a, int64_t n)
{
    return n > 1 ? a[0] + pairwise(a + 1, n - 1) : a[0];
}

static double product(const double *a, const double *b, int64_t n, double *scratch)
{
    for (int64_t i = 0; i < n; i++)
        scratch[i] = a[i] * b[i];
    return added(scratch, n);
}

/* Two directions square to a normal. */
static void across(const double *normal, double *u, double *v)
{
    double side[3] = {fabs(normal[0]) < 0.9, !(fabs(normal[0]) < 0.9), 0};
    cross(normal, side, u);
    double length = sqrt(dot(u, u));
    for (int a = 0; a < 3; a++)
        u[a] /= length > 1e-300 ? length : 1e-300;
    cross(normal, u, v);
}

/* Where the neighbours of a point are in its own directions, in lengths of their reach; and that. */
static double place(const Cloud *of, int64_t i, double *x, double *y, double *z)
{
    int64_t n = of->begin[i + 1] - of->begin[i];
    const double *here = of->vertices + 3 * of->points[i], *normal = of->normal + 3 * i;
    double u[3], v[3], most = 0;
    across(normal, u, v);
    for (int64_t k = 0; k < n; k++) {
        const double *p = of->vertices + 3 * of->neighbour[of->begin[i] + k];
        double off[3] = {p[0] - here[0], p[1] - here[1], p[2] - here[2]};
        x[k] = dot(off, u), y[k] = dot(off, v), z[k] = dot(off, normal);
        double square = x[k] * x[k] + y[k] * y[k];
        most = square > most ? square : most;
    }
    double reach = sqrt(most), scale = reach > 1e-300 ? reach : 1e-300;
    for (int64_t k = 0; k < n; k++)
        x[k] /= scale, y[k] /= scale, z[k] /= scale;
    return reach;
}

/* The six numbers 1, x, y, xx, xy, yy of each of n neighbours, in rows. */
static void rows_of(int64_t n, const double *x, const double *y, double *row)
{
    for (int64_t k = 0; k < n; k++) {
        row[k] = 1, row[n + k] = x[k], row[2 * n + k] = y[k];
        row[3 * n + k] = x[k] * x[k], row[4 * n + k] = x[k] * y[k], row[5 * n + k] = y[k] * y[k];
    }
}

/* Room for the rows of the point with the most neighbours, and for one more. */
static double *room(const int64_t *begin, int64_t count)
{
    int64_t most = 0;
    for (int64_t i = 0; i < count; i++)
        most = begin[i + 1] - begin[i] > most ? begin[i + 1] - begin[i] : most;
    return malloc((size_t)(7 * most + 1) * sizeof(double));
}

int quadric_sums(const Cloud *of, double *at, double *left, double *right, double *reach)
{
    double *row = room(of->begin, of->count);
    if (!row)
        return -1;
    for (int64_t i = 0; i < of->count; i++) {
        int64_t n = of->begin[i + 1] - of->begin[i];
        double *x = at + 3 * (of->begin[i] - of->begin[0]), *y = x + n, *z = y + n, *scratch = row + 6 * n;
        reach[i] = place(of, i, x, y, z);
        rows_of(n, x, y, row);
        for (int a = 0; a < 6; a++) {
            for (int b = 0; b <= a; b++)
                left[36 * i + 6 * a + b] = left[36 * i + 6 * b + a] = product(row + a * n, row + b * n, n, scratch);
            right[6 * i + a] = product(row + a * n, z, n, scratch);
        }
        for (int a = 0; a < 6; a++)
            left[36 * i + 7 * a] += 1e-9 * (double)n;
    }
    free(row);
    return 0;
}

int quadric_residues(const double *at, const int64_t *begin, int64_t count, const double *solved, double *square)
{
    double *row = room(begin, count);
    if (!row)
        return -1;
    for (int64_t i = 0; i < count; i++) {
        int64_t n = begin[i + 1] - begin[i];
        const double *s = solved + 6 * i, *x = at + 3 * (begin[i] - begin[0]), *y = x + n, *z = y + n;
        double *scratch = row + 6 * n;
        rows_of(n, x, y, row);
        for (int64_t k = 0; k < n; k++) {
            double surface = 0;
            for (int a = 0; a < 6; a++)
                surface += row[a * n + k] * s[a];
            double off = z[k] - surface;
            scratch[k] = off * off;
        }
        square[i] = added(scratch, n);
    }
    free(row);
    return 0;
}

/* The number that has `rank` of n numbers below or like it, the smaller before it and the larger behind it. */
static double ranked(double *a, int64_t n, int64_t rank)
{
    int64_t low = 0, high = n - 1;
    while (low < high) {
        double pivot = a[low + (high - low) / 2];
        int64_t i = low, j = high;
        while (i <= j) {
            while (a[i] < pivot)
                i++;
            while (pivot < a[j])
                j--;
            if (i <= j) {
                double swap = a[i];
                a[i++] = a[j];
                a[j--] = swap;
            }
        }
        if (rank <= j)
            high = j;
        else if (rank >= i)
            low = i;
        else
            break;
    }
    return a[rank];
}

int middle_values(const double *value, const int64_t *around, int64_t k, int64_t many, double *middle)
{
    double *some = malloc((size_t)(many + 1) * sizeof *some);
    if (!some)
        return -1;
    for (int64_t i = 0; i < k; i++) {
        for (int64_t j = 0; j < many; j++)
            some[j] = value[around[i * many + j]];
        double upper = ranked(some, many, many / 2), lower = some[0];
        for (int64_t j = 1; j < many / 2; j++)
            lower = some[j] > lower ? some[j] : lower;
        middle[i] = many % 2 ? upper : (lower + upper) / 2;
    }
    free(some);
    return 0;
}
