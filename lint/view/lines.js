// Lines drawn over the part, each as a list of [from, to]: the bed as a board with a rule, arrows, boxes and rings.

function ringLines(at, radius, eye) { // a circle that faces the eye
  const way = unit(sub(eye, at));
  const x = unit(cross(way, Math.abs(way[2]) < 0.9 ? [0, 0, 1] : [1, 0, 0])), y = cross(way, x), spots = [];
  for (let k = 0; k <= 48; k++) {
    const a = (k / 48) * 2 * Math.PI;
    spots.push(add(at, add(times(x, radius * Math.cos(a)), times(y, radius * Math.sin(a)))));
  }
  return spots.slice(1).map((p, k) => [spots[k], p]);
}

function boxLines(low, high) {
  const corner = (k) => [0, 1, 2].map((i) => (k & (1 << i) ? high[i] : low[i])), lines = [];
  for (let k = 0; k < 8; k++) for (let i = 0; i < 3; i++) if (!(k & (1 << i))) lines.push([corner(k), corner(k | (1 << i))]);
  return lines;
}

const bedCorner = (size, [low, high]) => [(low[0] + high[0] - size[0]) / 2, (low[1] + high[1] - size[1]) / 2, 0];

// The bed, with a rule along its front and its left edge: every 10 mm, longer every 50. One of no height is only a level, without a rule.
function bedLines(size, box) {
  const o = bedCorner(size, box), [x, y] = size, at = (i, j) => [o[0] + i, o[1] + j, 0];
  const lines = [[at(0, 0), at(x, 0)], [at(x, 0), at(x, y)], [at(x, y), at(0, y)], [at(0, y), at(0, 0)]];
  if (!size[2]) return lines;
  const step = Math.max(x, y) > 1000 ? 100 : 10;
  for (let i = step; i < x; i += step) lines.push([at(i, 0), at(i, (i / step) % 5 ? step / 2 : step)]);
  for (let j = step; j < y; j += step) lines.push([at(0, j), at((j / step) % 5 ? step / 2 : step, j)]);
  return lines;
}

// The directions that matter, as {from, way, length, text}: how it is printed, and how the mould comes off.
function arrowsOf(bed, pull, [low, high]) {
  const size = long(sub(high, low)) || 1, list = [];
  if (bed) list.push({ from: bedCorner(bed, [low, high]), way: [0, 0, 1], length: 0.22 * size, text: 'printed upwards' });
  if (pull) {
    const way = unit(pull), middle = times(add(low, high), 0.5), half = times(sub(high, low), 0.5);
    const out = Math.min(...[0, 1, 2].map((i) => (way[i] ? half[i] / Math.abs(way[i]) : Infinity)));
    list.push({ from: add(middle, times(way, out + 0.04 * size)), way, length: 0.16 * size, text: 'the mould comes off this way' });
  }
  return list;
}

function arrowLines({ from, way, length }) {
  const tip = add(from, times(way, length)), side = unit(cross(way, Math.abs(way[2]) < 0.9 ? [0, 0, 1] : [1, 0, 0]));
  const barb = (k) => add(tip, add(times(way, -0.16 * length), times(side, 0.09 * k * length)));
  return [[from, tip], [tip, barb(1)], [tip, barb(-1)]];
}
