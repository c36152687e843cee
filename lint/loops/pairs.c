/* Pairs of faces that may pass through each other: the tree walked against itself, and what is cheap to tell told at once.
 *
 * The same questions in the same order as in lint/measure/crossings.py (_worth_a_look, _by_planes); what is left over, which is little,
 * is settled there. */
#include "loops.h"

#include <math.h>
#include <stdlib.h>

enum { USABLE = 1, SIMPLE = 2 };

typedef struct {
    const Tree *tree;
    const double *normal;
    double tolerance, flat;
    Pairs *found;
    int failed;
    uint8_t *mark;           /* of each face in the order of the tree: USABLE, SIMPLE */
    float (*lean)[3];        /* the normals in that order, near enough to tell most neighbours from folds */
    float *low[3], *high[3]; /* of each face in the order of the tree, grown by half the tolerance and by what rounding may take */
} Walk;

static inline double less(double a, double b)
{
    return a < b ? a : b; /* fmin minds what is no number, and is a call */
}

static inline double more(double a, double b)
{
    return a > b ? a : b;
}

static void keep(Walk *walk, int kind, int32_t i, int32_t j)
{
    Pairs *to = walk->found + kind;
    if (to->count == to->room) {
        int64_t room = to->room ? 2 * to->room : 1024;
        void *larger = realloc(to->pair, (size_t)room * sizeof *to->pair);
        if (!larger) {
            walk->failed = 1;
            return;
        }
        to->pair = larger;
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
    *high = more(more(h[0], h[1]), h[2]);
    *low = less(less(h[0], h[1]), h[2]);
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
    const double *a = tree->point[one[(mine + 1) % 3]], *b = tree->point[one[(mine + 2) % 3]], *p = tree->point[two[other]];
    double e[3] = {b[0] - a[0], b[1] - a[1], b[2] - a[2]}, off[3] = {p[0] - a[0], p[1] - a[1], p[2] - a[2]};
    double near[3] = {walk->lean[i][0], walk->lean[i][1], walk->lean[i][2]}, inward[3];
    cross(near, e, inward);
    double side = dot(inward, off);
    if (side < 0 && side * side > 1e-8 * dot(e, e) * dot(off, off)) /* told well enough by the short normal, which is at hand */
        return 1;
    cross(walk->normal + 3 * (int64_t)tree->face[i], e, inward);
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
                most = more(most, dot(axis, off));
            }
            if (most <= walk->tolerance / 2 * length) /* half: rounding must not leave out what the caller would keep */
                return 1;
        }
    }
    return 0;
}

/* How many corners two faces share; -1 where that says that they cannot cross: the same face twice, side by side round a plain point. */
static inline int shared_by(const Walk *walk, int64_t i, int64_t j)
{
    const int32_t *one = walk->tree->corner[i], *two = walk->tree->corner[j];
    int32_t a = two[0], b = two[1], c = two[2];
    int shared = (one[0] == a) + (one[0] == b) + (one[0] == c) + (one[1] == a) + (one[1] == b) + (one[1] == c) + (one[2] == a) +
                 (one[2] == b) + (one[2] == c);
    int either = walk->mark[i] | walk->mark[j], both = walk->mark[i] & walk->mark[j];
    return !(both & USABLE) || shared > 2 || (shared == 1 && (either & SIMPLE)) ? -1 : shared;
}

static void judge(Walk *walk, int64_t i, int64_t j, int shared)
{
    const Tree *tree = walk->tree;
    const int32_t *one = tree->corner[i], *two = tree->corner[j];
    const float *u = walk->lean[i], *v = walk->lean[j];
    if (shared == 2 && fabs((double)u[0] * v[0] + (double)u[1] * v[1] + (double)u[2] * v[2]) < walk->flat - 1e-6)
        return;
    if (shared == 2 && beside(walk, i, j))
        return;
    double turn = fabs(dot(walk->normal + 3 * (int64_t)tree->face[i], walk->normal + 3 * (int64_t)tree->face[j]));
    if (shared == 2 && !(turn > walk->flat))
        return;
    if (!shared)
        for (int a = 0; a < 3; a++) {
            double least[2], most[2];
            for (int s = 0; s < 2; s++) {
                const int32_t *c = s ? two : one;
                double x = tree->point[c[0]][a], y = tree->point[c[1]][a], z = tree->point[c[2]][a];
                least[s] = less(less(x, y), z) - walk->tolerance / 2;
                most[s] = more(more(x, y), z) + walk->tolerance / 2;
            }
            if (least[0] > most[1] || least[1] > most[0])
                return;
        }
    double high, low, far, near, tolerance = walk->tolerance;
    int edge, other;
    heights(walk, j, i, &high, &low, &edge);
    if (high < -tolerance || low > tolerance)
        return;
    heights(walk, i, j, &far, &near, &other);
    if (far < -tolerance || near > tolerance)
        return;
    if (edge)
        keep(walk, EDGE_ON_ONE, tree->face[i], tree->face[j]);
    if (other)
        keep(walk, EDGE_ON_TWO, tree->face[i], tree->face[j]);
    if (high > tolerance && low < -tolerance && far > tolerance && near < -tolerance)
        keep(walk, ACROSS, tree->face[i], tree->face[j]);
    else if (high <= tolerance && low >= -tolerance && far <= tolerance && near >= -tolerance && turn > walk->flat && !clear(walk, i, j))
        keep(walk, LYING, tree->face[i], tree->face[j]);
}

