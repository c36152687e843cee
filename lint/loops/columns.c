/* Upright lines of a grid through a skin. */
#include "loops.h"

#include <math.h>
#include <stdlib.h>

static int room_for(Met *found, int64_t more)
{
    if (found->count + more <= found->room)
        return 0;
    int64_t room = 2 * (found->count + more) + 1024;
    void *column = realloc(found->column, (size_t)room * sizeof *found->column);
    if (column)
        found->column = column;
    void *height = realloc(found->height, (size_t)room * sizeof *found->height);
    if (height)
        found->height = height;
    void *face = realloc(found->face, (size_t)room * sizeof *found->face);
    if (face)
        found->face = face;
    void *up = realloc(found->up, (size_t)room * sizeof *found->up);
    if (up)
        found->up = up;
    if (!column || !height || !face || !up)
        return -1;
    found->room = room;
    return 0;
}

int column_crossings(const double *x, const double *y, const double *vertices, const int64_t *faces, int64_t m, int64_t wide, int64_t deep,
                     Met *found)
{
    for (int64_t f = 0; f < m; f++) {
        const int64_t *c = faces + 3 * f, *later = f + AHEAD < m ? c + 3 * AHEAD : c;
        for (int k = 0; k < 3; k++) {
            FETCH(x + later[k]);
            FETCH(y + later[k]);
        }
        double at[3][2], low[2], high[2];
        for (int k = 0; k < 3; k++)
            at[k][0] = x[c[k]], at[k][1] = y[c[k]];
        for (int a = 0; a < 2; a++) {
            double one = at[0][a], two = at[1][a], three = at[2][a], last = (double)(a ? deep : wide) - 1;
            low[a] = ceil(one < two ? (one < three ? one : three) : two < three ? two : three);
            high[a] = floor(one > two ? (one > three ? one : three) : two > three ? two : three);
            low[a] = low[a] > 0 ? low[a] : 0;
            high[a] = high[a] < last ? high[a] : last;
        }
        if (!(low[0] <= high[0] && low[1] <= high[1]))
            continue;
        double all = at[0][0] + at[0][1] + at[1][0] + at[1][1] + at[2][0] + at[2][1];
        if (all - all != 0) /* a coordinate that is no number, or endless */
            continue;
        /* Each side from its lower-numbered end on, so that both faces at it find a line on the same side of it. */
        double from[3][2], run[3], rise[3];
        int ahead[3];
        for (int k = 0; k < 3; k++) {
            int a = (k + 1) % 3, b = (k + 2) % 3;
            ahead[k] = c[a] < c[b];
            const double *one = at[ahead[k] ? a : b], *two = at[ahead[k] ? b : a];
            from[k][0] = one[0], from[k][1] = one[1];
            run[k] = two[0] - one[0], rise[k] = two[1] - one[1];
        }
        for (int64_t j = (int64_t)low[1]; j <= (int64_t)high[1]; j++) {
            if (room_for(found, (int64_t)(high[0] - low[0]) + 1) < 0)
                return -1;
            for (int64_t i = (int64_t)low[0]; i <= (int64_t)high[0]; i++) {
                double size[3];
                int left[3];
                for (int k = 0; k < 3; k++) {
                    double side = run[k] * ((double)j - from[k][1]) - rise[k] * ((double)i - from[k][0]);
                    left[k] = (side >= 0) == ahead[k];
                    size[k] = ahead[k] ? side : -side;
                }
                if (left[0] != left[1] || left[1] != left[2])
                    continue;
                double whole = size[0] + size[1] + size[2], a = vertices[3 * c[0] + 2], b = vertices[3 * c[1] + 2], z = vertices[3 * c[2] + 2];
                found->column[found->count] = j * wide + i;
                found->height[found->count] = whole != 0 ? (size[0] * a + size[2] * z + size[1] * b) / whole : (a + b + z) / 3;
                found->face[found->count] = f;
                found->up[found->count++] = (uint8_t)left[0];
            }
        }
    }
    return 0;
}
