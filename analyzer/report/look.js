// The page on which runs are looked into. What it shows stands in the page: `shown` as JSON, the samples of
// each run packed as look_page.py says. Drawing of the figures: uPlot, from its own package.
'use strict';

const by = id => document.getElementById(id);
const { runs, panels, course, moments, missing, unit } = JSON.parse(by('shown').textContent);
const blobs = [...document.querySelectorAll('script.samples')];

const FOLD = 16; // samples of one level that are one of the next
const COARSE = 3; // width of a column while the figures move [px]: lowest and highest stay, a redraw takes a third
const REST_MS = 120; // without a move, before all is drawn fine again
const MOST_AT_FIRST = 6; // runs laid over each other before the reader chooses
const AROUND_S = 1.5; // shown on both sides of a moment that a link leads to
const NUMBERS = 42, SIDES = NUMBERS + 4; // room left of a figure for numbers, and both sides together [px]

const state = {
  along: unit ? 'place' : 'time', // what runs are laid over each other by
  lead: moments.length ? moments[0].run : 0, // the run that is read
  shown: new Set(),
  from: 0,
  to: 1,
  at: 0, // place of the cursor, on the axis
  meant: '', // the channel a link has asked for
};

// Samples.

function bytesOf(text) {
  const plain = atob(text);
  const bytes = new Uint8Array(plain.length);
  for (let i = 0; i < plain.length; i++) bytes[i] = plain.charCodeAt(i);
  return bytes;
}

async function inflated(text) {
  const packed = new Blob([bytesOf(text)]).stream().pipeThrough(new DecompressionStream('deflate'));
  return new Uint8Array(await new Response(packed).arrayBuffer());
}

function unfolded(bytes, at, count, step) {
  const values = new Float64Array(count);
  let sum = 0;
  for (let i = 0, k = at; i < count; i++, k++) {
    const folded = bytes[k] | (bytes[k + count] << 8) | (bytes[k + 2 * count] << 16) | (bytes[k + 3 * count] << 24);
    sum += (folded >>> 1) ^ -(folded & 1);
    values[i] = sum / step;
  }
  return values;
}

function interpolated(x, xs, ys) {
  if (x <= xs[0]) return ys[0];
  const last = xs.length - 1;
  if (x >= xs[last]) return ys[last];
  const i = Math.max(1, firstFrom(xs, x));
  const wide = xs[i] - xs[i - 1];
  return wide > 0 ? ys[i - 1] + (ys[i] - ys[i - 1]) * ((x - xs[i - 1]) / wide) : ys[i];
}

function firstFrom(xs, x, low = 0, high = xs.length) {
  while (low < high) {
    const middle = (low + high) >> 1;
    if (xs[middle] < x) low = middle + 1;
    else high = middle;
  }
  return low;
}

// Places of all samples at once: both rise, so one walk through the table will do.
function placesOf(times, [known, places]) {
  const found = new Float64Array(times.length);
  let k = 1;
  for (let i = 0; i < times.length; i++) {
    const t = Math.min(Math.max(times[i], known[0]), known[known.length - 1]);
    while (k < known.length - 1 && known[k] < t) k++;
    found[i] = places[k - 1] + ((places[k] - places[k - 1]) * (t - known[k - 1])) / (known[k] - known[k - 1]);
  }
  return found;
}

// Lowest and highest of ever more samples, so that no redraw walks through a whole log.
function levelsOf(low, high) {
  const levels = [{ low, high }];
  while (low.length > 1000) {
    const count = Math.ceil(low.length / FOLD);
    const lows = new Float64Array(count), highs = new Float64Array(count);
    for (let i = 0; i < count; i++) {
      let least = Infinity, most = -Infinity;
      for (let k = i * FOLD; k < Math.min((i + 1) * FOLD, low.length); k++) {
        if (low[k] < least) least = low[k];
        if (high[k] > most) most = high[k];
      }
      lows[i] = least === Infinity ? NaN : least;
      highs[i] = least === Infinity ? NaN : most;
    }
    [low, high] = [lows, highs];
    levels.push({ low, high });
  }
  return levels;
}

function flagged(stretches, count, beside = 0) {
  const flags = new Uint8Array(count);
  for (const [first, number] of stretches) flags.fill(1, Math.max(0, first - beside), first + number + beside);
  return flags;
}

