/* How far flat facets stand off the round they stand for: lint/measure/facet_size.py in one walk over the skin.
 *
 * The same sums in the same order as there. What may sag is told first by edges alone, as `_lone_may_sag` and `_may_sag` tell it; the
 * borders of what is left, which is little, are gathered facet by facet, and those of the facets beyond once more for each. */
#include "loops.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define RADIAN (3.14159265358979323846 / 180)
#define SIDES 64 /* MOST_SIDES there */

/* of a facet: how many of its edges bend either way, up to two, and whether one of them bends enough for its size;
 * whether it may sag by the least; whether it has more than SIDES borders */
enum { ONCE_IN = 1, TWICE_IN = 2, ONCE_OUT = 4, TWICE_OUT = 8, FAR_IN = 16, FAR_OUT = 32, MAY = 64, MANY = 128 };

/* of a facet: lies in one plane; is one face, which always does */
enum { LEVEL = 1, ALONE = 2 };

typedef struct {
    const Bent *of;
    double (*middle)[3]; /* of each facet */
    int32_t *begin, *face; /* faces of facet f: face[begin[f]] up to begin[f + 1] */
    uint8_t *mark, *level; /* level: LEVEL, ALONE */
    int32_t *edge; /* edges at the facet in hand, and how many there is room for */
    int64_t room;
} Facets;

/* The border between two facets, seen from one; see `Bends` there. */
typedef struct {
    int64_t across;
    double total, bend, distance, direction[3], along[3], first[3];
} Border;

static double span(const double *a)
{
    return sqrt(dot(a, a));
}

static double at_least(double a, double least)
{
    return a > least ? a : least;
}

static int smooth(const Facets *my, int64_t k)
{
    const Bent *of = my->of;
    double turn = fabs(of->angle[k]);
    if (!(turn > of->flat && turn < of->sharp))
        return 0;
    int64_t one = of->facet[of->neighbours[2 * k]], two = of->facet[of->neighbours[2 * k + 1]];
    return one != two && my->level[one] && my->level[two];
}

static void ends(const Bent *of, int64_t k, const double **start, const double **end)
{
    const int64_t *both = of->ends + 2 * of->edge[k];
    *start = of->vertices + 3 * both[0];
    *end = of->vertices + 3 * both[1];
}

/* Where the items of each of n places begin, from how many each has, counted in to[place + 1]; to[n] is their number. */
static void add_up(int32_t *to, int64_t n)
{
    for (int64_t i = 0; i < n; i++)
        to[i + 1] += to[i];
}

/* Faces put with their facets, and the middle of each facet. 0 when memory runs out. */
static int gather(Facets *my)
{
    const Bent *of = my->of;
    double *weight = calloc((size_t)(of->count + 1), sizeof *weight);
    my->begin = calloc((size_t)(of->count + 2), sizeof *my->begin);
    my->face = malloc((size_t)(of->faces + 1) * sizeof *my->face);
    my->middle = calloc((size_t)(of->count + 1), sizeof *my->middle);
    int good = weight && my->begin && my->face && my->middle;
    for (int64_t f = 0; good && f < of->faces; f++) {
        int64_t facet = of->facet[f];
        my->begin[facet + 2]++;
        weight[facet] += of->area[f];
        for (int a = 0; a < 3; a++)
            my->middle[facet][a] += of->area[f] * of->centre[3 * f + a];
    }
    if (good) {
        for (int64_t i = 0; i < of->count; i++)
            for (int a = 0; a < 3; a++)
                my->middle[i][a] /= at_least(weight[i], 1e-300);
        add_up(my->begin + 1, of->count);
        for (int64_t f = 0; f < of->faces; f++)
            my->face[my->begin[of->facet[f] + 1]++] = (int32_t)f;
    }
    free(weight);
    return good;
}

