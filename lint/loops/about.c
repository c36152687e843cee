/* Faces of a tree that may lie about a point, or about it in a plane. */
#include "loops.h"

#include <math.h>
#include <stdlib.h>

enum { DEEP = 512 }; /* as in cast.c */

int tree_about(const Tree *tree, const double point[3], double reach, const double across[3], Few *found)
{
    double at[3], most = reach * reach;
    for (int a = 0; a < 3; a++)
        at[a] = point[a] - tree->middle[a];
    int32_t stack[DEEP];
    int waiting = 1;
    stack[0] = 0;
    while (waiting) {
        int32_t child = stack[--waiting];
        if (child < 0) {
            int32_t leaf = ~child;
            int64_t first = leaf >> 3, end = first + (leaf & 7) + 1;
            if (found->count + 8 > found->room) {
                int64_t room = 2 * found->room + 1024;
                void *more = realloc(found->face, (size_t)room * sizeof *found->face);
                if (!more)
                    return -1;
                found->face = more;
                found->room = room;
            }
            for (int64_t f = first; f < end; f++)
                found->face[found->count++] = tree->face[f];
            continue;
        }
        const Node *node = tree->node + child;
        for (int c = 0; c < WIDE; c++) {
            double gap = 0, middle = 0, half = 0;
            for (int a = 0; a < 3; a++) {
                double low = node->low[a][c] - at[a], high = node->high[a][c] - at[a], off = low > 0 ? low : high < 0 ? high : 0;
                gap += off * off;
                middle += across[a] * (low + high);
                half += fabs(across[a]) * (high - low);
            }
            /* what rounding may do to the sums is far less than the hair by which every box was grown */
            if (node->low[0][c] <= node->high[0][c] && gap <= most && fabs(middle) <= half)
                stack[waiting++] = node->child[c];
        }
    }
    return 0;
}
