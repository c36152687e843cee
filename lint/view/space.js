// Points, directions and 4x4 matrices (column by column, as WebGL wants them).

const add = (a, b) => [a[0] + b[0], a[1] + b[1], a[2] + b[2]];
const sub = (a, b) => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
const times = (a, k) => [a[0] * k, a[1] * k, a[2] * k];
const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
const long = (a) => Math.hypot(a[0], a[1], a[2]);
const unit = (a) => times(a, 1 / (long(a) || 1));
const between = (a, b, k) => add(times(a, 1 - k), times(b, k));

const STILL = [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1];

function multiply(a, b) {
  const c = new Array(16);
  for (let j = 0; j < 4; j++) {
    for (let i = 0; i < 4; i++) {
      c[4 * j + i] = a[i] * b[4 * j] + a[4 + i] * b[4 * j + 1] + a[8 + i] * b[4 * j + 2] + a[12 + i] * b[4 * j + 3];
    }
  }
  return c;
}

function perspective(angle, aspect, near, far) {
  const f = 1 / Math.tan(angle / 2);
  return [f / aspect, 0, 0, 0, 0, f, 0, 0, 0, 0, (far + near) / (near - far), -1, 0, 0, (2 * far * near) / (near - far), 0];
}

function lookAt(eye, at, up) {
  const back = unit(sub(eye, at));
  const right = unit(cross(up, back));
  const top = cross(back, right);
  return [
    right[0], top[0], back[0], 0, right[1], top[1], back[1], 0, right[2], top[2], back[2], 0,
    -dot(right, eye), -dot(top, eye), -dot(back, eye), 1,
  ];
}

// The inverse of a matrix whose last row is 0 0 0 1.
function inverse(m) {
  const x = [m[0], m[1], m[2]], y = [m[4], m[5], m[6]], z = [m[8], m[9], m[10]], t = [m[12], m[13], m[14]];
  const size = dot(x, cross(y, z));
  const a = times(cross(y, z), 1 / size), b = times(cross(z, x), 1 / size), c = times(cross(x, y), 1 / size);
  return [a[0], b[0], c[0], 0, a[1], b[1], c[1], 0, a[2], b[2], c[2], 0, -dot(a, t), -dot(b, t), -dot(c, t), 1];
}

const placed = (m, p) => [0, 1, 2].map((i) => m[i] * p[0] + m[4 + i] * p[1] + m[8 + i] * p[2] + m[12 + i]);
const turned = (m, v) => [0, 1, 2].map((i) => m[i] * v[0] + m[4 + i] * v[1] + m[8 + i] * v[2]);
const handed = (m) => Math.sign(dot([m[0], m[1], m[2]], cross([m[4], m[5], m[6]], [m[8], m[9], m[10]]))) || 1;
const scaleOf = (m) => Math.hypot(m[0], m[1], m[2]);

// A point on the screen, x and y from -1 to 1, and its depth; null when it is behind the eye.
function projected(m, p) {
  const w = m[3] * p[0] + m[7] * p[1] + m[11] * p[2] + m[15];
  if (w <= 0) return null;
  return [0, 1, 2].map((i) => (m[i] * p[0] + m[4 + i] * p[1] + m[8 + i] * p[2] + m[12 + i]) / w);
}
