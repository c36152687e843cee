/* Rows told apart by a table of hashes; half-edges put in order by counting; nodes joined by a forest of pointers (B. A. Galler and M. J. Fischer 1964). */
#include "loops.h"

#include <stdlib.h>
#include <string.h>

static uint64_t mixed(const uint64_t *bits)
{
    uint64_t key = bits[0] * 0x9E3779B97F4A7C15ull;
    key = ((key ^ key >> 31) + bits[1]) * 0xBF58476D1CE4E5B9ull;
    key = ((key ^ key >> 31) + bits[2]) * 0x94D049BB133111EBull;
    return (key ^ key >> 29) * 0xBF58476D1CE4E5B9ull;
}

/* A row with minus zeros made plain, and the hash of its bits. */
static uint64_t hashed(const double *row, double clean[3])
{
    uint64_t word[3];
    for (int a = 0; a < 3; a++)
        clean[a] = row[a] + 0.0;
    memcpy(word, clean, sizeof word);
    return mixed(word);
}

/* Places in a table by hash; of each the high half is more of the hash, the low half the distinct row + 1. */
typedef struct {
    uint64_t *place, mask;
} Table;

static int table_of(int bits, Table *table)
{
    table->mask = ((uint64_t)1 << bits) - 1;
    table->place = calloc((size_t)1 << bits, sizeof *table->place);
    return table->place ? 0 : -1;
}

/* A table four times as large with the same in it, or -1 with the old one kept. */
static int enlarged(Table *table, const double *rows, const int64_t *row, int64_t count)
{
    Table more;
    int bits = 2;
    while (table->mask >> (bits - 2))
        bits++;
    if (table_of(bits, &more))
        return -1;
    for (int64_t begin = 0; begin < count; begin += AHEAD) {
        uint64_t key[AHEAD];
        int some = (int)(count - begin < AHEAD ? count - begin : AHEAD);
        for (int k = 0; k < some; k++) {
            double clean[3];
            key[k] = hashed(rows + 3 * row[begin + k], clean);
            FETCH(more.place + (key[k] & more.mask));
        }
        for (int k = 0; k < some; k++) {
            uint64_t at = key[k] & more.mask;
            while (more.place[at])
                at = (at + 1) & more.mask;
            more.place[at] = key[k] >> 32 << 32 | (uint64_t)(begin + k + 1);
        }
    }
    free(table->place);
    *table = more;
    return 0;
}

int64_t weld_rows(const double *rows, int64_t n, int64_t *number, int64_t *row)
{
    /* For as few distinct rows as a file has that gives each face points of its own; for more it is enlarged. */
    int bits = 4;
    while ((int64_t)1 << bits < n / 4)
        bits++;
    Table table;
    if (n >= (int64_t)1 << 32 || table_of(bits, &table))
        return -1;
    int64_t count = 0;
    for (int64_t begin = 0; begin < n; begin += AHEAD) {
        if (count + AHEAD > (int64_t)(table.mask / 3 * 2) && enlarged(&table, rows, row, count)) {
            free(table.place);
            return -1;
        }
        /* The table is larger than the cache: its places for some rows are sent for before the first is wanted. */
        uint64_t key[AHEAD];
        double clean[AHEAD][3];
        int some = (int)(n - begin < AHEAD ? n - begin : AHEAD);
        for (int k = 0; k < some; k++) {
            key[k] = hashed(rows + 3 * (begin + k), clean[k]);
            FETCH(table.place + (key[k] & table.mask));
        }
        for (int k = 0; k < some; k++) {
            uint64_t at = key[k] & table.mask, top = key[k] >> 32 << 32;
            for (;; at = (at + 1) & table.mask) {
                if (!table.place[at]) {
                    table.place[at] = top | (uint64_t)(count + 1);
                    row[count] = begin + k;
                    number[begin + k] = count++;
                    break;
                }
                if ((table.place[at] ^ top) >> 32)
                    continue;
                int64_t like = (int64_t)(table.place[at] & 0xFFFFFFFFull) - 1;
                const double *other = rows + 3 * row[like];
                double plain[3] = {other[0] + 0.0, other[1] + 0.0, other[2] + 0.0};
                if (!memcmp(plain, clean[k], sizeof plain)) {
                    number[begin + k] = like;
                    break;
                }
            }
        }
    }
    free(table.place);
    return count;
}