/* Which facets lie in one plane: see `_level` there. A face alone does. 0 when memory runs out. */
static int flatten(Facets *my)
{
    const Bent *of = my->of;
    my->level = malloc((size_t)(of->count + 1));
    if (!my->level)
        return 0;
    for (int64_t i = 0; i < of->count; i++) {
        my->level[i] = LEVEL;
        if (my->begin[i + 1] - my->begin[i] == 1) {
            my->level[i] |= ALONE;
            continue;
        }
        double mean[3] = {0, 0, 0}, lean[3];
        for (int32_t at = my->begin[i]; at < my->begin[i + 1]; at++)
            for (int a = 0; a < 3; a++)
                mean[a] += of->area[my->face[at]] * of->normal[3 * (int64_t)my->face[at] + a];
        double length = at_least(span(mean), 1e-300);
        for (int a = 0; a < 3; a++)
            mean[a] /= length;
        for (int32_t at = my->begin[i]; at < my->begin[i + 1] && my->level[i]; at++) {
            cross(mean, of->normal + 3 * (int64_t)my->face[at], lean);
            if (span(lean) > of->lean && of->area[my->face[at]] > 0)
                my->level[i] = 0;
        }
    }
    return 1;
}

/* From the middle of a facet to the corner, of that number among those of all faces, of one of its faces. */
static inline void from_middle(const Facets *my, int64_t facet, int64_t corner, double off[3])
{
    const double *p = my->of->vertices + 3 * my->of->faces_of[corner];
    for (int a = 0; a < 3; a++)
        off[a] = p[a] - my->middle[facet][a];
}

/* How far a facet reaches from its middle, in any direction. */
static double extent(const Facets *my, int64_t facet)
{
    double most = 0;
    for (int32_t at = my->begin[facet]; at < my->begin[facet + 1]; at++)
        for (int c = 0; c < 3; c++) {
            double off[3];
            from_middle(my, facet, 3 * (int64_t)my->face[at] + c, off);
            most = at_least(dot(off, off), most);
        }
    return sqrt(most);
}

/* Facets that may sag by the least are marked. 0 when memory runs out. */
static int sift(Facets *my)
{
    const Bent *of = my->of;
    double wide = 1 + 1 / of->alike;
    double *far = malloc((size_t)(of->count + 1) * sizeof *far); /* how far level facets of several faces reach */
    my->mark = calloc((size_t)(of->count + 1), 1);
    if (!far || !my->mark) {
        free(far);
        return 0;
    }
    for (int64_t i = 0; i < of->count; i++)
        if (my->level[i] == LEVEL)
            far[i] = extent(my, i);
    for (int64_t k = 0; k < of->shared; k++) {
        const int64_t *pair = of->neighbours + 2 * k, *ahead = of->neighbours + 2 * (k + AHEAD < of->shared ? k + AHEAD : k);
        FETCH(of->vertices + 3 * of->ends[2 * of->edge[k + AHEAD < of->shared ? k + AHEAD : k] + 1]);
        for (int s = 0; s < 2; s++) {
            FETCH(of->facet + ahead[s]);
            FETCH(of->area + ahead[s]);
            FETCH(of->centre + 3 * ahead[s]);
        }
        if (!smooth(my, k))
            continue;
        const double *start, *end;
        ends(of, k, &start, &end);
        double along[3] = {end[0] - start[0], end[1] - start[1], end[2] - start[2]}, apart = 0;
        double length = at_least(span(along), 1e-300), bend = fabs(of->angle[k]) * RADIAN;
        int64_t facet[2] = {of->facet[pair[0]], of->facet[pair[1]]};
        if (my->level[facet[0]] & my->level[facet[1]] & ALONE) {
            const double *a = of->centre + 3 * pair[0], *b = of->centre + 3 * pair[1];
            double between[3] = {b[0] - a[0], b[1] - a[1], b[2] - a[2]}, aside[3];
            cross(between, along, aside);
            apart = span(aside) / length;
        }
        for (int s = 0; s < 2; s++) {
            uint8_t *mark = my->mark + facet[s];
            if (!(my->level[facet[s]] & ALONE)) {
                if (bend * far[facet[s]] / wide >= of->least * (1 - 1e-9))
                    *mark |= MAY;
                continue;
            }
            double reach = 4.0 / 3 * of->area[pair[s]] / length;
            double bow = bend / at_least(at_least(apart, reach * wide / 2), 1e-300) * (reach * reach) / 2;
            int out = of->angle[k] > 0;
            *mark |= *mark & (out ? ONCE_OUT : ONCE_IN) ? (out ? TWICE_OUT : TWICE_IN) : (out ? ONCE_OUT : ONCE_IN);
            if (bow >= of->least * (1 - 1e-9))
                *mark |= out ? FAR_OUT : FAR_IN;
        }
    }
    free(far);
    for (int64_t i = 0; i < of->count; i++) {
        int mark = my->mark[i], in = TWICE_IN | FAR_IN, out = TWICE_OUT | FAR_OUT;
        my->mark[i] = mark & MAY || (mark & in) == in || (mark & out) == out ? MAY : 0;
    }
    return 1;
}

