/* Pairs of faces that may pass through each other: the tree walked against itself, and what is cheap to tell told at once.
 *
 * The same questions in the same order as in lint/measure/crossings.py (_worth_a_look, _by_planes); what is left over, which is little,
 * is settled there. */
#include "loops.h"

#include <math.h>
#include <stdlib.h>

typedef struct {
    const Tree *tree;
    const double *normal;
    const uint8_t *usable, *simple;
    double tolerance, flat;
    Pairs *found;
    int failed;
} Walk;

static void keep(Walk *walk, int kind, int32_t i, int32_t j)
{
    Pairs *to = walk->found + kind;
    if (to->count == to->room) {
        int64_t room = to->room ? 2 * to->room : 1024;
        void *more = realloc(to->pair, (size_t)room * sizeof *to->pair);
        if (!more) {
            walk->failed = 1;
            return;
        }
        to->pair = more;
        to->room = room;
    }
    to->pair[to->count][0] = i;
    to->pair[to->count++][1] = j;
}

/* The greatest and the least height of the corners of one face over the plane of another, and whether two lie in it and one not. */
static void heights(const Walk *walk, int64_t of, int64_t over, double *high, double *low, int *edge)
{
    const Tree *tree = walk->tree;
    const double *n = walk->normal + 3 * (int64_t)tree->face[over];
    double offset = dot(n, tree->point[tree->corner[over][0]]), h[3];
    int level = 0;
    for (int c = 0; c < 3; c++) {
        h[c] = dot(n, tree->point[tree->corner[of][c]]) - offset;
        level += fabs(h[c]) <= walk->tolerance;
    }
    *high = fmax(fmax(h[0], h[1]), h[2]);
    *low = fmin(fmin(h[0], h[1]), h[2]);
    *edge = level == 2;
}

/* Whether two faces that share an edge and lie in one plane lie on either side of it: then they lie beside each other. */
static int beside(const Walk *walk, int64_t i, int64_t j)
{
    const Tree *tree = walk->tree;
    const int32_t *one = tree->corner[i], *two = tree->corner[j];
    int mine = 0, other = 0;
    for (int a = 0; a < 3; a++) {
        mine = one[a] != two[0] && one[a] != two[1] && one[a] != two[2] ? a : mine;
        other = two[a] != one[0] && two[a] != one[1] && two[a] != one[2] ? a : other;
    }
    const double *a = tree->point[one[(mine + 1) % 3]], *b = tree->point[one[(mine + 2) % 3]], *n = walk->normal + 3 * (int64_t)tree->face[i];
    double e[3] = {b[0] - a[0], b[1] - a[1], b[2] - a[2]};
    double inward[3];
    cross(n, e, inward);
    const double *p = tree->point[two[other]];
    double off[3] = {p[0] - a[0], p[1] - a[1], p[2] - a[2]};
    return dot(inward, off) <= 0;
}

/* Whether two faces that lie in one plane are apart, or overlap by no more than the tolerance, along the normal of one of their sides. */
static int clear(const Walk *walk, int64_t i, int64_t j)
{
    const Tree *tree = walk->tree;
    for (int s = 0; s < 2; s++) {
        const int32_t *own = tree->corner[s ? j : i], *other = tree->corner[s ? i : j];
        const double *n = walk->normal + 3 * (int64_t)tree->face[s ? j : i];
        for (int c = 0; c < 3; c++) {
            const double *a = tree->point[own[c]], *b = tree->point[own[(c + 1) % 3]];
            double e[3] = {b[0] - a[0], b[1] - a[1], b[2] - a[2]};
            double axis[3];
            cross(n, e, axis);
            double most = -INFINITY, length = sqrt(dot(axis, axis)); /* the face itself lies on the side where the axis leads */
            for (int k = 0; k < 3; k++) {
                const double *p = tree->point[other[k]];
                double off[3] = {p[0] - a[0], p[1] - a[1], p[2] - a[2]};
                most = fmax(most, dot(axis, off));
            }
            if (most <= walk->tolerance / 2 * length) /* half: rounding must not leave out what the caller would keep */
                return 1;
        }
    }
    return 0;
}