typedef struct {
    int64_t end, half;
} Half;

static int by_end(const void *a, const void *b)
{
    const Half *one = a, *two = b;
    return one->end != two->end ? (one->end > two->end) - (one->end < two->end) : (one->half > two->half) - (one->half < two->half);
}

int64_t order_half_edges(const int64_t *faces, int64_t m, int64_t n, int64_t *order, uint8_t *first)
{
    enum { FEW = 48 }; /* half-edges at a point up to which they are put in order one by one */
    int64_t *begin = calloc((size_t)(n + 2), sizeof *begin), *end = malloc((size_t)(3 * m + 1) * sizeof *end);
    Half *many = NULL;
    int64_t room = 0, all = -1;
    if (!begin || !end)
        goto done;
    for (int64_t f = 0; f < m; f++) {
        const int64_t *c = faces + 3 * f;
        if (c[0] == c[1] || c[1] == c[2] || c[2] == c[0])
            continue;
        for (int k = 0; k < 3; k++) {
            int64_t a = c[k], b = c[k == 2 ? 0 : k + 1];
            begin[(a < b ? a : b) + 2]++;
        }
    }
    for (int64_t p = 0; p < n; p++)
        begin[p + 2] += begin[p + 1];
    for (int64_t f = 0; f < m; f++) {
        const int64_t *c = faces + 3 * f;
        if (c[0] == c[1] || c[1] == c[2] || c[2] == c[0])
            continue;
        for (int k = 0; k < 3; k++) {
            int64_t a = c[k], b = c[k == 2 ? 0 : k + 1], at = begin[(a < b ? a : b) + 1]++;
            order[at] = 3 * f + k;
            end[at] = a < b ? b : a;
        }
    }
    for (int64_t p = 0; p < n; p++) {
        int64_t from = begin[p], to = begin[p + 1];
        if (to - from > FEW) {
            if (to - from > room) {
                void *more = realloc(many, (size_t)(to - from) * sizeof *many);
                if (!more)
                    goto done;
                many = more;
                room = to - from;
            }
            for (int64_t i = from; i < to; i++)
                many[i - from] = (Half){end[i], order[i]};
            qsort(many, (size_t)(to - from), sizeof *many, by_end);
            for (int64_t i = from; i < to; i++)
                end[i] = many[i - from].end, order[i] = many[i - from].half;
        } else {
            for (int64_t i = from + 1; i < to; i++) {
                int64_t e = end[i], h = order[i], j = i;
                for (; j > from && end[j - 1] > e; j--)
                    end[j] = end[j - 1], order[j] = order[j - 1];
                end[j] = e, order[j] = h;
            }
        }
        for (int64_t i = from; i < to; i++)
            first[i] = i == from || end[i] != end[i - 1];
    }
    all = begin[n];
done:
    free(begin);
    free(end);
    free(many);
    return all;
}

static int64_t root(int64_t *lead, int64_t i)
{
    while (lead[i] != i) {
        lead[i] = lead[lead[i]];
        i = lead[i];
    }
    return i;
}

int64_t join_nodes(int64_t n, const int64_t *one, const int64_t *two, int64_t k, int64_t *label)
{
    for (int64_t i = 0; i < n; i++)
        label[i] = i;
    for (int64_t i = 0; i < k; i++) {
        int64_t a = root(label, one[i]), b = root(label, two[i]);
        if (a < b)
            label[b] = a;
        else
            label[a] = b;
    }
    int64_t count = 0; /* every root is the lowest of its own, so it is met first, and its number stands by then */
    for (int64_t i = 0; i < n; i++)
        label[i] = label[i] == i ? count++ : label[label[i]];
    return count;
}
