/* Faces that cross or touch others, of pairs of which one at least is new: the new ones in a tree of boxes, every face asked of it.
 *
 * The same questions with the same sums as in lint/shape/crossing.py (_crossed, _pierced, _folded), on the coordinates as they are. */
#include "loops.h"

#include <float.h>
#include <math.h>
#include <stdlib.h>

typedef struct {
    const double *vertex;
    const int64_t *corner;
    const uint8_t *fresh;
    const int64_t *number; /* of each face of the tree, among all */
    const Tree *tree;
    uint8_t *hit;
    double fold;
    int first, found;
} Look;

static void from(const double *origin, const double *to, double *way)
{
    for (int a = 0; a < 3; a++)
        way[a] = to[a] - origin[a];
}

/* Whether a segment passes through a face; the rim of a face belongs to it, and lying in its plane does not count. */
static int pierced(const double *start, const double *end, const double *p, const double *q, const double *r)
{
    double u[3], v[3], normal[3], one[3], two[3], unit[3], at[3], side[3];
    from(p, q, u);
    from(p, r, v);
    cross(u, v, normal);
    double length = sqrt(dot(normal, normal)), divisor = fmax(length, 1e-300), most_u = 0, most_v = 0, most = 0;
    from(p, start, one);
    from(p, end, two);
    for (int a = 0; a < 3; a++) {
        unit[a] = normal[a] / divisor;
        most_u = fmax(most_u, fabs(u[a]));
        most_v = fmax(most_v, fabs(v[a]));
        most = fmax(most, fabs(end[a] - start[a]));
    }
    double above = dot(unit, one), below = dot(unit, two), slack = 1e-11 * (fmax(most_u, most_v) + most);
    if (!((above >= -slack && below <= slack) || (above <= slack && below >= -slack)) || !(fabs(above - below) > 4 * slack) || !(length > 0))
        return 0;
    double share = fmin(fmax(above / (above - below), 0.0), 1.0);
    for (int a = 0; a < 3; a++)
        at[a] = start[a] + share * (end[a] - start[a]) - p[a];
    double long_enough = fmax(length, 1e-150), inverse = 1 / (long_enough * long_enough);
    cross(at, v, side);
    double beta = dot(side, normal) * inverse;
    cross(u, at, side);
    double gamma = dot(side, normal) * inverse;
    return beta >= -1e-9 && gamma >= -1e-9 && beta + gamma <= 1 + 1e-9;
}

/* The unit way (or nothing) from a line to a point. */
static void away(const double *on, const double *along, const double *point, double *way)
{
    from(on, point, way);
    double over = dot(way, along);
    for (int a = 0; a < 3; a++)
        way[a] -= over * along[a];
    double length = fmax(sqrt(dot(way, way)), 1e-300);
    for (int a = 0; a < 3; a++)
        way[a] /= length;
}

/* Faces on a common side that lie on the same side of it in nearly one plane. same: which corners of the one the other has. */
static int folded(const Look *look, const int64_t *one, const int64_t *two, int same[3][3])
{
    int first = -1, last = 0, lone_one = -1, lone_two = -1;
    for (int a = 0; a < 3; a++) {
        int here = same[a][0] || same[a][1] || same[a][2], there = same[0][a] || same[1][a] || same[2][a];
        if (here) {
            first = first < 0 ? a : first;
            last = a;
        } else if (lone_one < 0)
            lone_one = a;
        if (!there && lone_two < 0)
            lone_two = a;
    }
    lone_one = lone_one < 0 ? 0 : lone_one;
    lone_two = lone_two < 0 ? 0 : lone_two;
    const double *begin = look->vertex + 3 * one[first], *end = look->vertex + 3 * one[last];
    double along[3], way_one[3], way_two[3];
    from(begin, end, along);
    double length = fmax(sqrt(dot(along, along)), 1e-300);
    for (int a = 0; a < 3; a++)
        along[a] /= length;
    away(begin, along, look->vertex + 3 * one[lone_one], way_one);
    away(begin, along, look->vertex + 3 * two[lone_two], way_two);
    return dot(way_one, way_two) > look->fold;
}