/* Which children of a node have boxes that meet a box, a bit each. */
static inline int meet(const Node *node, const float *low, const float *high)
{
    int hit[WIDE], bits = 0;
    for (int k = 0; k < WIDE; k++)
        hit[k] = (node->low[0][k] <= high[0]) & (low[0] <= node->high[0][k]) & (node->low[1][k] <= high[1]) &
                 (low[1] <= node->high[1][k]) & (node->low[2][k] <= high[2]) & (low[2] <= node->high[2][k]);
    for (int k = 0; k < WIDE; k++)
        bits |= hit[k] << k;
    return bits;
}

/* The box of a child, grown by the tolerance: boxes that are farther apart hold nothing to compare. */
static inline void reach(const Walk *walk, const Node *node, int a, float *low, float *high)
{
    float grown = (float)walk->tolerance * 1.001f;
    for (int k = 0; k < 3; k++)
        low[k] = node->low[k][a] - grown, high[k] = node->high[k][a] + grown;
}

static void leaves(Walk *walk, int32_t one, int32_t two)
{
    int64_t i = ~one >> 3, i_end = i + (~one & 7) + 1, begin = ~two >> 3;
    int count = (~two & 7) + 1;
    const float *x = walk->low[0] + begin, *y = walk->low[1] + begin, *z = walk->low[2] + begin;
    const float *to_x = walk->high[0] + begin, *to_y = walk->high[1] + begin, *to_z = walk->high[2] + begin;
    for (; i < i_end; i++) {
        float low[3], high[3];
        int hit[FULL];
        for (int a = 0; a < 3; a++)
            low[a] = walk->low[a][i], high[a] = walk->high[a][i];
        for (int k = 0; k < FULL; k++) /* past the last face of the leaf too, which does no harm: there is room behind the last of all */
            hit[k] = (x[k] <= high[0]) & (low[0] <= to_x[k]) & (y[k] <= high[1]) & (low[1] <= to_y[k]) & (z[k] <= high[2]) &
                     (low[2] <= to_z[k]);
        for (int k = one == two ? (int)(i - begin) + 1 : 0; k < count; k++)
            if (hit[k]) {
                int shared = shared_by(walk, i, begin + k);
                if (shared >= 0)
                    judge(walk, i, begin + k, shared);
            }
    }
}

/* Every pair of faces under a child of one node and a child of another whose boxes meet. */
static void against(Walk *walk, const Node *one, int a, const Node *two, int b)
{
    const Node *node = walk->tree->node;
    int32_t c = one->child[a], d = two->child[b];
    float low[3], high[3];
    if (c < 0 && d < 0) {
        leaves(walk, c, d);
    } else if (c >= 0 && (d < 0 || one->high[0][a] - one->low[0][a] >= two->high[0][b] - two->low[0][b])) {
        reach(walk, two, b, low, high);
        for (int k = 0, bits = meet(node + c, low, high); k < WIDE; k++)
            if (bits >> k & 1)
                against(walk, node + c, k, two, b);
    } else {
        reach(walk, one, a, low, high);
        for (int k = 0, bits = meet(node + d, low, high); k < WIDE; k++)
            if (bits >> k & 1)
                against(walk, one, a, node + d, k);
    }
}

static void within(Walk *walk, int32_t self)
{
    const Node *node = walk->tree->node + self;
    for (int a = 0; a < WIDE; a++) {
        float low[3], high[3];
        if (node->low[0][a] > node->high[0][a])
            continue;
        if (node->child[a] >= 0)
            within(walk, node->child[a]);
        else
            leaves(walk, node->child[a], node->child[a]);
        reach(walk, node, a, low, high);
        for (int b = a + 1, bits = meet(node, low, high); b < WIDE; b++)
            if (bits >> b & 1)
                against(walk, node, a, node, b);
    }
}

/* Marks and boxes of the faces in the order of the tree; 0 when memory runs out. */
static int ready(Walk *walk, const uint8_t *usable, const uint8_t *simple)
{
    const Tree *tree = walk->tree;
    float grown = (float)(walk->tolerance / 2) * 1.001f + tree->pad;
    size_t room = (size_t)(tree->faces + FULL);
    float *all = malloc(6 * room * sizeof *all);
    walk->low[0] = all;
    walk->mark = malloc(room);
    walk->lean = malloc(room * sizeof *walk->lean);
    if (!all || !walk->mark || !walk->lean)
        return 0;
    for (int a = 0; a < 3; a++) {
        walk->low[a] = all + 2 * (size_t)a * room;
        walk->high[a] = walk->low[a] + room;
        for (size_t f = (size_t)tree->faces; f < room; f++)
            walk->low[a][f] = walk->high[a][f] = 0;
    }
    for (int64_t f = 0; f < tree->faces; f++) {
        walk->mark[f] = (uint8_t)((usable[tree->face[f]] ? USABLE : 0) | (simple[tree->face[f]] ? SIMPLE : 0));
        const double *p = tree->point[tree->corner[f][0]], *q = tree->point[tree->corner[f][1]], *r = tree->point[tree->corner[f][2]];
        for (int a = 0; a < 3; a++) {
            walk->lean[f][a] = (float)walk->normal[3 * (int64_t)tree->face[f] + a];
            walk->low[a][f] = (float)less(less(p[a], q[a]), r[a]) - grown;
            walk->high[a][f] = (float)more(more(p[a], q[a]), r[a]) + grown;
        }
    }
    return 1;
}

int tree_pairs(const Tree *tree, const double *normal, const uint8_t *usable, const uint8_t *simple, double tolerance, double flat,
               Pairs found[KINDS])
{
    Walk walk = {tree, normal, tolerance, flat, found, 0, NULL, NULL, {0}, {0}};
    int good = ready(&walk, usable, simple);
    if (good)
        within(&walk, 0);
    free(walk.low[0]);
    free(walk.mark);
    free(walk.lean);
    return good && !walk.failed ? 0 : -1;
}
