// The page of a report: brings the picture to the part asked for, and joins the list, the buttons and the keys to it.
(() => {
  'use strict';
  const all = (what, from = document) => Array.from(from.querySelectorAll(what));
  const root = document.documentElement, viewer = document.getElementById('viewer');
  const canvas = viewer.querySelector('canvas'), status = viewer.querySelector('.status');
  const cutAt = viewer.querySelector('.cut-at'), slider = viewer.querySelector('[name=at]');
  const measureButton = viewer.querySelector('[data-measure]');
  const lengths = viewer.querySelector('.lengths'), movedButton = viewer.querySelector('[data-moved]');
  let view = null, room = null, scene = null, values = null, places = [], at = -1, keep = null, unit = 'mm', loading = Promise.resolve(), solid = false;

  const light = document.querySelector('.light');
  light.hidden = false;
  light.addEventListener('change', (event) => {
    if (event.target.value) root.dataset.light = event.target.value;
    else delete root.dataset.light;
    if (view) view.repaint();
  });

  const sights = all('.sight');
  if (!sights.length) return;

  function fail(why) {
    viewer.remove();
    sights.forEach((s) => s.classList.remove('live'));
    all('.go, .turn').forEach((button) => (button.hidden = true));
    const note = document.createElement('p');
    note.className = 'aside';
    note.textContent = `This browser cannot draw the part to turn in the hand (${why}). The drawings and the list say the same.`;
    sights[0].prepend(note);
  }

  function say(text) {
    status.textContent = text;
  }

  // Brings the picture to a part, once; resolves when it is shown.
  function bring(name) {
    if (room === name) return loading;
    room = name;
    loading = loading.catch(() => {}).then(() => load(name)); // one after the other, however fast they are asked for
    return loading;
  }

  async function load(name) {
    if (room !== name) return;
    const sight = sights.find((s) => s.dataset.room === name);
    scene = JSON.parse(document.getElementById(`scene-${name}`).textContent);
    const meshes = await Promise.all(scene.rooms.map((r) => decodeMesh(r.mesh)));
    unit = scene.rooms[scene.rooms.length - 1].unit; // of the coordinates that all are shown in
    for (const s of sights) {
      s.classList.toggle('live', s === sight);
      all('.turn', s).forEach((button) => (button.hidden = s === sight));
    }
    sight.prepend(viewer);
    viewer.hidden = false;
    if (!view) {
      view = createView(canvas, { onPin: pinned, onMeasure: measured, lengthUnit: unit });
      if (!view) return fail('it has no WebGL2');
    }
    solid = meshes.every((mesh) => mesh.closed);
    const labels = new Map(all(`li[id^="place-${name}-"]`).map((li) => [li.value, li]));
    const told = (n) => (labels.has(n) ? heading(labels.get(n)) : '');
    view.show(scene.rooms.map((r, k) => ({
      mesh: meshes[k], name: r.name, unit: r.unit, patches: r.patches, to: r.to, pins: r.pins.map((p) => ({ ...p, label: told(p.number) })),
    })));
    canvas.setAttribute('aria-label', `${scene.rooms[0].name}, to turn in the hand`);
    places = all(`.go[data-room="${name}"][data-number]`), at = -1;
    viewer.querySelector('.notes').textContent = scene.notes.length ? `${scene.notes.join('. ')}.` : '';
    for (const button of all('[data-step]', viewer)) button.disabled = !places.length;
    plain();
    draw();
    values = null;
    const last = scene.rooms[scene.rooms.length - 1];
    if (last.moved) {
      const array = await decodeValues(last.moved, meshes[meshes.length - 1].points.length / 3);
      values = { part: meshes.length - 1, scaleMm: last.scale, array };
    }
    viewer.dataset.ready = name;
  }

  const heading = (li) => li.closest('.rule').dataset.said;

  // Everything back to how a fresh part is shown.
  function plain() {
    viewer.querySelector('[name=cut][value=""]').checked = true;
    cutAt.hidden = true, keep = null;
    press(measureButton, false);
    view.measure(false);
    lengths.replaceChildren(), lengths.hidden = true;
    if (movedButton) press(movedButton, false);
  }

  function press(button, on) {
    button.setAttribute('aria-pressed', String(on));
  }

  // ---- places

  function mark(number) {
    all('.found > li.chosen').forEach((li) => (li.classList.remove('chosen'), li.removeAttribute('aria-current')));
    const li = number === null ? null : document.getElementById(`place-${room}-${number}`);
    if (!li) return null;
    li.classList.add('chosen');
    li.setAttribute('aria-current', 'true');
    return li;
  }

  async function go(button) {
    await bring(button.dataset.room);
    if (room !== button.dataset.room) return; // another was asked for meanwhile
    const number = button.dataset.number ? Number(button.dataset.number) : null, side = Number(button.dataset.side);
    view.flyTo({ centre: button.dataset.centre.split(',').map(Number), reach: Number(button.dataset.reach), number, part: side });
    at = places.indexOf(button);
    const li = mark(number);
    say(number === null ? button.textContent : `Place ${number}, ${heading(li)}. ${li.querySelector('p').textContent}`);
  }

  function step(by) {
    if (!places.length) return say('There is no place to show.');
    at = at < 0 ? (by > 0 ? 0 : places.length - 1) : (at + by + places.length) % places.length;
    go(places[at]);
    places[at].closest('li').scrollIntoView({ block: 'nearest' });
  }

  function pinned(number) {
    view.choose(number);
    const li = mark(number);
    at = places.findIndex((p) => Number(p.dataset.number) === number);
    if (!li) return;
    li.scrollIntoView({ block: 'nearest' });
    say(`Place ${number}, ${heading(li)}. ${li.querySelector('p').textContent}`);
  }

  // ---- the cut

  const axisNow = () => viewer.querySelector('[name=cut]:checked').value;

  function cut() {
    const axis = axisNow();
    cutAt.hidden = !axis;
    if (!axis) {
      view.section(null);
      return say('Whole again.');
    }
    const [low, high] = view.range(axis), spot = low + ((high - low) * slider.value) / 1000;
    const made = view.section({ axis, at: spot, keep });
    keep = made.keep;
    const words = `${spot.toFixed(unit === 'mm' ? 1 : 4)} ${unit}`;
    viewer.querySelector('.cut-at output').textContent = `at ${words}`;
    slider.setAttribute('aria-valuetext', words);
    say(`Cut open at ${axis} = ${words}. ${solid ? 'Where it is lined, it is solid.' : 'The skin is open: only its edge shows.'}`);
  }

  function cutAlong(axis) {
    const to = axisNow() === axis ? '' : axis;
    viewer.querySelector(`[name=cut][value="${to}"]`).checked = true;
    keep = null;
    cut();
  }

  function flip() {
    if (!axisNow()) return;
    keep = keep === 'low' ? 'high' : 'low';
    cut();
  }

  function slide(by) {
    if (!axisNow()) return say('It is not cut open: press X, Y or Z first.');
    slider.value = String(Number(slider.value) + by);
    cut();
  }

  // ---- measuring

  function measuring(on) {
    press(measureButton, on);
    view.measure(on);
    if (!on) say('Measuring ended.');
  }

  function measured(result, text) {
    if (text) say(text);
    if (!result) return;
    const li = document.createElement('li');
    const name = scene.rooms.length > 1 ? `${scene.rooms[result.part].name}: ` : '';
    li.textContent = name + text.replace(' Choose the other end.', '').replace('Holding a ball, ', 'A ball, ');
    lengths.append(li);
    lengths.hidden = false;
  }

  // ---- what else is drawn

  function draw() {
    const { bed, pull } = scene.rooms[scene.rooms.length - 1], box = viewer.querySelector('.more'), missing = [];
    const [level, off] = ['bed', 'pull'].map((name) => box.querySelector(`[name=${name}]`));
    const wide = ['x', 'y'].map((axis) => view.range(axis)).map(([low, high]) => 1.3 * (high - low));
    if (!bed) missing.push('how large the bed is (its level is drawn)');
    view.bed(level.checked ? bed || [...wide, 0] : null, bed ? '' : 'the level of the bed');
    if (!pull) missing.push('which way the mould comes off'), (off.checked = false);
    off.disabled = !pull;
    view.pull(off.checked ? pull : null);
    const note = box.querySelector('.aside');
    note.hidden = !missing.length;
    note.textContent = missing.length ? `The ticket does not say ${missing.join(', nor ')}.` : '';
  }

  function showMoved(on) {
    press(movedButton, on);
    viewer.querySelector('.bands').hidden = !on;
    view.colourBy(on ? values.array : null, values);
    say(on ? 'The after side shows how far its skin lies from where it was.' : 'The places found are shown again.');
  }

  // ---- joining it up

  for (const button of all('.go')) {
    button.hidden = false;
    button.addEventListener('click', () => go(button).then(() => {
      if (matchMedia('(max-width: 900px)').matches) viewer.scrollIntoView({ block: 'start' });
    }));
  }
  for (const button of all('.turn')) {
    button.hidden = false;
    button.addEventListener('click', () => bring(button.dataset.room).then(() => canvas.focus()));
  }
  viewer.addEventListener('click', (event) => {
    const { look, step: by, flip: turn, measure, moved } = event.target.dataset;
    if (look) view.look(look), say(`Seen: ${event.target.textContent}.`);
    if (by) step(Number(by));
    if (turn !== undefined) flip();
    if (measure !== undefined) measuring(!view.measuring);
    if (moved !== undefined && values) showMoved(movedButton.getAttribute('aria-pressed') !== 'true');
  });
  viewer.addEventListener('change', (event) => {
    const { name, checked } = event.target;
    if (name === 'cut') keep = null, cut();
    if (name === 'snap') view.snap(checked);
    if (name === 'bed' || name === 'pull') {
      draw();
      if (checked) view.fit();
    }
  });
  slider.addEventListener('input', cut);
  canvas.addEventListener('keydown', (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented) return;
    const key = event.key.toLowerCase();
    if (key === 'n') step(1);
    else if (key === 'p') step(-1);
    else if ('xyz'.includes(key)) cutAlong(key);
    else if (key === 'f') flip();
    else if (key === '[') slide(-10);
    else if (key === ']') slide(10);
    else if (key === 'm') measuring(!view.measuring);
    else if (key === 'escape' && view.measuring && !view.picked.length) measuring(false);
    else return;
    event.preventDefault();
  });

  const start = sights.find((s) => document.querySelector(`.go[data-room="${s.dataset.room}"]`)) || sights[0];
  bring(start.dataset.room).catch((error) => fail(error.message));
})();
