// Making what stands on the card: elements, and fields that a number or a choice is written into.

let count = 0;

export function el(kind, set = {}, ...inside) {
  const made = document.createElement(kind);
  for (const [name, value] of Object.entries(set)) {
    if (value === undefined || value === null || value === false) continue;
    if (name === 'on') for (const [event, does] of Object.entries(value)) made.addEventListener(event, does);
    else if (name === 'text') made.textContent = value;
    else made.setAttribute(name, value === true ? '' : value);
  }
  put(made, ...inside);
  return made;
}

// Put things on the card; what is left out by a condition is passed over.
export const put = (node, ...inside) => node.append(...inside.flat(9).filter((x) => x !== null && x !== undefined && x !== false && x !== ''));

export const press = (words, does, set = {}) => el('button', { type: 'button', class: 'press', ...set, on: { click: does } }, words);
export const small = (words) => el('p', { class: 'small' }, words);
export const sentence = (words) => `${words[0].toUpperCase()}${words.slice(1)}${/[.!?]$/.test(words) ? '' : '.'}`;
export const care = (words) => el('p', { class: 'care' }, el('strong', {}, 'Take care. '), sentence(words));

// A number as people write it, with a point or a comma; null for nothing, NaN for what is no number.
export function numberOf(text) {
  const plain = text.trim().replace(',', '.');
  return plain === '' ? null : /^[-+]?(\d+\.?\d*|\.\d+)(e[-+]?\d+)?$/i.test(plain) ? Number(plain) : NaN;
}

export const written = (value) => (value === null || value === undefined ? '' : String(value));

// Some numbers in a row under one name. `get` gives the list (or null), `set` takes one (null when all are empty).
export function numbers(legend, names, get, set, { least = -Infinity, unit = '', hint = '', width = '' } = {}) {
  const id = `n${++count}`;
  const wrong = el('span', { class: 'wrong', id: `${id}-wrong`, hidden: true });
  const start = get() || [];
  const inputs = names.map((name, k) => el('input', {
    type: 'text', inputmode: 'decimal', id: `${id}-${k}`, value: written(start[k]), autocomplete: 'off', class: width,
    'aria-describedby': `${id}-wrong${hint ? ` ${id}-hint` : ''}`,
  }));
  function read() {
    const values = inputs.map((input) => numberOf(input.value));
    const said = values.filter((v) => v !== null).length;
    let fault = '';
    values.forEach((value, k) => {
      const bad = Number.isNaN(value) || (value !== null && value < least) || (least === 0.0001 && value === 0);
      inputs[k].toggleAttribute('aria-invalid', bad);
      if (bad) fault = Number.isNaN(value) ? `${inputs[k].value.trim().slice(0, 20)} is not a number` : 'a number above 0 is wanted';
    });
    if (!fault && said > 0 && said < inputs.length) fault = `all ${inputs.length} numbers are wanted, or none`;
    wrong.textContent = fault;
    wrong.hidden = !fault;
    if (!fault) set(said ? values : null);
    return !fault;
  }
  inputs.forEach((input) => input.addEventListener('change', read));
  const many = names.length > 1;
  const body = inputs.map((input, k) => [
    el('label', { for: input.id, class: many ? 'tiny' : '' }, many ? names[k] : legend), input,
  ]);
  const node = el(many ? 'fieldset' : 'div', { class: `numbers${many ? ' many' : ''}` },
    many ? el('legend', {}, legend) : null, el('span', { class: 'line' }, body, unit ? el('span', { class: 'unit' }, unit) : null),
    hint ? el('span', { class: 'hint', id: `${id}-hint` }, hint) : null, wrong);
  node.read = read;
  node.fill = (values) => inputs.forEach((input, k) => {
    input.value = values ? written(values[k]) : '';
    input.removeAttribute('aria-invalid');
    wrong.hidden = true;
  });
  return node;
}

export const number = (label, get, set, more = {}) => numbers(label, [label], () => (get() === null || get() === undefined ? null : [get()]),
  (values) => set(values ? values[0] : null), { least: 0.0001, ...more });

// One of several words. options: [[value, words, hint], ...].
export function choice(legend, options, get, set, { wide = false } = {}) {
  const name = `c${++count}`, inputs = new Map();
  const node = el('fieldset', { class: `choice${wide ? ' wide' : ''}` }, el('legend', {}, legend), options.map(([value, words, hint], k) => {
    const id = `${name}-${k}`;
    const input = el('input', { type: 'radio', name, id, checked: get() === value, on: { change: () => input.checked && set(value) } });
    inputs.set(value, input);
    return el('span', { class: 'option' }, input, el('label', { for: id }, words, hint ? el('span', { class: 'hint' }, hint) : null));
  }));
  node.pick = (value) => (inputs.get(value).checked = true); // said elsewhere: only shown here
  return node;
}

export function tick(words, get, set, hint = null) {
  const id = `t${++count}`;
  const input = el('input', { type: 'checkbox', id, checked: get(), on: { change: () => set(input.checked) } });
  return el('div', { class: 'option tick' }, input, el('label', { for: id }, words, hint));
}

export const many = (count, word, words) => `${count.toLocaleString('en')} ${count === 1 ? word : words || `${word}s`}`;

// A length for people: three figures that matter.
export function amount(value) {
  if (value === 0) return '0';
  const size = Math.floor(Math.log10(Math.abs(value)));
  return size >= 3 ? Math.round(value).toLocaleString('en') : String(Number(value.toFixed(Math.max(0, Math.min(6, 2 - size)))));
}
