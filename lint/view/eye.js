// Where one stands to look: turning round the part, shifting, coming nearer, and gliding from one stand to another.

const ANGLE = (26 * Math.PI) / 180;
const LOOKS = { front: [-90, 8], back: [90, 8], left: [180, 8], right: [0, 8], above: [-90, 89], below: [-90, -89], whole: [-62, 22] };
const GLIDE = 450; // milliseconds

const rad = (degrees) => (degrees * Math.PI) / 180;
const upright = (pitch) => Math.max(rad(-89), Math.min(rad(89), pitch));

// scene: span() gives the low and high corner of all that is shown, room() the {wide, high} of one part, spots(tell) calls tell with
// points that the whole view must hold; ask() asks for a frame; still: jump, never glide.
function eyeOn(scene, ask, still) {
  let stand = { at: [0, 0, 0], yaw: rad(LOOKS.whole[0]), pitch: rad(LOOKS.whole[1]), far: 100 }, flight = null;

  const middle = () => times(add(...scene.span()), 0.5);
  const extent = () => long(sub(...scene.span())) || 1;
  const aspect = () => scene.room().wide / Math.max(scene.room().high, 1);
  const placeOf = ({ at, yaw, pitch, far }) =>
    add(at, times([Math.cos(pitch) * Math.cos(yaw), Math.cos(pitch) * Math.sin(yaw), Math.sin(pitch)], far));

  // How far off to stand for the whole to lie inside the room: stepping back by d adds d to every depth.
  function whole(yaw, pitch) {
    const at = middle(), far = extent(), tall = Math.tan(ANGLE / 2) * 0.84, wide = tall * aspect();
    const toEye = lookAt(placeOf({ at, yaw, pitch, far }), at, [0, 0, 1]);
    let more = -Infinity;
    scene.spots((spot) => {
      const p = placed(toEye, spot);
      more = Math.max(more, Math.abs(p[0]) / wide + p[2], Math.abs(p[1]) / tall + p[2]);
    });
    return Number.isFinite(more) ? far + more : far;
  }

  function go(to) {
    to.pitch = upright(to.pitch);
    const round = to.yaw - stand.yaw;
    const from = { ...stand, yaw: to.yaw - Math.atan2(Math.sin(round), Math.cos(round)) }; // the short way round
    flight = still ? null : { from, to, began: performance.now() };
    if (still) stand = to;
    ask();
  }

  function take(change) {
    flight = null;
    stand = { ...stand, ...change };
    ask();
  }

  return {
    place: () => placeOf(stand),
    far: () => stand.far,
    // The matrices for one part's room, and where the eye is.
    matrices() {
      const eye = placeOf(stand), size = extent(), off = long(sub(eye, middle()));
      const near = Math.max(off - 1.6 * size, stand.far * 0.02, 1e-3 * size);
      return { eye, toEye: lookAt(eye, stand.at, [0, 0, 1]), toScreen: perspective(ANGLE, aspect(), near, off + 3 * size) };
    },
    step(now) { // a frame of a glide
      if (!flight) return;
      const k = Math.max(0, Math.min(1, (now - flight.began) / GLIDE)), ease = k * k * (3 - 2 * k), { from, to } = flight;
      const mix = (name) => from[name] + (to[name] - from[name]) * ease;
      stand = { at: between(from.at, to.at, ease), yaw: mix('yaw'), pitch: mix('pitch'), far: mix('far') };
      if (k === 1) flight = null;
      else ask();
    },
    begin() { // at the first look of a new part
      const [yaw, pitch] = LOOKS.whole.map(rad);
      take({ at: middle(), yaw, pitch, far: whole(yaw, pitch) });
    },
    look(name) {
      const [yaw, pitch] = LOOKS[name].map(rad);
      go(name === 'whole' ? { at: middle(), yaw, pitch, far: whole(yaw, pitch) } : { ...stand, yaw, pitch });
    },
    fit: () => go({ ...stand, at: middle(), far: whole(stand.yaw, stand.pitch) }),
    // Before a place, from the way it faces, so near that it fills about half of the room.
    before(at, reach, way) {
      const yaw = Math.hypot(way[0], way[1]) > 0.05 ? Math.atan2(way[1], way[0]) : stand.yaw;
      const pitch = Math.max(rad(-75), Math.min(rad(75), Math.asin(Math.max(-1, Math.min(1, way[2])))));
      const far = Math.max(2.4 * reach, 0.12 * extent()) / Math.tan(ANGLE / 2) / 2 / Math.min(1, aspect());
      go({ at, yaw, pitch, far: Math.min(far, whole(yaw, pitch)) });
    },
    turn: (dx, dy) => take({ yaw: stand.yaw - dx, pitch: upright(stand.pitch + dy) }),
    shift(dx, dy) { // in CSS pixels
      const toEye = lookAt(placeOf(stand), stand.at, [0, 0, 1]), k = (2 * stand.far * Math.tan(ANGLE / 2)) / Math.max(scene.room().high, 1);
      const right = [toEye[0], toEye[4], toEye[8]], top = [toEye[1], toEye[5], toEye[9]];
      take({ at: add(stand.at, add(times(right, -dx * k), times(top, dy * k))) });
    },
    zoom: (k) => take({ far: Math.max(0.01 * extent(), Math.min(12 * extent(), stand.far * k)) }),
  };
}
