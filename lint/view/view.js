// The viewer of a part. Plain WebGL2, no library, no request to anywhere. For the report and for the local page alike.
//
//   const mesh = await decodeMesh(base64OrBytes)            what pack.py packed; decodeValues(base64OrBytes, mesh.points.length / 3)
//   const view = createView(canvas, {                       null when the browser has no WebGL2
//     onPick(point, face, part),                            a click on the skin; point in the part's own coordinates (mm)
//     onPin(number),                                        a click on a numbered tag
//     onMeasure({length, words, ends, part} | null, text),  null while one end or none is held; text says what to do or what it is
//     reduceMotion,                                         jump, never glide (also when the system asks for it)
//     lengthUnit,                                           'mm', or 'file units' when the units are not known
//   })
//   view.show([{mesh, name, patches, pins, to, unit}])      one part, or two side by side under one camera; unit: when they differ
//       patches: [{number, ranges: [first, length, ...] | faces: [...], weight: 1 note | 2 caution | 3 stop}]
//       pins: [{number, at: [x, y, z], label, weight}]
//       to: 16 numbers, column by column, from the part's coordinates to those both are shown in (default: as it is)
//   view.flyTo({centre, reach, number, part})               number: the patch and pin to bring out; turns to face the patch
//   view.choose(number | null)                              brings a patch and pin out without moving
//   view.look('front' | 'back' | 'left' | 'right' | 'above' | 'below' | 'whole')
//   view.fit()                                              all of it, from the side it is seen from
//   view.section({axis: 'x' | 'y' | 'z', at, keep: 'low' | 'high'} | null)   keep is chosen by where you stand when left out
//   view.range(axis) -> [low, high] of what is shown
//   view.bed([x, y, z] | null, words)                       the bed's outline under the part at height zero, and the build direction
//   view.pull([x, y, z] | null)                             the way the mould comes off
//   view.measure(true | false), view.snap(true | false)     takes two ends; with snap, whole flat faces and balls are fitted
//   view.picked -> [[x, y, z], ...]                         the ends held, in the coordinates of their part (view.pickedPart)
//   view.measured -> {length, words, ends, part} | null
//   view.colourBy(null | Float32Array per point, {scaleMm, part})   how far the skin moved, in five steps up to scaleMm
//   view.box(null | {min, max}, onChange)                   a crop box with grips; onChange({min, max})
//   view.repaint()                                          after the colours of the page changed
//   view.dispose()
//
// Keys on the canvas: arrows turn, Shift and arrows shift, + and - bring nearer or farther, 0 shows all; while measuring the arrows move
// a cursor (Shift: fine), Enter takes hold, Escape lets go. The colours are the CSS variables --plaster, --pencil, --board and --ink.

const AXES = { x: 0, y: 1, z: 2 };

