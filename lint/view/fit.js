// What lies under a click: a flat face or a ball fitted to the skin around it, or just the point. So that a length is measured
// between whole faces, as calipers do, and not between two clicks.

const CONE = Math.cos((15 * Math.PI) / 180); // a flat face may turn this far from its own direction: scan noise does
const BOW = 0.012; // a face is flat when it bows by less than this share of its width: scans bow them
const EDGE = 20; // degrees: what lies beyond the end of a flat face turns away by more than this
const REACH = [0.02, 0.04, 0.08]; // shares of the part's size within which a ball is first looked for

// Of every face its middle, its direction, and its direction calmed by its neighbours'; worked out when first asked for.
function studied(mesh) {
  if (mesh.studied) return mesh.studied;
  const { points: p, faces: f, cross: c, count } = mesh;
  const sums = new Float64Array(p.length), middle = new Float64Array(3 * count);
  const own = new Float32Array(3 * count), calmed = new Float32Array(3 * count);
  for (let i = 0; i < f.length; i++) for (let axis = 0, face = (i / 3) | 0; axis < 3; axis++) sums[3 * f[i] + axis] += c[3 * face + axis];
  for (let face = 0; face < count; face++) {
    const from = 3 * face, [i, j, k] = [3 * f[from], 3 * f[from + 1], 3 * f[from + 2]];
    const sum = [0, 1, 2].map((axis) => sums[i + axis] + sums[j + axis] + sums[k + axis]);
    const far = long(sum) || 1, size = Math.hypot(c[from], c[from + 1], c[from + 2]) || 1;
    for (let axis = 0; axis < 3; axis++) {
      middle[from + axis] = (p[i + axis] + p[j + axis] + p[k + axis]) / 3;
      own[from + axis] = c[from + axis] / size;
      calmed[from + axis] = sum[axis] / far;
    }
  }
  mesh.studied = { middle, own, calmed };
  return mesh.studied;
}

const three = (array, face) => [array[3 * face], array[3 * face + 1], array[3 * face + 2]];
const calm = (mesh, face) => three(studied(mesh).calmed, face);
const facing = (mesh, face) => three(studied(mesh).own, face);
const centreOf = (mesh, face) => three(studied(mesh).middle, face);

// The faces connected to one that pass a test, at most `most`, and those at their border that did not.
function grown(mesh, start, test, most = 60000) {
  mesh.visit = mesh.visit || { seen: new Uint32Array(mesh.count), time: 0 };
  const { seen } = mesh.visit, time = ++mesh.visit.time, list = [start], border = [];
  seen[start] = time;
  for (let at = 0; at < list.length && list.length < most; at++) {
    for (let k = 0; k < 3; k++) {
      const v = mesh.faces[3 * list[at] + k];
      for (let i = mesh.around.start[v]; i < mesh.around.start[v + 1]; i++) {
        const next = mesh.around.faces[i];
        if (seen[next] === time) continue;
        seen[next] = time;
        (test(next) ? list : border).push(next);
      }
    }
  }
  return { list, border };
}

// Area, middle and second moments of some faces about their middle, exact for flat triangles.
function momentsOf(mesh, list) {
  let area = 0, middle = [0, 0, 0];
  for (const face of list) {
    const a = long(crossAt(mesh, face)) / 2;
    area += a;
    middle = add(middle, times(centreOf(mesh, face), a));
  }
  middle = times(middle, 1 / (area || 1));
  const m = [[0, 0, 0], [0, 0, 0], [0, 0, 0]];
  for (const face of list) {
    const a = long(crossAt(mesh, face)) / 2;
    const spots = cornersOf(mesh, face).map((p) => [sub(p, middle), a / 12]);
    spots.push([sub(centreOf(mesh, face), middle), (3 * a) / 4]);
    for (const [p, w] of spots) for (let i = 0; i < 3; i++) for (let j = 0; j < 3; j++) m[i][j] += w * p[i] * p[j];
  }
  return { area, middle, m };
}

