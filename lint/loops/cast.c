/* Rays and nearest spots by a tree of boxes.
 *
 * A ray meets a box by slabs in 32 bits, widened by their rounding (T. Ize, Robust BVH Ray Traversal, JCGT 2013), and a face in 64 bits
 * by the watertight test of S. Woop, C. Benthin and I. Wald (JCGT 2013): a ray never slips between two faces that share an edge.
 * The nearest spot of a triangle is found by its regions (C. Ericson, Real-Time Collision Detection, 2005, section 5.1.5). */
#include "loops.h"

#include <float.h>
#include <math.h>

/* Four 32-bit numbers at once where the processor is known to do that; elsewhere one after another, with the same results. */
#if defined(__SSE2__)
#include <emmintrin.h>
typedef __m128 Four;
#define four(x) _mm_set1_ps(x)
#define load(p) _mm_loadu_ps(p)
#define store(p, x) _mm_storeu_ps(p, x)
#define along(p, from, by) _mm_mul_ps(_mm_sub_ps(load(p), from), by)
#define least(a, b) _mm_min_ps(a, b)
#define most(a, b) _mm_max_ps(a, b)
#define meeting(near, far) _mm_movemask_ps(_mm_cmple_ps(near, far))
#define scaled(x, by) _mm_mul_ps(x, _mm_set1_ps(by))
#define squared(sum, x) _mm_add_ps(sum, _mm_mul_ps(x, x))
#else
typedef struct {
    float of[WIDE];
} Four;
#define EACH(say) Four made; for (int k = 0; k < WIDE; k++) made.of[k] = say; return made
static Four four(float x) { EACH(x); }
static Four load(const float *p) { EACH(p[k]); }
static void store(float *p, Four x) { for (int k = 0; k < WIDE; k++) p[k] = x.of[k]; }
static Four along(const float *p, Four from, Four by) { EACH((p[k] - from.of[k]) * by.of[k]); }
static Four least(Four a, Four b) { EACH(a.of[k] < b.of[k] ? a.of[k] : b.of[k]); }
static Four most(Four a, Four b) { EACH(a.of[k] > b.of[k] ? a.of[k] : b.of[k]); }
static Four scaled(Four x, float by) { EACH(x.of[k] * by); }
static Four squared(Four sum, Four x) { EACH(sum.of[k] + x.of[k] * x.of[k]); }
static int meeting(Four near, Four far)
{
    int mask = 0;
    for (int k = 0; k < WIDE; k++)
        mask |= (near.of[k] <= far.of[k]) << k;
    return mask;
}
#endif

enum { DEEP = 512 }; /* a Morton code has 63 bits and a number 28: no tree is deeper than 91 nodes, each leaves at most three waiting */

typedef struct {
    double origin[3], toward[3]; /* about the middle of the tree */
    double shear[3];
    int axis[3];
} Ray;

static void make_ready(Ray *ray)
{
    int z = 0;
    for (int a = 1; a < 3; a++)
        if (fabs(ray->toward[a]) > fabs(ray->toward[z]))
            z = a;
    int x = (z + 1) % 3, y = (z + 2) % 3;
    if (ray->toward[z] < 0) { /* keeps the sense in which corners are counted */
        int swap = x;
        x = y;
        y = swap;
    }
    ray->axis[0] = x, ray->axis[1] = y, ray->axis[2] = z;
    ray->shear[0] = ray->toward[x] / ray->toward[z];
    ray->shear[1] = ray->toward[y] / ray->toward[z];
    ray->shear[2] = 1 / ray->toward[z];
}

/* The distance along the ray at which it meets a face, below zero for none. */
static double met(const Ray *ray, const double *a, const double *b, const double *c)
{
    const double *corner[3] = {a, b, c};
    double x[3], y[3], z[3];
    for (int k = 0; k < 3; k++) {
        double off[3];
        for (int d = 0; d < 3; d++)
            off[d] = corner[k][d] - ray->origin[d];
        z[k] = off[ray->axis[2]];
        x[k] = off[ray->axis[0]] - ray->shear[0] * z[k];
        y[k] = off[ray->axis[1]] - ray->shear[1] * z[k];
    }
    double u = x[2] * y[1] - y[2] * x[1], v = x[0] * y[2] - y[0] * x[2], w = x[1] * y[0] - y[1] * x[0];
    if ((u < 0 || v < 0 || w < 0) && (u > 0 || v > 0 || w > 0))
        return -1;
    double whole = u + v + w;
    if (whole == 0)
        return -1;
    double far = ray->shear[2] * (u * z[0] + v * z[1] + w * z[2]) / whole;
    return far >= 0 ? far : -1;
}

typedef struct {
    float near;
    int32_t child;
} Waiting;

