// The stage: the picture beside the card, and the buttons under it.
/* global createView, decodeMesh, decodeValues */
import { amount, el, press } from './make.js';
import { drawing, picture } from './line.js';

const canvas = document.getElementById('canvas'), tools = document.getElementById('tools'), say = document.getElementById('stage-say');
const LOOKS = ['whole', 'front', 'back', 'left', 'right', 'above', 'below'];
const FEW = 12; // tags that two parts side by side have room for
let tags = null;
let view = null, unit = null, does = {}, blind = false, base = '';
export const on = (hands) => (does = { ...does, ...hands });
export const words = (text) => (say.textContent = text || base);
export const current = () => view;

function make(lengthUnit) {
  if (view && unit === lengthUnit) return;
  view?.dispose();
  unit = lengthUnit;
  view = createView(canvas, {
    lengthUnit,
    onPick: (point, face, part) => does.pick?.(point, face, part),
    onPin: (number) => does.pin?.(number),
    onMeasure: (result, text) => {
      if (text) words(text);
      does.measure?.(result);
    },
  });
  blind = !view;
}

// For a browser that cannot draw in 3D: a drawing of each part, and what to do instead.
function drawn(parts) {
  canvas.hidden = true;
  document.getElementById('empty').replaceChildren(
    el('span', {}, 'This browser cannot draw in 3D here, so this is a drawing. Everything on the card works all the same: points, boxes and directions can be typed as numbers.'),
    ...parts.map((part) => el('img', { src: `${drawing(part.file)}?${Date.now()}`, alt: `Drawing of ${part.name}, its findings numbered as in the list` })));
}

// parts: [{file, name, told, labels}], one or two side by side; told: what the program said of the picture; labels: words by number of pin.
export async function show(parts, lengthUnit) {
  make(lengthUnit);
  if (blind) return drawn(parts), null;
  const meshes = await Promise.all(parts.map(async (part) => decodeMesh(await picture(part.file))));
  parts.forEach((part, k) => (part.points = meshes[k].points.length / 3));
  document.getElementById('empty').hidden = true;
  view.measure(false);
  view.box(null);
  view.bed(null);
  view.pull(null);
  view.show(parts.map((part, k) => ({ mesh: meshes[k], name: part.name, patches: part.told.patches, to: part.told.to || undefined, pins: part.told.pins.map((pin) => ({ ...pin, label: part.labels?.get(pin.number) })) })));
  canvas.setAttribute('aria-label', `${parts.map((p) => p.name).join(' on the left, ')}${parts.length > 1 ? ' on the right' : ''}. Arrow keys turn it, plus and minus bring it nearer or farther, 0 shows all of it.`);
  fillTools(parts);
  const thinned = parts.filter(({ told }) => told.shown < 0.9 * told.whole).map(({ name, told }) => `${name} is drawn with ${told.shown.toLocaleString('en')} of its ${told.whole.toLocaleString('en')} faces, so what is picked here may lie ${amount(told.off)} ${lengthUnit} off.`);
  base = [parts.length > 1 ? 'Both turn together.' : '', ...thinned].join(' ').trim();
  words(base);
  return meshes;
}

export const quiet = () => {
  if (!view) return;
  view.measure(false);
  view.box(null);
  view.pull(null);
  view.bed(null);
  does = { pin: does.pin };
};

function fillTools(parts) {
  const cut = el('input', { type: 'range', min: 0, max: 1000, value: 500, id: 'cut-at', disabled: true });
  const axis = el('select', { id: 'cut-axis' }, [['', 'not cut'], ['x', 'from the side'], ['y', 'from the front'], ['z', 'from above']]
    .map(([value, text]) => el('option', { value }, text)));
  const slice = () => {
    cut.disabled = !axis.value;
    if (!axis.value) return view.section(null), words('');
    const [low, high] = view.range(axis.value), at = low + ((high - low) * cut.value) / 1000;
    view.section({ axis: axis.value, at });
    cut.setAttribute('aria-valuetext', `at ${amount(at)} ${unit}`);
    words(`Cut open at ${axis.value} = ${amount(at)} ${unit}.`);
  };
  axis.addEventListener('change', slice);
  cut.addEventListener('input', slice);
  const split = parts.length > 1 ? el('p', { class: 'halves' }, parts.map((p) => el('span', {}, p.name))) : null;
  const count = parts.reduce((n, part) => n + part.told.pins.length, 0);
  tags = count ? press('Numbers of the places', () => number(tags.getAttribute('aria-pressed') !== 'true'), { class: 'press little' }) : null;
  number(parts.length < 2 || count <= FEW);
  const last = parts.at(-1), moved = last.told.scale === null ? null : movement(last);
  tools.replaceChildren(...[
    split,
    el('span', { class: 'row' }, LOOKS.map((way) => press(way === 'whole' ? 'Show all' : `From ${{ left: 'the left', right: 'the right', front: 'the front', back: 'behind' }[way] || way}`, () => view.look(way), { class: 'press little' }))),
    el('span', { class: 'row' }, el('label', { for: 'cut-axis' }, 'Look inside'), axis, el('label', { for: 'cut-at', class: 'unseen' }, 'Where it is cut'), cut), el('span', { class: 'row' }, moved, tags),
  ].filter(Boolean));
}

// Numbered tags over the picture, or a bare picture: among many, nothing could be compared.
function number(on) {
  document.querySelector('.bw-view').classList.toggle('bare', !on);
  tags?.setAttribute('aria-pressed', String(on));
}

// The button that shows how far the skin moved, once both are side by side.
function movement(part) {
  let values = null;
  const button = press('How far the skin moved', async () => {
    const on = button.getAttribute('aria-pressed') !== 'true';
    values ??= await decodeValues(await picture(part.file.replace('.view', '.moved')), part.points);
    button.setAttribute('aria-pressed', String(on));
    view.colourBy(on ? values : null, { scaleMm: part.told.scale, part: 1 });
    words(on ? `Bare: not moved. The denser the dots, the farther, in five steps of ${amount(part.told.scale / 5)} mm; crossed: more than ${amount(part.told.scale)} mm, or new, as the base is.` : '');
  }, { class: 'press little', 'aria-pressed': 'false' });
  return button;
}

export function fly(place, pin, part = 0) {
  number(true);
  view?.flyTo({ ...place, number: pin, part });
}