function createView(canvas, options = {}) {
  const gl = canvas.getContext('webgl2', { antialias: true, alpha: false, preserveDrawingBuffer: false });
  if (!gl) return null;
  const still = options.reduceMotion || matchMedia('(prefers-reduced-motion: reduce)').matches;
  const unitName = options.lengthUnit || 'mm';
  let painter = painterOf(gl);
  let parts = [], shapes = [];
  let chosen = -1, bedSize = null, bedWords = '', pullWay = null, cut = null, values = null;
  let wanted = 0, seenTimer = 0, gone = false, tones = {};
  const tags = tagsOver(canvas, { onPin: (number) => options.onPin && options.onPin(number), onGrip: (grip, by) => crop.move(grip, by) });
  const lengthText = (length, k) => `${length.toFixed(unitOf(k) === 'mm' ? 2 : 4)} ${unitOf(k)}`;
  const unitOf = (k) => (parts[k] && parts[k].unit) || unitName;
  const eye = eyeOn({ span, room: () => rooms()[0] || { wide: 1, high: 1 }, spots }, ask, still);
  const crop = cropOn({ tags, ask, sizeOf: () => parts[0].mesh.size, onScreen: (at) => spotOf(0, at) });
  const taking = takingOn({
    canvas, tags, under, lengthText, partAt: (k) => parts[k],
    changed(result, text) {
      relabel();
      ask();
      if (options.onMeasure) options.onMeasure(result, text);
    },
  });

  // ---- what is shown

  function show(list) {
    shapes.forEach((s) => s.drop());
    parts = list.map((part) => ({ patches: [], pins: [], ...part, to: part.to || STILL, back: inverse(part.to || STILL) }));
    shapes = parts.map((part) => painter.loaded(part.mesh));
    chosen = -1, values = null, cut = null;
    taking.forget();
    const pins = parts.flatMap((part, k) => part.pins.map((pin) => ({ ...pin, part: k })));
    tags.setPins(pins);
    mark();
    relabel();
    eye.begin();
    repaint();
  }

  function mark() {
    parts.forEach((part, k) => {
      const all = part.patches.map((patch) => ({ ...patch, chosen: patch.number === chosen, ranges: rangesOf(patch) }));
      shapes[k].mark(all.sort((a, b) => a.chosen - b.chosen || a.weight - b.weight));
      shapes[k].bright = all.some((patch) => patch.chosen);
    });
  }

  const rangesOf = ({ ranges, faces }) => ranges || Array.from(faces || []).flatMap((face) => [face, 1]);

  function span() {
    const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
    for (const part of parts) {
      for (let k = 0; k < 8; k++) {
        const p = placed(part.to, [0, 1, 2].map((i) => (k & (1 << i) ? part.mesh.high[i] : part.mesh.low[i])));
        for (let i = 0; i < 3; i++) (low[i] = Math.min(low[i], p[i])), (high[i] = Math.max(high[i], p[i]));
      }
    }
    return parts.length ? [low, high] : [[-1, -1, -1], [1, 1, 1]];
  }

  function extent() {
    const [low, high] = span();
    return long(sub(high, low)) || 1;
  }

  function rooms() { // the share of the canvas each part has, in CSS pixels
    const wide = canvas.clientWidth / Math.max(parts.length, 1);
    return parts.map((_, k) => ({ x: k * wide, wide, high: canvas.clientHeight }));
  }

  function spots(tell) { // what a view of the whole must hold: some of the points, and the arrows
    for (const { mesh, to } of parts) {
      const n = mesh.points.length / 3;
      for (let i = 0; i < n; i += Math.ceil(n / 4000)) tell(placed(to, pointOf(mesh, i)));
    }
    for (const { from, way, length } of arrows()) tell(from), tell(add(from, times(way, 1.1 * length)));
  }

  function screens() { // for each part, from its coordinates to the screen of its room
    const { toEye, toScreen } = eye.matrices(), all = multiply(toScreen, toEye);
    return parts.map((part) => multiply(all, part.to));
  }

  function spotOf(k, at) { // where a point of a part is on the canvas, in CSS pixels; null behind the eye
    return onLayer(rooms()[k], screens()[k], at);
  }

  function flyTo({ centre, reach, number = null, part = 0 }) {
    if (!parts[part]) return;
    if (number !== null) choose(number);
    const at = placed(parts[part].to, centre), far = reach * scaleOf(parts[part].to);
    if (far > 0.45 * extent()) return eye.look('whole');
    const patch = parts[part].patches.find((p) => p.number === number);
    eye.before(at, far, (patch && normalOf(parts[part], patch)) || unit(sub(at, times(add(...span()), 0.5))));
  }

  function normalOf(part, patch) { // the way most of a patch faces, or null when it faces every way
    const ranges = rangesOf(patch);
    let sum = [0, 0, 0], area = 0;
    for (let r = 0; r < ranges.length; r += 2) {
      for (let f = ranges[r]; f < ranges[r] + ranges[r + 1]; f++) {
        sum = add(sum, crossAt(part.mesh, f));
        area += long(crossAt(part.mesh, f));
      }
    }
    return long(sum) > 0.25 * area && area > 0 ? unit(turned(part.to, sum)) : null;
  }

  function choose(number) {
    chosen = number === null ? -1 : number;
    mark();
    ask();
  }

  // ---- the cut

  function section(wish) {
    if (!wish) cut = null;
    else {
      const axis = AXES[wish.axis], at = Number(wish.at);
      const keep = wish.keep || (cut && cut.axis === wish.axis ? cut.keep : eye.place()[axis] > at ? 'low' : 'high');
      cut = { axis: wish.axis, at, keep };
    }
    ask();
    return cut;
  }

  function cutOf(part, shift) { // the plane in the coordinates of the drawing; kept is where n . p <= w
    if (!cut) return [0, 0, 0, 0];
    const n = [0, 0, 0], side = cut.keep === 'low' ? 1 : -1;
    n[AXES[cut.axis]] = side;
    const m = part.to, t = placed(m, shift);
    const local = [0, 1, 2].map((j) => dot(n, [m[4 * j], m[4 * j + 1], m[4 * j + 2]])), size = long(local);
    return [...times(local, 1 / size), (side * cut.at - dot(n, t)) / size];
  }

  // ---- drawing

  function ask() {
    if (!wanted && !gone) wanted = requestAnimationFrame(frame);
  }

  function frame(now) {
    wanted = 0;
    if (gone) return;
    eye.step(now);
    draw();
  }

  function draw() {
    const pixel = Math.min(window.devicePixelRatio || 1, 2);
    const wide = Math.max(1, Math.round(canvas.clientWidth * pixel)), high = Math.max(1, Math.round(canvas.clientHeight * pixel));
    if (canvas.width !== wide || canvas.height !== high) (canvas.width = wide), (canvas.height = high);
    gl.enable(gl.DEPTH_TEST);
    gl.depthFunc(gl.LEQUAL);
    gl.enable(gl.BLEND);
    gl.blendFunc(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA);
    gl.viewport(0, 0, wide, high);
    gl.clearColor(...tones.board, 1);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    rooms().forEach((room, k) => drawRoom(room, k, pixel));
    settle();
  }

  function drawRoom(room, k, pixel) {
    const part = parts[k], { mesh } = part, { eye: stand, toEye, toScreen } = eye.matrices();
    const model = multiply(part.to, [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, ...mesh.middle, 1]);
    const cutting = cutOf(part, mesh.middle);
    gl.viewport(Math.round(room.x * pixel), 0, Math.round(room.wide * pixel), canvas.height);
    const valued = values && values.part === k, box = k === 0 && crop.box();
    painter.drawPart(shapes[k], {
      toEye: multiply(toEye, model), toScreen, plaster: tones.plaster, pencil: tones.pencil, board: tones.board, cut: cutting,
      eye: placed(inverse(model), stand), pixel, cutStep: eye.far() / scaleOf(part.to) / 130, solid: mesh.closed ? 1 : 0,
      faded: shapes[k].bright ? 0.3 : 1,
      hand: handed(part.to), valued: valued ? 1 : 0, bandWidth: valued ? values.scaleMm / 5 : 1,
      boxed: box ? 1 : 0, boxLow: box ? sub(box.min, mesh.middle) : [0, 0, 0], boxHigh: box ? sub(box.max, mesh.middle) : [0, 0, 0],
    });
    const all = multiply(toScreen, toEye), size = [(room.wide * pixel) / 2, canvas.height / 2];
    const ink = (alpha, rest = {}) => ({ tone: [...tones.ink, alpha], width: 0.9 * pixel, ...rest });
    if (bedSize) painter.drawLines(bedLines(bedSize, span()), all, size, ink(0.8, { width: 0.7 * pixel, behind: 0.25 }));
    painter.drawLines(arrows().flatMap(arrowLines), all, size, ink(1, { width: 1.4 * pixel, behind: 0.4 }));
    const own = multiply(all, part.to), near = placed(part.back, stand);
    const inked = (lines, rest) => { // dark on a light border, so that it reads on plaster and on the board
      painter.drawLines(lines, own, size, { tone: [...tones.plaster, 1], width: 2.6 * pixel, behind: 1, ...rest, dash: 0 });
      painter.drawLines(lines, own, size, { tone: [...tones.pencil, 1], width: 1.2 * pixel, behind: 1, ...rest });
    };
    if (box) painter.drawLines(boxLines(box.min, box.max), own, size, ink(0.9, { width: pixel, behind: 0.5 }));
    const measured = taking.measured();
    if (measured && measured.part === k) inked([measured.ends], {});
    for (const hold of taking.held().filter((h) => h.part === k)) inked(ringLines(hold.point, eye.far() / scaleOf(part.to) / 70, near), {});
    const place = part.pins.find((p) => p.number === chosen && p.reach > 0);
    const dashed = ink(0.9, { dash: 10 * pixel, behind: 0.6 });
    if (place) painter.drawLines(ringLines(place.at, place.reach, near), own, size, dashed);
  }

  const arrows = () => arrowsOf(bedSize, pullWay, span());

  function relabel() {
    const list = [], measured = taking.measured();
    for (let k = 0; k < parts.length; k++) {
      for (const { from, way, length, text } of arrows()) list.push({ part: k, scene: add(from, times(way, length)), text });
      if (!bedSize) continue;
      const corner = add(bedCorner(bedSize, span()), [0.02 * bedSize[0], 0, 0]);
      list.push({ part: k, scene: corner, kind: 'under', text: bedWords || `front of the bed, ${bedSize[0]} x ${bedSize[1]} mm` });
    }
    if (measured) {
      const text = lengthText(measured.length, measured.part);
      list.push({ part: measured.part, at: between(...measured.ends, 0.5), text, kind: 'length' });
    }
    tags.setLabels(list);
  }

  // ---- words over the picture

  function onLayer(room, matrix, point) {
    const p = projected(matrix, point);
    return p && [room.x + ((p[0] + 1) / 2) * room.wide, ((1 - p[1]) / 2) * room.high];
  }

  function settle() {
    const all = rooms(), views = screens(), where = (k, at) => onLayer(all[k], views[k], at);
    const there = parts.map(keptOf), uncut = (k, at) => (!there[k] || there[k](at) ? where(k, at) : null);
    tags.hang(uncut, all, chosen, values ? values.part : -1); // a place that is cut away has no tag
    for (const label of tags.labels()) {
      const spot = where(label.part, label.scene ? placed(parts[label.part].back, label.scene) : label.at);
      const room = all[label.part];
      label.node.hidden = !spot || spot[0] < room.x || spot[0] > room.x + room.wide || spot[1] < 0 || spot[1] > room.high;
      if (spot) tags.place(label.node, spot[0], spot[1]);
    }
    for (const grip of tags.grips()) {
      const spot = where(0, crop.gripAt(grip));
      grip.node.hidden = !spot;
      if (spot) tags.place(grip.node, spot[0] - TAG / 2, spot[1] - TAG / 2);
    }
    clearTimeout(seenTimer);
    seenTimer = setTimeout(seePins, 120); // once it stands still: which pins have skin before them
  }

  function seePins() {
    let changed = false;
    for (const pin of gone ? [] : tags.pins()) {
      const part = parts[pin.part], stand = placed(part.back, eye.place()), way = sub(pin.at, stand);
      const hit = struck(part.mesh, stand, way, keptOf(part));
      const behind = Boolean(hit) && hit.far < 1 - (0.015 * part.mesh.size) / long(way);
      changed = changed || behind !== pin.behind;
      pin.behind = behind;
    }
    if (changed) ask();
  }

  // ---- picking

  function keptOf(part) {
    if (!cut) return null;
    const plane = cutOf(part, [0, 0, 0]);
    return (p) => dot(plane, p) <= plane[3];
  }

  function under(x, y) { // what lies under a spot of the canvas, in CSS pixels
    const all = rooms(), k = all.findIndex((room) => x >= room.x && x < room.x + room.wide);
    if (k < 0) return null;
    const room = all[k], part = parts[k], { eye: stand, toEye, toScreen } = eye.matrices();
    const sx = ((x - room.x) / room.wide) * 2 - 1, sy = 1 - (y / room.high) * 2;
    const back = inverse(toEye);
    const way = turned(back, [sx / toScreen[0], sy / toScreen[5], -1]);
    const from = placed(part.back, stand), toward = unit(turned(part.back, way));
    const hit = struck(part.mesh, from, toward, keptOf(part));
    if (!hit) return null;
    if (!hit.front && cut && part.mesh.closed) { // the cut face itself
      const plane = cutOf(part, [0, 0, 0]), far = (plane[3] - dot(plane, from)) / dot(plane, toward);
      if (far > 0 && far < hit.far) return { part: k, face: hit.face, point: add(from, times(toward, far)), onCut: true };
    }
    return { part: k, ...hit };
  }

  const letGoOfHands = handsOn(canvas, {
    turn: eye.turn,
    shift: eye.shift,
    zoom: eye.zoom,
    whole: () => eye.look('whole'),
    measuring: taking.on,
    cross: (dx, dy) => taking.moveCross(dx, dy, rooms()),
    takeAtCross: () => taking.takeAtCross(rooms()),
    letGo: taking.letGo,
    take(x, y) {
      if (taking.on()) return taking.take(x, y);
      const hit = under(x, y);
      if (hit && options.onPick) options.onPick(hit.point, hit.face, hit.part);
    },
  });

  // ---- colours, and the end

  const lost = (event) => event.preventDefault();
  const restored = () => {
    painter = painterOf(gl);
    shapes = parts.map((part) => painter.loaded(part.mesh));
    if (values) shapes[values.part].value(values.array);
    mark();
    ask();
  };
  canvas.addEventListener('webglcontextlost', lost);
  canvas.addEventListener('webglcontextrestored', restored);
  const watcher = new ResizeObserver(ask);
  watcher.observe(canvas);
  const dark = matchMedia('(prefers-color-scheme: dark)');
  dark.addEventListener('change', repaint);

  function repaint() {
    const style = getComputedStyle(canvas);
    for (const name of ['plaster', 'pencil', 'board', 'ink']) {
      const text = style.getPropertyValue(`--${name}`).trim().replace('#', '') || '888888';
      tones[name] = [0, 2, 4].map((i) => parseInt(text.slice(i, i + 2), 16) / 255);
    }
    ask();
  }

  function colourBy(array, { scaleMm = 0.1, part = parts.length - 1 } = {}) {
    values = array && { array, scaleMm, part };
    shapes.forEach((shape, k) => shape.value(values && values.part === k ? array : null));
    ask();
  }

  function dispose() {
    gone = true;
    cancelAnimationFrame(wanted);
    clearTimeout(seenTimer);
    watcher.disconnect();
    dark.removeEventListener('change', repaint);
    letGoOfHands();
    canvas.removeEventListener('webglcontextlost', lost);
    canvas.removeEventListener('webglcontextrestored', restored);
    shapes.forEach((s) => s.drop());
    tags.drop();
    parts = [], shapes = [];
  }

  repaint();
  return {
    show, flyTo, choose, section, colourBy, repaint, dispose,
    look: eye.look,
    fit: eye.fit,
    zoom: eye.zoom,
    turn: (yaw, pitch) => eye.turn(rad(yaw), rad(pitch)),
    measure: taking.measure,
    snap: taking.snap,
    box: (wish, onChange = null) => crop.set(wish, onChange),
    bed(size, words = '') { (bedSize = size), (bedWords = words), relabel(), ask(); },
    pull(way) { (pullWay = way), relabel(), ask(); },
    range: (axis) => span().map((corner) => corner[AXES[axis]]),
    spot: (at, part = 0) => spotOf(part, at), // where a point of the part is on the canvas, in CSS pixels
    get picked() { return taking.picked(); },
    get pickedPart() { return taking.held().length ? taking.held()[0].part : null; },
    get measured() { return taking.measured(); },
    get measuring() { return taking.on(); },
    get cut() { return cut; },
  };
}
