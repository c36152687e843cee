/* Sums over a skin of the products of its coordinates, up to four at a time, by which a part is known again. */
#include <math.h>
#include <string.h>

#include "loops.h"

#define LANES 4 /* faces worked on side by side; their sums are kept apart, so that a compiler can make them in one */

/* Six points in a triangle that integrate every product of up to four coordinates exactly (D. A. Dunavant, 1985). */
#define NODES 6
static const double WEIGHT[2] = {0.223381589678011, 0.109951743655322}, NEAR[2] = {0.445948490915965, 0.091576213509771};

static double area_of(const double *a, const double *b, const double *c)
{
    double u[3], v[3], n[3];
    for (int k = 0; k < 3; k++) {
        u[k] = b[k] - a[k];
        v[k] = c[k] - a[k];
    }
    cross(u, v, n);
    return sqrt(dot(n, n)) / 2;
}

void skin_middle(const double *vertices, const int64_t *faces, int64_t m, const double start[3], double sum[4], double *reach)
{
    double far = 0;
    memset(sum, 0, 4 * sizeof *sum);
    for (int64_t f = 0; f < m; f++) {
        double corner[3][3];
        for (int i = 0; i < 3; i++)
            for (int k = 0; k < 3; k++) {
                corner[i][k] = vertices[3 * faces[3 * f + i] + k] - start[k];
                double off = fabs(corner[i][k]);
                far = off > far ? off : far;
            }
        double area = area_of(corner[0], corner[1], corner[2]);
        sum[0] += area;
        for (int k = 0; k < 3; k++)
            sum[1 + k] += area * ((corner[0][k] + corner[1][k] + corner[2][k]) / 3);
    }
    *reach = far;
}

/* Adds what one point of each of so many faces gives. */
static void add(const double x[3][LANES], const double weight[LANES], double sum[POWERS][LANES])
{
    for (int l = 0; l < LANES; l++) {
        double a = x[0][l], b = x[1][l], c = x[2][l], w = weight[l];
        double wa = w * a, wb = w * b, wc = w * c;
        double aa = wa * a, ab = wa * b, ac = wa * c, bb = wb * b, bc = wb * c, cc = wc * c;
        double square = a * a + b * b + c * c;
        sum[0][l] += aa;
        sum[1][l] += ab;
        sum[2][l] += ac;
        sum[3][l] += bb;
        sum[4][l] += bc;
        sum[5][l] += cc;
        sum[6][l] += aa * a;
        sum[7][l] += aa * b;
        sum[8][l] += aa * c;
        sum[9][l] += bb * a;
        sum[10][l] += ab * c;
        sum[11][l] += cc * a;
        sum[12][l] += bb * b;
        sum[13][l] += bb * c;
        sum[14][l] += cc * b;
        sum[15][l] += cc * c;
        sum[16][l] += aa * square;
        sum[17][l] += ab * square;
        sum[18][l] += ac * square;
        sum[19][l] += bb * square;
        sum[20][l] += bc * square;
        sum[21][l] += cc * square;
    }
}

void skin_powers(const double *vertices, const int64_t *faces, int64_t m, const double middle[3], double scale, double sum[POWERS])
{
    double lane[POWERS][LANES] = {{0}};
    for (int64_t f = 0; f < m; f += LANES) {
        double corner[3][3][LANES] = {{{0}}}, area[LANES] = {0};
        for (int l = 0; l < LANES && f + l < m; l++) {
            double at[3][3];
            for (int i = 0; i < 3; i++)
                for (int k = 0; k < 3; k++)
                    corner[i][k][l] = at[i][k] = (vertices[3 * faces[3 * (f + l) + i] + k] - middle[k]) * scale;
            area[l] = area_of(at[0], at[1], at[2]);
        }
        for (int node = 0; node < NODES; node++) {
            double near = NEAR[node / 3], x[3][LANES], weight[LANES];
            int odd = node % 3, one = (odd + 1) % 3, two = (odd + 2) % 3;
            for (int k = 0; k < 3; k++)
                for (int l = 0; l < LANES; l++)
                    x[k][l] = (1 - 2 * near) * corner[odd][k][l] + near * (corner[one][k][l] + corner[two][k][l]);
            for (int l = 0; l < LANES; l++)
                weight[l] = WEIGHT[node / 3] * area[l];
            add(x, weight, lane);
        }
    }
    for (int k = 0; k < POWERS; k++) {
        sum[k] = 0;
        for (int l = 0; l < LANES; l++)
            sum[k] += lane[k][l];
    }
}
