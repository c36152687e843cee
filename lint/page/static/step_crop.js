// Step 4: the part that is wanted: all of it, or what stands in a box.
import { choice, el, many, numbers, put, small } from './make.js';
import * as stage from './stage.js';
import { slip } from './card.js';
import { placed } from './step_size.js';

const isBox = (crop) => crop.low && crop.high;

// A box between two corners, carried by a matrix that turns by quarters at most.
function carried(matrix, a, b) {
  const one = placed(matrix, a), two = placed(matrix, b);
  return [one.map((v, k) => Math.min(v, two[k])), one.map((v, k) => Math.max(v, two[k]))];
}

export const cropStep = {
  title: 'The part you want',
  summary({ ticket }) {
    const crops = ticket.fix?.crop || [];
    return crops.some(isBox) ? 'what stands in the box' : crops.length ? 'cut along a plane' : 'all of it';
  },
  async fill(body, job) {
    const { scan } = job, fix = (job.ticket.fix ??= {});
    fix.crop ??= [];
    await stage.show([{ file: 'scan.view', name: scan.name, told: scan.picture }], scan.units ? 'mm' : 'file units');
    const size = Math.max(...scan.high.map((v, k) => v - scan.low[k]));
    const digits = Math.max(0, 3 - Math.floor(Math.log10(size * Math.hypot(...scan.to_file[0].slice(0, 3)))));
    const grain = 10 ** Math.min(digits, 12), tidy = (v) => Number(v.toFixed(Math.min(digits, 12)));
    // Outwards, or a box round the whole would shave a hair off it; what is round already stays as it is.
    const outLow = (v) => tidy(Math.floor(v * grain + 1e-3) / grain), outHigh = (v) => tidy(Math.ceil(v * grain - 1e-3) / grain);
    const fields = el('div', { class: 'how' });
    const planes = fix.crop.filter((c) => !isBox(c)).length;

    const changed = () => {
      job.again();
      slip();
    };
    const keep = (low, high) => {
      const others = fix.crop.filter((c) => !isBox(c));
      fix.crop.splice(0, Infinity, ...others, ...(low ? [{ low: low.map(outLow), high: high.map(outHigh) }] : []));
      changed();
    };

    function draw() {
      const crop = fix.crop.find(isBox);
      if (!crop) {
        stage.current()?.box(null);
        stage.words('');
        return fields.replaceChildren();
      }
      const low = numbers('From', ['x', 'y', 'z'], () => crop.low, (v) => v && set(v, crop.high), { width: 'short' });
      const high = numbers('To', ['x', 'y', 'z'], () => crop.high, (v) => v && set(crop.low, v), { width: 'short' });
      const show = () => {
        const [min, max] = carried(scan.from_file, crop.low, crop.high);
        stage.current()?.box({ min, max }, (box) => {
          const [a, b] = carried(scan.to_file, box.min, box.max);
          crop.low = a.map(outLow), crop.high = b.map(outHigh);
          low.fill(crop.low), high.fill(crop.high);
          clearTimeout(draw.later);
          draw.later = setTimeout(changed, 250);
        });
      };
      const set = (a, b) => {
        crop.low = a, crop.high = b;
        show();
        changed();
      };
      fields.replaceChildren(
        small('Drag the round grips in the picture; with the keyboard, go to a grip with Tab and move it with the arrow keys (Shift moves farther). What is outside turns pale and is cut away. Leave a rim of skin around what you sculpt.'),
        low, high, small('In the numbers of the file.'));
      stage.words('Draw the sides of the box in until only the part stands in it.');
      stage.current()?.zoom(1.3);
      show();
    }

    put(body,
      choice('How much of the scan is the part?', [
        ['all', 'All of it', 'loose crumbs, hair and dust are found and taken out later anyway'],
        ['box', 'What stands in a box', 'to leave out a gauge block, a piece of table, or more body than you need'],
      ], () => (fix.crop.some(isBox) ? 'box' : 'all'), (value) => {
        if (value === 'box') keep(...carried(scan.to_file, scan.low, scan.high));
        else keep(null);
        draw();
      }, { wide: true }),
      planes ? small(`The ticket that came along also cuts along ${many(planes, 'plane')}; that stays.`) : null,
      fields, el('p', { class: 'row' }, job.next()),
    );
    draw();
    return () => stage.quiet();
  },
};
