/* The nearest few of a cloud of points to each of them: halves of halves in boxes (J. L. Bentley, Multidimensional binary search trees,
 * 1975). Points are taken in the order of the boxes; none of the nearest lies farther off than the farthest of those of the point before. */
#include "loops.h"

#include <math.h>
#include <stdlib.h>

#define LEAF 12

typedef struct {
    double low[3], high[3];
    int32_t first, end, right; /* right: the second half, which the first follows here; 0 for a leaf */
} Box;

typedef struct {
    const double *given;
    int32_t *order;
    double *at[3]; /* coordinates in that order */
    Box *box;
    int32_t boxes;
} Boxes;

static void halve(Boxes *my, int32_t first, int32_t end, int axis)
{
    int32_t *order = my->order, low = first, high = end - 1, middle = first + (end - first) / 2;
    while (low < high) {
        double pivot = my->given[3 * (int64_t)order[low + (high - low) / 2] + axis];
        int32_t i = low, j = high;
        while (i <= j) {
            while (my->given[3 * (int64_t)order[i] + axis] < pivot)
                i++;
            while (pivot < my->given[3 * (int64_t)order[j] + axis])
                j--;
            if (i <= j) {
                int32_t swap = order[i];
                order[i++] = order[j];
                order[j--] = swap;
            }
        }
        if (middle <= j)
            high = j;
        else if (middle >= i)
            low = i;
        else
            break;
    }
}

static int32_t boxed(Boxes *my, int32_t first, int32_t end)
{
    int32_t self = my->boxes++;
    Box *box = my->box + self;
    int widest = 0;
    for (int a = 0; a < 3; a++)
        box->low[a] = INFINITY, box->high[a] = -INFINITY;
    for (int32_t i = first; i < end; i++)
        for (int a = 0; a < 3; a++) {
            double x = my->given[3 * (int64_t)my->order[i] + a];
            box->low[a] = x < box->low[a] ? x : box->low[a];
            box->high[a] = x > box->high[a] ? x : box->high[a];
        }
    box->first = first, box->end = end, box->right = 0;
    if (end - first <= LEAF)
        return self;
    for (int a = 1; a < 3; a++)
        widest = box->high[a] - box->low[a] > box->high[widest] - box->low[widest] ? a : widest;
    halve(my, first, end, widest);
    boxed(my, first, first + (end - first) / 2);
    int32_t right = boxed(my, first + (end - first) / 2, end);
    my->box[self].right = right;
    return self;
}

/* Those no farther from a point than the root of `most`: their places and squared distances; how many. */
static int64_t within_reach(const Boxes *my, const double *p, double most, int32_t *place, double *square)
{
    int32_t stack[64], top = 0;
    int64_t count = 0;
    stack[top++] = 0;
    while (top) {
        int32_t self = stack[--top];
        const Box *box = my->box + self;
        double far = 0;
        for (int a = 0; a < 3; a++) {
            double under = box->low[a] - p[a], over = p[a] - box->high[a];
            double off = under > over ? under : over;
            off = off > 0 ? off : 0;
            far += off * off;
        }
        if (far > most)
            continue;
        if (box->right) {
            stack[top++] = box->right;
            stack[top++] = self + 1;
            continue;
        }
        for (int32_t i = box->first; i < box->end; i++) {
            double x = p[0] - my->at[0][i], y = p[1] - my->at[1][i], z = p[2] - my->at[2][i], one = x * x + y * y + z * z;
            place[count] = i;
            square[count] = one;
            count += one <= most;
        }
    }
    return count;
}

static int before(const Boxes *my, double one, int32_t i, double two, int32_t j)
{
    return one < two || (one == two && my->order[i] < my->order[j]);
}

/* Brings the `few` nearest of `count` to the front, in no order. */
static void select_few(const Boxes *my, int32_t *place, double *square, int64_t count, int64_t few)
{
    int64_t low = 0, high = count - 1;
    while (low < high) {
        int64_t middle = low + (high - low) / 2, i = low, j = high;
        double pivot = square[middle];
        int32_t own = place[middle];
        while (i <= j) {
            while (before(my, square[i], place[i], pivot, own))
                i++;
            while (before(my, pivot, own, square[j], place[j]))
                j--;
            if (i <= j) {
                double swap = square[i];
                int32_t other = place[i];
                square[i] = square[j], place[i++] = place[j];
                square[j] = swap, place[j--] = other;
            }
        }
        if (few - 1 <= j)
            high = j;
        else if (few - 1 >= i)
            low = i;
        else
            break;
    }
}

int nearest_few(const double *points, int64_t n, int64_t few, int64_t sorted, int64_t *nearest)
{
    Boxes my = {points, malloc((size_t)(n + 1) * sizeof(int32_t)), {NULL, NULL, NULL}, malloc((size_t)(n + 1) * sizeof(Box)), 0};
    int32_t *place = malloc((size_t)(n + 1) * sizeof *place);
    double *square = malloc((size_t)(n + 1) * sizeof *square), *all = malloc((size_t)(3 * n + 1) * sizeof *all);
    int good = my.order && my.box && place && square && all;
    if (good && n) {
        for (int32_t i = 0; i < n; i++)
            my.order[i] = i;
        boxed(&my, 0, (int32_t)n);
        for (int a = 0; a < 3; a++) {
            my.at[a] = all + a * n;
            for (int64_t i = 0; i < n; i++)
                my.at[a][i] = points[3 * (int64_t)my.order[i] + a];
        }
    }
    double most = INFINITY;
    for (int64_t i = 0; good && i < n; i++) {
        double p[3] = {my.at[0][i], my.at[1][i], my.at[2][i]};
        if (i) {
            most = 0;
            for (int64_t j = 0; j < few; j++) {
                const double *q = points + 3 * nearest[few * (int64_t)my.order[i - 1] + j];
                double x = p[0] - q[0], y = p[1] - q[1], z = p[2] - q[2], one = x * x + y * y + z * z;
                most = one > most ? one : most;
            }
        }
        int64_t count = within_reach(&my, p, most, place, square), *to = nearest + few * (int64_t)my.order[i];
        select_few(&my, place, square, count, few);
        for (int64_t j = 0; j < few; j++) {
            int64_t best = j;
            for (int64_t other = j + 1; j < sorted && other < few; other++)
                if (before(&my, square[other], place[other], square[best], place[best]))
                    best = other;
            double swap = square[best];
            int32_t own = place[best];
            square[best] = square[j], place[best] = place[j];
            square[j] = swap, place[j] = own;
            to[j] = my.order[own];
        }
    }
    free(my.order);
    free(my.box);
    free(place);
    free(square);
    free(all);
    return good ? 0 : -1;
}
