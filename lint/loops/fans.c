/* What faces are, and what they make with their neighbours: how far they bend at an edge, and whether they lie side by side round a
 * point. */
#include "loops.h"

#include <math.h>
#include <stdlib.h>

void face_facts(const double *vertices, const int64_t *faces, int64_t m, double *normal, double *area, double *centre)
{
    for (int64_t f = 0; f < m; f++) {
        const double *a = vertices + 3 * faces[3 * f], *b = vertices + 3 * faces[3 * f + 1], *c = vertices + 3 * faces[3 * f + 2];
        double one[3], two[3], across[3];
        for (int k = 0; k < 3; k++)
            one[k] = b[k] - a[k], two[k] = c[k] - a[k], centre[3 * f + k] = (a[k] + b[k] + c[k]) / 3;
        cross(one, two, across);
        double length = sqrt(dot(across, across));
        for (int k = 0; k < 3; k++)
            normal[3 * f + k] = length > 0 ? across[k] / length : 0;
        area[f] = length / 2;
    }
}

void longest_squares(const double *vertices, const int64_t *faces, int64_t m, double *square)
{
    for (int64_t f = 0; f < m; f++) {
        square[f] = 0;
        for (int c = 0; c < 3; c++) {
            const double *a = vertices + 3 * faces[3 * f + c], *b = vertices + 3 * faces[3 * f + (c + 2) % 3];
            double side[3] = {a[0] - b[0], a[1] - b[1], a[2] - b[2]}, one = dot(side, side);
            square[f] = one > square[f] || one != one ? one : square[f];
        }
    }
}

void fold_angles(const double *normal, const double *centre, const int64_t *neighbours, const uint8_t *agree, int64_t k, double *angle)
{
    for (int64_t i = 0; i < k; i++) {
        const int64_t *ahead = neighbours + 2 * (i + AHEAD < k ? i + AHEAD : i);
        for (int s = 0; s < 2; s++) {
            FETCH(normal + 3 * ahead[s]);
            FETCH(centre + 3 * ahead[s]);
        }
        const double *a = normal + 3 * neighbours[2 * i], *b = normal + 3 * neighbours[2 * i + 1];
        const double *here = centre + 3 * neighbours[2 * i], *there = centre + 3 * neighbours[2 * i + 1];
        double off[3] = {there[0] - here[0], there[1] - here[1], there[2] - here[2]}, across[3];
        cross(a, b, across);
        double turn = atan2(sqrt(dot(across, across)), dot(a, b)) * (180 / 3.14159265358979323846);
        angle[i] = !agree[i] ? 180 : dot(a, off) < 0 ? turn : -turn;
    }
}

/* The angle that a face takes up at its corner c, as seen along a direction. */
static double angle_seen(const double *vertices, const int64_t *face, int c, const double *seen)
{
    const double *here = vertices + 3 * face[c], *next = vertices + 3 * face[(c + 1) % 3], *last = vertices + 3 * face[(c + 2) % 3];
    double ahead[3], back[3], turn[3], up = 0, down = 0;
    for (int a = 0; a < 3; a++) {
        ahead[a] = next[a] - here[a], back[a] = last[a] - here[a];
        up += ahead[a] * seen[a], down += back[a] * seen[a];
    }
    for (int a = 0; a < 3; a++)
        ahead[a] -= up * seen[a], back[a] -= down * seen[a];
    cross(ahead, back, turn);
    return fabs(atan2(dot(turn, seen), dot(ahead, back)));
}

/* Round a point all whose edges have two faces that agree, what is seen of the faces, each turned to the viewer, closes up after whole
 * turns. How many is told without angles: any line through the point, as seen, is passed upwards once a turn. Where it is passed once
 * only, the faces take up one turn; where it seems to be passed oftener, or the point is not closed, the angles decide. */
int plain_fans(const double *vertices, int64_t n, const int64_t *faces, const double *normal, int64_t m, const uint8_t *closed,
               uint8_t *plain)
{
    double (*view)[3] = calloc((size_t)(n + 1), sizeof *view);
    uint8_t *passed = calloc((size_t)(n + 1), 1);
    double *angle = NULL;
    int64_t unsure = 0;
    if (!view || !passed) {
        free(view);
        free(passed);
        return -1;
    }
    for (int64_t f = 0; f < m; f++)
        for (int c = 0; c < 3; c++)
            for (int a = 0; a < 3; a++)
                view[faces[3 * f + c]][a] += normal[3 * f + a];
    for (int64_t i = 0; i < n; i++) {
        double length = fmax(sqrt(dot(view[i], view[i])), 1e-300);
        for (int a = 0; a < 3; a++)
            view[i][a] /= length;
        plain[i] = 1;
    }
    for (int64_t f = 0; f < m; f++) {
        const int64_t *face = faces + 3 * f;
        for (int c = 0; c < 3; c++) {
            int64_t p = face[c];
            const double *seen = view[p];
            if (!(dot(normal + 3 * f, seen) >= 0.05))
                plain[p] = 0;
            if (!closed[p])
                continue;
            const double *here = vertices + 3 * p, *next = vertices + 3 * face[(c + 1) % 3], *last = vertices + 3 * face[(c + 2) % 3];
            int x = seen[0] * seen[0] + seen[1] * seen[1] < 0.5, y = x + 1; /* a line square to the view, of some length in these two */
            double up = seen[y] * (next[x] - here[x]) - seen[x] * (next[y] - here[y]);
            double down = seen[y] * (last[x] - here[x]) - seen[x] * (last[y] - here[y]);
            passed[p] = (uint8_t)(passed[p] + ((up <= 0) & (down > 0) & (passed[p] < 2)));
        }
    }
    for (int64_t i = 0; i < n; i++)
        unsure += plain[i] && passed[i] != 1;
    if (unsure) {
        angle = calloc((size_t)(n + 1), sizeof *angle);
        for (int64_t f = 0; angle && f < m; f++)
            for (int c = 0; c < 3; c++) {
                int64_t p = faces[3 * f + c];
                if (plain[p] && passed[p] != 1)
                    angle[p] += angle_seen(vertices, faces + 3 * f, c, view[p]);
            }
        for (int64_t i = 0; angle && i < n; i++)
            plain[i] &= passed[i] == 1 || angle[i] < 2 * 3.14159265358979323846 + 1e-6;
    }
    int failed = unsure && !angle;
    free(view);
    free(passed);
    free(angle);
    return failed ? -1 : 0;
}
