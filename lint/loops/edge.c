/* The table of edges; walks round points; boxes and volumes of shells. */
#include "loops.h"

#include <stdlib.h>

static int64_t next_of(int64_t half)
{
    return half % 3 == 2 ? half - 2 : half + 1;
}

int64_t edge_table(const int64_t *faces, int64_t m, const int64_t *order, const uint8_t *first, int64_t k, int64_t (*ends)[2], int64_t *begin,
                   int64_t *count, int64_t *half_edge, uint8_t *forward, int64_t (*neighbours)[2], int64_t *pair, uint8_t *agree)
{
    for (int64_t f = 0; f < m; f++) {
        const int64_t *c = faces + 3 * f;
        for (int i = 0; i < 3; i++) {
            half_edge[3 * f + i] = -1;
            forward[3 * f + i] = c[i] < c[i == 2 ? 0 : i + 1];
        }
    }
    int64_t edge = 0, pairs = 0;
    for (int64_t from = 0, to; from < k; from = to, edge++) {
        for (to = from + 1; to < k && !first[to]; to++)
            ;
        int64_t one = order[from], next = next_of(one);
        ends[edge][0] = faces[forward[one] ? one : next];
        ends[edge][1] = faces[forward[one] ? next : one];
        begin[edge] = from;
        count[edge] = to - from;
        for (int64_t i = from; i < to; i++)
            half_edge[order[i]] = edge;
        if (to - from == 2) {
            int64_t two = order[from + 1];
            neighbours[pairs][0] = one / 3;
            neighbours[pairs][1] = two / 3;
            agree[pairs] = forward[one] != forward[two];
            pair[pairs++] = edge;
        }
    }
    begin[edge] = k;
    return pairs;
}

int fans_met(const int64_t *faces, int64_t m, int64_t n, const int64_t *order, const int64_t *begin, int64_t e, int64_t most, uint8_t *unsound,
             uint8_t *several)
{
    int32_t *twin = malloc((size_t)(3 * m + 1) * sizeof *twin), *start = malloc((size_t)(n + 1) * sizeof *start);
    int32_t *corners = calloc((size_t)(n + 1), sizeof *corners);
    int failed = !twin || !start || !corners;
    if (failed)
        goto done;
    for (int64_t h = 0; h < 3 * m; h++) {
        twin[h] = -1;
        start[faces[h]] = (int32_t)h;
        corners[faces[h]]++;
    }
    for (int64_t i = 0; i < e; i++) {
        if (begin[i + 1] - begin[i] != 2)
            continue;
        int64_t one = order[begin[i]], two = order[begin[i] + 1];
        if ((faces[one] < faces[next_of(one)]) != (faces[two] < faces[next_of(two)])) {
            twin[one] = (int32_t)two;
            twin[two] = (int32_t)one;
        }
    }
    for (int64_t p = 0; p < n; p++)
        unsound[p] = several[p] = 0;
    for (int64_t h = 0; h < 3 * m; h++)
        if (twin[h] < 0)
            unsound[faces[h]] = unsound[faces[next_of(h)]] = 1;
    for (int64_t p = 0; p < n; p++) {
        if (unsound[p] || !corners[p])
            continue;
        int64_t at = start[p], met = 0;
        do
            at = next_of(twin[at]);
        while (++met < most && at != start[p]);
        unsound[p] = at != start[p];
        several[p] = !unsound[p] && met != corners[p];
    }
done:
    free(twin);
    free(start);
    free(corners);
    return failed ? -1 : 0;
}

void shell_boxes(const double *vertices, const int64_t *faces, int64_t m, const int64_t *label, double (*low)[3], double (*high)[3])
{
    for (int64_t f = 0; f < m; f++) {
        if (label[f] < 0)
            continue;
        double *l = low[label[f]], *h = high[label[f]];
        for (int i = 0; i < 3; i++)
            for (int k = 0; k < 3; k++) {
                double at = vertices[3 * faces[3 * f + i] + k];
                l[k] = at < l[k] ? at : l[k];
                h[k] = at > h[k] ? at : h[k];
            }
    }
}

void shell_volumes(const double *vertices, const int64_t *faces, int64_t m, const int64_t *label, const double (*start)[3], double *six)
{
    for (int64_t f = 0; f < m; f++) {
        if (label[f] < 0)
            continue;
        double corner[3][3], across[3];
        for (int i = 0; i < 3; i++)
            for (int k = 0; k < 3; k++)
                corner[i][k] = vertices[3 * faces[3 * f + i] + k] - start[label[f]][k];
        cross(corner[1], corner[2], across);
        six[label[f]] += dot(corner[0], across);
    }
}
