/* Rows told apart by a table of hashes; nodes joined by a forest of pointers (B. A. Galler and M. J. Fischer 1964). */
#include "loops.h"

#include <stdlib.h>
#include <string.h>

#if defined(__GNUC__)
#define FETCH(p) __builtin_prefetch(p)
#else
#define FETCH(p) (void)(p)
#endif
enum { AHEAD = 32 };

static uint64_t mixed(const uint64_t *bits)
{
    uint64_t key = bits[0] * 0x9E3779B97F4A7C15ull;
    key = ((key ^ key >> 31) + bits[1]) * 0xBF58476D1CE4E5B9ull;
    key = ((key ^ key >> 31) + bits[2]) * 0x94D049BB133111EBull;
    return (key ^ key >> 29) * 0xBF58476D1CE4E5B9ull;
}

int64_t weld_rows(const double *rows, int64_t n, int64_t *number, int64_t *row)
{
    int bits = 4;
    while ((int64_t)1 << bits < n + n / 2)
        bits++;
    uint64_t *table = calloc((size_t)1 << bits, sizeof *table); /* high half: more of the hash; low half: distinct row + 1 */
    if (!table || n >= (int64_t)1 << 32) {
        free(table);
        return -1;
    }
    uint64_t mask = ((uint64_t)1 << bits) - 1;
    int64_t count = 0;
    for (int64_t begin = 0; begin < n; begin += AHEAD) {
        /* The table is far larger than the cache: its places for some rows are sent for before the first is wanted. */
        uint64_t key[AHEAD];
        double clean[AHEAD][3];
        int some = (int)(n - begin < AHEAD ? n - begin : AHEAD);
        for (int k = 0; k < some; k++) {
            uint64_t word[3];
            for (int a = 0; a < 3; a++)
                clean[k][a] = rows[3 * (begin + k) + a] + 0.0;
            memcpy(word, clean[k], sizeof word);
            key[k] = mixed(word);
            FETCH(table + (key[k] & mask));
        }
        for (int k = 0; k < some; k++) {
            uint64_t at = key[k] & mask, top = key[k] >> 32 << 32;
            for (;; at = (at + 1) & mask) {
                if (!table[at]) {
                    table[at] = top | (uint64_t)(count + 1);
                    row[count] = begin + k;
                    number[begin + k] = count++;
                    break;
                }
                if ((table[at] ^ top) >> 32)
                    continue;
                int64_t like = (int64_t)(table[at] & 0xFFFFFFFFull) - 1;
                const double *other = rows + 3 * row[like];
                double plain[3] = {other[0] + 0.0, other[1] + 0.0, other[2] + 0.0};
                if (!memcmp(plain, clean[k], sizeof plain)) {
                    number[begin + k] = like;
                    break;
                }
            }
        }
    }
    free(table);
    return count;
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
