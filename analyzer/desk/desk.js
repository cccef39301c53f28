'use strict';
// The page's own script: collects what was typed, sends it, shows what comes back. Everything is worked out
// by the program itself; names come back as text and are never taken for markup.

const all = (selector, within = document) => [...within.querySelectorAll(selector)];
const one = (selector, within = document) => within.querySelector(selector);
const say = (element, text) => { if (element.textContent !== text) element.textContent = text; };
let left = false;

async function send(path, message) {
  try {
    const answer = await fetch(path, { method: 'POST', body: JSON.stringify(message) });
    return { status: answer.status, ...(await answer.json()) };
  } catch {
    return { status: 0, line: 'The desk does not answer: it has been closed, or this machine is very busy.' };
  }
}

// What was typed.

const shown = control => (control.type === 'checkbox' ? (control.checked ? '1' : '') : control.value.trim());
const was = control => control.dataset.was || '';
const place = element => JSON.parse(element.dataset.place);

function typed(field) {
  const [value, error] = all('.typed > input, .typed > select', field);
  return error && shown(error) && shown(value) ? `${shown(value)} ± ${shown(error)}` : shown(value);
}

function before(field) {
  const [value, error] = all('.typed > input, .typed > select', field);
  return error && was(error) && was(value) ? `${was(value)} ± ${was(error)}` : was(value);
}

function edits(form) {
  const found = [];
  for (const field of all('.field', form)) {
    if (!one('.typed > input, .typed > select', field)) continue;
    if (typed(field) !== before(field)) {
      const text = typed(field);
      found.push({ place: place(field), kind: field.dataset.kind, text: text === '' ? null : text });
    }
  }
  // A bar of another kind comes first: what was typed for the old one went with it.
  const bars = found.filter(edit => edit.kind === 'bar');
  const kept = found.filter(edit => edit.kind === 'bar' || !bars.some(bar => under(edit.place, bar.place)));
  for (const mark of all('[data-mark]', form)) {
    const where = JSON.parse(mark.dataset.mark);
    if (shown(mark) !== was(mark) && !bars.some(bar => under(where, bar.place))) {
      kept.push({ place: where, kind: 'mark', text: shown(mark) });
    }
  }
  for (const gone of form.gone || []) kept.push({ place: gone, kind: 'text', text: null });
  return kept;
}

const under = (inner, outer) => outer.every((step, depth) => inner[depth] === step);

// What will not do stands at its place.

function tell(form, refused) {
  for (const line of all('.refused', form)) { line.hidden = true; line.textContent = ''; }
  for (const control of all('[aria-invalid]', form)) control.removeAttribute('aria-invalid');
  const rest = [];
  for (const { key, line } of refused) {
    let name = key, field = null;
    while (name && !(field = all('[data-key]', form).find(element => element.dataset.key === name))) {
      name = name.replace(/(\.[^.[\]]*|\[\d+\]|^[^.[\]]+)$/, '');
    }
    const said = field && all('.refused', field).find(element => element.closest('[data-key]') === field);
    if (!said) { rest.push(key ? `${key}: ${line}` : line); continue; }
    said.textContent = (said.textContent ? `${said.textContent} ` : '') + (name === key ? line : `${key}: ${line}`);
    said.hidden = false;
    for (let fold = field.closest('details'); fold; fold = fold.parentElement.closest('details')) fold.open = true;
    const control = one('.typed > input, .typed > select', field);
    if (control && field.classList.contains('field')) control.setAttribute('aria-invalid', 'true');
  }
  return rest.join(' ');
}