// Eigenvalues and vectors of a symmetric 3x3 matrix, smallest first, by Jacobi's turns.
function principal(matrix) {
  const a = matrix.map((row) => row.slice()), v = [[1, 0, 0], [0, 1, 0], [0, 0, 1]];
  for (let sweep = 0; sweep < 30; sweep++) {
    for (const [p, q] of [[0, 1], [0, 2], [1, 2]]) {
      if (Math.abs(a[p][q]) < 1e-300) continue;
      const theta = (a[q][q] - a[p][p]) / (2 * a[p][q]);
      const t = Math.sign(theta || 1) / (Math.abs(theta) + Math.sqrt(theta * theta + 1));
      const c = 1 / Math.sqrt(t * t + 1), s = t * c;
      for (let k = 0; k < 3; k++) [a[k][p], a[k][q]] = [c * a[k][p] - s * a[k][q], s * a[k][p] + c * a[k][q]];
      for (let k = 0; k < 3; k++) [a[p][k], a[q][k]] = [c * a[p][k] - s * a[q][k], s * a[p][k] + c * a[q][k]];
      for (let k = 0; k < 3; k++) [v[k][p], v[k][q]] = [c * v[k][p] - s * v[k][q], s * v[k][p] + c * v[k][q]];
    }
  }
  return [0, 1, 2].map((i) => ({ value: a[i][i], vector: [v[0][i], v[1][i], v[2][i]] })).sort((x, y) => x.value - y.value);
}

// Solves A x = b by elimination with pivots; null when there is no one answer.
function solved(rows, right) {
  const n = right.length, a = rows.map((row, i) => [...row, right[i]]);
  for (let i = 0; i < n; i++) {
    let pivot = i;
    for (let r = i + 1; r < n; r++) if (Math.abs(a[r][i]) > Math.abs(a[pivot][i])) pivot = r;
    if (Math.abs(a[pivot][i]) < 1e-12) return null;
    [a[i], a[pivot]] = [a[pivot], a[i]];
    for (let r = 0; r < n; r++) {
      if (r === i) continue;
      const k = a[r][i] / a[i][i];
      for (let c = i; c <= n; c++) a[r][c] -= k * a[i][c];
    }
  }
  return a.map((row, i) => row[n] / row[i]);
}

function planeFit(mesh, list, towards) {
  const { area, middle, m } = momentsOf(mesh, list);
  const [least] = principal(m);
  const normal = times(least.vector, Math.sign(dot(least.vector, towards)) || 1);
  return { normal, middle, area, rms: Math.sqrt(Math.max(least.value, 0) / (area || 1)) };
}

function flatAt(mesh, face) {
  const start = calm(mesh, face), own = facing(mesh, face);
  let seed = null;
  for (const way of [start, own]) { // the calmed direction for a noisy scan; the face's own where an edge is near
    const near = grown(mesh, face, (g) => dot(calm(mesh, g), way) > CONE || dot(facing(mesh, g), way) > CONE, 60);
    const fit = planeFit(mesh, near.list, way);
    if (!seed || fit.rms < seed.rms) seed = fit;
  }
  let fit = seed, region = null, before = 0;
  for (let turn = 0; turn < 8; turn++) {
    const slack = Math.max(3.5 * fit.rms, 5e-4 * mesh.size);
    const { normal, middle } = fit;
    region = grown(mesh, face, (g) =>
      Math.abs(dot(sub(centreOf(mesh, g), middle), normal)) < slack &&
      (dot(facing(mesh, g), normal) > CONE || dot(calm(mesh, g), normal) > CONE));
    fit = planeFit(mesh, region.list, normal);
    if (region.list.length === before) break;
    before = region.list.length;
  }
  const width = Math.sqrt(fit.area), inner = inset(mesh, region);
  if (width < 0.01 * mesh.size || fit.rms > 0.03 * width || bowOf(mesh, inner, fit, width) > BOW || !ends(mesh, region, fit)) return null;
  return { kind: 'flat', ...planeFit(mesh, inner, fit.normal), faces: region.list };
}

// A region without the rings of faces at its border, which belong to the rounding of its edges; as many rings as leave half of it.
function inset(mesh, { list, border }) {
  let inner = list, outside = new Set(border);
  for (let ring = 0; ring < 4; ring++) {
    const left = inner.filter((face) => {
      for (let k = 0; k < 3; k++) {
        const v = mesh.faces[3 * face + k];
        for (let i = mesh.around.start[v]; i < mesh.around.start[v + 1]; i++) if (outside.has(mesh.around.faces[i])) return false;
      }
      return true;
    });
    if (left.length < Math.max(12, list.length / 2)) break;
    const kept = new Set(left);
    for (const face of inner) if (!kept.has(face)) outside.add(face);
    inner = left;
  }
  return inner;
}

