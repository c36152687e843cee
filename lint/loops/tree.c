/* A tree of boxes over faces sorted along a Morton curve (G. M. Morton 1966, IBM), split where the code of the curve changes in its
 * highest bit (C. Lauterbach and others, Fast BVH Construction on GPUs, Eurographics 2009), four children to a node. */
#include "loops.h"

#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static uint64_t spread(uint64_t x)
{
    x = (x | x << 32) & 0x1F00000000FFFFull;
    x = (x | x << 16) & 0x1F0000FF0000FFull;
    x = (x | x << 8) & 0x100F00F00F00F00Full;
    x = (x | x << 4) & 0x10C30C30C30C30C3ull;
    return (x | x << 2) & 0x1249249249249249ull;
}

typedef struct {
    uint64_t code;
    int32_t face;
} Coded;

/* By eleven bits at a time from the lowest; equal codes keep their order. The sorted array is one of the two. */
static Coded *sorted(Coded *now, Coded *other, int64_t m)
{
    enum { DIGIT = 11, SIZE = 1 << DIGIT };
    for (int shift = 0; shift < 63; shift += DIGIT) {
        int64_t begin[SIZE] = {0};
        for (int64_t i = 0; i < m; i++)
            begin[now[i].code >> shift & (SIZE - 1)]++;
        int64_t sum = 0, all = 0;
        for (int d = 0; d < SIZE; d++) {
            int64_t count = begin[d];
            all |= count == m;
            begin[d] = sum;
            sum += count;
        }
        if (all)
            continue;
        for (int64_t i = 0; i < m; i++)
            other[begin[now[i].code >> shift & (SIZE - 1)]++] = now[i];
        Coded *swap = now;
        now = other;
        other = swap;
    }
    return now;
}

static void widen(double *low, double *high, const double *at)
{
    for (int a = 0; a < 3; a++) {
        if (at[a] < low[a])
            low[a] = at[a];
        if (at[a] > high[a])
            high[a] = at[a];
    }
}

static Coded *coded(Tree *tree, const double *vertices, const int64_t *corners, int64_t m, Coded *spare)
{
    double size = 0;
    for (int a = 0; a < 3; a++)
        size = fmax(size, tree->high[a] - tree->low[a]);
    double scale = ((1 << 21) - 1) / (size > 0 ? size : 1);
    Coded *code = spare + m;
    for (int64_t f = 0; f < m; f++) {
        double low[3] = {DBL_MAX, DBL_MAX, DBL_MAX}, high[3] = {-DBL_MAX, -DBL_MAX, -DBL_MAX};
        for (int c = 0; c < 3; c++)
            widen(low, high, vertices + 3 * corners[3 * f + c]);
        uint64_t bits = 0;
        for (int a = 0; a < 3; a++)
            bits |= spread((uint64_t)(((low[a] + high[a]) / 2 - tree->low[a]) * scale)) << a;
        code[f] = (Coded){bits, (int32_t)f};
    }
    return sorted(code, spare, m);
}

/* Where the faces from first up to end are split: before the first whose code has the highest bit that changes, or in the middle. */
static int64_t split(const Coded *code, int64_t first, int64_t end)
{
    uint64_t differ = code[first].code ^ code[end - 1].code;
    if (!differ)
        return first + (end - first) / 2;
    int top = 63;
    while (!(differ >> top))
        top--;
    int64_t low = first, high = end - 1; /* the bit is clear at low and set at high */
    while (high - low > 1) {
        int64_t middle = low + (high - low) / 2;
        if (code[middle].code >> top & 1)
            high = middle;
        else
            low = middle;
    }
    return high;
}

static float below(double x, float pad)
{
    return nextafterf((float)x, -FLT_MAX) - pad;
}

static float above(double x, float pad)
{
    return nextafterf((float)x, FLT_MAX) + pad;
}

