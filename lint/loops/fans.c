/* What faces make with their neighbours: how far they bend at an edge, and whether they lie side by side round a point. */
#include "loops.h"

#include <math.h>
#include <stdlib.h>

void fold_angles(const double *normal, const double *centre, const int64_t *neighbours, const uint8_t *agree, int64_t k, double *angle)
{
    for (int64_t i = 0; i < k; i++) {
        const double *a = normal + 3 * neighbours[2 * i], *b = normal + 3 * neighbours[2 * i + 1];
        const double *here = centre + 3 * neighbours[2 * i], *there = centre + 3 * neighbours[2 * i + 1];
        double off[3] = {there[0] - here[0], there[1] - here[1], there[2] - here[2]}, across[3];
        cross(a, b, across);
        double turn = atan2(sqrt(dot(across, across)), dot(a, b)) * (180 / 3.14159265358979323846);
        angle[i] = !agree[i] ? 180 : dot(a, off) < 0 ? turn : -turn;
    }
}

int plain_fans(const double *vertices, int64_t n, const int64_t *faces, const double *normal, int64_t m, uint8_t *plain)
{
    double *view = calloc((size_t)(4 * n + 1), sizeof *view); /* three of the sum of normals, then the angles seen so far */
    if (!view)
        return -1;
    for (int64_t i = 0; i < n; i++)
        plain[i] = 1;
    for (int64_t f = 0; f < m; f++)
        for (int c = 0; c < 3; c++)
            for (int a = 0; a < 3; a++)
                view[4 * faces[3 * f + c] + a] += normal[3 * f + a];
    for (int64_t i = 0; i < n; i++) {
        double long_ = fmax(sqrt(dot(view + 4 * i, view + 4 * i)), 1e-300);
        for (int a = 0; a < 3; a++)
            view[4 * i + a] /= long_;
    }
    for (int64_t f = 0; f < m; f++)
        for (int c = 0; c < 3; c++) {
            int64_t p = faces[3 * f + c];
            const double *here = vertices + 3 * p, *seen = view + 4 * p;
            const double *next = vertices + 3 * faces[3 * f + (c + 1) % 3], *last = vertices + 3 * faces[3 * f + (c + 2) % 3];
            if (dot(normal + 3 * f, seen) < 0.05) {
                plain[p] = 0;
                continue;
            }
            double ahead[3], back[3], turn[3], up = 0, down = 0;
            for (int a = 0; a < 3; a++) {
                ahead[a] = next[a] - here[a], back[a] = last[a] - here[a];
                up += ahead[a] * seen[a], down += back[a] * seen[a];
            }
            for (int a = 0; a < 3; a++)
                ahead[a] -= up * seen[a], back[a] -= down * seen[a];
            cross(ahead, back, turn);
            view[4 * p + 3] += fabs(atan2(dot(turn, seen), dot(ahead, back)));
        }
    for (int64_t i = 0; i < n; i++)
        plain[i] &= view[4 * i + 3] < 2 * 3.14159265358979323846 + 1e-6;
    free(view);
    return 0;
}