/* The place among shared edges of an edge, -1 where it is none. */
static int64_t shared_place(const Bent *of, int64_t edge)
{
    int64_t low = edge < of->shared ? edge : of->shared - 1; /* an edge stands at its own number, or before it */
    if (low >= 0 && of->edge[low] == edge)
        return low;
    int64_t high = low;
    low = -1;
    while (high - low > 1) { /* below it stands at low, not below at high */
        int64_t middle = low + (high - low) / 2;
        if (of->edge[middle] < edge)
            low = middle;
        else
            high = middle;
    }
    return high >= 0 && of->edge[high] == edge ? high : -1;
}

static int earlier(const void *a, const void *b)
{
    int32_t one = *(const int32_t *)a, two = *(const int32_t *)b;
    return (one > two) - (one < two);
}

/* The edges of a facet that bend smoothly, in their order; how many, -1 when memory runs out. */
static int64_t edges_of(Facets *my, int64_t facet)
{
    const Bent *of = my->of;
    int64_t count = 0;
    for (int32_t at = my->begin[facet]; at < my->begin[facet + 1]; at++)
        for (int c = 0; c < 3; c++) {
            int64_t edge = of->half_edge[3 * (int64_t)my->face[at] + c], k = edge < 0 ? -1 : shared_place(of, edge);
            if (k < 0 || !smooth(my, k))
                continue;
            if (count == my->room) {
                int64_t room = 2 * my->room + 64;
                void *larger = realloc(my->edge, (size_t)room * sizeof *my->edge);
                if (!larger)
                    return -1;
                my->edge = larger;
                my->room = room;
            }
            int64_t to = count++;
            if (count <= 16) /* most facets are a face or two */
                for (; to > 0 && my->edge[to - 1] > k; to--)
                    my->edge[to] = my->edge[to - 1];
            my->edge[to] = (int32_t)k;
        }
    if (count > 16)
        qsort(my->edge, (size_t)count, sizeof *my->edge, earlier);
    return count;
}

/* The borders of a facet; none where there are more than SIDES; -1 when memory runs out. The edges at which it is the first of the two
 * come first, as there. */
