// Step 2: what it is, and which side.
import { care, choice, el, put, small } from './make.js';
import { slip } from './card.js';

const BODIES = [['nose', 'Nose'], ['ear', 'Ear'], ['face', 'Face'], ['head', 'Head'], ['hand', 'Hand'], ['foot', 'Foot'], ['limb', 'Arm or leg'], ['other', 'Something else', 'a troll, a heron, a carving']];

export const whatStep = {
  title: 'What it is',
  summary: ({ ticket }) => [BODIES.find(([b]) => b === ticket.part?.body)?.[1], ticket.part?.side && ticket.part.side !== 'none' && `${ticket.part.side} side`, ticket.part?.code].filter(Boolean).join(', ') || 'not said',
  fill(body, job) {
    const part = (job.ticket.part ??= {});
    const warn = el('div', { 'aria-live': 'polite' });
    const said = () => {
      job.again();
      warn.replaceChildren(...notes(part.body));
      slip();
    };
    const code = el('input', { type: 'text', id: 'code', maxlength: 12, value: part.code || '', autocomplete: 'off', on: { change: () => ((part.code = code.value.trim()), said()) } });
    put(body,
      choice('Which part of the body is it?', BODIES, () => part.body, (value) => ((part.body = value), said())),
      choice('Which side?', [['left', 'Left'], ['right', 'Right'], ['none', 'Neither']], () => part.side || 'none', (value) => ((part.side = value === 'none' ? null : value), said())),
      el('div', { class: 'numbers' }, el('label', { for: 'code' }, 'A short mark for the base, if you want one'), el('span', { class: 'line' }, code), el('span', { class: 'hint' }, 'such as T1; cut into the underside when you ask for it later. No names of people.')),
      warn,
      el('p', { class: 'row' }, job.next()),
    );
    warn.append(...notes(part.body));
  },
};

function notes(body) {
  if (!body || body === 'other') return [small('With a part of the body named, its size can be held against tables of grown people: a slip from inches to millimetres shows at once.')];
  const found = [care('Ask the person before you keep or pass on a scan of them, and keep their consent with the part.')];
  if (body === 'face' || body === 'head') found.push(care('If you also take a cast from the living face: only with people trained for life casting, never alone, airways free all the time, and never in setting plaster, which reaches about 60 °C.'));
  else found.push(care('If you also take a cast from the living skin: never put a body part into setting plaster, which reaches about 60 °C and burns. Follow the maker\'s sheet of the material.'));
  return found;
}
