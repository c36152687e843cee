// A mesh: unpacking what pack.py packed, normals, neighbours, and what a ray hits.

const LEAF = 64; // faces in a box of the search: they follow one another in space, so a run of them is small
const CREASE = 0.7; // cosine from which on two faces that meet are shaded as one curved skin

function bytesOf(source) {
  if (typeof source !== 'string') return source instanceof Uint8Array ? source : new Uint8Array(source);
  const text = atob(source.trim());
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i++) bytes[i] = text.charCodeAt(i);
  return bytes;
}

async function inflated(bytes) {
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream('deflate'));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

async function decodeMesh(source) {
  const bytes = bytesOf(source);
  const head = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  if (String.fromCharCode(...bytes.subarray(0, 4)) !== 'bkw1') throw new Error('this is not a packed mesh');
  const n = head.getUint32(4, true), m = head.getUint32(8, true), closed = head.getUint32(12, true) === 1;
  const real = [0, 1, 2, 3, 4, 5].map((i) => head.getFloat64(16 + 8 * i, true));
  const flat = await inflated(bytes.subarray(64));
  if (flat.length !== 6 * n + 9 * m) throw new Error('the packed mesh is cut short');
  const points = new Float64Array(3 * n);
  for (let axis = 0; axis < 3; axis++) {
    const low = flat.subarray(2 * axis * n, (2 * axis + 1) * n), high = flat.subarray((2 * axis + 1) * n, (2 * axis + 2) * n);
    let whole = 0;
    for (let i = 0; i < n; i++) {
      const zigzag = low[i] | (high[i] << 8);
      whole = (whole + ((zigzag >> 1) ^ -(zigzag & 1))) & 0xffff;
      points[3 * i + axis] = real[axis] + real[3 + axis] * whole;
    }
  }
  const faces = new Uint32Array(3 * m);
  let seen = 0;
  for (let i = 0, a = 6 * n, b = a + 3 * m, c = b + 3 * m; i < 3 * m; i++) {
    const code = flat[a + i] | (flat[b + i] << 8) | (flat[c + i] << 16);
    faces[i] = seen - code;
    if (code === 0) seen++;
  }
  return meshOf(points, faces, closed);
}

async function decodeValues(source, count) {
  const flat = await inflated(bytesOf(source));
  const values = new Float32Array(count);
  for (let i = 0; i < count; i++) {
    const whole = flat[i] | (flat[count + i] << 8);
    values[i] = whole === 0xffff ? Infinity : whole / 1000;
  }
  return values;
}

function meshOf(points, faces, closed) {
  const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
  for (let i = 0; i < points.length; i++) {
    const axis = i % 3;
    if (points[i] < low[axis]) low[axis] = points[i];
    if (points[i] > high[axis]) high[axis] = points[i];
  }
  if (!points.length) low.fill(0), high.fill(0);
  const middle = times(add(low, high), 0.5);
  const mesh = { points, faces, closed, low, high, middle, size: long(sub(high, low)) || 1, count: faces.length / 3 };
  mesh.cross = crossOf(mesh);
  mesh.around = aroundOf(mesh);
  mesh.boxes = boxesOf(mesh);
  return mesh;
}

const pointOf = (mesh, i) => [mesh.points[3 * i], mesh.points[3 * i + 1], mesh.points[3 * i + 2]];
const cornersOf = (mesh, face) => [0, 1, 2].map((k) => pointOf(mesh, mesh.faces[3 * face + k]));
const crossAt = (mesh, face) => [mesh.cross[3 * face], mesh.cross[3 * face + 1], mesh.cross[3 * face + 2]];

// Twice the area of each face, along its normal.
function crossOf({ points: p, faces: f }) {
  const out = new Float32Array(f.length);
  for (let i = 0; i < f.length; i += 3) {
    const a = 3 * f[i], b = 3 * f[i + 1], c = 3 * f[i + 2];
    const ux = p[b] - p[a], uy = p[b + 1] - p[a + 1], uz = p[b + 2] - p[a + 2];
    const vx = p[c] - p[a], vy = p[c + 1] - p[a + 1], vz = p[c + 2] - p[a + 2];
    out[i] = uy * vz - uz * vy;
    out[i + 1] = uz * vx - ux * vz;
    out[i + 2] = ux * vy - uy * vx;
  }
  return out;
}

// The faces around each point: those of point i are faces[start[i]] up to faces[start[i + 1]].
function aroundOf({ points, faces }) {
  const n = points.length / 3;
  const start = new Uint32Array(n + 1);
  for (let i = 0; i < faces.length; i++) start[faces[i] + 1]++;
  for (let i = 0; i < n; i++) start[i + 1] += start[i];
  const next = start.slice(0, n), list = new Uint32Array(faces.length);
  for (let i = 0; i < faces.length; i++) list[next[faces[i]]++] = (i / 3) | 0;
  return { start, faces: list };
}

