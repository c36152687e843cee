// Words over the picture: numbered tags on the part, names of lines, grips of the crop box and the cursor for measuring.
// They are plain buttons and text, so that they can be clicked, read aloud and copied; none is drawn by colour alone.

const WEIGHTS = { 1: 'note', 2: 'caution', 3: 'stop' };
const TAG = 26; // pixels, also the least size of something to press
const APART = 29; // from one tag to the next

function element(kind, className, text = '') {
  const made = document.createElement(kind);
  if (className) made.className = className;
  if (text) made.textContent = text;
  return made;
}

// Where a tag may hang, in steps from its place, so that tags never cover one another. One that finds no room waits until the eye
// comes nearer; what lies behind skin must not push others away.
const HANGS = [[0, 0], [-1, 0], [1, 0], [-1, 1], [1, 1]];

function tagsOver(canvas, { onPin, onGrip }) {
  const layer = element('div', 'bw-layer');
  canvas.insertAdjacentElement('afterend', layer);
  let pins = [], labels = [], grips = [];
  const cursor = element('div', 'bw-cursor');
  cursor.hidden = true;
  const crowd = element('span', 'bw-crowd');
  layer.append(cursor, crowd);

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
      return { ...pin, node, behind: false };
    });
  }

  // where(part, at) gives [x, y] on the layer or null; bare: parts whose tags are put away.
  function hang(where, rooms, chosen, bare) {
    const taken = [];
    let waiting = 0;
    const rank = (pin) => (pin.number === chosen ? 100 : 0) + (pin.behind ? 0 : 10) + (pin.weight || 0);
    for (const pin of [...pins].sort((a, b) => rank(b) - rank(a))) {
      const spot = pin.part === bare ? null : where(pin.part, pin.at), room = rooms[pin.part];
      const seen = spot && spot[0] >= room.x && spot[0] <= room.x + room.wide && spot[1] >= 0 && spot[1] <= room.high;
      const hangs = pin.behind && pin.number !== chosen ? HANGS.slice(0, 1) : HANGS;
      const free = seen && hangs.find(([right, up]) => taken.every(([x, y]) =>
        Math.abs(spot[0] + right * APART - x) >= APART || Math.abs(spot[1] - up * APART - y) >= APART));
      pin.node.hidden = !free;
      pin.node.classList.toggle('chosen', pin.number === chosen);
      if (seen && !free) waiting++;
      if (!free) continue;
      const dx = -free[0] * APART, dy = free[1] * APART + 8; // from the middle of the tag's lower edge to the place
      taken.push([spot[0] - dx, spot[1] - dy + 8]);
      pin.node.style.setProperty('--reach', `${Math.round(Math.hypot(dx, dy))}px`);
      pin.node.style.setProperty('--lean', `${Math.atan2(-dx, dy).toFixed(3)}rad`);
      pin.node.classList.toggle('behind', pin.behind);
      place(pin.node, spot[0] - dx - TAG / 2, spot[1] - dy - TAG);
    }
    const words = waiting ? `${waiting} more ${waiting === 1 ? 'place lies' : 'places lie'} too close to tag from here` : '';
    if (crowd.textContent !== words) crowd.textContent = words;
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