static int crossed(const Look *look, const int64_t *one, const int64_t *two)
{
    int same[3][3], shared = 0;
    for (int a = 0; a < 3; a++)
        for (int b = 0; b < 3; b++)
            shared += same[a][b] = one[a] == two[b];
    if (shared >= 2)
        return shared == 3 || (shared == 2 && folded(look, one, two, same));
    const double *v = look->vertex;
    for (int turn = 0; turn < 2; turn++) {
        const int64_t *sides = turn ? two : one, *face = turn ? one : two;
        for (int c = 0; c < 3; c++) {
            int64_t start = sides[c], end = sides[(c + 1) % 3];
            if (start == face[0] || start == face[1] || start == face[2] || end == face[0] || end == face[1] || end == face[2])
                continue;
            if (pierced(v + 3 * start, v + 3 * end, v + 3 * face[0], v + 3 * face[1], v + 3 * face[2]))
                return 1;
        }
    }
    return 0;
}

static void box_of(const Look *look, int64_t f, double *low, double *high)
{
    for (int a = 0; a < 3; a++) {
        low[a] = DBL_MAX, high[a] = -DBL_MAX;
        for (int c = 0; c < 3; c++) {
            double x = look->vertex[3 * look->corner[3 * f + c] + a];
            low[a] = x < low[a] ? x : low[a];
            high[a] = x > high[a] ? x : high[a];
        }
    }
}

static void judge(Look *look, int64_t i, int64_t f, const double *low, const double *high)
{
    if (i == f || (look->fresh[f] && f < i) || (!look->first && look->hit[i] && look->hit[f])) /* of two new ones, the lesser asks */
        return;
    double l[3], h[3];
    box_of(look, i, l, h);
    for (int a = 0; a < 3; a++)
        if (l[a] > high[a] || low[a] > h[a])
            return;
    if (crossed(look, look->corner + 3 * i, look->corner + 3 * f)) {
        look->hit[i] = look->hit[f] = 1;
        look->found = 1;
    }
}

static void under(Look *look, int32_t self, const float *least, const float *most, int64_t f, const double *low, const double *high)
{
    const Node *node = look->tree->node + self;
    for (int k = 0; k < WIDE && !(look->first && look->found); k++) {
        if (node->low[0][k] > most[0] || node->high[0][k] < least[0] || node->low[1][k] > most[1] || node->high[1][k] < least[1] ||
            node->low[2][k] > most[2] || node->high[2][k] < least[2])
            continue;
        int32_t child = node->child[k];
        if (child >= 0) {
            under(look, child, least, most, f, low, high);
            continue;
        }
        if (node->low[0][k] > node->high[0][k])
            continue;
        int64_t begin = ~child >> 3, end = begin + (~child & 7) + 1;
        for (; begin < end && !(look->first && look->found); begin++)
            judge(look, look->number[look->tree->face[begin]], f, low, high);
    }
}

int faces_hit(const double *vertices, int64_t n, const int64_t *faces, int64_t m, const uint8_t *fresh, double fold, int first, uint8_t *hit)
{
    int64_t count = 0;
    for (int64_t f = 0; f < m; f++) {
        count += fresh[f] != 0;
        hit[f] = 0;
    }
    if (!count)
        return 0;
    int64_t *number = malloc((size_t)count * sizeof *number), *corner = malloc((size_t)(3 * count) * sizeof *corner);
    Tree *tree = NULL;
    if (number && corner) {
        int64_t next = 0;
        for (int64_t f = 0; f < m; f++)
            if (fresh[f]) {
                for (int c = 0; c < 3; c++)
                    corner[3 * next + c] = faces[3 * f + c];
                number[next++] = f;
            }
        tree = tree_build(vertices, n, corner, count);
    }
    Look look = {vertices, faces, fresh, number, tree, hit, fold, first, 0};
    for (int old = 0; tree && old < 2; old++) /* the new ones, being few, ask each other first */
        for (int64_t f = 0; f < m && !(first && look.found); f++) {
            if ((fresh[f] != 0) == old)
                continue;
            double low[3], high[3];
            float least[3], most[3];
            box_of(&look, f, low, high);
            int apart = 0;
            for (int a = 0; a < 3; a++) {
                apart |= low[a] > tree->high[a] || high[a] < tree->low[a];
                least[a] = nextafterf((float)(low[a] - tree->middle[a]), -FLT_MAX);
                most[a] = nextafterf((float)(high[a] - tree->middle[a]), FLT_MAX);
            }
            if (!apart)
                under(&look, 0, least, most, f, low, high);
        }
    int failed = !tree;
    tree_free(tree);
    free(number);
    free(corner);
    return failed ? -1 : look.found;
}
