// The card: steps in their order, one open at a time, those before it filled in. What is said goes into one ticket.
import { el, press } from './make.js';
import * as line from './line.js';
import { scanStep } from './step_scan.js';
import { whatStep } from './step_what.js';
import { sizeStep } from './step_size.js';
import { cropStep } from './step_crop.js';
import { useStep } from './step_use.js';
import { judgeStep } from './step_judge.js';
import { doStep } from './step_do.js';
import { doneStep } from './step_done.js';

const STEPS = [scanStep, whatStep, sizeStep, cropStep, useStep, judgeStep, doStep, doneStep];
const list = document.getElementById('steps'), trouble = document.getElementById('trouble');

// What the whole card knows. ticket: the facts as they will stand in it; scan: what the file holds; judged, done: what came of the work.
export const job = { ticket: {}, scan: null, judged: null, done: null, unsaved: false, takes: null, most: 0, ...navigation() };

function navigation() {
  let at = -1, far = 0, leaving = null, opening = 0;

  async function open(k) {
    leaving?.();
    leaving = null;
    const mine = ++opening;
    at = k;
    far = Math.max(far, k);
    draw();
    const body = list.children[k].querySelector('.body');
    list.children[k].querySelector('h2').focus({ preventScroll: true });
    list.children[k].scrollIntoView({ block: k ? 'start' : 'nearest', behavior: matchMedia('(prefers-reduced-motion: reduce)').matches ? 'auto' : 'smooth' });
    try {
      const leave = await STEPS[k].fill(body, job);
      if (leave && mine === opening) leaving = leave;
      else leave?.();
    } catch (fault) {
      wrong(body, fault);
    }
  }

  function draw() {
    list.replaceChildren(...STEPS.map((step, k) => {
      const state = k === at ? 'open' : k < at || (k <= far && job.scan) ? 'filled' : 'ahead';
      const words = state === 'filled' ? step.summary(job) : '';
      return el('li', { class: `step ${state}`, 'aria-current': k === at ? 'step' : null },
        el('div', { class: 'top' },
          el('span', { class: 'count', 'aria-hidden': 'true' }, String(k + 1)),
          el('h2', { tabindex: '-1' }, step.title),
          words ? el('p', { class: 'entry' }, words) : null,
          state === 'filled' && k !== at ? press(step.back || 'Change', () => open(k), { class: 'press little', 'aria-label': `${step.back || 'Change'}: ${step.title}` }) : null),
        k === at ? el('div', { class: 'body' }) : null);
    }));
  }

  return {
    open,
    next: (words = 'Next') => press(words, () => open(at + 1), { class: 'press main', id: 'next' }),
    isAt: (step) => STEPS[at] === step,
    // Something was changed: what came of it before no longer holds, and the steps after this one are to be gone through again.
    again() {
      far = Math.min(far, at);
      job.judged = null, job.done = null;
      for (const later of [...list.children].slice(at + 1)) {
        later.className = 'step ahead';
        later.querySelectorAll('.entry, button').forEach((node) => node.remove());
      }
    },
    onLeave: (does) => (leaving = does),
    to: (step) => open(STEPS.indexOf(step)),
  };
}

// A fault in words, beside what was asked for.
export function wrong(body, fault) {
  body.querySelector('.fault')?.remove();
  if (!(fault instanceof line.Fault)) console.error(fault);
  const words = fault instanceof line.Fault ? fault.message : 'This page went wrong. Load it again; your scan is as it was.';
  body.prepend(el('p', { class: 'fault', role: 'alert' }, words));
}

// Leave out what is empty, so that the ticket says only what was said.
function pruned(value) {
  if (Array.isArray(value)) return value.length ? value.map(pruned) : undefined;
  if (value === null || value === '' || value === undefined) return undefined;
  if (typeof value !== 'object') return value;
  const kept = Object.entries(value).map(([k, v]) => [k, pruned(v)]).filter(([, v]) => v !== undefined);
  return kept.length ? Object.fromEntries(kept) : undefined;
}
job.said = () => pruned(job.ticket) || {};

let asked = 0;
// The ticket and the command as they stand now.
export async function slip() {
  const mine = ++asked;
  const told = await line.work('ticket', { ticket: job.said() }).catch(() => null);
  if (!told || mine !== asked) return;
  document.getElementById('slip').hidden = false;
  document.getElementById('ticket').textContent = told.text;
  document.getElementById('command').textContent = told.command;
  const keep = document.getElementById('keep-ticket');
  if (keep.href.startsWith('blob:')) URL.revokeObjectURL(keep.href);
  keep.href = URL.createObjectURL(new Blob([told.text], { type: 'application/octet-stream' }));
  keep.download = told.name;
}

line.onEnd((words) => {
  trouble.textContent = words;
  trouble.hidden = false;
  job.unsaved = false;
});
line.onBusy((on) => document.body.classList.toggle('busy', on));
addEventListener('beforeunload', (event) => job.unsaved && event.preventDefault());
for (const name of ['dragover', 'drop']) addEventListener(name, (event) => event.preventDefault());
addEventListener('drop', async (event) => {
  const files = [...(event.dataTransfer?.files || [])];
  if (!files.length || !job.takes) return;
  if (!job.isAt(scanStep)) await job.to(scanStep);
  job.dropped(files);
});

try {
  const told = await line.begin();
  Object.assign(job, { takes: told.takes, most: told.most, given: told.given });
  await job.open(0);
} catch (fault) {
  trouble.textContent = fault.message;
  trouble.hidden = false;
}