function form_of_sheet(form) {
  const box = one('.save', form), state = one('.state', form), changed = one('.changed', form);
  const button = one('button[type=submit]', box);
  let timer = 0, round = 0, asking = false;
  form.gone = [];

  const look = async () => {
    const mine = ++round, now = edits(form);
    button.disabled = false;
    if (form.classList.contains('live')) {
      // One question at a time, the last one last: answers to older ones would only hold it up.
      if (asking) return undefined;
      asking = true;
      try { await figures(form, now); } finally { asking = false; }
      return mine === round ? undefined : look();
    }
    if (!now.length) { say(state, ''); tell(form, JSON.parse(form.dataset.refused)); return undefined; }
    const answer = await send('try', { sheet: box.dataset.sheet, edits: now });
    if (mine !== round) return undefined;
    const rest = tell(form, answer.refused || []);
    const many = (answer.refused || []).length;
    say(state, answer.line || rest || (many ? `${many} will not do` : 'Not saved yet'));
    return undefined;
  };

  const save = async () => {
    round++;
    clearTimeout(timer);
    const now = edits(form);
    if (!now.length) { say(state, 'Nothing was changed'); return; }
    say(state, 'Saving');
    const answer = await send('save', { sheet: box.dataset.sheet, version: box.dataset.version, edits: now });
    if (answer.status === 200) {
      left = true;
      sessionStorage.setItem('saved', JSON.stringify([location.pathname, scrollY]));
      location.reload();
    } else if (answer.status === 409) {
      box.dataset.version = answer.version;
      one('.difference', changed).textContent = answer.difference.join('\n') || 'nothing: the file has these values already';
      changed.hidden = false;
      say(state, 'Not saved');
      one('.over', changed).focus();
    } else {
      const rest = tell(form, answer.refused || []);
      say(state, `${answer.line} ${rest}`.trim());
      one('[aria-invalid]', form)?.focus();
    }
  };

  form.addEventListener('submit', event => { event.preventDefault(); save(); });
  one('.over', changed).addEventListener('click', () => { changed.hidden = true; save(); });
  one('.reload', changed).addEventListener('click', () => { left = true; location.reload(); });
  form.addEventListener('input', event => {
    // Whoever types a value in has measured it; the mark can be set again.
    const field = event.target.closest('.field');
    const mark = field && one('[data-mark]', field);
    if (mark && event.target !== mark && event.target.matches('input, select')) mark.checked = false;
    clearTimeout(timer);
    timer = setTimeout(look, form.classList.contains('live') ? 0 : 250);
  });
  form.addEventListener('keydown', event => {
    if (form.classList.contains('live') && /^Arrow(Up|Down)$/.test(event.key) && event.target.matches('input')) {
      step(event.target, event.key === 'ArrowUp' ? 1 : -1);
      event.preventDefault();
    }
  });
  form.addEventListener('click', event => {
    const button = event.target.closest('button[data-out], button[data-add], button[data-step]');
    if (!button) return;
    if (button.dataset.step) step(all('input', button.closest('.typed'))[0], Number(button.dataset.step));
    else if (button.dataset.out) take_out(form, button);
    else add(button);
    clearTimeout(timer);
    look();
  });
  const rest = tell(form, JSON.parse(form.dataset.refused));
  if (rest) say(state, rest);
  if (form.classList.contains('live')) look();
}

// A quantity goes up or down by one of its last digit but one, or of its last where it has few.

function step(input, way) {
  const [, number, rest] = /^\s*(-?\d*\.?\d+)(.*)$/.exec(input.value) || [];
  if (number === undefined || input.readOnly) return;
  const digits = (number.split('.')[1] || '').length, whole = /^\s*$/.test(rest);
  const size = whole ? 1 : 10 ** -Math.min(digits, 1);
  input.value = (Number(number) + way * size).toFixed(digits) + rest;
  input.dispatchEvent(new Event('input', { bubbles: true }));
}

// Entries of lists.

function take_out(form, button) {
  const where = JSON.parse(button.dataset.out);
  const entry = button.closest('.entry, .channel');
  if (!entry.dataset.fresh) form.gone.push(where);
  const next = one('button', entry.nextElementSibling || entry.parentElement.parentElement);
  entry.remove();
  next?.focus();
}

function add(button) {
  const entries = all('.entries', button.closest('.add').parentElement).at(-1);
  const blank = [...button.closest('.add').parentElement.children].find(child => child.tagName === 'TEMPLATE');
  let step = Number(button.dataset.add);
  if (button.dataset.add === 'name') {
    const input = one('input', button.parentElement);
    step = input.value.trim();
    if (!step) { input.focus(); return; }
    input.value = '';
  } else {
    button.dataset.add = String(step + 1);
  }
  const entry = document.createElement('div');
  entry.className = 'entry';
  entry.dataset.fresh = '1';
  entry.append(blank.content.cloneNode(true));
  // The first open place of each is this entry's; those within belong to lists of its own.
  const name = typeof step === 'number' ? `[${step + 1}]` : `.${step}`;
  const fill = element => {
    for (const what of ['place', 'mark', 'out']) {
      if (!element.dataset[what]) continue;
      const steps = JSON.parse(element.dataset[what]);
      if (steps.includes('+')) { steps[steps.indexOf('+')] = step; element.dataset[what] = JSON.stringify(steps); }
    }
    if (element.dataset.key) element.dataset.key = element.dataset.key.replace('.+', name);
    for (const what of ['id', 'htmlFor']) if (element[what]) element[what] = element[what].replace('.+', name);
    const described = element.getAttribute('aria-describedby');
    if (described) element.setAttribute('aria-describedby', described.replace('.+', name));
  };
  const walk = part => { all('*', part).forEach(element => { fill(element); if (element.content) walk(element.content); }); };
  walk(entry);
  const legend = one('legend, label', entry);
  if (legend) legend.textContent = typeof step === 'number' ? `new ${step + 1}` : step;
  const out = document.createElement('button');
  out.type = 'button';
  out.className = 'out';
  out.textContent = 'Take out';
  out.dataset.out = '[]';
  entry.append(out);
  entries.append(entry);
  one('input, select', entry)?.focus();
}