async function unpack(number) {
  const run = runs[number];
  const bytes = await inflated(blobs[number].textContent);
  blobs[number].textContent = '';
  for (const base of Object.values(run.bases)) {
    base.time = new Float64Array(base.cuts.reduce((sum, cut) => sum + cut[2], 0));
    let i = 0;
    for (const [first, every, count] of base.cuts) {
      for (let k = 0; k < count; k++) base.time[i++] = base.start + (first + every * k + (every - 1) / 2) / base.rate;
    }
    base.x = { time: [base.time.map(t => t - run.off)], place: run.places ? [placesOf(base.time, run.places)] : null };
    for (const levels of [base.x.time, base.x.place]) {
      while (levels && levels.at(-1).length > 1000) levels.push(levels.at(-1).filter((_, k) => k % FOLD === 0));
    }
  }
  let at = 0;
  for (const [key, channel] of Object.entries(run.channels)) {
    const count = run.bases[channel.base].time.length;
    const step = 10 ** panels.find(panel => panel.key === key).places;
    channel.low = unfolded(bytes, at, count, step);
    at += 4 * count;
    channel.high = channel.low;
    if (channel.wide) {
      channel.high = unfolded(bytes, at, count, step);
      at += 4 * count;
    }
    const gaps = flagged(channel.missing, count);
    channel.doubted = flagged(channel.suspect, count);
    if (channel.missing.length) for (const side of [channel.low, channel.high]) gaps.forEach((gap, i) => gap && (side[i] = NaN));
    channel.sure = levelsOf(channel.low, channel.high);
    channel.doubt = null;
    if (channel.suspect.length) {
      // What is suspect is a line of its own, with one sample on both sides so that it meets the other.
      const near = flagged(channel.suspect, count, 1);
      const only = (side, kept) => side.map((value, i) => (kept(i) ? value : NaN));
      channel.sure = levelsOf(...[channel.low, channel.high].map(side => only(side, i => !channel.doubted[i])));
      channel.doubt = levelsOf(...[channel.low, channel.high].map(side => only(side, i => near[i])));
    }
  }
  run.ready = true;
}

// Lowest and highest value of each column of the figure; nothing where no sample lies, null where it is unknown.
function columnsOf(xs, levels, from, to, columns) {
  const drawn = new Array(2 * columns).fill(undefined);
  let level = 0;
  const inside = firstFrom(xs[0], to) - firstFrom(xs[0], from);
  while (level + 1 < levels.length && inside / FOLD ** (level + 1) >= 4 * columns) level++;
  const x = xs[level], { low, high } = levels[level];
  const wide = (to - from) / columns;
  let next = firstFrom(x, from);
  if (level === 0) drawn[0] = between(x, low, next, from);
  for (let column = 0; column < columns; column++) {
    const end = firstFrom(x, from + (column + 1) * wide, next);
    if (end > next) {
      let least = Infinity, most = -Infinity;
      for (let i = next; i < end; i++) {
        if (low[i] < least) least = low[i];
        if (high[i] > most) most = high[i];
      }
      drawn[2 * column] = least === Infinity ? null : least;
      drawn[2 * column + 1] = least === Infinity ? null : most === least ? undefined : most;
    }
    next = end;
  }
  if (level === 0 && drawn[2 * columns - 1] === undefined) drawn[2 * columns - 1] = between(x, low, next, to);
  return drawn;
}

// On the line between the samples around an edge, so that the line runs to it.
function between(x, values, next, edge) {
  if (next < 1 || next >= x.length) return undefined;
  const value = values[next - 1] + ((values[next] - values[next - 1]) * (edge - x[next - 1])) / (x[next] - x[next - 1]);
  return Number.isFinite(value) ? value : undefined;
}

// The axis: time since the car moved off, or place on the course.

const laid = number => state.along === 'time' || Boolean(runs[number].places);
const onAxis = (run, time) => (state.along === 'time' ? time - run.off : interpolated(time, ...run.places));
const xOf = base => base.x[state.along];
const visible = () => [...state.shown].filter(number => runs[number].ready && laid(number));
const axisUnit = () => (state.along === 'time' ? 's' : unit);

function whole() {
  let low = Infinity, high = -Infinity;
  for (const number of visible()) {
    for (const base of Object.values(runs[number].bases)) {
      if (!base.time.length) continue;
      low = Math.min(low, xOf(base)[0][0]);
      high = Math.max(high, xOf(base)[0].at(-1));
    }
  }
  return high > low ? [low, high] : [0, 1];
}

function nearest(base, x) {
  const xs = xOf(base)[0];
  const next = firstFrom(xs, x);
  if (next === 0) return 0;
  if (next === xs.length || x - xs[next - 1] < xs[next] - x) return next - 1;
  return next;
}

function sectionAt(x) {
  return course.sections.find(({ from, to }) => from <= x && x < to);
}

function timeAt(number, x) {
  const base = runs[number].bases.log;
  return base.time[nearest(base, x)];
}

// What is written: a sentence, a table, the value over each figure.

const signed = (value, places) => value.toFixed(places).replace(/^-(?=0(\.0*)?$)/, '').replace('-', '−');