static int borders(Facets *my, int64_t facet, Border *to)
{
    const Bent *of = my->of;
    if (my->mark[facet] & MANY)
        return 0;
    int64_t many = edges_of(my, facet);
    int count = 0;
    if (many < 0)
        return -1;
    for (int side = 0; side < 2; side++)
        for (int64_t at = 0; at < many; at++) {
            int64_t k = my->edge[at], face = of->neighbours[2 * k + side];
            if (of->facet[face] != facet)
                continue;
            int64_t across = of->facet[of->neighbours[2 * k + 1 - side]];
            int b = 0;
            while (b < count && to[b].across != across)
                b++;
            const double *start, *end, *c = of->centre + 3 * face;
            ends(of, k, &start, &end);
            double along[3] = {end[0] - start[0], end[1] - start[1], end[2] - start[2]}, out[3], off[3];
            double length = span(along), scale = at_least(length, 1e-300);
            for (int a = 0; a < 3; a++)
                along[a] /= scale, off[a] = (start[a] + end[a]) / 2 - c[a];
            if (b == count) {
                if (count++ == SIDES) {
                    my->mark[facet] |= MANY;
                    return 0;
                }
                memset(to + b, 0, sizeof *to);
                to[b].across = across;
                memcpy(to[b].first, along, sizeof along);
            }
            cross(along, of->normal + 3 * face, out);
            double toward = dot(out, off), same = dot(along, to[b].first);
            double sign = (toward > 0) - (toward < 0), weight = length * ((same > 0) - (same < 0));
            to[b].total += length;
            to[b].bend += length * of->angle[k];
            for (int a = 0; a < 3; a++) {
                to[b].direction[a] += length * (out[a] * sign);
                to[b].along[a] += weight * along[a];
            }
        }
    for (int b = 0; b < count; b++) {
        const double *here = my->middle[facet], *there = my->middle[to[b].across];
        double between[3] = {there[0] - here[0], there[1] - here[1], there[2] - here[2]}, aside[3];
        double scale = at_least(span(to[b].along), 1e-300), length = at_least(span(to[b].direction), 1e-300);
        for (int a = 0; a < 3; a++)
            to[b].along[a] /= scale, to[b].direction[a] /= length;
        to[b].bend /= at_least(to[b].total, 1e-300);
        cross(between, to[b].along, aside);
        to[b].distance = span(aside);
    }
    return count;
}

/* Whether on the far side of the facet from border b the skin bends on, in the same sense and about as much. */
static int follows(const Border *all, int count, int b, double alike)
{
    for (int j = 0; j < count; j++) {
        double ratio = all[j].bend / all[b].bend;
        if (dot(all[b].direction, all[j].direction) < -0.3 && ratio > 1 / alike && ratio < alike)
            return 1;
    }
    return 0;
}

/* How far a facet reaches from its middle along a direction, either way. */
static double reach(const Facets *my, int64_t facet, const double *toward)
{
    double most = 0;
    for (int32_t at = my->begin[facet]; at < my->begin[facet + 1]; at++)
        for (int c = 0; c < 3; c++) {
            double off[3];
            from_middle(my, facet, 3 * (int64_t)my->face[at] + c, off);
            most = at_least(fabs(dot(off, toward)), most);
        }
    return most;
}

/* The sag of a facet; below zero when memory runs out. */
static double worst_of(Facets *my, int64_t facet)
{
    const Bent *of = my->of;
    Border mine[SIDES], beyond[SIDES];
    double worst = 0;
    int count = borders(my, facet, mine);
    for (int b = 0; b < count; b++) {
        if (!follows(mine, count, b, of->alike))
            continue;
        double far = reach(my, facet, mine[b].direction), bend = fabs(mine[b].bend) * RADIAN;
        double apart = at_least(mine[b].distance, far * (1 + 1 / of->alike) / 2);
        if (!(bend / at_least(apart, 1e-300) * (far * far) / 2 >= of->least))
            continue;
        int sides = borders(my, mine[b].across, beyond), back = 0;
        while (back < sides && beyond[back].across != facet)
            back++;
        if (sides < 0)
            return -1;
        if (back == sides || !follows(beyond, sides, back, of->alike))
            continue;
        double other = reach(my, mine[b].across, beyond[back].direction);
        if (!(far < of->alike * other && other < of->alike * far))
            continue;
        double bow = bend / at_least(at_least(mine[b].distance, (far + other) / 2), 1e-300) * (far * far) / 2;
        if (bow >= of->least && bow > worst)
            worst = bow;
    }
    return count < 0 ? -1 : worst;
}

int facet_sags(const Bent *of, double *sag)
{
    Facets my = {of, NULL, NULL, NULL, NULL, NULL, NULL, 0};
    int good = gather(&my) && flatten(&my) && sift(&my);
    for (int64_t i = 0; good && i < of->count; i++)
        if (my.mark[i] & MAY) {
            double worst = worst_of(&my, i);
            good = worst >= 0;
            for (int32_t at = my.begin[i]; at < my.begin[i + 1]; at++)
                sag[my.face[at]] = worst;
        }
    free(my.middle);
    free(my.begin);
    free(my.face);
    free(my.edge);
    free(my.mark);
    free(my.level);
    return good ? 0 : -1;
}
