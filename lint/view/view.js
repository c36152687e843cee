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
//   view.show([{mesh, name, patches, pins, to}])            one part, or two side by side under one camera
//       patches: [{number, ranges: [first, length, ...] | faces: [...], weight: 1 note | 2 caution | 3 stop}]
//       pins: [{number, at: [x, y, z], label, weight}]
//       to: 16 numbers, column by column, from the part's coordinates to those both are shown in (default: as it is)
//   view.flyTo({centre, reach, number, part})               number: the patch and pin to bring out; turns to face the patch
//   view.choose(number | null)                              brings a patch and pin out without moving
//   view.look('front' | 'back' | 'left' | 'right' | 'above' | 'below' | 'whole')
//   view.fit()                                              all of it, from the side it is seen from
//   view.section({axis: 'x' | 'y' | 'z', at, keep: 'low' | 'high'} | null)   keep is chosen by where you stand when left out
//   view.range(axis) -> [low, high] of what is shown
//   view.bed([x, y, z] | null)                              the bed's outline under the part at height zero, and the build direction
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

const ANGLE = (26 * Math.PI) / 180;
const LOOKS = { front: [-90, 8], back: [90, 8], left: [180, 8], right: [0, 8], above: [-90, 89], below: [-90, -89], whole: [-62, 22] };
const AXES = { x: 0, y: 1, z: 2 };

