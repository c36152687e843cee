// Step 6: what the rules find, in the picture and as a list.
import { care, el, many, press, put, sentence, small } from './make.js';
import * as line from './line.js';
import * as stage from './stage.js';

const DRAWN = { stop: 'crossed lines', caution: 'lines one way', note: 'dots' };
export const MEANS = { stop: 'do not print before this is mended', caution: 'look, and decide', note: 'good to know' };

export const labelsOf = (report) => new Map(report.findings.map((f) => [f.number, `${f.weight}, ${f.name}`]));

export const judgeStep = {
  title: 'What is wrong with it',
  back: 'See again',
  summary: ({ judged }) => (judged ? judged.counts_text : ''),
  async fill(body, job) {
    const progress = el('p', { class: 'progress', role: 'status' }, 'Asking every rule ...');
    body.append(progress);
    if (!job.judged) job.onLeave(() => line.stop().catch(() => {}));
    job.judged ??= await line.work('judge', { ticket: job.said() }, (seconds) => (progress.textContent = `Asking every rule, ${seconds.toFixed(0)} s`));
    if (!job.isAt(judgeStep)) return;
    job.onLeave(null);
    const { judged } = job, list = findingsList(judged);
    await stage.show([{ file: 'judged.view', name: job.scan.name, told: judged.picture, labels: labelsOf(judged) }], judged.units ? 'mm' : 'file units');
    stage.on({ pin: (number) => list.choose(number) });
    progress.textContent = `${judged.counts_text}.`;
    put(body, list, ...rest(judged), el('p', { class: 'row' }, job.next('Next: what can be done')));
  },
};

// The findings by rule, the worst first; a button for each place flies there. Of many places the first are shown, the rest unfold.
const FIRST = 3;
export function findingsList(report, side = 0) {
  const list = el('ol', { class: 'findings' });
  const go = (finding) => {
    list.querySelectorAll('.place').forEach((node) => node.toggleAttribute('data-chosen', node.dataset.number === String(finding.number)));
    stage.current()?.choose(finding.number);
    if (finding.place) stage.fly(finding.place, finding.number, side);
  };
  const place = (finding) => el('li', { class: `place ${finding.weight}`, 'data-number': finding.number },
    el('span', { class: 'tag', 'aria-hidden': 'true' }, String(finding.number)),
    el('div', {}, el('p', {}, sentence(finding.message)),
      finding.place ? press('Show the place', () => go(finding), { class: 'press little', 'aria-label': `Show the place of ${finding.number}, ${finding.name}` }) : null));
  for (const rule of new Set(report.findings.map((f) => f.rule))) {
    const found = report.findings.filter((f) => f.rule === rule), [worst] = found, more = found.slice(FIRST);
    const weight = ['stop', 'caution', 'note'].find((w) => found.some((f) => f.weight === w));
    list.append(el('li', { class: `finding ${weight}` },
      el('h3', {}, el('span', { class: 'weight' }, weight), ` ${worst.name}`,
        el('span', { class: 'rule' }, ` rule ${rule}${found.length > 1 ? `, ${found.length} places` : ''}`)),
      el('ul', { class: 'places' }, found.slice(0, FIRST).map(place)),
      more.length ? el('details', {}, el('summary', {}, `${more.length} more`), el('ul', { class: 'places' }, more.map(place))) : null,
      report.hands[rule] ? small(`By hand: ${report.hands[rule].replace(/\.$/, '')}.`) : null,
      report.cautions[rule] ? care(report.cautions[rule]) : null));
  }
  list.choose = (number) => {
    const finding = report.findings.find((f) => f.number === number);
    if (!finding) return;
    go(finding);
    const node = list.querySelector(`[data-number="${number}"]`);
    if (node.closest('details')) node.closest('details').open = true;
    node.scrollIntoView({ block: 'nearest' });
    node.querySelector('button')?.focus({ preventScroll: true });
  };
  return list;
}

export function rest(report) {
  const counts = Object.entries(MEANS).filter(([weight]) => report.counts[weight]).map(([weight, means]) => `${weight}: ${means}; drawn as ${DRAWN[weight]}`);
  return [
    report.findings.length ? null : el('p', {}, 'Every rule that could be asked found nothing.'),
    counts.length ? small(sentence(counts.join('. '))) : null,
    report.not_run.length ? el('details', {}, el('summary', {}, `Not judged: ${many(report.not_run.reduce((n, r) => n + r.rules.length, 0), 'rule')}`),
      el('ul', { class: 'plain' }, report.not_run.map((r) => el('li', {}, `${r.rules.length > 1 ? 'Rules' : 'Rule'} ${r.rules.join(', ')}: ${r.why}.`)))) : null,
    small('Geometry only: a clean card is no promise that a print succeeds, and nothing here is a fit check for a medical device.'),
  ].filter(Boolean);
}
