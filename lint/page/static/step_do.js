// Step 7: what will be done, what it touches, and what may be asked for besides.
import { care, choice, el, press, put, small, tick } from './make.js';
import { slip } from './card.js';
import { judgeStep } from './step_judge.js';
import { sizeStep } from './step_size.js';

const ALLOW = [
  ['skin', 'The surface you see', 'all that is needed to make a printable part of a raw scan'],
  ['inside', 'Hidden volume, but no surface that is seen'], ['piece', 'Loose pieces, but no surface and no volume'], ['record', 'The file only, no shape at all'],
];
const ORDER = ['record', 'piece', 'inside', 'skin'];

const sized = ({ ticket, scan }) => Boolean(ticket.length?.length || ticket.part?.units || scan.units);

export const doStep = {
  title: 'What will be done',
  summary: ({ ticket }) => [`touches at most: ${ALLOW.find(([v]) => v === (ticket.fix?.allow || 'skin'))[1].toLowerCase()}`, ticket.fix?.steps?.length && `asked for: ${ticket.fix.steps.join(', ')}`].filter(Boolean).join('; '),
  async fill(body, job) {
    const { judged } = job, fix = (job.ticket.fix ??= {});
    if (!judged) return job.to(judgeStep);
    fix.steps ??= [];
    const planned = el('ul', { class: 'plan' }), asks = el('div'), more = el('div');
    const set = (name, on) => {
      fix.steps = fix.steps.filter((s) => s !== name);
      if (on) fix.steps.push(name);
      job.done = null;
      draw();
      slip();
    };
    const entry = (f, held) => [
      el('strong', {}, f.name), `: ${f.does}. `, el('span', { class: 'touches' }, `Touches ${f.touches}.`),
      f.because.length ? el('span', { class: 'hint' }, `because of: ${f.because.join(', ')}`) : null,
      held ? el('span', { class: 'hint held' }, 'held back, because you allow less than that') : null,
    ];
    const held = (f) => ORDER.indexOf(f.touch) > ORDER.indexOf(fix.allow || 'skin');
    function draw() {
      const crop = fix.crop?.length ? [{ name: 'crop', does: 'cuts away what lies outside the box you drew; the rest keeps its skin', touch: 'skin', touches: 'the surface you see', because: [], care: [] }] : [];
      const does = [...crop, ...judged.does];
      planned.replaceChildren(...(does.length ? does.map((f) => el('li', { class: held(f) ? 'held' : '' }, entry(f, held(f)))) : [el('li', {}, 'Nothing needs to be mended.')]));
    }
    const offer = (f) => el('div', { class: 'offer' }, tick(el('span', {}, entry(f, false)), () => fix.steps.includes(f.name), (on) => set(f.name, on)), f.care.map(care));
    const called = judged.asks.filter((f) => f.because.length || fix.steps.includes(f.name)), others = judged.asks.filter((f) => !called.includes(f));
    const likely = others.filter((f) => ['hollow', 'key', 'mark'].includes(f.name)), rare = others.filter((f) => !likely.includes(f));
    asks.append(...[...called, ...likely].map(offer));
    more.append(...rare.map(offer));
    draw();
    const cares = [...new Set(judged.does.flatMap((f) => f.care))];
    put(body,
      el('h3', {}, 'What it needs'), small('These are done because a rule calls for them, in this order. Each is measured afterwards, and one that moved the skin farther than it promised is thrown away.'),
      planned, ...cares.map(care),
      choice('How far may it go?', ALLOW, () => fix.allow || 'skin', (value) => {
        fix.allow = value;
        job.done = null;
        draw();
        slip();
      }, { wide: true }),
      el('h3', {}, 'What you may ask for besides'), asks,
      rare.length ? el('details', {}, el('summary', {}, 'More that can be asked for'), more) : null,
      small('What calls for a step may show only when the part is whole: then it is done too, and the record says so.'),
      sized(job) ? null : care('Its true size is not known, so it cannot be mended: nobody could say how large to print it.'),
      el('p', { class: 'row' }, sized(job) ? job.next('Mend it now') : press('Say its size', () => job.to(sizeStep), { class: 'press main', id: 'next' })),
    );
  },
};
