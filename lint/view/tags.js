// Words over the picture: numbered tags on the part, names of lines, grips of the crop box and the cursor for measuring.
// They are plain buttons and text, so that they can be clicked, read aloud and copied; none is drawn by colour alone.

const WEIGHTS = { 1: 'note', 2: 'caution', 3: 'stop' };
const TAG = 26; // pixels, also the least size of something to press

function element(kind, className, text = '') {
  const made = document.createElement(kind);
  if (className) made.className = className;
  if (text) made.textContent = text;
  return made;
}

// Places where a tag may hang, in steps from its own, nearest first, so that tags never cover one another.
const HANGS = [];
for (let right = -3; right <= 3; right++) for (let up = 0; up <= 6; up++) HANGS.push([right, up]);
HANGS.sort((a, b) => Math.abs(a[0]) * 1.2 + a[1] - Math.abs(b[0]) * 1.2 - b[1]);

function tagsOver(canvas, { onPin, onGrip }) {
  const layer = element('div', 'bw-layer');
  canvas.insertAdjacentElement('afterend', layer);
  let pins = [], labels = [], grips = [];
  const cursor = element('div', 'bw-cursor');
  cursor.hidden = true;
  layer.append(cursor);

  function place(node, x, y) {
    node.style.transform = `translate(${Math.round(x)}px, ${Math.round(y)}px)`;
  }

  function setPins(list) { // [{number, part, at, label, weight}]
    pins.forEach((p) => p.node.remove());
    pins = list.map((pin) => {
      const node = element('button', `bw-pin ${WEIGHTS[pin.weight] || ''}`, String(pin.number));
      node.type = 'button';
      node.tabIndex = -1; // the list beside the picture is the way there by keyboard
      node.title = pin.label || '';
      node.setAttribute('aria-label', `Pin ${pin.number}: ${pin.label || 'a place'}`);
      node.dataset.number = String(pin.number);
      node.addEventListener('click', () => onPin(pin.number));
      layer.append(node);
      return { ...pin, node };
    });
  }

  // where(part, at) gives [x, y] on the layer or null; hidden(pin) whether skin lies before it.
  function hang(where, rooms, chosen) {
    const taken = new Set();
    const order = [...pins].sort((a, b) => (b.number === chosen) - (a.number === chosen));
    for (const pin of order) {
      const spot = where(pin.part, pin.at), room = rooms[pin.part];
      const out = !spot || spot[0] < room.x || spot[0] > room.x + room.wide || spot[1] < 0 || spot[1] > room.high;
      pin.node.hidden = out;
      if (out) continue;
      const cell = [Math.round(spot[0] / TAG), Math.round(spot[1] / TAG)];
      const free = HANGS.find(([right, up]) => !taken.has(`${cell[0] + right},${cell[1] - up}`));
      if (!free) {
        pin.node.hidden = true;
        continue;
      }
      taken.add(`${cell[0] + free[0]},${cell[1] - free[1]}`);
      const x = free[0] || free[1] ? (cell[0] + free[0]) * TAG : spot[0], y = free[0] || free[1] ? (cell[1] - free[1]) * TAG : spot[1];
      const dx = spot[0] - x, dy = spot[1] - y + 8; // from the middle of the tag's lower edge to the place
      pin.node.style.setProperty('--reach', `${Math.round(Math.hypot(dx, dy))}px`);
      pin.node.style.setProperty('--lean', `${Math.atan2(-dx, dy).toFixed(3)}rad`);
      pin.node.classList.toggle('chosen', pin.number === chosen);
      place(pin.node, x - TAG / 2, y - TAG - 8);
    }
  }

  function setLabels(list) { // [{part, at, text}]
    labels.forEach((l) => l.node.remove());
    labels = list.map((label) => {
      const node = element('span', `bw-label ${label.kind || ''}`, label.text);
      layer.append(node);
      return { ...label, node };
    });
  }

  function setGrips(list) { // [{axis, end, name}]
    grips.forEach((g) => g.node.remove());
    grips = list.map((grip) => {
      const node = element('button', 'bw-grip');
      node.type = 'button';
      node.setAttribute('aria-label', `Crop box, ${grip.name} side: drag it, or move it with the arrow keys`);
      const step = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 };
      node.addEventListener('keydown', (event) => {
        if (!(event.key in step)) return;
        event.preventDefault();
        onGrip(grip, { steps: step[event.key] * (event.shiftKey ? 10 : 1) });
      });
      node.addEventListener('pointerdown', (event) => {
        node.setPointerCapture(event.pointerId);
        let last = [event.clientX, event.clientY];
        const move = (e) => {
          onGrip(grip, { across: [e.clientX - last[0], e.clientY - last[1]] });
          last = [e.clientX, e.clientY];
        };
        node.addEventListener('pointermove', move);
        node.addEventListener('pointerup', () => node.removeEventListener('pointermove', move), { once: true });
      });
      layer.append(node);
      return { ...grip, node };
    });
  }

  return {
    layer, cursor, setPins, setLabels, setGrips, hang, place,
    pins: () => pins, labels: () => labels, grips: () => grips,
    drop: () => layer.remove(),
  };
}
