// Hand and keys on the picture: what a pointer or a key does, told to `does` in words of turning, shifting and taking hold.

const TURN = (6 * Math.PI) / 180; // of one press of an arrow key

function handsOn(canvas, does) {
  const fingers = new Map();
  let moved = 0, pinch = 0;

  const spotOf = (event) => {
    const box = canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };

  const listeners = {
    pointerdown(event) {
      canvas.setPointerCapture(event.pointerId);
      fingers.set(event.pointerId, spotOf(event));
      if (fingers.size === 1) moved = 0;
      pinch = 0;
    },
    pointermove(event) {
      const last = fingers.get(event.pointerId);
      if (!last) return;
      const spot = spotOf(event), d = [spot[0] - last[0], spot[1] - last[1]];
      fingers.set(event.pointerId, spot);
      moved += Math.hypot(...d);
      if (fingers.size === 2) {
        const [a, b] = [...fingers.values()], apart = Math.hypot(a[0] - b[0], a[1] - b[1]);
        if (pinch) does.zoom(pinch / apart);
        pinch = apart;
        does.shift(d[0] / 2, d[1] / 2);
      } else if (moved > 4) {
        if (event.shiftKey || event.buttons & 6) does.shift(...d);
        else does.turn(d[0] * 0.008, d[1] * 0.008);
      }
    },
    pointerup(event) {
      if (fingers.size === 1 && moved <= 4 && event.button === 0) does.take(...spotOf(event));
      fingers.delete(event.pointerId);
    },
    pointercancel(event) {
      fingers.delete(event.pointerId);
    },
    wheel(event) { // the page scrolls until the picture has been taken in hand
      if (document.activeElement !== canvas && !event.ctrlKey) return;
      event.preventDefault();
      does.zoom(Math.exp(Math.max(-1, Math.min(1, event.deltaY / 300))));
    },
    contextmenu(event) {
      event.preventDefault();
    },
    keydown(event) {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      const measuring = does.measuring();
      if (way && measuring) does.cross(...way.map((v) => v * (event.shiftKey ? 1 : 8)));
      else if (way && event.shiftKey) does.shift(way[0] * -24, way[1] * -24);
      else if (way) does.turn(way[0] * TURN, way[1] * TURN);
      else if (event.key === '+' || event.key === '=') does.zoom(1 / 1.2);
      else if (event.key === '-') does.zoom(1.2);
      else if (event.key === '0') does.whole();
      else if (measuring && event.key === 'Enter') does.takeAtCross();
      else if (measuring && event.key === 'Escape' && does.letGo());
      else return;
      event.preventDefault();
    },
  };
  for (const [name, listener] of Object.entries(listeners)) canvas.addEventListener(name, listener, { passive: false });
  return () => {
    for (const [name, listener] of Object.entries(listeners)) canvas.removeEventListener(name, listener);
  };
}
