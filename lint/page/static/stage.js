// The stage: the picture beside the card, and the buttons under it.
/* global createView, decodeMesh */
import { amount, el, press } from './make.js';
import { picture } from './line.js';

const canvas = document.getElementById('canvas'), tools = document.getElementById('tools'), say = document.getElementById('stage-say');
const LOOKS = ['whole', 'front', 'back', 'left', 'right', 'above', 'below'];
let view = null, unit = null, does = {}, blind = false;
export const on = (hands) => (does = { ...does, ...hands });
export const words = (text) => (say.textContent = text);
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
  if (blind) {
    document.getElementById('empty').textContent = 'This browser cannot draw in 3D here. Everything on the card works without: points, boxes and directions can be typed as numbers.';
  }
}

// parts: [{picture, name, patches, pins}], one or two side by side.
export async function show(parts, lengthUnit) {
  make(lengthUnit);
  if (blind) return null;
  const meshes = await Promise.all(parts.map(async (part) => decodeMesh(await picture(part.picture))));
  document.getElementById('empty').hidden = true;
  view.measure(false);
  view.box(null);
  view.bed(null);
  view.pull(null);
  view.show(parts.map((part, k) => ({ mesh: meshes[k], name: part.name, patches: part.patches || [], pins: part.pins || [] })));
  if (parts.length > 1) view.zoom(0.8);
  canvas.setAttribute('aria-label', `${parts.map((p) => p.name).join(' on the left, ')}${parts.length > 1 ? ' on the right' : ''}. Arrow keys turn it, plus and minus bring it nearer or farther, 0 shows all of it.`);
  fillTools(parts);
  words(parts.length > 1 ? `Left: ${parts[0].name}. Right: ${parts[1].name}. Both turn together.` : '');
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
  tools.replaceChildren(...[
    split,
    el('span', { class: 'row' }, LOOKS.map((way) => press(way === 'whole' ? 'Show all' : `From ${{ left: 'the left', right: 'the right', front: 'the front', back: 'behind' }[way] || way}`, () => view.look(way), { class: 'press little' }))),
    el('span', { class: 'row' }, el('label', { for: 'cut-axis' }, 'Look inside'), axis, el('label', { for: 'cut-at', class: 'unseen' }, 'Where it is cut'), cut),
  ].filter(Boolean));
}

export const fly = (place, number) => view?.flyTo({ ...place, number });