function boxesOf({ points: p, faces: f }) {
  const count = Math.ceil(f.length / 3 / LEAF);
  const boxes = new Float64Array(6 * count);
  for (let b = 0; b < count; b++) {
    const box = [Infinity, Infinity, Infinity, -Infinity, -Infinity, -Infinity];
    for (let i = 3 * LEAF * b; i < Math.min(f.length, 3 * LEAF * (b + 1)); i++) {
      for (let axis = 0; axis < 3; axis++) {
        const v = p[3 * f[i] + axis];
        if (v < box[axis]) box[axis] = v;
        if (v > box[3 + axis]) box[3 + axis] = v;
      }
    }
    boxes.set(box, 6 * b);
  }
  return boxes;
}

// Corner by corner (no point is shared), what the graphics card draws: positions from the middle, and normals as signed bytes.
function cornersFor(mesh) {
  const { points, faces, cross: c, around, middle } = mesh;
  const position = new Float32Array(3 * faces.length), normal = new Int8Array(4 * faces.length);
  const inverseLength = new Float32Array(mesh.count);
  for (let f = 0; f < mesh.count; f++) inverseLength[f] = 1 / (Math.hypot(c[3 * f], c[3 * f + 1], c[3 * f + 2]) || Infinity);
  for (let i = 0; i < faces.length; i++) {
    const v = faces[i], f = (i / 3) | 0;
    for (let axis = 0; axis < 3; axis++) position[3 * i + axis] = points[3 * v + axis] - middle[axis];
    let x = c[3 * f], y = c[3 * f + 1], z = c[3 * f + 2];
    const own = [x, y, z], from = around.start[v], to = around.start[v + 1];
    for (let k = from; k < to && to - from <= 64; k++) {
      const g = around.faces[k];
      if (g === f) continue;
      const meet = (own[0] * c[3 * g] + own[1] * c[3 * g + 1] + own[2] * c[3 * g + 2]) * inverseLength[f] * inverseLength[g];
      if (meet > CREASE) (x += c[3 * g]), (y += c[3 * g + 1]), (z += c[3 * g + 2]);
    }
    const k = 127 / (Math.hypot(x, y, z) || 1);
    normal[4 * i] = x * k;
    normal[4 * i + 1] = y * k;
    normal[4 * i + 2] = z * k;
  }
  return { position, normal };
}

// The nearest face that a ray meets, or null: {far, face, front, point}. kept(point) may say that a place is cut away.
function struck(mesh, from, way, kept = null) {
  const { points: p, faces: f, boxes } = mesh;
  const over = way.map((v) => 1 / (v || 1e-300));
  let best = null, far = Infinity;
  for (let b = 0; b * 6 < boxes.length; b++) {
    let enter = 0, leave = far;
    for (let axis = 0; axis < 3 && enter <= leave; axis++) {
      const t1 = (boxes[6 * b + axis] - from[axis]) * over[axis], t2 = (boxes[6 * b + 3 + axis] - from[axis]) * over[axis];
      enter = Math.max(enter, Math.min(t1, t2));
      leave = Math.min(leave, Math.max(t1, t2));
    }
    if (enter > leave + 1e-9 * mesh.size) continue;
    for (let face = b * LEAF; face < Math.min(mesh.count, (b + 1) * LEAF); face++) {
      const i = 3 * f[3 * face], j = 3 * f[3 * face + 1], k = 3 * f[3 * face + 2];
      const ux = p[j] - p[i], uy = p[j + 1] - p[i + 1], uz = p[j + 2] - p[i + 2];
      const vx = p[k] - p[i], vy = p[k + 1] - p[i + 1], vz = p[k + 2] - p[i + 2];
      const px = way[1] * vz - way[2] * vy, py = way[2] * vx - way[0] * vz, pz = way[0] * vy - way[1] * vx;
      const det = ux * px + uy * py + uz * pz;
      if (det === 0) continue;
      const tx = from[0] - p[i], ty = from[1] - p[i + 1], tz = from[2] - p[i + 2];
      const u = (tx * px + ty * py + tz * pz) / det;
      if (u < 0 || u > 1) continue;
      const qx = ty * uz - tz * uy, qy = tz * ux - tx * uz, qz = tx * uy - ty * ux;
      const v = (way[0] * qx + way[1] * qy + way[2] * qz) / det;
      if (v < 0 || u + v > 1) continue;
      const t = (vx * qx + vy * qy + vz * qz) / det;
      if (t <= 0 || t >= far) continue;
      const point = add(from, times(way, t));
      if (kept && !kept(point)) continue;
      far = t;
      best = { far: t, face, front: det > 0, point };
    }
  }
  return best;
}