static void judge(Walk *walk, int64_t i, int64_t j)
{
    const Tree *tree = walk->tree;
    if (!walk->usable[tree->face[i]] || !walk->usable[tree->face[j]])
        return;
    const int32_t *one = tree->corner[i], *two = tree->corner[j];
    int shared = 0;
    for (int a = 0; a < 3; a++)
        for (int b = 0; b < 3; b++)
            shared += one[a] == two[b];
    if (shared > 2 || (shared == 1 && (walk->simple[tree->face[i]] || walk->simple[tree->face[j]])))
        return;
    double turn = fabs(dot(walk->normal + 3 * (int64_t)tree->face[i], walk->normal + 3 * (int64_t)tree->face[j]));
    if (shared == 2 && (!(turn > walk->flat) || beside(walk, i, j)))
        return;
    if (!shared)
        for (int a = 0; a < 3; a++) {
            double least[2], most[2];
            for (int s = 0; s < 2; s++) {
                const int32_t *c = s ? two : one;
                double x = tree->point[c[0]][a], y = tree->point[c[1]][a], z = tree->point[c[2]][a];
                least[s] = fmin(fmin(x, y), z) - walk->tolerance / 2;
                most[s] = fmax(fmax(x, y), z) + walk->tolerance / 2;
            }
            if (least[0] > most[1] || least[1] > most[0])
                return;
        }
    double high, low, far, near, tolerance = walk->tolerance;
    int edge, other;
    heights(walk, j, i, &high, &low, &edge);
    if (edge)
        keep(walk, EDGE_ON_ONE, tree->face[i], tree->face[j]);
    if (!((high > tolerance && low < -tolerance) || (high <= tolerance && low >= -tolerance)))
        return;
    heights(walk, i, j, &far, &near, &other);
    if (high > tolerance) {
        if (far > tolerance && near < -tolerance)
            keep(walk, ACROSS, tree->face[i], tree->face[j]);
        if (other)
            keep(walk, EDGE_ON_TWO, tree->face[i], tree->face[j]);
    } else if (far <= tolerance && near >= -tolerance && turn > walk->flat && !clear(walk, i, j))
        keep(walk, LYING, tree->face[i], tree->face[j]);
}

static int apart(const Walk *walk, const Node *one, int a, const Node *two, int b)
{
    float grown = (float)walk->tolerance * 1.001f;
    for (int k = 0; k < 3; k++)
        if (one->low[k][a] > two->high[k][b] + grown || two->low[k][b] > one->high[k][a] + grown)
            return 1;
    return 0;
}

static void leaves(Walk *walk, int32_t one, int32_t two)
{
    int64_t i = ~one >> 3, i_end = i + (~one & 7) + 1, begin = ~two >> 3, j_end = begin + (~two & 7) + 1;
    for (; i < i_end; i++)
        for (int64_t j = one == two ? i + 1 : begin; j < j_end; j++)
            judge(walk, i, j);
}

/* Every pair of faces under a child of one node and a child of another whose boxes meet. */
static void against(Walk *walk, const Node *one, int a, const Node *two, int b)
{
    const Node *node = walk->tree->node;
    int32_t c = one->child[a], d = two->child[b];
    if (c < 0 && d < 0) {
        leaves(walk, c, d);
    } else if (c >= 0 && (d < 0 || one->high[0][a] - one->low[0][a] >= two->high[0][b] - two->low[0][b])) {
        for (int k = 0; k < WIDE; k++)
            if (!apart(walk, node + c, k, two, b))
                against(walk, node + c, k, two, b);
    } else {
        for (int k = 0; k < WIDE; k++)
            if (!apart(walk, one, a, node + d, k))
                against(walk, one, a, node + d, k);
    }
}

static void within(Walk *walk, int32_t self)
{
    const Node *node = walk->tree->node + self;
    for (int a = 0; a < WIDE; a++) {
        if (node->low[0][a] > node->high[0][a])
            continue;
        if (node->child[a] >= 0)
            within(walk, node->child[a]);
        else
            leaves(walk, node->child[a], node->child[a]);
        for (int b = a + 1; b < WIDE; b++)
            if (!apart(walk, node, a, node, b))
                against(walk, node, a, node, b);
    }
}

int tree_pairs(const Tree *tree, const double *normal, const uint8_t *usable, const uint8_t *simple, double tolerance, double flat,
               Pairs found[KINDS])
{
    Walk walk = {tree, normal, usable, simple, tolerance, flat, found, 0};
    within(&walk, 0);
    return walk.failed ? -1 : 0;
}