// How far a region bows, as a share of its width: the second-order part of a surface fitted over its plane.
function bowOf(mesh, list, fit, width) {
  if (list.length < 12) return 0;
  const x = unit(cross(fit.normal, Math.abs(fit.normal[0]) < 0.7 ? [1, 0, 0] : [0, 1, 0])), y = cross(fit.normal, x);
  const rows = Array.from({ length: 6 }, () => new Array(6).fill(0)), right = new Array(6).fill(0);
  for (const face of list) {
    const w = long(crossAt(mesh, face)), p = times(sub(centreOf(mesh, face), fit.middle), 1 / width);
    const a = dot(p, x), b = dot(p, y), z = dot(p, fit.normal), term = [1, a, b, a * a, a * b, b * b];
    for (let i = 0; i < 6; i++) {
      right[i] += w * term[i] * z;
      for (let j = 0; j < 6; j++) rows[i][j] += w * term[i] * term[j];
    }
  }
  const k = solved(rows.map((row) => row.map((v) => v / rows[0][0])), right.map((v) => v / rows[0][0]));
  if (!k) return 0;
  const half = (k[3] + k[5]) / 2, spread = Math.hypot((k[3] - k[5]) / 2, k[4] / 2);
  return Math.max(Math.abs(half + spread), Math.abs(half - spread)) / 4;
}

// Whether a region ends at edges, or where the skin does, and not just where a gentle curve has left its plane.
function ends(mesh, region, fit) {
  if (!region.border.length) return true;
  const inside = new Set(region.list);
  let ring = [...region.border];
  const seen = new Set(ring), angles = [];
  for (let step = 0; step < 3; step++) {
    const next = [];
    for (const face of ring) {
      angles.push((Math.acos(Math.max(-1, Math.min(1, dot(calm(mesh, face), fit.normal)))) * 180) / Math.PI);
      for (let k = 0; k < 3; k++) {
        const v = mesh.faces[3 * face + k];
        for (let i = mesh.around.start[v]; i < mesh.around.start[v + 1]; i++) {
          const g = mesh.around.faces[i];
          if (!seen.has(g) && !inside.has(g)) seen.add(g), next.push(g);
        }
      }
    }
    ring = next;
  }
  angles.sort((a, b) => a - b);
  return angles[Math.floor(0.75 * (angles.length - 1))] > EDGE;
}

function ballFit(mesh, list) {
  const { middle, area } = momentsOf(mesh, list);
  const size = Math.sqrt(area) || 1;
  const rows = Array.from({ length: 4 }, () => new Array(4).fill(0)), right = new Array(4).fill(0);
  for (const face of list) {
    const w = long(crossAt(mesh, face)) / 3;
    for (const corner of cornersOf(mesh, face)) {
      const p = times(sub(corner, middle), 1 / size), term = [p[0], p[1], p[2], 1], square = dot(p, p);
      for (let i = 0; i < 4; i++) {
        right[i] += w * term[i] * square;
        for (let j = 0; j < 4; j++) rows[i][j] += w * term[i] * term[j];
      }
    }
  }
  const k = solved(rows.map((row) => row.map((v) => v / rows[3][3])), right.map((v) => v / rows[3][3]));
  if (!k) return null;
  const centre = [k[0] / 2, k[1] / 2, k[2] / 2], radius = Math.sqrt(Math.max(0, k[3] + dot(centre, centre)));
  return { middle: add(middle, times(centre, size)), radius: radius * size };
}