function createView(canvas, options = {}) {
  const gl = canvas.getContext('webgl2', { antialias: true, alpha: false, preserveDrawingBuffer: false });
  if (!gl) return null;
  const still = options.reduceMotion || matchMedia('(prefers-reduced-motion: reduce)').matches;
  const unitName = options.lengthUnit || 'mm';
  let painter = painterOf(gl);
  let parts = [], shapes = [];
  let chosen = -1, bedSize = null, pullWay = null, cut = null, crop = null, onCrop = null, values = null;
  let measuring = false, snapping = true, held = [], measured = null, cursor = null;
  let camera = { at: [0, 0, 0], yaw: rad(-62), pitch: rad(22), far: 100 };
  let flight = null, wanted = 0, seenTimer = 0, gone = false, tones = {};
  const tags = tagsOver(canvas, { onPin: (number) => options.onPin && options.onPin(number), onGrip: moveGrip });

  function rad(degrees) {
    return (degrees * Math.PI) / 180;
  }

  // ---- what is shown

  function show(list) {
    shapes.forEach((s) => s.drop());
    parts = list.map((part) => ({ patches: [], pins: [], ...part, to: part.to || STILL, back: inverse(part.to || STILL) }));
    shapes = parts.map((part) => painter.loaded(part.mesh));
    chosen = -1, held = [], measured = null, values = null, cut = null;
    const pins = parts.flatMap((part, k) => part.pins.map((pin) => ({ ...pin, part: k })));
    tags.setPins(pins);
    mark();
    relabel();
    const [low, high] = span();
    camera = { at: times(add(low, high), 0.5), yaw: rad(LOOKS.whole[0]), pitch: rad(LOOKS.whole[1]), far: 1 };
    camera.far = whole();
    repaint();
  }

  function mark() {
    parts.forEach((part, k) => {
      const all = part.patches.map((patch, slot) => ({ ...patch, slot: (slot % 250) + 1, ranges: patch.ranges || asRanges(patch.faces) }));
      const over = (p) => (p.number === chosen ? 9 : p.weight);
      shapes[k].mark(all.sort((a, b) => over(a) - over(b)));
      shapes[k].slot = (all.find((p) => p.number === chosen) || { slot: -1 }).slot;
    });
  }

  const asRanges = (faces) => Array.from(faces || []).flatMap((face) => [face, 1]);

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

  // How far off the eye must stand for the whole to lie inside the room: stepping back by d adds d to every depth.
  function whole(yaw = camera.yaw, pitch = camera.pitch) {
    const room = rooms()[0] || { wide: 1, high: 1 }, at = times(add(...span()), 0.5), far = extent();
    const tall = Math.tan(ANGLE / 2) * 0.84, wide = tall * (room.wide / Math.max(room.high, 1));
    const toEye = lookAt(eyeOf({ at, yaw, pitch, far }), at, [0, 0, 1]);
    let more = -Infinity;
    const hold = (spot) => {
      const p = placed(toEye, spot);
      more = Math.max(more, Math.abs(p[0]) / wide + p[2], Math.abs(p[1]) / tall + p[2]);
    };
    for (const { mesh, to } of parts) {
      const n = mesh.points.length / 3;
      for (let i = 0; i < n; i += Math.ceil(n / 4000)) hold(placed(to, pointOf(mesh, i)));
    }
    for (const { from, way, length } of arrows()) hold(from), hold(add(from, times(way, 1.1 * length)));
    return parts.length ? far + more : far;
  }

  function fit() { // all of it, from where we stand
    go({ ...camera, at: times(add(...span()), 0.5), far: whole() });
  }

  // ---- the camera

  function eyeOf({ at, yaw, pitch, far }) {
    return add(at, times([Math.cos(pitch) * Math.cos(yaw), Math.cos(pitch) * Math.sin(yaw), Math.sin(pitch)], far));
  }

  function matrices(room) {
    const eye = eyeOf(camera), size = extent();
    const toEye = lookAt(eye, camera.at, [0, 0, 1]);
    const off = long(sub(eye, times(add(...span()), 0.5)));
    const near = Math.max(off - 1.6 * size, camera.far * 0.02, 1e-3 * size);
    return { eye, toEye, toScreen: perspective(ANGLE, room.wide / Math.max(room.high, 1), near, off + 3 * size) };
  }

  function go(to) {
    to.pitch = Math.max(rad(-89), Math.min(rad(89), to.pitch));
    if (still) {
      camera = to, flight = null;
      return ask();
    }
    const turn = to.yaw - camera.yaw;
    flight = { from: { ...camera, yaw: to.yaw - Math.atan2(Math.sin(turn), Math.cos(turn)) }, to, began: performance.now() };
    ask();
  }

  function look(name) {
    const [yaw, pitch] = LOOKS[name].map(rad);
    const at = name === 'whole' ? times(add(...span()), 0.5) : camera.at;
    go({ at, yaw, pitch, far: name === 'whole' ? whole(yaw, pitch) : camera.far });
  }

  function flyTo({ centre, reach, number = null, part = 0 }) {
    if (!parts[part]) return;
    if (number !== null) choose(number);
    const at = placed(parts[part].to, centre), size = extent();
    if (reach * scaleOf(parts[part].to) > 0.45 * size) return look('whole');
    const patch = parts[part].patches.find((p) => p.number === number);
    const facing = patch && normalOf(parts[part], patch);
    const way = facing || unit(sub(at, times(add(...span()), 0.5)));
    const yaw = Math.hypot(way[0], way[1]) > 0.05 ? Math.atan2(way[1], way[0]) : camera.yaw;
    const pitch = Math.max(rad(-75), Math.min(rad(75), Math.asin(Math.max(-1, Math.min(1, way[2])))));
    const room = Math.max(2.4 * reach * scaleOf(parts[part].to), 0.12 * size);
    go({ at, yaw, pitch, far: Math.min(room / Math.tan(ANGLE / 2) / 2, whole()) });
  }

  function normalOf(part, patch) { // the way most of a patch faces, or null when it faces every way
    const ranges = patch.ranges || asRanges(patch.faces);
    let sum = [0, 0, 0], area = 0;
    for (let r = 0; r < ranges.length; r += 2) {
      for (let f = ranges[r]; f < ranges[r] + ranges[r + 1]; f++) (sum = add(sum, crossAt(part.mesh, f))), (area += long(crossAt(part.mesh, f)));
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
      const keep = wish.keep || (cut && cut.axis === wish.axis ? cut.keep : eyeOf(camera)[axis] > at ? 'low' : 'high');
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
    if (flight) {
      const k = Math.min(1, (now - flight.began) / 450), ease = k * k * (3 - 2 * k), { from, to } = flight;
      const mix = (a, b) => a + (b - a) * ease;
      camera = { at: between(from.at, to.at, ease), yaw: mix(from.yaw, to.yaw), pitch: mix(from.pitch, to.pitch), far: mix(from.far, to.far) };
      if (k === 1) flight = null;
      else ask();
    }
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
    const part = parts[k], { mesh } = part, { eye, toEye, toScreen } = matrices(room);
    const model = multiply(part.to, [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, ...mesh.middle, 1]);
    const cutting = cutOf(part, mesh.middle);
    gl.viewport(Math.round(room.x * pixel), 0, Math.round(room.wide * pixel), canvas.height);
    const valued = values && values.part === k;
    painter.drawPart(shapes[k], {
      toEye: multiply(toEye, model), toScreen, plaster: tones.plaster, pencil: tones.pencil, board: tones.board, cut: cutting,
      eye: placed(inverse(model), eye), pixel, cutStep: camera.far / scaleOf(part.to) / 130, solid: mesh.closed ? 1 : 0, faded: shapes[k].slot > 0 ? 0.3 : 1,
      hand: handed(part.to), valued: valued ? 1 : 0, bandWidth: valued ? values.scaleMm / 5 : 1, chosen: shapes[k].slot || -1,
      boxed: crop ? 1 : 0, boxLow: crop ? sub(crop.min, mesh.middle) : [0, 0, 0], boxHigh: crop ? sub(crop.max, mesh.middle) : [0, 0, 0],
    });
    const all = multiply(toScreen, toEye), size = [(room.wide * pixel) / 2, canvas.height / 2];
    const ink = (alpha, rest = {}) => ({ tone: [...tones.ink, alpha], width: 0.9 * pixel, ...rest });
    if (bedSize) painter.drawLines(bedLines(bedSize, span()), all, size, ink(0.8, { width: 0.7 * pixel, behind: 0.25 }));
    painter.drawLines(arrows().flatMap(arrowLines), all, size, ink(1, { width: 1.4 * pixel, behind: 0.4 }));
    const own = multiply(all, part.to), near = placed(part.back, eye);
    const inked = (lines, rest) => { // dark on a light border, so that it reads on plaster and on the board
      painter.drawLines(lines, own, size, { tone: [...tones.plaster, 1], width: 2.6 * pixel, behind: 1, ...rest, dash: 0 });
      painter.drawLines(lines, own, size, { tone: [...tones.pencil, 1], width: 1.2 * pixel, behind: 1, ...rest });
    };
    if (crop) painter.drawLines(boxLines(crop.min, crop.max), own, size, ink(0.9, { width: pixel, behind: 0.5 }));
    if (measured && measured.part === k) inked([measured.ends], {});
    for (const hold of held.filter((h) => h.part === k)) {
      inked(ringLines(hold.point, camera.far / scaleOf(part.to) / 70, near), {});
    }
    const place = part.pins.find((p) => p.number === chosen && p.reach > 0);
    if (place) painter.drawLines(ringLines(place.at, place.reach, near), own, size, ink(0.9, { width: 0.9 * pixel, dash: 10 * pixel, behind: 0.6 }));
  }

  const arrows = () => arrowsOf(bedSize, pullWay, span());

  function relabel() {
    const list = [];
    for (let k = 0; k < parts.length; k++) {
      for (const { from, way, length, text } of arrows()) list.push({ part: k, scene: add(from, times(way, length)), text });
      if (bedSize) list.push({ part: k, scene: add(bedCorner(bedSize, span()), [0.02 * bedSize[0], 0, 0]), kind: 'under', text: `front of the bed, ${bedSize[0]} x ${bedSize[1]} mm` });
    }
    if (measured) list.push({ part: measured.part, at: between(...measured.ends, 0.5), text: lengthText(measured.length), kind: 'length' });
    tags.setLabels(list);
  }

  const lengthText = (length) => `${length.toFixed(unitName === 'mm' ? 2 : 4)} ${unitName}`;

  // ---- words over the picture

  function onLayer(room, matrix, point) {
    const p = projected(matrix, point);
    return p && [room.x + ((p[0] + 1) / 2) * room.wide, ((1 - p[1]) / 2) * room.high];
  }

  function settle() {
    const all = rooms(), screens = all.map((room) => {
      const { toEye, toScreen } = matrices(room);
      return multiply(toScreen, toEye);
    });
    const where = (k, at) => onLayer(all[k], screens[k], placed(parts[k].to, at));
    tags.hang(where, all, chosen, values ? values.part : -1);
    for (const label of tags.labels()) {
      const spot = label.scene ? onLayer(all[label.part], screens[label.part], label.scene) : where(label.part, label.at);
      const room = all[label.part];
      label.node.hidden = !spot || spot[0] < room.x || spot[0] > room.x + room.wide || spot[1] < 0 || spot[1] > room.high;
      if (spot) tags.place(label.node, spot[0], spot[1]);
    }
    for (const grip of tags.grips()) {
      const spot = where(0, gripAt(grip));
      grip.node.hidden = !spot;
      if (spot) tags.place(grip.node, spot[0] - TAG / 2, spot[1] - TAG / 2);
    }
    clearTimeout(seenTimer);
    seenTimer = setTimeout(seePins, 120); // once it stands still: which pins have skin before them
  }

  function seePins() {
    let changed = false;
    for (const pin of gone ? [] : tags.pins()) {
      const part = parts[pin.part], eye = placed(part.back, eyeOf(camera)), way = sub(pin.at, eye);
      const hit = struck(part.mesh, eye, way, keptOf(part));
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
    const room = all[k], part = parts[k], { eye, toEye, toScreen } = matrices(room);
    const sx = ((x - room.x) / room.wide) * 2 - 1, sy = 1 - (y / room.high) * 2;
    const back = inverse(toEye);
    const way = turned(back, [sx / toScreen[0], sy / toScreen[5], -1]);
    const from = placed(part.back, eye), toward = unit(turned(part.back, way));
    const hit = struck(part.mesh, from, toward, keptOf(part));
    if (!hit) return null;
    if (!hit.front && cut && part.mesh.closed) { // the cut face itself
      const plane = cutOf(part, [0, 0, 0]), far = (plane[3] - dot(plane, from)) / dot(plane, toward);
      if (far > 0 && far < hit.far) return { part: k, face: hit.face, point: add(from, times(toward, far)), onCut: true };
    }
    return { part: k, ...hit };
  }

  function pick(x, y) {
    const hit = under(x, y);
    if (!measuring) {
      if (hit && options.onPick) options.onPick(hit.point, hit.face, hit.part);
      return;
    }
    if (!hit) return tell(null, 'There is no skin at this spot. Choose a spot on the part.');
    if (held.length === 2 || (held.length && held[0].part !== hit.part)) held = [];
    const part = parts[hit.part];
    held.push({ part: hit.part, ...heldAt(part.mesh, hit.face, hit.point, snapping && !hit.onCut) });
    const [a, b] = held;
    const one = a.kind === 'ball' ? `Holding a ball, ${lengthText(2 * a.radius)} across. ` : a.kind === 'flat' ? 'Holding a flat face. ' : 'Holding one point. ';
    if (!b) {
      measured = a.kind === 'ball' ? { ...lengthBetween(a, a), part: hit.part } : null;
      return tell(measured, `${one}Choose the other end.`);
    }
    measured = { ...lengthBetween(a, b), part: hit.part };
    tell(measured, `${lengthText(measured.length)}, ${measured.words}.`);
  }

  function tell(result, text) {
    relabel();
    ask();
    if (options.onMeasure) options.onMeasure(result, text);
  }

  function measure(on) {
    measuring = Boolean(on);
    canvas.classList.toggle('measuring', measuring);
    held = [], measured = null;
    tags.cursor.hidden = true;
    cursor = null;
    tell(null, measuring ? 'Choose the first end: click on the part, or press Enter with the cross on it.' : '');
  }

  function moveCursor(dx, dy) {
    if (!cursor) cursor = [canvas.clientWidth / Math.max(parts.length, 1) / 2, canvas.clientHeight / 2];
    cursor = [Math.max(0, Math.min(canvas.clientWidth - 1, cursor[0] + dx)), Math.max(0, Math.min(canvas.clientHeight - 1, cursor[1] + dy))];
    tags.cursor.hidden = false;
    tags.place(tags.cursor, cursor[0], cursor[1]);
  }

  // ---- the crop box

  function box(wish, onChange = null) {
    crop = wish && { min: [...wish.min], max: [...wish.max] };
    onCrop = onChange;
    const names = [['left', 'right'], ['front', 'back'], ['lower', 'upper']];
    tags.setGrips(crop ? [0, 1, 2].flatMap((axis) => ['min', 'max'].map((end, k) => ({ axis, end, name: names[axis][k] }))) : []);
    ask();
  }

  function gripAt({ axis, end }) {
    const at = times(add(crop.min, crop.max), 0.5);
    at[axis] = crop[end][axis];
    return at;
  }

  function moveGrip(grip, { steps = 0, across = null }) {
    const part = parts[0], at = gripAt(grip), size = part.mesh.size;
    let by = steps * size * 0.005;
    if (across) {
      const room = rooms()[0], { toEye, toScreen } = matrices(room), all = multiply(multiply(toScreen, toEye), part.to);
      const on = [...at];
      on[grip.axis] += 0.01 * size;
      const a = onLayer(room, all, at), b = onLayer(room, all, on);
      if (!a || !b) return;
      const way = [b[0] - a[0], b[1] - a[1]], square = way[0] ** 2 + way[1] ** 2;
      by = square > 0.01 ? ((across[0] * way[0] + across[1] * way[1]) / square) * 0.01 * size : 0;
    }
    const other = crop[grip.end === 'min' ? 'max' : 'min'][grip.axis], least = 0.002 * size;
    const to = at[grip.axis] + by;
    crop[grip.end][grip.axis] = grip.end === 'min' ? Math.min(to, other - least) : Math.max(to, other + least);
    if (onCrop) onCrop({ min: [...crop.min], max: [...crop.max] });
    ask();
  }

  // ---- hand and keys

  function turn(dx, dy) {
    flight = null;
    camera = { ...camera, yaw: camera.yaw - dx, pitch: Math.max(rad(-89), Math.min(rad(89), camera.pitch + dy)) };
    ask();
  }

  function shift(dx, dy) { // in CSS pixels
    flight = null;
    const toEye = lookAt(eyeOf(camera), camera.at, [0, 0, 1]), k = (2 * camera.far * Math.tan(ANGLE / 2)) / Math.max(canvas.clientHeight, 1);
    const right = [toEye[0], toEye[4], toEye[8]], top = [toEye[1], toEye[5], toEye[9]];
    camera = { ...camera, at: add(camera.at, add(times(right, -dx * k), times(top, dy * k))) };
    ask();
  }

  function zoom(k) {
    flight = null;
    camera = { ...camera, far: Math.max(0.01 * extent(), Math.min(12 * extent(), camera.far * k)) };
    ask();
  }

  const letGoOfHands = handsOn(canvas, {
    turn, shift, zoom,
    measuring: () => measuring,
    whole: () => look('whole'),
    cross: moveCursor,
    take: pick,
    takeAtCross() {
      if (!cursor) moveCursor(0, 0);
      pick(...cursor);
    },
    letGo() { // false when nothing is held
      if (!held.length) return false;
      held = [], measured = null;
      tell(null, 'Let go. Choose the first end.');
      return true;
    },
  });
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
    show, flyTo, choose, look, fit, section, measure, colourBy, box, repaint, dispose,
    zoom: (k) => zoom(k),
    turn: (yaw, pitch) => turn(rad(yaw), rad(pitch)),
    snap(on) { snapping = Boolean(on); },
    bed(size) { (bedSize = size), relabel(), ask(); },
    pull(way) { (pullWay = way), relabel(), ask(); },
    range: (axis) => span().map((corner) => corner[AXES[axis]]),
    spot(at, part = 0) { // where a point of the part is on the canvas, in CSS pixels
      const room = rooms()[part], { toEye, toScreen } = matrices(room);
      return onLayer(room, multiply(toScreen, toEye), placed(parts[part].to, at));
    },
    get picked() { return measured && held.length === 2 ? measured.ends.map((p) => [...p]) : held.map((h) => [...h.point]); },
    get pickedPart() { return held.length ? held[0].part : null; },
    get measured() { return measured; },
    get measuring() { return measuring; },
    get cut() { return cut; },
  };
}
