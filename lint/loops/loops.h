/* The compiled loops: what numpy would have to walk through many times over, walked through once.
 *
 * Plain C without Python: every function works on arrays that the caller holds, and keeps no state. Only the files called module know
 * Python. Sums are made in the order in which numpy makes them in the plain versions (lint/measure), and the compiler is told
 * not to fuse a product with a sum, so that both say the same.
 */
#ifndef BUCKWRIGHT_LOOPS_H
#define BUCKWRIGHT_LOOPS_H

#include <stddef.h>
#include <stdint.h>

#define ISSUE 13    /* raised whenever a loop is added or says something else: one built earlier is then not used */
#define WIDE 4      /* children of a node */
#define FULL 4
#define POWERS 22
#define MOST_FACES ((int64_t)1 << 28)

/* Have what stands there brought near, for what is soon wanted and stands all over memory: AHEAD turns of a loop beforehand. */
#if defined(__GNUC__)
#define FETCH(place) __builtin_prefetch(place)
#else
#define FETCH(place) ((void)(place))
#endif
#define AHEAD 32

static inline double dot(const double *a, const double *b)
{
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

static inline void cross(const double *a, const double *b, double *to)
{
    to[0] = a[1] * b[2] - a[2] * b[1];
    to[1] = a[2] * b[0] - a[0] * b[2];
    to[2] = a[0] * b[1] - a[1] * b[0];
}

/* Four boxes, a coordinate at a time, so that a compiler can test all four at once. child: a node, or, below zero, a leaf: the
 * complement of 8 * (first face) + (faces - 1). An empty child has a box that nothing meets. */
typedef struct {
    float low[3][WIDE], high[3][WIDE];
    int32_t child[WIDE];
} Node;

/* Faces in the order of a Morton curve in a tree of boxes. face: the number of each; corner: its three points, in numbers of their
 * own, given out as the curve comes to them; point: their coordinates about `middle`. `pad`: how much every box was grown, so that
 * rounding to 32 bits misses nothing. */
typedef struct {
    int64_t faces, points, nodes, room;
    double middle[3], low[3], high[3];
    float pad;
    int32_t *face;
    int32_t (*corner)[3];
    double (*point)[3];
    Node *node;
} Tree;

/* NULL when memory runs out. vertices: n x 3; corners: m x 3. Coordinates must be finite. */
Tree *tree_build(const double *vertices, int64_t n, const int64_t *corners, int64_t m);
void tree_free(Tree *tree);

/* The first face along each of k rays within `reach`, -1 for none, and the distance. facing: 0 for any face, 1 for one whose normal
 * (m x 3) looks along the ray, -1 for one that looks against it. */
void tree_cast(const Tree *tree, const double *origin, const double *direction, int64_t k, double reach, int facing,
               const double *normal, int64_t *face, double *far);

/* The nearest spot of the skin within `reach` for each of k points: its face, -1 for none, the squared distance, and, where spot is not
 * NULL, the spot. */
void tree_nearest(const Tree *tree, const double *point, int64_t k, double reach, int64_t *face, double *square, double *spot);

/* Faces that may lie within `reach` of a point and meet the plane through it square to `across` (all faces when that is zero): all that do,
 * and others near them. 0, or -1 when memory runs out. The caller frees face. */
typedef struct {
    int32_t *face;
    int64_t count, room;
} Few;
int tree_about(const Tree *tree, const double point[3], double reach, const double across[3], Few *found);

/* Down a skin of n points (n x 3; z is up) and m faces along its e edges (e x 2), always to the lowest neighbour, of equal heights to that
 * of the lower number: the low point that each point (n) and the lowest corner of each face (m) comes to; twice the area in plan of each
 * face (m), above zero where it faces up; whether those about each point (n) do on the whole; and the edges (e) between points that come to
 * different low points. How many of those, -1 when memory runs out. */
int64_t descend(const double *vertices, int64_t n, const int64_t *faces, int64_t m, const int64_t *ends, int64_t e, int64_t *basin,
                int64_t *face_basin, double *twice, uint8_t *up, int64_t *apart);

/* Where upright lines at x = 0 .. wide - 1, y = 0 .. deep - 1 meet faces (m x 3) with corners at x and y in the grid's own steps: column
 * (y * wide + x), height by the third coordinate of vertices (n x 3), face, and whether the skin faces up there. 0, or -1 when memory runs
 * out. The caller frees all four. See lint/measure/columns.py. */
typedef struct {
    int64_t *column, *face;
    double *height;
    uint8_t *up;
    int64_t count, room;
} Met;
int column_crossings(const double *x, const double *y, const double *vertices, const int64_t *faces, int64_t m, int64_t wide, int64_t deep,
                     Met *found);

/* Pairs of faces that may cross, told apart as lint/measure/crossings.py does. */
enum { ACROSS, LYING, EDGE_ON_ONE, EDGE_ON_TWO, KINDS };
typedef struct {
    int32_t (*pair)[2];
    int64_t count, room;
} Pairs;
/* 0, or -1 when memory runs out. normal: m x 3; usable, simple: m. The caller frees pair of each kind. */
int tree_pairs(const Tree *tree, const double *normal, const uint8_t *usable, const uint8_t *simple, double tolerance, double flat,
               Pairs found[KINDS]);

/* First row like each of n rows of three numbers, bit for bit (minus zero counts as zero): number (n) of its distinct row, and row (n)
 * where each distinct row first stands. The count of distinct rows, -1 when memory runs out. */
int64_t weld_rows(const double *rows, int64_t n, int64_t *number, int64_t *row);

/* Half-edges (3 x face + corner, each from its corner to the next) in the order of their edges, the smaller end first, then the larger,
 * then their own number; faces (m x 3 of n points) with two corners on one point are left out. first: whether an edge begins there.
 * How many there are, -1 when memory runs out. */
int64_t order_half_edges(const int64_t *faces, int64_t m, int64_t n, int64_t *order, uint8_t *first);

/* The table of e edges (as many as begin in `first`) from the order of k half-edges: for each its ends (e x 2), the smaller first, where
 * it begins in the order (e + 1) and its count of half-edges (e); for each half-edge (3m) its edge, -1 for none, and whether it runs from
 * the smaller end; and of every edge with two half-edges its faces, its number and whether they run against each other. How many of those. */
int64_t edge_table(const int64_t *faces, int64_t m, const int64_t *order, const uint8_t *first, int64_t k, int64_t (*ends)[2], int64_t *begin,
                   int64_t *count, int64_t *half_edge, uint8_t *forward, int64_t (*neighbours)[2], int64_t *pair, uint8_t *agree);

/* Marks (n) of points whose face corners are not all met on one walk round the point over e edges (as of edge_table) that two faces agree
 * about: `several` where the walk came back and missed some, `unsound` where an edge is not of that kind or the walk met `most` of them and
 * did not come back. 3m must be below 2^31. 0, or -1 when memory runs out. */
int fans_met(const int64_t *faces, int64_t m, int64_t n, const int64_t *order, const int64_t *begin, int64_t e, int64_t most, uint8_t *unsound,
             uint8_t *several);

/* The box of each shell widened (s x 3) to hold its faces: label (m), below zero for faces of none. */
void shell_boxes(const double *vertices, const int64_t *faces, int64_t m, const int64_t *label, double (*low)[3], double (*high)[3]);

/* Added to six times the volume under the faces of each shell (s), from a start of its own (s x 3) on. */
void shell_volumes(const double *vertices, const int64_t *faces, int64_t m, const int64_t *label, const double (*start)[3], double *six);

/* The component of each of n nodes joined by k links, numbered as their first nodes come. The count, -1 when memory runs out. */
int64_t join_nodes(int64_t n, const int64_t *one, const int64_t *two, int64_t k, int64_t *label);

/* Unit normal (m x 3, zero where there is no area), area (m) and centre (m x 3) of faces (m x 3) of points. */
void face_facts(const double *vertices, const int64_t *faces, int64_t m, double *normal, double *area, double *centre);

/* The square (m) of the longest side of each face. */
void longest_squares(const double *vertices, const int64_t *faces, int64_t m, double *square);

/* Degrees between the normals of k pairs of faces (k x 2), above zero where the edge is convex, 180 where the two do not agree. */
void fold_angles(const double *normal, const double *centre, const int64_t *neighbours, const uint8_t *agree, int64_t k, double *angle);

/* A skin and its bends: faces of points, with normal, centre and area; half_edge: the edges
 * (3 a face, -1 for none); ends: two points of each edge; neighbours: the two faces of the
 * `shared` edges that have two, edge: the number of each, angle: how far it bends, degrees; facet: of each face, of `count`. flat, sharp,
 * lean, alike, least: FLAT, SHARP, the sine of LEVEL, ALIKE and the least of lint/measure/facet_size.py. */
typedef struct {
    const double *vertices, *normal, *centre, *area, *angle;
    const int64_t *faces_of, *half_edge, *ends, *neighbours, *edge, *facet;
    int64_t faces, shared, count;
    double flat, sharp, lean, alike, least;
} Bent;
/* Fills sag (faces) where it is more than zero. 0, or -1 when memory runs out. */
int facet_sags(const Bent *of, double *sag);

typedef struct {
    int64_t *number, count, room;
} Numbers;
/* The points within one and within two edges (e x 2 of n points, in their order) of each of k points, itself among them: found of
 * either, those of point i from start[i] up to start[i + 1]; none where there are not the fewest within one edge. 0, or -1 when memory runs out or edges are out of order. The caller frees. */
int point_rings(const int64_t *ends, int64_t e, int64_t n, const int64_t *points, int64_t k, int64_t fewest, int64_t *start[2],
                Numbers found[2]);

/* Unit normals (k x 3) at k different points of n, the mean of the faces (m x 3) round each by their area. 0, or -1 when memory runs out. */
int point_normals(const int64_t *faces, const double *normal, const double *area, int64_t m, int64_t n, const int64_t *points, int64_t k,
                  double *unit);

/* `count` points, each with its normal and its neighbours, those of point i from begin[i] up to begin[i + 1], at least one. */
typedef struct {
    const double *vertices, *normal;
    const int64_t *points, *begin, *neighbour;
    int64_t count;
} Cloud;
/* The equations (6 x 6 and 6 a point) of a quadric through the neighbours, in lengths of their reach, and where they are (three
 * coordinates of all the neighbours of a point after another); once the equations are solved (6), the sum of the squares of what the
 * neighbours stand off it. 0, or -1 when memory runs out. */
int quadric_sums(const Cloud *of, double *at, double *left, double *right, double *reach);
int quadric_residues(const double *at, const int64_t *begin, int64_t count, const double *solved, double *square);

/* The `few` nearest (n x few) of n points to each of them, itself among them, of equally near ones the lower number; the first `sorted` in
 * the order of their distance. There must be that many, and coordinates must be finite. 0, or -1 when memory runs out. */
int nearest_few(const double *points, int64_t n, int64_t few, int64_t sorted, int64_t *nearest);

/* The middle value of those around (k x many numbers of values) each. 0, or -1 when memory runs out. */
int middle_values(const double *value, const int64_t *around, int64_t k, int64_t many, double *middle);

/* Marks (n) of points whose faces, seen along their mean normal, all face the viewer and take up no more than a full turn. closed (n):
 * every edge at the point has two faces that agree. 0, or -1 when memory runs out. */
int plain_fans(const double *vertices, int64_t n, const int64_t *faces, const double *normal, int64_t m, const uint8_t *closed,
               uint8_t *plain);

/* Marks (m) of faces (m x 3 of n points) that cross or touch another, of pairs of which one at least is fresh (m). fold: cosine beyond
 * which two faces on one side lie on each other. first: end with the first pair that does. 1 when there is one, 0 for none, -1 when
 * memory runs out. Coordinates must be finite. */
int faces_hit(const double *vertices, int64_t n, const int64_t *faces, int64_t m, const uint8_t *fresh, double fold, int first, uint8_t *hit);

/* Over faces (m x 3) of a skin: its area and, times the area, its middle, all from `start` on; and the farthest that a coordinate of a
 * corner reaches from there. */
void skin_middle(const double *vertices, const int64_t *faces, int64_t m, const double start[3], double sum[4], double *reach);

/* Over faces (m x 3), by area, of coordinates x, y, z from `middle` on times `scale`: the sums of xx xy xz yy yz zz; of xxx xxy xxz xyy
 * xyz xzz yyy yyz yzz zzz; and of the first six times xx + yy + zz. */
void skin_powers(const double *vertices, const int64_t *faces, int64_t m, const double middle[3], double scale, double sum[POWERS]);

#endif