function reading(number, panel) {
  const channel = runs[number].channels[panel.key];
  if (!channel) return { words: 'not known', doubt: false };
  const i = nearest(runs[number].bases[channel.base], state.at);
  const [low, high] = [channel.low[i], channel.high[i]];
  if (!Number.isFinite(low)) return { words: 'no value', doubt: false };
  const words = signed(low, panel.places) + (high > low ? ` to ${signed(high, panel.places)}` : '');
  return { words, doubt: Boolean(channel.doubted[i]) };
}

function hitAt(run, time) {
  const near = Math.max(0.05, 0.01 * (state.to - state.from) / (state.along === 'time' ? 1 : 15));
  const apart = hit => Math.max(hit.from - time, time - hit.to, 0);
  const found = run.hits.filter(hit => apart(hit) <= near);
  return found.sort((a, b) => apart(a) - apart(b) || Math.abs(a.at - time) - Math.abs(b.at - time))[0];
}

// Only what is new: text written again is laid out again.
function write(place, words) {
  if (place.textContent !== words) place.textContent = words;
}

function linkTo(run, time, what = '') {
  return `#run=${encodeURIComponent(run.key)}&at=${time.toFixed(3)}${what && `&what=${what}`}`;
}

function tell() {
  const run = runs[state.lead];
  if (!run.ready || !laid(state.lead)) return;
  const time = timeAt(state.lead, state.at);
  const place = run.places ? interpolated(time, ...run.places) : null;
  const section = place === null ? null : sectionAt(place);
  const hit = hitAt(run, time);
  const parts = [`${run.name} at ${time.toFixed(2)} s of its log`];
  if (section) parts.push(section.name);
  if (place !== null && unit === 'm') parts.push(`${place.toFixed(0)} m along the course`);
  const met = hit && (hit.droop ? `the ${hit.words} damper at full droop` : `the ${hit.words} damper ${hit.deep.toFixed(1)} mm into its bump stop${hit.hard ? ', hard' : ''}`);
  write(by('told'), parts.join(', ') + (met ? `: ${met}.` : '.'));
  const ways = [['Link to this moment', linkTo(run, time)]];
  if (hit && hit.report) ways.push(['This hit in the report', `report.html#${hit.report}`]);
  else if (state.line) ways.push(['Back to its line in the report', `report.html${state.line}`]);
  if (hit && hit.rank) ways.push([`Place ${hit.rank} on the driver’s page`, `course.html#place-${hit.rank}`]);
  if (by('ways').childElementCount !== ways.length) by('ways').replaceChildren(...ways.map(() => element('a')));
  [...by('ways').children].forEach((a, i) => { write(a, ways[i][0]); a.href = ways[i][1]; });
  by('cursor').value = Math.round((1000 * (state.at - state.from)) / (state.to - state.from));
  by('cursor').setAttribute('aria-valuetext', by('told').textContent);
  for (const panel of panels) {
    const { words, doubt } = reading(state.lead, panel);
    write(panel.value, /\d/.test(words) ? `${words} ${panel.unit}${doubt ? ', suspect' : ''}` : words);
  }
  tabulate();
}

let table = null; // numbers of the runs it has columns for, and its cells

function tabulate() {
  const numbers = visible().sort((a, b) => (a === state.lead ? -1 : b === state.lead ? 1 : a - b));
  if (!table || table.numbers.join() !== numbers.join()) {
    const head = element('tr', {}, element('th', { scope: 'col' }, 'At the cursor'));
    numbers.forEach((number, i) => head.append(element('th', { scope: 'col', class: i ? '' : 'lead' }, runs[number].name)));
    const body = element('tbody');
    const cells = [{ title: 'Log time', unit: 's' }, ...panels].map(panel => {
      const row = element('tr', {}, element('th', { scope: 'row' }, `${panel.title}, ${panel.unit}`));
      body.append(row);
      return numbers.map(() => row.appendChild(element('td')));
    });
    by('values').replaceChildren(element('table', {}, element('thead', {}, head), body));
    table = { numbers, cells };
  }
  numbers.forEach((number, column) => {
    write(table.cells[0][column], timeAt(number, state.at).toFixed(3));
    panels.forEach((panel, i) => {
      const { words, doubt } = reading(number, panel);
      const cell = table.cells[i + 1][column];
      write(cell, doubt ? `${words} suspect` : words);
      if (cell.className !== (doubt ? 'doubt' : '')) cell.className = doubt ? 'doubt' : '';
    });
  });
}

