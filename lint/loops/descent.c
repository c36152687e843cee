/* Down a skin from every point along its edges to a low point. */
#include "loops.h"

#include <stdlib.h>

typedef struct {
    double height;
    int64_t point;
} Low;

static int below(Low one, Low two)
{
    return (one.height < two.height) | ((one.height == two.height) & (one.point < two.point));
}

int64_t descend(const double *vertices, int64_t n, const int64_t *faces, int64_t m, const int64_t *ends, int64_t e, int64_t *basin,
                int64_t *face_basin, double *twice, uint8_t *up, int64_t *apart)
{
    double(*sum)[3] = calloc((size_t)(n + 1), sizeof *sum); /* at each point, of faces of which it is the first, the second, the third corner */
    Low *lowest = malloc((size_t)(n + 1) * sizeof *lowest);
    double *z = malloc((size_t)(n + 1) * sizeof *z);
    int64_t count = -1;
    if (!sum || !lowest || !z)
        goto done;
    for (int64_t i = 0; i < n; i++) {
        z[i] = vertices[3 * i + 2];
        lowest[i] = (Low){z[i], i};
    }
    for (int64_t i = 0; i < e; i++) {
        int64_t a = ends[2 * i], b = ends[2 * i + 1];
        Low one = {z[a], a}, two = {z[b], b};
        int turned = below(one, two);
        Low *upper = lowest + (turned ? b : a), lower = turned ? one : two;
        if (below(lower, *upper))
            *upper = lower;
    }
    for (int64_t i = 0; i < n; i++)
        basin[i] = lowest[i].point;
    for (int64_t i = 0; i < n; i++) {
        int64_t low = i;
        while (basin[low] != low)
            low = basin[low];
        for (int64_t at = i, next; at != low; at = next) {
            next = basin[at];
            basin[at] = low;
        }
    }
    for (int64_t f = 0; f < m; f++) {
        const int64_t *c = faces + 3 * f, *later = f + AHEAD < m ? c + 3 * AHEAD : c;
        for (int k = 0; k < 3; k++) { /* sent for before they are wanted */
            FETCH(vertices + 3 * later[k]);
            FETCH(sum + later[k]);
            FETCH(basin + later[k]);
        }
        const double *p = vertices + 3 * c[0], *q = vertices + 3 * c[1], *r = vertices + 3 * c[2];
        Low low = {p[2], c[0]}, other = {q[2], c[1]}, last = {r[2], c[2]};
        low = below(other, low) ? other : low;
        low = below(last, low) ? last : low;
        face_basin[f] = basin[low.point];
        twice[f] = (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]);
        for (int k = 0; k < 3; k++)
            sum[c[k]][k] += twice[f];
    }
    for (int64_t i = 0; i < n; i++)
        up[i] = sum[i][0] + sum[i][1] + sum[i][2] > 0;
    count = 0;
    for (int64_t i = 0; i < e; i++)
        if (basin[ends[2 * i]] != basin[ends[2 * i + 1]])
            apart[count++] = i;
done:
    free(sum);
    free(lowest);
    free(z);
    return count;
}