/* The node over the faces from first up to end; its box in low and high. -1 when there is no more room. */
static int32_t grown(Tree *tree, const Coded *code, int64_t first, int64_t end, float *low, float *high)
{
    if (tree->nodes == tree->room)
        return -1;
    int32_t self = (int32_t)tree->nodes++;
    int64_t cut[WIDE + 1] = {first, end};
    int parts = 1;
    while (parts < WIDE) { /* the largest part in two, as long as one is larger than a leaf */
        int most = 0;
        for (int p = 1; p < parts; p++)
            if (cut[p + 1] - cut[p] > cut[most + 1] - cut[most])
                most = p;
        if (cut[most + 1] - cut[most] <= FULL)
            break;
        int64_t at = split(code, cut[most], cut[most + 1]);
        memmove(cut + most + 2, cut + most + 1, (size_t)(parts - most) * sizeof *cut);
        cut[most + 1] = at;
        parts++;
    }
    for (int a = 0; a < 3; a++)
        low[a] = FLT_MAX, high[a] = -FLT_MAX;
    for (int p = 0; p < WIDE; p++) {
        float one[3] = {FLT_MAX, FLT_MAX, FLT_MAX}, two[3] = {-FLT_MAX, -FLT_MAX, -FLT_MAX};
        int32_t child = -1;
        if (p < parts && cut[p + 1] - cut[p] > FULL) {
            child = grown(tree, code, cut[p], cut[p + 1], one, two);
            if (child < 0)
                return -1;
        } else if (p < parts) {
            double l[3] = {DBL_MAX, DBL_MAX, DBL_MAX}, h[3] = {-DBL_MAX, -DBL_MAX, -DBL_MAX};
            for (int64_t f = cut[p]; f < cut[p + 1]; f++)
                for (int c = 0; c < 3; c++)
                    widen(l, h, tree->point[tree->corner[f][c]]);
            for (int a = 0; a < 3; a++)
                one[a] = below(l[a], tree->pad), two[a] = above(h[a], tree->pad);
            child = ~(int32_t)(8 * cut[p] + (cut[p + 1] - cut[p] - 1));
        }
        Node *node = tree->node + self;
        node->child[p] = child;
        for (int a = 0; a < 3; a++) {
            node->low[a][p] = one[a];
            node->high[a][p] = two[a];
            low[a] = fminf(low[a], one[a]);
            high[a] = fmaxf(high[a], two[a]);
        }
    }
    return self;
}

Tree *tree_build(const double *vertices, int64_t n, const int64_t *corners, int64_t m)
{
    Tree *tree = calloc(1, sizeof *tree);
    if (!tree)
        return NULL;
    tree->faces = m;
    for (int a = 0; a < 3; a++)
        tree->low[a] = DBL_MAX, tree->high[a] = -DBL_MAX;
    for (int64_t i = 0; i < 3 * m; i++)
        widen(tree->low, tree->high, vertices + 3 * corners[i]);
    double reach = 0;
    for (int a = 0; a < 3; a++) {
        tree->middle[a] = (tree->low[a] + tree->high[a]) / 2;
        reach = fmax(reach, tree->high[a] - tree->middle[a]);
    }
    tree->pad = (float)(reach * 0x1p-21);
    tree->room = m / 2 + 1;
    Coded *spare = malloc((size_t)(2 * m + 1) * sizeof *spare);
    int32_t *number = malloc((size_t)(n + 1) * sizeof *number);
    tree->face = malloc((size_t)(m + 1) * sizeof *tree->face);
    tree->corner = malloc((size_t)(m + 1) * sizeof *tree->corner);
    tree->point = malloc((size_t)(n + 1) * sizeof *tree->point);
    int good = spare && number && tree->face && tree->corner && tree->point;
    if (good) {
        const Coded *code = coded(tree, vertices, corners, m, spare);
        memset(number, -1, (size_t)(n + 1) * sizeof *number);
        for (int64_t i = 0; i < m; i++) {
            tree->face[i] = code[i].face;
            for (int c = 0; c < 3; c++) {
                int64_t v = corners[3 * (int64_t)code[i].face + c];
                if (number[v] < 0) {
                    number[v] = (int32_t)tree->points++;
                    for (int a = 0; a < 3; a++)
                        tree->point[number[v]][a] = vertices[3 * v + a] - tree->middle[a];
                }
                tree->corner[i][c] = number[v];
            }
        }
        tree->node = malloc((size_t)tree->room * sizeof *tree->node);
        float low[3], high[3];
        good = tree->node && grown(tree, code, 0, m, low, high) >= 0;
        if (good) { /* most of the room stays empty */
            Node *fitted = realloc(tree->node, (size_t)tree->nodes * sizeof *tree->node);
            tree->node = fitted ? fitted : tree->node;
        }
    }
    free(spare);
    free(number);
    if (!good) {
        tree_free(tree);
        return NULL;
    }
    return tree;
}

void tree_free(Tree *tree)
{
    if (tree) {
        free(tree->face);
        free(tree->corner);
        free(tree->point);
        free(tree->node);
        free(tree);
    }
}