static int64_t first_met(const Tree *tree, Ray *ray, double reach, int facing, const double *normal, double *found)
{
    /* Boxes are asked from where the ray enters the part, so that 32 bits are enough for a ray that begins far away. */
    double enter = 0, leave = reach;
    for (int a = 0; a < 3; a++) {
        double low = tree->low[a] - tree->middle[a], high = tree->high[a] - tree->middle[a], at = ray->origin[a], by = ray->toward[a];
        double hair = 1e-9 * (high - low) + tree->pad;
        low -= hair, high += hair;
        if (fabs(by) < 1e-30) {
            if (!(at >= low && at <= high))
                return -1;
            continue;
        }
        double one = (low - at) / by, two = (high - at) / by;
        enter = fmax(enter, fmin(one, two));
        leave = fmin(leave, fmax(one, two));
    }
    if (!(enter <= leave))
        return -1;
    Four origin[3], inverse[3];
    float best = (float)(leave - enter) * (1 + 4 * FLT_EPSILON) + tree->pad;
    int behind[3];
    for (int a = 0; a < 3; a++) {
        double by = fabs(ray->toward[a]) < 1e-30 ? 1e-30 : ray->toward[a];
        origin[a] = four((float)(ray->origin[a] + enter * ray->toward[a]));
        behind[a] = by < 0;
        inverse[a] = four((float)(1 / by));
    }
    Waiting stack[DEEP];
    int waiting = 0;
    int32_t child = 0;
    int64_t face = -1;
    double nearest = reach;
    for (;;) {
        if (child >= 0) {
            const Node *node = tree->node + child;
            Four near = four(0), far = four(best);
            for (int a = 0; a < 3; a++) {
                near = most(along(behind[a] ? node->high[a] : node->low[a], origin[a], inverse[a]), near);
                far = least(along(behind[a] ? node->low[a] : node->high[a], origin[a], inverse[a]), far);
            }
            int begin = waiting, hit = meeting(scaled(near, 1 - 4 * FLT_EPSILON), scaled(far, 1 + 4 * FLT_EPSILON));
            float at[WIDE];
            store(at, near);
            for (int k = 0; hit; k++, hit >>= 1)
                if (hit & 1) {
                    int to = waiting++; /* the nearest last, so that it is taken first */
                    while (to > begin && stack[to - 1].near < at[k]) {
                        stack[to] = stack[to - 1];
                        to--;
                    }
                    stack[to] = (Waiting){at[k], node->child[k]};
                }
        } else {
            int32_t leaf = ~child;
            int64_t first = leaf >> 3, end = first + (leaf & 7) + 1;
            for (int64_t f = first; f < end; f++) {
                const int32_t *c = tree->corner[f];
                double far = met(ray, tree->point[c[0]], tree->point[c[1]], tree->point[c[2]]);
                if (far < 0 || far > nearest || (far == nearest && face >= 0 && tree->face[f] > face))
                    continue;
                if (facing) {
                    const double *n = normal + 3 * (int64_t)tree->face[f];
                    double lean = n[0] * ray->toward[0] + n[1] * ray->toward[1] + n[2] * ray->toward[2];
                    if (facing > 0 ? !(lean > 0) : !(lean < 0))
                        continue;
                }
                nearest = far;
                face = tree->face[f];
                best = fminf(best, (float)(far - enter) * (1 + 4 * FLT_EPSILON) + tree->pad);
            }
        }
        do {
            if (!waiting) {
                *found = nearest;
                return face;
            }
            child = stack[--waiting].child;
        } while (stack[waiting].near > best);
    }
}

void tree_cast(const Tree *tree, const double *origin, const double *direction, int64_t k, double reach, int facing,
               const double *normal, int64_t *face, double *far)
{
    for (int64_t i = 0; i < k; i++) {
        Ray ray;
        for (int a = 0; a < 3; a++) {
            ray.origin[a] = origin[3 * i + a] - tree->middle[a];
            ray.toward[a] = direction[3 * i + a];
        }
        make_ready(&ray);
        face[i] = first_met(tree, &ray, reach, facing, normal, far + i);
        if (face[i] < 0)
            far[i] = INFINITY;
    }
}

static void spot_between(const double *a, const double *b, const double *at, double *spot)
{
    double ab[3], ap[3];
    for (int k = 0; k < 3; k++)
        ab[k] = b[k] - a[k], ap[k] = at[k] - a[k];
    double size = dot(ab, ab), share = size > 0 ? fmin(fmax(dot(ab, ap) / size, 0), 1) : 0;
    for (int k = 0; k < 3; k++)
        spot[k] = a[k] + share * ab[k];
}

static double gap_to(const double *at, const double *spot)
{
    double off[3] = {spot[0] - at[0], spot[1] - at[1], spot[2] - at[2]};
    return dot(off, off);
}

