// Step 3: its true size, from a gauge scanned along, from two ends you know, or from the units.
import { amount, choice, el, number, numbers, press, put, sentence, small } from './make.js';
import * as line from './line.js';
import * as stage from './stage.js';
import { slip, wrong } from './card.js';

const UNITS = [['', 'I do not know'], ['mm', 'Millimetres'], ['cm', 'Centimetres'], ['m', 'Metres'], ['in', 'Inches']];

export const placed = (m, p) => [0, 1, 2].map((i) => m[i][0] * p[0] + m[i][1] * p[1] + m[i][2] * p[2] + m[i][3]);

export const sizeStep = {
  title: 'Its true size',
  summary({ ticket, scan }) {
    const lengths = (ticket.length || []).map((l) => `${amount(l.true)} mm marked`);
    const units = ticket.part?.units || scan?.units;
    return [...lengths, units && `units: ${units}`].filter(Boolean).join(', ') || 'not known';
  },
  async fill(body, job) {
    const part = (job.ticket.part ??= {}), lengths = (job.ticket.length ??= []);
    const { scan } = job;
    const show = () => stage.show([{
      file: 'scan.view', name: scan.name, labels: new Map(lengths.flatMap((l, k) => [2 * k + 1, 2 * k + 2].map((n) => [n, `an end of the ${amount(l.true)} mm marked`]))),
      told: { ...scan.picture, pins: lengths.flatMap((l, k) => [l.from, l.to].map((p, e) => ({ number: 2 * k + e + 1, weight: 1, at: placed(scan.from_file, p), reach: 0 }))) },
    }], scan.units ? 'mm' : 'file units');
    await show();
    let way = lengths.length ? '' : 'block', true_ = null, ends = null;
    const marked = el('div'), how = el('div', { class: 'how' }), go = el('p', { class: 'row' }), hint = el('p', { class: 'small' });

    const changed = async () => {
      job.again();
      list();
      slip();
      way = lengths.length ? '' : 'block';
      const asked = question();
      asking.replaceWith(asked);
      asking = asked;
      await show();
      draw();
      (marked.querySelector('h3') || body).focus();
    };

    function list() {
      marked.replaceChildren(...(lengths.length ? [el('h3', { tabindex: '-1' }, 'Marked on the scan'), el('ul', { class: 'marked' }, lengths.map((l, k) => el('li', {},
        el('span', {}, `${amount(l.true)} mm${l.name ? `, ${l.name}` : ''}`, l.says ? el('span', { class: 'hint' }, l.says) : null),
        press('Take out', () => (lengths.splice(k, 1), changed()), { class: 'press little', 'aria-label': `Take out the length of ${amount(l.true)} mm` }))))] : []));
      const known = lengths.length || part.units || scan.units;
      go.replaceChildren(job.next(known ? 'Next' : 'Next, without a size'));
      hint.textContent = known ? '' : 'Without a size the scan can be looked at and judged, but not mended: nobody could say how large to print it.';
    }

    async function mark(words) {
      try {
        body.querySelector('.fault')?.remove();
        stage.words('Looking ...');
        const found = await line.work('length', { ticket: job.said(), ...words }, (seconds) => stage.words(`Looking, ${seconds.toFixed(0)} s`));
        lengths.push({ ...found.length });
        const said = `${sentence(found.how)} ${sentence(found.says)}`;
        Object.defineProperty(lengths.at(-1), 'says', { value: said, enumerable: false });
        await changed();
        stage.words(`Marked: ${amount(found.length.true)} mm, between the places ${2 * lengths.length - 1} and ${2 * lengths.length} of the picture.`);
      } catch (fault) {
        stage.words('');
        wrong(body, fault);
      }
    }

    function draw() {
      stage.quiet();
      const inputs = [];
      if (way === 'block' || way === 'ball') {
        const field = number(way === 'block' ? 'Its longest side, measured with calipers' : 'Its diameter, measured with calipers', () => true_ ?? (way === 'block' ? 40 : 25), (v) => (true_ = v), { unit: 'mm', width: 'short' });
        inputs.push(field, el('p', { class: 'row' }, press(way === 'block' ? 'Find the block' : 'Find the ball', () => field.read() && mark({ [way === 'block' ? 'bar' : 'ball']: true_ }))),
          small(way === 'block' ? 'It is found by its flat, square faces, and measured by fitting planes to them: two clicks would be half a millimetre off.' : 'It is found by its roundness. At least two fifths of it must have been seen by the phone.'));
      }
      if (way === 'ends') {
        const spot = (k) => numbers(k ? 'The other end' : 'One end', ['x', 'y', 'z'], () => ends?.[k], (v) => {
          ends ??= [null, null];
          ends[k] = v;
        }, { width: 'short' });
        const one = spot(0), two = spot(1), field = number('True distance between the two ends', () => true_, (v) => (true_ = v), { unit: 'mm', width: 'short' });
        stage.words('Choose the first end: click on the part, or press Enter with the cross on it.');
        stage.current()?.measure(true);
        stage.on({ measure: (result) => {
          if (!result || !result.ends) return;
          ends = result.ends.map((p) => placed(scan.to_file, p));
          one.fill(ends[0].map(short)), two.fill(ends[1].map(short));
        } });
        inputs.push(small('Click on one end in the picture, then on the other. Flat ends and balls are fitted as a whole, so the click need not be exact. With the keyboard: move the cross with the arrow keys, take hold with Enter.'),
          field, el('details', {}, el('summary', {}, 'The two points as numbers'), small('In the numbers of the file.'), one, two),
          el('p', { class: 'row' }, press('Mark this length', () => {
            if (![one, two, field].every((f) => f.read())) return;
            if (!ends?.[0] || !ends?.[1]) return wrong(body, new line.Fault('Choose both ends in the picture first.'));
            if (true_ === null) return wrong(body, new line.Fault('Say how long it truly is, in mm.'));
            mark({ true: true_, from: ends[0], to: ends[1] });
          })));
      }
      how.replaceChildren(...inputs);
    }

    const fitting = el('p', { class: 'small' });
    const units = choice('What the numbers in the file are', UNITS.map(([v, w]) => [v, v === '' && scan.units && !part.units ? `As the file says: ${scan.units}` : w]), () => part.units || '', (value) => {
      part.units = value || null;
      job.again();
      list();
      slip();
    });
    const question = () => choice(lengths.length ? 'Mark another length?' : 'How is its size known?', [
        ['block', 'A block or bar of known length was scanned along'], ['ball', 'A ball of known size was scanned along'],
        ['ends', 'I know the distance between two points on it'], ['', lengths.length ? 'No, that is all' : 'Only the units, or not at all'],
      ], () => way, (value) => {
        way = value;
        true_ = null;
        draw();
      }, { wide: true });
    let asking = question();
    put(body, marked, asking, how, units, fitting, hint, go);
    draw();
    list();
    if (part.body && part.body !== 'other') {
      line.work('units', { body: part.body }).then((told) => {
        const names = told.fitting.map((u) => UNITS.find(([v]) => v === u)[1].toLowerCase());
        fitting.textContent = names.length ? `By its size, a life-size ${part.body} would fit ${names.join(' or ')}.` : `In none of these units would it be a life-size ${part.body}.`;
      }).catch(() => {});
    }
    return () => stage.quiet();
  },
};

const short = (v) => Number(v.toPrecision(7));
