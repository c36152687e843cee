// The line to the program on this machine: the only place the page asks anything of.

let page = null, beat = 0, ended = null;
const listeners = new Set();

export class Fault extends Error {}

export const onEnd = (does) => (ended = does);
export const onBusy = (does) => listeners.add(does);
const busy = (on) => listeners.forEach((does) => does(on));
const path = (rest) => `pages/${page}/${rest}`;

async function ask(where, set = {}) {
  let answer;
  try {
    answer = await fetch(where, { cache: 'no-store', credentials: 'omit', ...set });
  } catch {
    const words = 'The program behind this page does not answer. If it was ended, start it again in the terminal: buckwright page.';
    ended?.(words);
    throw new Fault(words);
  }
  if (answer.ok) return answer;
  const words = (await answer.text()).trim();
  if (answer.status === 410 || answer.status === 503) ended?.(words);
  throw new Fault(words || 'That was refused.');
}

const say = (where, words) => ask(where, { method: 'POST', body: JSON.stringify(words), headers: { 'content-type': 'application/json' } });

export async function begin() {
  const told = await (await say('pages', {})).json();
  page = told.page;
  beat = setInterval(() => page && ask(path('now')).catch(() => {}), 1000 * told.heartbeat);
  addEventListener('pagehide', leave);
  addEventListener('pageshow', (event) => event.persisted && location.reload());
  return told;
}

function leave() {
  if (!page) return;
  clearInterval(beat);
  navigator.sendBeacon(path('bye'));
  page = null;
}

export async function send(file) {
  return (await ask(`${path('file')}?name=${encodeURIComponent(file.name)}`, { method: 'POST', body: file })).json();
}

const nap = (ms) => new Promise((done) => setTimeout(done, ms));
let queue = Promise.resolve();

// Have work done; one piece after another. `told` hears how far it is: (seconds, [{step, does}]).
export function work(what, more = {}, told = () => {}) {
  const run = async () => {
    busy(true);
    try {
      const { work: number } = await (await say(path('work'), { what, ...more })).json();
      for (let wait = 40; ; wait = Math.min(300, wait * 1.5)) {
        await nap(wait);
        const now = await (await ask(path('now'))).json();
        if (now.work !== number) throw new Fault('Something else was begun meanwhile.');
        told(now.seconds, now.said);
        if (now.busy) continue;
        if (now.outcome.fault !== undefined) throw Object.assign(new Fault(now.outcome.fault), now.outcome);
        return now.outcome.done;
      }
    } finally {
      busy(false);
    }
  };
  const next = queue.then(run, run);
  queue = next.catch(() => {});
  return next;
}

export const stop = () => say(path('stop'), {});
export const drawing = (name) => path(`view/${name.replace('.view', '.png')}`);
export const picture = async (name) => (await ask(path(`view/${name}`))).arrayBuffer();
export const saved = (name) => path(`save/${name}`);