static void spot_on(const double *a, const double *b, const double *c, const double *at, double *spot)
{
    double ab[3], ac[3], ap[3], bp[3], cp[3];
    for (int k = 0; k < 3; k++) {
        ab[k] = b[k] - a[k], ac[k] = c[k] - a[k];
        ap[k] = at[k] - a[k], bp[k] = at[k] - b[k], cp[k] = at[k] - c[k];
    }
    double n[3];
    cross(ab, ac, n);
    if (!(dot(n, n) > 1e-24 * dot(ab, ab) * dot(ac, ac))) { /* a face without area is its sides */
        double other[3];
        spot_between(a, b, at, spot);
        for (int side = 0; side < 2; side++) {
            spot_between(side ? a : b, c, at, other);
            if (gap_to(at, other) < gap_to(at, spot))
                for (int k = 0; k < 3; k++)
                    spot[k] = other[k];
        }
        return;
    }
    double d1 = dot(ab, ap), d2 = dot(ac, ap), d3 = dot(ab, bp), d4 = dot(ac, bp), d5 = dot(ab, cp), d6 = dot(ac, cp), v = 0, w = 0;
    double va = d3 * d6 - d5 * d4, vb = d5 * d2 - d1 * d6, vc = d1 * d4 - d3 * d2;
    if (d1 <= 0 && d2 <= 0)
        ;
    else if (d3 >= 0 && d4 <= d3)
        v = 1;
    else if (vc <= 0 && d1 >= 0 && d3 <= 0)
        v = d1 > d3 ? d1 / (d1 - d3) : 0;
    else if (d6 >= 0 && d5 <= d6)
        w = 1;
    else if (vb <= 0 && d2 >= 0 && d6 <= 0)
        w = d2 > d6 ? d2 / (d2 - d6) : 0;
    else if (va <= 0 && d4 - d3 >= 0 && d5 - d6 >= 0) {
        double whole = d4 - d3 + (d5 - d6);
        w = whole > 0 ? (d4 - d3) / whole : 0;
        v = 1 - w;
    } else {
        double whole = va + vb + vc;
        v = vb / whole, w = vc / whole;
    }
    for (int k = 0; k < 3; k++)
        spot[k] = a[k] + ab[k] * v + ac[k] * w;
}

void tree_nearest(const Tree *tree, const double *point, int64_t k, double reach, int64_t *face, double *square, double *spot)
{
    int32_t before = -1; /* a face near the last point is a good first guess for this one */
    for (int64_t i = 0; i < k; i++) {
        double at[3], best = reach < 1e150 ? reach * reach : DBL_MAX, found[3] = {0, 0, 0};
        for (int a = 0; a < 3; a++)
            at[a] = point[3 * i + a] - tree->middle[a];
        int64_t nearest = -1;
        /* Boxes are asked in 32 bits from a hair nearer, so that rounding passes none over. */
        Four beneath[3], beyond[3];
        double hair = fmax(fmax(fabs(at[0]), fabs(at[1])), fabs(at[2])) * (4 * FLT_EPSILON);
        for (int a = 0; a < 3; a++)
            beneath[a] = four((float)(at[a] + hair)), beyond[a] = four((float)(at[a] - hair));
        struct {
            double gap;
            int32_t child;
        } stack[DEEP];
        int waiting = 1;
        stack[0].gap = 0, stack[0].child = 0;
        if (before >= 0)
            stack[waiting].gap = 0, stack[waiting++].child = ~before;
        while (waiting) {
            waiting--;
            if (stack[waiting].gap > best)
                continue;
            int32_t child = stack[waiting].child;
            if (child >= 0) {
                const Node *node = tree->node + child;
                Four sum = four(0);
                for (int a = 0; a < 3; a++)
                    sum = squared(sum, most(most(along(node->low[a], beneath[a], four(1)), along(node->high[a], beyond[a], four(-1))), four(0)));
                sum = scaled(sum, 1 - 8 * FLT_EPSILON);
                int begin = waiting, hit = meeting(sum, four((float)fmin(best * (1 + FLT_EPSILON), FLT_MAX)));
                float gaps[WIDE];
                store(gaps, sum);
                for (int c = 0; hit; c++, hit >>= 1) {
                    double gap = gaps[c];
                    if (!(hit & 1) || node->low[0][c] > node->high[0][c])
                        continue;
                    int to = waiting++;
                    while (to > begin && stack[to - 1].gap < gap) {
                        stack[to] = stack[to - 1];
                        to--;
                    }
                    stack[to].gap = gap, stack[to].child = node->child[c];
                }
                continue;
            }
            int32_t leaf = ~child;
            int64_t first = leaf >> 3, end = first + (leaf & 7) + 1;
            for (int64_t f = first; f < end; f++) {
                const int32_t *c = tree->corner[f];
                double on[3];
                spot_on(tree->point[c[0]], tree->point[c[1]], tree->point[c[2]], at, on);
                double gap = gap_to(at, on);
                if (gap < best || (gap == best && tree->face[f] < nearest)) {
                    best = gap, nearest = tree->face[f], before = leaf;
                    for (int a = 0; a < 3; a++)
                        found[a] = on[a];
                }
            }
        }
        face[i] = nearest;
        square[i] = nearest < 0 ? INFINITY : best;
        for (int a = 0; spot && a < 3; a++)
            spot[3 * i + a] = found[a] + tree->middle[a];
    }
}
