// Measuring: two ends taken hold of one after the other, by a click or by a cross that the arrow keys move.

// under(x, y) gives what lies at a spot of the canvas: {part, face, point, onCut} or null; changed(result, text) is told what came of it.
function takingOn({ canvas, tags, partAt, under, changed, lengthText }) {
  let on = false, snapping = true, held = [], measured = null, cross = null;

  function tell(text, result = measured) {
    changed(result, text);
  }

  function drop(text) {
    held = [], measured = null;
    tell(text);
  }

  function take(x, y) {
    const hit = under(x, y);
    if (!hit) return tell('There is no skin at this spot. Choose a spot on the part.', null);
    if (held.length === 2 || (held.length && held[0].part !== hit.part)) held = [];
    held.push({ part: hit.part, ...heldAt(partAt(hit.part).mesh, hit.face, hit.point, snapping && !hit.onCut) });
    const [a, b] = held;
    if (b) {
      measured = { ...lengthBetween(a, b), part: hit.part };
      return tell(`${lengthText(measured.length, hit.part)}, ${measured.words}.`);
    }
    measured = a.kind === 'ball' ? { ...lengthBetween(a, a), part: hit.part } : null;
    const what = { ball: `a ball, ${lengthText(2 * a.radius, hit.part)} across`, flat: 'a flat face', point: 'one point' }[a.kind];
    tell(`Holding ${what}. Choose the other end.`);
  }

  function moveCross(dx, dy, rooms) {
    if (!cross) cross = [rooms[0].wide / 2, rooms[0].high / 2];
    const limit = [canvas.clientWidth - 1, canvas.clientHeight - 1];
    cross = [dx, dy].map((d, i) => Math.max(0, Math.min(limit[i], cross[i] + d)));
    tags.cursor.hidden = false;
    tags.place(tags.cursor, ...cross);
  }

  return {
    take, moveCross,
    takeAtCross(rooms) {
      if (!cross) moveCross(0, 0, rooms);
      take(...cross);
    },
    measure(wish) {
      on = Boolean(wish);
      canvas.classList.toggle('measuring', on);
      tags.cursor.hidden = true;
      cross = null;
      drop(on ? 'Choose the first end: click on the part, or press Enter with the cross on it.' : '');
    },
    letGo() { // false when nothing is held
      if (!held.length) return false;
      drop('Let go. Choose the first end.');
      return true;
    },
    forget: () => ((held = []), (measured = null)),
    snap: (wish) => (snapping = Boolean(wish)),
    on: () => on,
    held: () => held,
    measured: () => measured,
    picked: () => (measured && held.length === 2 ? measured.ends.map((p) => [...p]) : held.map((h) => [...h.point])),
  };
}
