// Step 1: a scan comes in.
import { amount, care, el, many, press, put, small } from './make.js';
import * as line from './line.js';
import * as stage from './stage.js';
import { slip, wrong } from './card.js';

const BESIDE = /\.(mtl|png|jpe?g|bmp|tiff?|webp|txt|bin)$/i;
const UNIT = { micron: 'microns', mm: 'millimetres', cm: 'centimetres', m: 'metres', in: 'inches', ft: 'feet' };

export const scanStep = {
  title: 'The scan',
  summary: (job) => job.scan && `${job.scan.name}, ${many(job.scan.faces, 'face')}`,
  fill(body, job) {
    const pick = el('input', { type: 'file', id: 'pick', multiple: true, accept: [...job.takes, '.mtl', '.png', '.jpg'].join(','), on: { change: () => take([...pick.files]) } });
    const progress = el('p', { class: 'progress', role: 'status' });
    const area = el('div', { class: `drop${job.scan ? ' slim' : ''}` },
      el('label', { for: 'pick', class: `press${job.scan ? '' : ' main'}` }, job.scan ? 'Choose another file' : 'Choose a file'), pick,
      el('p', {}, 'or drop it anywhere on this page'));
    for (const [name, on] of [['dragover', true], ['dragleave', false], ['drop', false]]) area.addEventListener(name, () => area.classList.toggle('over', on));
    job.dropped = take;

    async function take(files) {
      const scans = files.filter((f) => !BESIDE.test(f.name));
      const left = files.length - scans.length;
      const tickets = scans.filter((f) => /\.toml$/i.test(f.name)), parts = scans.filter((f) => !tickets.includes(f));
      try {
        if (parts.length !== 1) throw new line.Fault(parts.length ? `That is ${parts.length} scans. One card is for one part: drop one of them.` : 'There is no scan among these. Drop an STL, OBJ, PLY, GLB, 3MF or OFF file, or a zip with one of them.');
        const ending = (parts[0].name.match(/\.[^.]*$/) || [''])[0].toLowerCase();
        if (!job.takes.includes(ending)) throw new line.Fault(`${parts[0].name} is no scan that can be read. It takes ${job.takes.filter((t) => t !== '.toml').join(', ')}.`);
        for (const file of scans) if (file.size > job.most) throw new line.Fault(`${file.name} holds ${amount(file.size / 2 ** 20)} MiB; ${amount(job.most / 2 ** 20)} MiB is the most that is taken. Thin the scan out first, in the app that made it.`);
        progress.textContent = `Reading ${parts[0].name} ...`;
        for (const file of [...parts, ...tickets]) await line.send(file);
        await read(left);
      } catch (fault) {
        progress.textContent = '';
        wrong(body, fault);
      }
    }

    async function read(left) {
      const scan = await line.work('open', {}, (seconds) => (progress.textContent = `Reading, ${seconds.toFixed(0)} s`));
      Object.assign(job, { scan, ticket: scan.ticket, judged: null, done: null, unsaved: true });
      job.ticket.fix = { allow: 'skin', ...job.ticket.fix };
      document.getElementById('whose').textContent = ` for ${scan.name}`;
      slip(); // at once: the ticket of the scan before must not stand under the name of this one
      await stage.show([{ file: 'scan.view', name: scan.name, told: scan.picture }], scan.units ? 'mm' : 'file units');
      job.left = left;
      await job.open(0);
    }

    const found = job.scan && [
      el('dl', { class: 'facts' }, facts(job)),
      job.scan.pictures ? care('Photographs travel with this file, and may show whose body it is. They do not go into the finished part, but they stay in your scan.') : null,
      job.scan.words ? small('Words of the app that made it travel inside this file. They do not go into the finished part.') : null,
      job.left ? small(`${many(job.left, 'file')} beside it (material, pictures) stayed where they are: only the shape is wanted.`) : null,
    ];
    put(body, ...[
      found, job.scan ? el('p', { class: 'row' }, job.next()) : null, progress, area,
      small('STL, OBJ, PLY, GLB, 3MF or OFF, or one of them in a zip. A ticket (.ticket.toml) may come along.'),
      small('The file is read by the program on your own machine and kept in a private folder until you close this page. Your scan itself is never changed.'),
      job.scan ? null : care('A scan of a person is personal data, and in some places a face or a hand counts as an identity record. Ask the person first, and keep the name out of file names.'),
    ]);
    if (job.given && !job.scan) {
      progress.textContent = `Reading ${job.given} ...`;
      const given = job.given;
      job.given = null;
      read(0).catch((fault) => {
        progress.textContent = '';
        wrong(body, fault);
        body.append(press(`Try ${given} again`, () => read(0).catch((again) => wrong(body, again))));
      });
    }
  },
};

function facts(job) {
  const { scan } = job, extents = scan.high.map((v, k) => amount(v - scan.low[k])).join(' x ');
  const rows = [
    ['File', `${scan.name} (${scan.format})`],
    ['Skin', many(scan.faces, 'face')],
    ['Measures', scan.units ? `${extents} mm` : `${extents}, in numbers without a unit`],
    ['Units', scan.units ? `${UNIT[scan.units]}, from ${scan.units_from}` : 'the file does not say'],
    scan.shop && ['Shop file', scan.shop],
  ].filter(Boolean);
  return rows.map(([name, words]) => el('div', {}, el('dt', {}, name), el('dd', {}, words)));
}