// The bar, live.

async function figures(form, now) {
  const answer = await send('bar', { axle: form.dataset.axle, edits: now });
  const rest = tell(form, answer.refused || []);
  const state = one('.state', form), told = answer.line || rest || (now.length ? 'Not set yet' : '');
  // That it was saved is still said when the figures of the page as it was loaded come in.
  if (told || state.textContent !== 'Saved') say(state, told);
  const list = one('.figures', form), warnings = one('.warnings', form);
  list.classList.toggle('old', !answer.figures);
  if (!answer.figures) return;
  list.replaceChildren(...answer.figures.flatMap(([name, text]) => {
    const [term, value] = [document.createElement('dt'), document.createElement('dd')];
    [term.textContent, value.textContent] = [name, text];
    return [term, value];
  }));
  warnings.replaceChildren(...answer.warnings.map(text => {
    const item = document.createElement('li');
    item.textContent = text;
    return item;
  }));
}

// Logs.

async function take(files) {
  const list = one('#coming'), largest = Number(one('#drop').dataset.largest);
  let good = 0;
  for (const file of files) {
    const item = document.createElement('li');
    item.textContent = `${file.name}: coming in`;
    list.append(item);
    let answer;
    if (file.size > largest) answer = { line: `is larger than ${largest / 1e9} GB; split it` };
    else {
      try {
        const got = await fetch(`logs/${encodeURIComponent(file.name)}`, { method: 'PUT', body: file });
        answer = { status: got.status, ...(await got.json()) };
      } catch {
        answer = { line: 'did not come in: the desk does not answer' };
      }
    }
    good += answer.status === 200;
    item.textContent = answer.status === 200 ? `${file.name}: run ${answer.run}` : `${file.name}: ${answer.line}`;
  }
  if (good === files.length && good) { left = true; sessionStorage.setItem('check', '1'); location.reload(); }
}

const drop = one('#drop');
if (drop) {
  addEventListener('dragover', event => { event.preventDefault(); drop.classList.add('over'); });
  addEventListener('dragleave', () => drop.classList.remove('over'));
  addEventListener('drop', event => {
    event.preventDefault();
    drop.classList.remove('over');
    take([...event.dataTransfer.files]);
  });
  one('#files').addEventListener('change', event => take([...event.target.files]));
}

// Work that takes a while, and its news. One window of a browser hears them for all: a browser keeps few
// connections to one address, and each of them would hold one.

const news = new BroadcastChannel('news');
let running = null;

async function hear(job) {
  const work = one('#work');
  if (!work) return;
  const ended = running === job.number && !job.running;
  if (job.running) running = job.number;
  for (const button of all('[data-work]')) button.disabled = job.running;
  const bar = one('#progress', work);
  if (job.running) {
    say(one('#step', work), job.step);
    bar.hidden = false;
    if (job.steps) { bar.max = job.steps; bar.value = job.done; } else bar.removeAttribute('value');
  }
  if (!ended) return;
  running = null;
  const page = await (await fetch('shown')).text();
  work.innerHTML = page;
  say(one('#step', work), 'Done');
  one('.told-by', work).scrollIntoView({ block: 'nearest' });
}

async function begin(button) {
  const message = { what: button.dataset.work };
  for (const name of (button.dataset.takes || '').split(' ').filter(Boolean)) message[name] = one(`#${name}`).value;
  one('.told-by').replaceChildren();
  say(one('#step'), 'Begun');
  const answer = await send('work', message);
  if (answer.status === 200) running = answer.number;
  else say(one('#step'), answer.line);
}

for (const button of all('[data-work]')) button.addEventListener('click', () => begin(button));
news.onmessage = event => hear(event.data);
navigator.locks.request('news', () => new Promise(() => {
  const source = new EventSource('windows');
  source.onmessage = event => {
    one('#gone').hidden = true;
    const job = JSON.parse(event.data);
    hear(job);
    news.postMessage(job);
  };
  source.onerror = () => { one('#gone').hidden = false; };
}));

for (const form of all('form')) form_of_sheet(form);
addEventListener('beforeunload', event => {
  if (!left && all('form').some(form => edits(form).length)) event.preventDefault();
});
if (sessionStorage.getItem('check')) {
  sessionStorage.removeItem('check');
  const button = one('[data-work=check]');
  if (button) begin(button);
}
const saved = JSON.parse(sessionStorage.getItem('saved') || 'null');
sessionStorage.removeItem('saved');
if (saved && saved[0] === location.pathname) {
  scrollTo(0, saved[1]);
  for (const state of all('.state').slice(0, 1)) say(state, 'Saved');
}