function ballAt(mesh, face) {
  const centre = centreOf(mesh, face);
  for (const share of REACH) {
    let region = grown(mesh, face, (g) => long(sub(centreOf(mesh, g), centre)) < share * mesh.size, 3000), fit = null, before = 0;
    for (let turn = 0; turn < 8 && region.list.length !== before; turn++) {
      before = region.list.length;
      fit = region.list.length >= 16 ? ballFit(mesh, region.list) : null;
      if (!fit || !(fit.radius > 0) || fit.radius > mesh.size) break;
      const slack = 0.03 * fit.radius, { middle, radius } = fit;
      region = grown(mesh, face, (g) => {
        const arm = sub(centreOf(mesh, g), middle);
        return Math.abs(long(arm) - radius) < slack && Math.abs(dot(unit(arm), calm(mesh, g))) > 0.94;
      });
    }
    if (!fit || !(fit.radius > 0) || fit.radius > mesh.size) continue;
    let area = 0, way = [0, 0, 0], square = 0;
    for (const g of region.list) {
      const a = long(crossAt(mesh, g)) / 2, arm = sub(centreOf(mesh, g), fit.middle);
      area += a;
      way = add(way, times(unit(arm), a));
      square += a * (long(arm) - fit.radius) ** 2;
    }
    const covers = area / (4 * Math.PI * fit.radius ** 2), rms = Math.sqrt(square / area);
    if (covers > 0.2 && long(way) / area < 0.85 && rms < 0.012 * fit.radius) {
      return { kind: 'ball', ...fit, rms, covers, faces: region.list };
    }
  }
  return null;
}

// What a click on `face` at `point` takes hold of: {kind: 'flat' | 'ball' | 'point', point, ...}.
function heldAt(mesh, face, point, snapping) {
  const held = (snapping && (flatAt(mesh, face) || ballAt(mesh, face))) || { kind: 'point' };
  return { ...held, point, face };
}

// The length between two things held, with words for what was measured and the two ends.
function lengthBetween(a, b) {
  if (a.kind === 'ball' && b.kind === 'ball') {
    if (long(sub(a.middle, b.middle)) < 0.2 * a.radius) {
      const way = unit(sub(a.point, a.middle));
      const ends = [1, -1].map((k) => add(a.middle, times(way, k * a.radius)));
      return { length: 2 * a.radius, ends, words: 'across the ball, fitted to its skin' };
    }
    return { length: long(sub(a.middle, b.middle)), ends: [a.middle, b.middle], words: 'between the middles of two balls' };
  }
  if (a.kind === 'flat' && b.kind === 'flat' && a.faces.includes(b.face)) { // one and the same face: there is nothing across
    return { length: long(sub(b.point, a.point)), ends: [a.point, b.point], words: 'from point to point, on one flat face' };
  }
  if (a.kind === 'flat' && b.kind === 'flat') {
    const turn = (Math.acos(Math.min(1, Math.abs(dot(a.normal, b.normal)))) * 180) / Math.PI;
    if (turn < 5) {
      const way = unit(dot(a.normal, b.normal) < 0 ? sub(a.normal, b.normal) : add(a.normal, b.normal));
      const arm = sub(b.middle, a.middle), gap = (dot(arm, a.normal) + dot(arm, b.normal) * Math.sign(dot(a.normal, b.normal))) / 2;
      const from = between(a.point, b.point, 0.5);
      const start = add(from, times(way, dot(sub(a.middle, from), a.normal) / dot(way, a.normal)));
      const ends = [start, add(start, times(way, gap))];
      const skew = turn >= 0.5 ? `; the faces lean ${turn.toFixed(1)} degrees to each other` : '';
      return { length: Math.abs(gap), ends, words: `square across, between two flat faces${skew}` };
    }
  }
  for (const [flat, other] of [[a, b], [b, a]]) {
    if (flat.kind === 'flat' && other.kind !== 'flat') {
      const spot = other.kind === 'ball' ? other.middle : other.point;
      const off = dot(sub(spot, flat.middle), flat.normal);
      const ends = [spot, sub(spot, times(flat.normal, off))];
      const what = other.kind === 'ball' ? 'the middle of a ball' : 'a point';
      return { length: Math.abs(off), ends: flat === a ? ends.reverse() : ends, words: `square from a flat face to ${what}` };
    }
  }
  const ends = [a, b].map((held) => (held.kind === 'ball' ? held.middle : held.point));
  const round = a.kind === 'ball' || b.kind === 'ball';
  const words = round ? 'from a point to the middle of a ball' : 'from point to point, in a straight line';
  return { length: long(sub(ends[1], ends[0])), ends, words };
}