function element(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

function drawing(name, attributes = {}, text = '') {
  const made = document.createElementNS('http://www.w3.org/2000/svg', name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.textContent = text;
  return made;
}

// Figures.

const style = name => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
const colourOf = number => style(`--run-${runs[number].look}`);

function makePanels() {
  for (const panel of panels) {
    panel.value = element('span');
    panel.plot = element('div', { class: 'plot' });
    panel.section = element('section', { id: `panel-${panel.key}` }, element('h2', {}, panel.title, panel.value), panel.plot);
    panel.seen = true;
    by('panels').append(panel.section);
  }
  const watch = new IntersectionObserver(entries => {
    for (const entry of entries) {
      const panel = panels.find(one => one.section === entry.target);
      panel.seen = entry.isIntersecting;
      if (panel.seen && panel.stale) ask();
    }
  }, { rootMargin: '60px' });
  panels.forEach(panel => watch.observe(panel.section));
}

// Every run has its lines for as long as the same runs are shown; the run that is read lies on top.
function build(panel) {
  if (panel.figure) panel.figure.destroy();
  const order = visible().filter(number => number !== state.lead);
  if (state.shown.has(state.lead) && laid(state.lead)) order.push(state.lead);
  panel.lines = [];
  const series = [{}];
  for (const number of order) {
    const channel = runs[number].channels[panel.key];
    if (!channel) continue;
    const lead = number === state.lead;
    const look = { stroke: colourOf(number), points: { show: false } };
    panel.lines.push([runs[number].bases[channel.base], channel.sure, lead ? 1.6 : 1]);
    series.push({ ...look, width: lead ? 1.6 : 1, alpha: lead ? 1 : 0.45 });
    if (!channel.doubt) continue;
    panel.lines.push([runs[number].bases[channel.base], channel.doubt, 1]);
    series.push({ ...look, width: 1, alpha: 0.7, dash: [2, 3] });
  }
  const axis = { stroke: style('--soft'), font: '11px sans-serif', ticks: { show: false }, grid: { stroke: style('--line'), width: 1 } };
  const options = {
    width: Math.max(150, panel.plot.clientWidth),
    height: panel.plot.clientHeight,
    legend: { show: false, live: false },
    padding: [6, SIDES - NUMBERS, 0, 0],
    scales: { x: { time: false, range: () => [state.from, state.to] }, y: { range: () => panel.span } },
    axes: [
      { ...axis, size: 22, gap: 2, space: 60, values: (_, all) => all.map(value => `${+value.toFixed(3)} ${axisUnit()}`.replace('-', '−')) },
      { ...axis, size: NUMBERS, gap: 4, space: 24, values: (_, all) => all.map(value => `${value}`.replace('-', '−')) },
    ],
    cursor: { y: false, points: { show: false }, drag: { x: true, y: false, setScale: false, dist: 5 }, bind: { dblclick: () => () => showWhole() } },
    hooks: {
      setSelect: [selected],
      setCursor: [followed],
      draw: [figure => drawLines(figure, panel), figure => drawHits(figure, panel)],
    },
    series,
  };
  panel.figure = new uPlot(options, dataOf(panel, options.width), panel.plot);
  listenToFingers(panel.figure);
  panel.stale = false;
}

function dataOf(panel, width) {
  const columns = Math.max(50, Math.round((width - SIDES) / (moving ? COARSE : 1)));
  const wide = (state.to - state.from) / columns;
  const grid = new Array(2 * columns);
  for (let i = 0; i < grid.length; i++) grid[i] = state.from + (i / 2 + 0.25) * wide;
  grid[0] = state.from;
  grid[grid.length - 1] = state.to;
  return [grid, ...panel.lines.map(([base, levels]) => columnsOf(xOf(base), levels, state.from, state.to, columns))];
}

function drawLines(figure, panel) {
  const { ctx, bbox } = figure, ratio = devicePixelRatio;
  ctx.save();
  ctx.strokeStyle = style('--ink');
  ctx.fillStyle = style('--soft');
  ctx.font = `${11 * ratio}px sans-serif`;
  ctx.textAlign = 'right';
  const words = [];
  for (const line of runs[state.lead].lines[panel.key] || []) {
    const y = Math.round(figure.valToPos(line.at, 'y', true)) + 0.5;
    ctx.lineWidth = ratio;
    ctx.setLineDash(line.dashed ? [5 * ratio, 3 * ratio] : []);
    ctx.beginPath();
    ctx.moveTo(bbox.left, y);
    ctx.lineTo(bbox.left + bbox.width, y);
    ctx.stroke();
    // Stop and full bump lie close together: their names stand side by side, each on the side with room.
    const x = bbox.left + bbox.width - (line.name === 'full bump' ? 66 : 3) * ratio;
    words.push([line.name, x, y + 11 * ratio > bbox.top + bbox.height ? y - 3 * ratio : y + 11 * ratio]);
  }
  ctx.setLineDash([]);
  ctx.strokeStyle = style('--paper');
  ctx.lineWidth = 3 * ratio;
  for (const draw of ['strokeText', 'fillText']) words.forEach(word => ctx[draw](...word));
  ctx.restore();
}

function drawHits(figure, panel) {
  const { ctx, bbox } = figure, ratio = devicePixelRatio;
  ctx.save();
  ctx.lineWidth = 1.4 * ratio;
  for (const number of visible().sort((a, b) => (a === state.lead) - (b === state.lead))) {
    for (const hit of runs[number].hits) {
      if (`damper_${hit.corner}` !== panel.key) continue;
      const x = figure.valToPos(onAxis(runs[number], hit.at), 'x', true);
      if (x < bbox.left || x > bbox.left + bbox.width) continue;
      const up = hit.droop ? -1 : 1, size = (number === state.lead ? 6 : 4) * ratio;
      const y = hit.droop ? bbox.top + bbox.height - 1 : bbox.top + 1;
      ctx.strokeStyle = colourOf(number);
      ctx.fillStyle = hit.hard ? colourOf(number) : style('--paper');
      ctx.beginPath();
      ctx.moveTo(x - size, y);
      ctx.lineTo(x + size, y);
      ctx.lineTo(x, y + up * 1.6 * size);
      ctx.closePath();
      ctx.fill();
      ctx.stroke();
    }
  }
  ctx.restore();
}

// What the reader does.

function view(from, to) {
  const [low, high] = whole();
  const wide = Math.min(Math.max(to - from, state.along === 'time' ? 0.05 : 0.5), high - low);
  state.from = Math.min(Math.max((from + to - wide) / 2, low), high - wide);
  state.to = state.from + wide;
  if (state.at < state.from || state.at > state.to) state.at = (state.from + state.to) / 2;
  panels.forEach(panel => (panel.stale = true));
  clearTimeout(moving);
  moving = setTimeout(settle, REST_MS);
  ask();
}

let moving = 0;

function settle() {
  moving = 0;
  panels.forEach(panel => (panel.stale = true));
  ask();
}

function showWhole() {
  view(...whole());
}

function closer(factor, around = state.at) {
  view(around - (around - state.from) * factor, around + (state.to - around) * factor);
}

function selected(figure) {
  const { left, width } = figure.select;
  if (width < 5) return;
  const ends = [left, left + width].map(at => figure.posToVal(at, 'x'));
  figure.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
  view(...ends);
}

function followed(figure) {
  // Off the figure the cursor stays where it was last.
  if (figure.cursor.left >= 0) state.at = figure.posToVal(figure.cursor.left, 'x');
  ask();
}

function listenToFingers(figure) {
  const fingers = new Map();
  const place = event => event.clientX - figure.over.getBoundingClientRect().left;
  let start = null;
  const begin = () => {
    const at = [...fingers.values()];
    start = at.length === 2 ? { at, from: state.from, to: state.to } : null;
  };
  figure.over.addEventListener('pointerdown', event => {
    if (event.pointerType !== 'touch') return;
    fingers.set(event.pointerId, place(event));
    figure.over.setPointerCapture(event.pointerId);
    begin();
  });
  figure.over.addEventListener('pointermove', event => {
    if (!fingers.has(event.pointerId)) return;
    fingers.set(event.pointerId, place(event));
    const wide = figure.over.clientWidth;
    if (!start) {
      state.at = Math.min(Math.max(figure.posToVal(place(event), 'x'), state.from), state.to);
      return ask();
    }
    // What lay under each finger stays under it.
    const [a, b] = [...fingers.values()], [c, d] = start.at;
    const apart = Math.abs(a - b) < 20 ? 20 * Math.sign(a - b || 1) : a - b;
    const scale = ((start.to - start.from) / wide) * ((c - d) / apart);
    const under = start.from + ((c + d) / 2 / wide) * (start.to - start.from);
    if (scale > 0) view(under - ((a + b) / 2) * scale, under + (wide - (a + b) / 2) * scale);
  });
  for (const kind of ['pointerup', 'pointercancel']) {
    figure.over.addEventListener(kind, event => fingers.delete(event.pointerId) && begin());
  }
}

// One redraw a frame, however many events ask for it.
let asked = false, rebuild = false;

function ask(anew = false) {
  rebuild = rebuild || anew;
  if (asked) return;
  asked = true;
  requestAnimationFrame(redraw);
}

function redraw() {
  asked = false;
  if (rebuild) panels.forEach(panel => (panel.old = true));
  rebuild = false;
  for (const panel of panels) {
    if (panel.seen && panel.old) { build(panel); panel.old = false; }
    else if (panel.seen && panel.stale) {
      panel.figure.series.forEach((series, i) => i && (series.width = moving ? 1 : panel.lines[i - 1][2]));
      panel.figure.setData(dataOf(panel, panel.figure.width));
      panel.stale = false;
    }
    // Worked out here: the figure itself takes on its new size and scale a little later.
    const share = (state.at - state.from) / (state.to - state.from);
    if (panel.seen && panel.figure) panel.figure.setCursor({ left: share * (panel.figure.width - SIDES), top: 0 }, false);
    panel.section.classList.toggle('meant', panel.key === state.meant);
  }
  tell();
  markStrip();
  markMap();
}

// The whole run in a strip: sections, hits of every corner, the part that is shown.

const ROW = 13, NAMES = 16, CORNERS = ['FL', 'FR', 'RL', 'RR'], LEFT = 24;
let strip = null;

function drawStrip() {
  const wide = Math.max(200, by('strip').clientWidth), [low, high] = whole();
  const x = at => LEFT + ((at - low) / (high - low)) * (wide - LEFT);
  const tall = NAMES + 4 * ROW + 2;
  const svg = drawing('svg', { viewBox: `0 0 ${wide} ${tall}`, height: tall, role: 'img', 'aria-label': stripWords() });
  sectionsOnAxis().forEach(({ name, from, to }, number) => {
    const [a, b] = [x(from), x(to)];
    if (number % 2) svg.append(drawing('rect', { class: 'shade', x: a, y: 0, width: Math.max(0, b - a), height: tall }));
    svg.append(drawing('line', { class: 'edge', x1: a, x2: a, y1: 0, y2: tall }));
    if (6 * name.length < b - a) svg.append(drawing('text', { x: a + 3, y: 11 }, name));
  });
  CORNERS.forEach((corner, row) => svg.append(drawing('text', { x: 0, y: NAMES + ROW * (row + 0.8) }, corner)));
  for (const number of visible().sort((a, b) => (a === state.lead) - (b === state.lead))) {
    for (const hit of runs[number].hits) {
      const at = x(onAxis(runs[number], hit.at)), y = NAMES + ROW * CORNERS.indexOf(hit.corner) + 2;
      const points = hit.droop ? [[-4, 8], [4, 8], [0, 0]] : [[-4, 0], [4, 0], [0, 8]];
      const look = `mark${hit.hard && !hit.droop ? ' hard' : ''}${number === state.lead ? ' lead' : ''}`;
      svg.append(drawing('polygon', { class: look, points: points.map(([a, b]) => `${at + a},${y + b}`).join(' ') }));
    }
  }
  strip = { x, low, high, wide, at: drawing('line', { class: 'at', y1: 0, y2: tall }), window: drawing('rect', { class: 'window', y: 0.5, height: tall - 1 }) };
  svg.append(strip.window, strip.at);
  by('strip').replaceChildren(svg);
}

function stripWords() {
  const hits = visible().flatMap(number => runs[number].hits.filter(hit => !hit.droop));
  return `The whole ${state.along === 'time' ? 'run' : 'course'} with ${hits.length} hits of the runs shown, ${hits.filter(hit => hit.hard).length} of them hard; each stands in the list “Go to”.`;
}

function sectionsOnAxis() {
  if (state.along === 'place') return course.sections;
  const { places, off } = runs[state.lead];
  if (!places) return [];
  const time = place => interpolated(place, places[1], places[0]) - off;
  return course.sections.map(({ name, from, to }) => ({ name, from: time(from), to: time(to) }));
}

function markStrip() {
  if (!strip) return;
  strip.window.setAttribute('x', strip.x(state.from));
  strip.window.setAttribute('width', Math.max(2, strip.x(state.to) - strip.x(state.from)));
  for (const end of ['x1', 'x2']) strip.at.setAttribute(end, strip.x(state.at));
}

function listenToStrip() {
  let held = false;
  const go = event => {
    const box = by('strip').getBoundingClientRect(), half = (state.to - state.from) / 2;
    const share = ((event.clientX - box.left) / box.width * strip.wide - LEFT) / (strip.wide - LEFT);
    state.at = Math.min(Math.max(strip.low + share * (strip.high - strip.low), strip.low), strip.high);
    view(state.at - half, state.at + half);
  };
  by('strip').addEventListener('pointerdown', event => { held = true; by('strip').setPointerCapture(event.pointerId); go(event); });
  by('strip').addEventListener('pointermove', event => held && go(event));
  for (const kind of ['pointerup', 'pointercancel']) by('strip').addEventListener(kind, () => (held = false));
}

// The map, north up, with where each run is at the cursor.

let map = null;

function drawMap() {
  if (!course.track) return;
  const [places, east, north] = course.track;
  const low = [Math.min(...east), Math.min(...north)], high = [Math.max(...east), Math.max(...north)];
  const scale = Math.min(240 / Math.max(1, high[0] - low[0]), 200 / Math.max(1, high[1] - low[1]));
  const size = [0, 1].map(i => (high[i] - low[i]) * scale + 24);
  const x = east.map(e => 12 + (e - low[0]) * scale), y = north.map(n => size[1] - 12 - (n - low[1]) * scale);
  const svg = drawing('svg', { viewBox: `0 0 ${size[0].toFixed(1)} ${size[1].toFixed(1)}`, role: 'img', 'aria-label': 'Map of the course, north up, with the place of the cursor' });
  const path = (from, to) => {
    const inside = places.map((place, i) => [place, i]).filter(([place]) => from <= place && place <= to).map(([, i]) => i);
    return inside.map(i => `${x[i].toFixed(1)},${y[i].toFixed(1)}`).join(' ');
  };
  const seen = drawing('polyline', { class: 'seen' });
  svg.append(drawing('polyline', { class: 'road', points: path(-Infinity, Infinity) }));
  course.sections.filter((_, i) => i % 2).forEach(({ from, to }) => svg.append(drawing('polyline', { class: 'part', points: path(from, to) })));
  const dots = runs.map(() => drawing('circle'));
  svg.append(seen, ...dots);
  map = { dots, seen, path, at: place => [interpolated(place, places, x), interpolated(place, places, y)] };
  by('map').replaceChildren(svg);
}

function markMap() {
  if (!map) return;
  const inside = new Set(visible());
  runs.forEach((run, number) => {
    const dot = map.dots[number], on = inside.has(number) && run.places;
    dot.setAttribute('visibility', on ? 'visible' : 'hidden');
    if (!on) return;
    // Over time the runs are apart; over the course they are at one place.
    const [x, y] = map.at(interpolated(timeAt(number, state.at), ...run.places));
    dot.setAttribute('cx', x.toFixed(1));
    dot.setAttribute('cy', y.toFixed(1));
    dot.setAttribute('r', number === state.lead ? 6 : 4);
    dot.setAttribute('class', number === state.lead ? 'lead' : '');
  });
  const lead = runs[state.lead];
  if (!lead.places || !lead.ready || !laid(state.lead)) return;
  const [from, to] = [state.from, state.to].map(x => interpolated(timeAt(state.lead, x), ...lead.places));
  map.seen.setAttribute('points', map.path(from, to));
}

// Controls.

function makeControls() {
  runs.forEach((run, number) => {
    const box = element('input', { type: 'checkbox', value: number });
    box.addEventListener('change', () => choose(box.checked ? [...state.shown, number] : [...state.shown].filter(one => one !== number)));
    by('runs').append(element('label', {}, box, element('span', { class: `key key-${run.look}`, 'aria-hidden': 'true' }), `${run.name} · ${run.setup}`));
    by('lead').append(element('option', { value: number }, run.name));
  });
  if (runs.length > 1) {
    for (const [words, numbers] of [['All', () => runs.keys()], ['Only the one read', () => [state.lead]]]) {
      const button = element('button', { type: 'button' }, words);
      button.addEventListener('click', () => choose([...numbers()]));
      by('runs').append(button);
    }
  }
  by('lead').addEventListener('change', () => lead(+by('lead').value));
  by('moments').append(element('option', { value: '' }, moments.length ? 'a hit, hardest first' : 'no hit'));
  moments.forEach(({ words }, i) => by('moments').append(element('option', { value: i }, words)));
  by('moments').addEventListener('change', () => {
    const moment = moments[by('moments').value];
    if (moment) location.hash = linkTo(runs[moment.run], moment.at, moment.what);
  });
  for (const radio of document.querySelectorAll('[name=along]')) {
    radio.disabled = radio.value === 'place' && !unit;
    radio.addEventListener('change', () => along(radio.value));
  }
  const clicks = { whole: showWhole, closer: () => closer(0.5), wider: () => closer(2), earlier: () => step(-0.5), later: () => step(0.5) };
  for (const [id, done] of Object.entries(clicks)) by(id).addEventListener('click', done);
  by('cursor').addEventListener('input', () => {
    state.at = state.from + (by('cursor').value / 1000) * (state.to - state.from);
    ask();
  });
  by('controls').addEventListener('submit', event => event.preventDefault());
  by('controls').hidden = false;
  by('choices').open = innerWidth > 768;
}

function step(part) {
  const way = part * (state.to - state.from);
  state.at += way;
  view(state.from + way, state.to + way);
}

function along(axis) {
  // The moment that is read stays, and about as much around it.
  const run = runs[state.lead];
  if (!laid(state.lead)) return;
  const times = [state.from, state.at, state.to].map(x => timeAt(state.lead, x));
  const [low, high] = whole();
  const all = state.from <= low && state.to >= high;
  state.along = axis;
  if (!laid(state.lead)) lead([...state.shown].find(laid) ?? runs.findIndex((_, number) => laid(number)));
  const [from, at, to] = times.map(time => onAxis(run.places || axis === 'time' ? run : runs[state.lead], time));
  state.at = at;
  refresh();
  all ? showWhole() : view(from, to);
}

async function choose(numbers) {
  state.shown = new Set(numbers.length ? numbers : [state.lead]);
  if (!state.shown.has(state.lead)) state.lead = Math.min(...state.shown);
  refresh();
  const waiting = [...state.shown].filter(number => !runs[number].ready);
  // The run that is read first: the page can be used while the others are unpacked.
  for (const number of waiting.sort((a, b) => (b === state.lead) - (a === state.lead))) {
    const first = !runs.some(run => run.ready);
    if (!runs[number].ready) await (runs[number].waited ??= unpack(number));
    if (first) { state.at = moments.length && laid(state.lead) ? onAxis(runs[state.lead], moments[0].at) : 0; refresh(); showWhole(); }
  }
  refresh();
}

function lead(number) {
  state.lead = number;
  if (state.shown.has(number)) refresh();
  else choose([...state.shown, number]);
}

// After another choice of runs or axis: everything but the samples is made anew.
function refresh() {
  by('lead').value = state.lead;
  for (const box of document.querySelectorAll('#runs input')) box.checked = state.shown.has(+box.value);
  for (const radio of document.querySelectorAll('[name=along]')) radio.checked = radio.value === state.along;
  const left = [...state.shown].filter(number => !laid(number)).map(number => runs[number].name);
  const told = missing.length ? [`Not logged or not known: ${missing.join(', ')}.`] : [];
  if (left.length) told.push(`Without a place on the course, so only over time: ${left.join(', ')}.`);
  told.push('Thick: the run that is read; colour: its set-up. Triangles: hits, filled when hard; upward ones: full droop. Dotted: suspect samples.');
  if (runs.some(run => Object.values(run.channels).some(channel => channel.wide))) told.push('So many samples are shown as lowest and highest of a few, except near the hardest hits.');
  by('notes').textContent = told.join(' ');
  if (!visible().length) return;
  drawStrip();
  ask(true);
}

// A link from the report: #run=r03&at=28.9, also &section= and &what=.
async function follow() {
  const asked = new URLSearchParams(location.hash.slice(1));
  const number = runs.findIndex(run => run.key === asked.get('run'));
  if (number < 0) return;
  state.lead = number;
  state.meant = asked.get('what') || '';
  // A run, a section or a remark of a check: its line there bears the words of the link that led here.
  state.line = asked.has('section') || asked.has('what') || !asked.has('at') ? location.hash : '';
  await choose([...state.shown, number]);
  if (!laid(number)) { state.along = 'time'; refresh(); }
  const run = runs[number], section = course.sections.find(({ name }) => name === asked.get('section'));
  const time = parseFloat(asked.get('at'));
  if (section && run.places) {
    const ends = state.along === 'place' ? [section.from, section.to] : sectionsOnAxis().filter(one => one.name === section.name).flatMap(({ from, to }) => [from, to]);
    state.at = (ends[0] + ends[1]) / 2;
    view(...ends);
  } else if (Number.isFinite(time)) {
    const [from, at, to] = [time - AROUND_S, time, time + AROUND_S].map(t => onAxis(run, t));
    state.at = at;
    view(from, to);
  } else showWhole();
  if (state.meant) by(`panel-${state.meant}`)?.scrollIntoView({ block: 'nearest' });
}

async function begin() {
  if (typeof DecompressionStream === 'undefined') {
    by('told').textContent = 'This browser is too old to unpack the runs; one of 2023 or later does.';
    return;
  }
  makeControls();
  makePanels();
  drawMap();
  listenToStrip();
  addEventListener('hashchange', follow);
  // A canvas keeps the width and colours it was drawn with, so all is drawn anew for the sheet of paper, and back.
  const turn = paper => {
    document.documentElement.classList.toggle('paper', paper);
    if (paper) panels.forEach(panel => (panel.seen = true));
    refresh();
    redraw();
  };
  addEventListener('beforeprint', () => turn(true));
  addEventListener('afterprint', () => turn(false));
  // Their own width, not the window's: figures drawn before all is laid out would keep the width they met.
  let wide = by('panels').clientWidth;
  new ResizeObserver(() => {
    const now = by('panels').clientWidth;
    if (now === wide || document.documentElement.classList.contains('paper')) return;
    wide = now;
    refresh();
  }).observe(by('panels'));
  matchMedia('(prefers-color-scheme: dark)').addEventListener('change', refresh);
  const asked = new URLSearchParams(location.hash.slice(1)).get('run');
  const wanted = runs.findIndex(run => run.key === asked);
  if (wanted >= 0) state.lead = wanted;
  const others = [...runs.keys()].filter(number => number !== state.lead);
  if (!laid(state.lead) && state.along === 'place') state.along = 'time';
  await choose([state.lead, ...others.slice(0, MOST_AT_FIRST - 1)]);
  if (asked) await follow();
  document.documentElement.dataset.ready = Math.round(performance.now());
}

begin();
