// Step 8: the work, the part before and after, and the files to take home.
import { care, choice, el, press, put, sentence, small } from './make.js';
import * as line from './line.js';
import * as stage from './stage.js';
import { doStep } from './step_do.js';
import { findingsList, labelsOf, rest } from './step_judge.js';
import { wrong } from './card.js';

const KINDS = { '3mf': ['3MF', 'says its size in millimetres, and keeps every digit; take this if your printer reads it'], stl: ['STL', 'read everywhere; says no unit, and is in millimetres here'] };
const OUTCOMES = { done: 'done', declined: 'not needed, or not possible', 'held back': 'held back', 'taken back': 'taken back', 'promise broke': 'thrown away' };

export const doneStep = {
  title: 'The finished part',
  back: 'See again',
  summary: ({ done }) => (done ? done.after_text : ''),
  async fill(body, job) {
    if (!job.done) {
      const going = el('ol', { class: 'going' }), clock = el('p', { class: 'progress', role: 'status' }, 'Beginning ...');
      const halt = press('Stop', () => line.stop().catch(() => {}));
      body.append(clock, going, el('p', { class: 'row' }, halt));
      let shown = 0;
      job.onLeave(() => line.stop().catch(() => {}));
      try {
        job.done = await line.work('mend', { ticket: job.said() }, (seconds, said) => {
          for (; shown < said.length; shown++) {
            going.lastElementChild?.classList.add('past');
            going.append(el('li', {}, el('strong', {}, said[shown].step), `: ${said[shown].does}`));
            clock.textContent = `At work: ${said[shown].step}`;
          }
          halt.textContent = `Stop (${seconds.toFixed(0)} s so far)`;
        });
      } catch (fault) {
        going.remove();
        clock.remove();
        halt.replaceWith(press('Back to the choices', () => job.to(doStep)));
        wrong(body, fault);
        return null;
      }
      body.replaceChildren();
      if (!job.isAt(doneStep)) return null;
      job.onLeave(null);
    }
    const { done } = job;
    const list = findingsList(done.after, 1);
    const broke = done.broke || !Object.keys(done.saved).length;
    if (!broke) {
      await stage.show([{ file: 'before.view', name: 'before', told: done.pictures.before }, { file: 'after.view', name: 'after', told: done.pictures.after, labels: labelsOf(done.after) }], 'mm');
      stage.on({ pin: (number) => list.choose(number) });
      if (job.ticket.print?.bed) stage.current()?.bed(job.ticket.print.bed);
    }
    put(body,
      el('p', { class: 'tally' }, `Before: ${done.before_text}. After: ${done.after_text}.`),
      broke ? el('p', { class: 'fault', role: 'alert' }, 'A step broke its promise, which is a fault of buckwright: nothing was made. Your scan is as it was. Ask for less in the step before, and please report it where you got buckwright.') : take(job),
      done.stops_left && !broke ? el('p', { class: 'care' }, el('strong', {}, 'Do not print it yet. '), 'Something is left that weighs stop: look at it below first.') : null,
      el('h3', {}, 'What was done'), el('ol', { class: 'did' }, done.steps.map(told)),
      el('h3', {}, 'What is left'), list, ...rest(done.after),
      el('p', { class: 'row' }, press('Choose differently', () => ((job.done = null), job.to(doStep)))),
    );
    return null;
  },
};

function told(step) {
  const moved = step.moved_mm === null ? null : `${step.whole ? 'Besides that move, the' : 'The'} skin moved at most ${step.moved_mm.toFixed(3)} mm${step.besides.length ? ` (not counting: ${step.besides.join('; ')})` : ''}.`;
  return el('li', { class: step.outcome === 'done' ? 'done' : 'not' },
    el('p', {}, el('strong', {}, step.name), `: ${OUTCOMES[step.outcome]}. ${sentence(step.why)}`),
    moved ? small(moved) : null, step.cautions.map(care));
}

function take(job) {
  const { saved } = job.done;
  let kind = '3mf';
  const links = el('p', { class: 'row' });
  const link = (name, words, main) => el('a', { class: `press${main ? ' main' : ''}`, href: line.saved(name), download: saved[name].name, on: { click: () => main && (job.unsaved = false) } }, words);
  const draw = () => links.replaceChildren(
    link(kind, `Save the part (${kind.toUpperCase()})`, true), link(`${kind}-ticket`, 'Save its ticket'), link(`${kind}-record`, 'Save the record'));
  draw();
  return el('section', { class: 'take', 'aria-label': 'Files to save' },
    choice('Save it as', Object.entries(KINDS).map(([value, [words, hint]]) => [value, words, hint]), () => kind, (value) => ((kind = value), draw()), { wide: true }),
    links,
    small('The ticket keeps the facts with the part; the record says what every step did and how far the skin moved. After printing, put calipers on it: what they say can go into the ticket too.'),
    small('All of it is deleted from here when you close this page. The picture shows it before on the left and after on the right.'));
}
