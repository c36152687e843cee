// Step 5: the machine, the mould and the base.
import { care, choice, el, number, numbers, press, put, small } from './make.js';
import * as stage from './stage.js';
import { slip } from './card.js';

const WAYS = [['0,0,1', 'Up'], ['0,0,-1', 'Down'], ['0,-1,0', 'To the front'], ['0,1,0', 'To the back'], ['-1,0,0', 'To the left'], ['1,0,0', 'To the right']];
const turned = (m, v) => {
  const w = [0, 1, 2].map((i) => m[i][0] * v[0] + m[i][1] * v[1] + m[i][2] * v[2]), long = Math.hypot(...w);
  return w.map((x) => Number((x / long).toFixed(6)) + 0);
};

export const useStep = {
  title: 'Printer, mould and base',
  summary({ ticket: { print = {}, use = {} } }) {
    return [print.process === 'resin' ? 'resin' : 'extrusion', print.bed && `bed ${print.bed.join(' x ')}`, use.mould && `${use.mould} mould`, use.base && `base ${use.base} mm`, use.margin && `land ${use.margin} mm`].filter(Boolean).join(', ');
  },
  async fill(body, job) {
    const print = (job.ticket.print ??= {}), use = (job.ticket.use ??= {}), { scan } = job;
    const meshes = await stage.show([{ file: 'scan.view', name: scan.name, told: scan.picture }], scan.units ? 'mm' : 'file units');
    const changed = () => {
      job.again();
      draw();
      slip();
    };
    const into = (table, key) => (value) => {
      table[key] = value;
      changed();
    };
    const warn = el('div', { 'aria-live': 'polite' }), pullNumbers = numbers('The same as numbers', ['x', 'y', 'z'], () => use.pull, (v) => setPull(v), { width: 'short' });
    const setPull = (v) => {
      use.pull = v;
      pullNumbers.fill(v);
      changed();
    };
    const pullWord = () => {
      if (!use.pull) return '';
      const seen = turned(scan.from_file, use.pull).join(',');
      return WAYS.find(([way]) => way === seen)?.[1] ?? 'other';
    };
    const pull = choice('Which way does the mould come off?', [['', 'Not said'], ...WAYS.map(([, w]) => [w, w]), ['other', 'Another way', 'clicked, or as numbers']], pullWord, (w) => {
      const way = WAYS.find(([, words]) => words === w);
      if (way || w === '') setPull(way ? turned(scan.to_file, way[0].split(',').map(Number)) : null);
    });
    function draw() {
      warn.replaceChildren(...(print.process === 'resin' ? [care('Uncured resin sensitises the skin for life, and thin gloves are not enough; work with moving air, and keep dust of cured resin out of your lungs. The maker\'s sheet and your local rules go before anything said here.')] : []));
      stage.current()?.pull(use.pull ? turned(scan.from_file, use.pull) : null);
      pull.pick(pullWord());
    }
    const click = press('Straight out of a spot I click', () => {
      stage.words('Click the spot from which the mould is pulled straight away.');
      stage.on({ pick: (point, face) => {
        const { points, faces } = meshes[0], [a, b, c] = [0, 1, 2].map((k) => [0, 1, 2].map((i) => points[3 * faces[3 * face + k] + i]));
        const u = b.map((v, k) => v - a[k]), w = c.map((v, k) => v - a[k]);
        stage.on({ pick: null });
        stage.words('');
        setPull(turned(scan.to_file, [u[1] * w[2] - u[2] * w[1], u[2] * w[0] - u[0] * w[2], u[0] * w[1] - u[1] * w[0]]));
      } });
    }, { class: 'press little' });

    put(body,
      small('What you leave empty is never guessed: what needs it is then not judged, and says so.'),
      el('h3', {}, 'The printer'),
      choice('How does it print?', [['extrusion', 'Melted plastic, from a nozzle'], ['resin', 'Liquid resin, hardened by light']], () => print.process || 'extrusion', into(print, 'process')),
      warn,
      el('div', { class: 'pair' },
        number('Nozzle', () => print.nozzle, into(print, 'nozzle'), { unit: 'mm', width: 'short', hint: 'if left empty, 0.4' }),
        number('Layer height', () => print.layer, into(print, 'layer'), { unit: 'mm', width: 'short', hint: 'if left empty, 0.2' })),
      numbers('Room in the printer', ['wide', 'deep', 'high'], () => print.bed, into(print, 'bed'), { unit: 'mm', least: 0.0001, width: 'short' }),
      el('h3', {}, 'The mould'),
      choice('What will it be?', [['', 'Not said'], ['rigid', 'Rigid, such as plaster'], ['flexible', 'Flexible, such as silicone']], () => use.mould || '', (v) => into(use, 'mould')(v || null)),
      pull, meshes ? el('p', { class: 'row' }, click) : null, el('details', {}, el('summary', {}, 'The way as numbers'), pullNumbers),
      number('Clay at its thickest', () => use.clay, into(use, 'clay'), { unit: 'mm', width: 'short' }),
      el('h3', {}, 'The base'),
      el('div', { class: 'pair' },
        number('Height of the base', () => use.base, into(use, 'base'), { unit: 'mm', width: 'short', hint: 'if left empty, 10' }),
        number('Flat land around it', () => use.margin, into(use, 'margin'), { unit: 'mm', width: 'short', least: 0, hint: 'for the edge of the clay and the wall of the mould' }),
        number('Rounding of the corners', () => use.corner, into(use, 'corner'), { unit: 'mm', width: 'short', least: 0 }),
        number('Wall, if it is hollowed', () => use.wall, into(use, 'wall'), { unit: 'mm', width: 'short', hint: 'if left empty, 3' })),
      el('p', { class: 'row' }, job.next('Next: see what is wrong with it')),
    );
    draw();
    return () => stage.quiet();
  },
};
