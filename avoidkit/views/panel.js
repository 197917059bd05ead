// The answer beside the plan: sign, word, speed cap, why, and every comparison with its slack as a bar. Text as text only.
import {SIGNS} from './plan.js';
import {real} from './messages.js';

export function make(tag, className = '', text = '') {
  const element = document.createElement(tag);
  if (className) element.className = className;
  if (text) element.textContent = text;
  return element;
}

export function makeButton(text, label, action) {
  const element = make('button', '', text);
  element.type = 'button';
  if (label) element.title = label;
  element.addEventListener('click', action);
  return element;
}

// A choice of speeds of a clock; `change(factor)` is told of another one.
export function makeSpeeds(factors, label, change) {
  const speed = make('select');
  speed.setAttribute('aria-label', label);
  for (const factor of factors) {
    const option = make('option', '', `${factor} x`);
    option.value = factor;
    option.selected = factor === 1;
    speed.append(option);
  }
  speed.addEventListener('change', () => change(Number(speed.value)));
  return speed;
}

// A box to tick for each layer; `hidden` is the set of those that are not drawn.
export function makeLayers(names, hidden, redraw) {
  const row = make('fieldset', 'ak-layers');
  row.append(make('legend', '', 'show'));
  for (const name of names) {
    const label = make('label'), tick = make('input');
    tick.type = 'checkbox';
    tick.checked = !hidden.has(name);
    tick.addEventListener('change', () => {
      if (tick.checked) hidden.delete(name); else hidden.add(name);
      redraw();
    });
    label.append(tick, name);
    row.append(label);
  }
  return row;
}

// Two decimals and the unit; words where a number is infinite or not known. An age of what never came is "never".
export function show(value, unit = '') {
  const number = real(value);
  if (Number.isNaN(number)) return 'unknown';
  if (!Number.isFinite(number) && unit === 's') return number > 0 ? 'never' : 'none';
  if (!Number.isFinite(number)) return number > 0 ? 'no limit' : 'below all';
  if (unit.startsWith('of ')) return `${Math.round(number)} ${unit}`; // so many of so many
  const text = Math.abs(number) < 100 ? number.toFixed(2) : number.toFixed(0);
  return unit && unit !== '1' ? `${text} ${unit}` : text;
}

export function headline(frame) {
  const sign = SIGNS[frame.action];
  return frame.cap > 0 ? `${sign.word}, up to ${frame.cap.toFixed(2)} m/s` : sign.word;
}

// How far a check is from failing, as a share of what was needed: -1 to 1, for a bar; 0 holds by nothing.
export function slackShare(check) {
  const slack = check.atMost ? check.needed - check.found : check.found - check.needed;
  if (Number.isNaN(slack)) return -1;
  const scale = Math.max(Math.abs(check.needed), 0.1);
  return Math.max(-1, Math.min(1, slack / scale));
}

export function turnWords([quantity, unit, now, then, becomes]) {
  return `It would turn to ${SIGNS[becomes].word} with ${quantity} from ${show(now, unit)} to ${show(then, unit)}.`;
}

// A panel element and a function that shows a frame in it. Rows are reused, so that playing makes no garbage.
export function makePanel() {
  const box = make('div', 'ak-panel');
  const head = make('div', 'ak-head');
  const sign = make('span', 'ak-sign');
  const letter = make('i');
  sign.append(letter);
  const words = make('span');
  const word = make('b'), cap = make('span');
  words.append(word, make('br'), cap);
  head.append(sign, words);
  const why = make('p', 'ak-why'), turn = make('p', 'ak-turn'), trouble = make('p', 'ak-trouble');
  const live = make('div', 'ak-answer');
  live.setAttribute('role', 'status');
  live.append(head, trouble, why, turn);
  const table = make('table', 'ak-checks');
  const top = table.createTHead().insertRow();
  for (const name of ['', 'check', 'needed', 'found', 'slack', '']) {
    const cell = make('th', '', name);
    cell.scope = 'col';
    top.append(cell);
  }
  const body = table.createTBody(), scroll = make('div', 'ak-scroll');
  scroll.tabIndex = 0;
  scroll.setAttribute('aria-label', 'checks');
  scroll.append(table);
  box.append(live, scroll);
  let framed = '';

  function showFrame(frame) {
    const look = SIGNS[frame.action];
    live.dataset.action = frame.action;
    sign.className = `ak-sign ak-${look.shape}`;
    sign.style.background = look.color;
    sign.style.color = look.ink;
    write(letter, look.letter);
    write(word, look.word);
    write(cap, frame.cap > 0 ? `up to ${frame.cap.toFixed(2)} m/s` : 'speed 0');
    write(why, frame.why);
    write(turn, frame.turn ? turnWords(frame.turn) : '');
    write(trouble, frame.error ?? '');
    trouble.hidden = !frame.error;
    while (body.rows.length > frame.checks.length) body.deleteRow(-1);
    while (body.rows.length < frame.checks.length) addRow(body);
    frame.checks.forEach((check, k) => fillRow(body.rows[k], check, k === frame.settled));
    const now = `${frame.settled} of ${frame.checks.length}`;
    if (now !== framed && frame.settled >= 0) { // what settled it comes into sight, but nobody's own scrolling is undone
      const wanted = body.rows[frame.settled].offsetTop - scroll.clientHeight / 2;
      const first = [...body.rows].find((row) => row.offsetTop - top.offsetHeight >= wanted);
      scroll.scrollTop = first.offsetTop - top.offsetHeight; // no row is cut by the head
      framed = now;
    }
  }

  return {element: box, live, show: showFrame};
}

// Text is written only where it changes: a table that stays as it is need not be laid out anew.
function write(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

function addRow(body) {
  const row = body.insertRow();
  for (let k = 0; k < 6; k += 1) row.insertCell();
  row.cells[1].className = 'ak-name';
  const bar = make('span', 'ak-bar');
  bar.append(make('i'));
  row.cells[5].append(bar);
}

function fillRow(row, check, settles) {
  const word = check.holds ? 'holds' : 'fails';
  row.className = `ak-${word}${settles ? ' ak-settles' : ''}`;
  write(row.cells[0], check.holds ? '\u2713' : '\u2717');
  row.cells[0].setAttribute('aria-label', word);
  write(row.cells[1], check.about ? `${check.name} (${check.about})` : check.name);
  write(row.cells[2], `${check.atMost ? '\u2264' : '\u2265'} ${show(check.needed, check.unit)}`);
  write(row.cells[3], show(check.found, check.unit));
  const slack = check.atMost ? check.needed - check.found : check.found - check.needed;
  write(row.cells[4], show(slack, check.unit));
  const share = slackShare(check), bar = row.cells[5].firstChild.firstChild;
  bar.style.width = `${50 * Math.abs(share)}%`;
  bar.style.left = share < 0 ? `${50 + 50 * share}%` : '50%';
}

// Light or dark, after the lab's theme where there is one, else after the system's.
export function prefersDark() {
  const lab = document.body.dataset.jpThemeLight;
  if (lab !== undefined) return lab === 'false';
  return window.matchMedia('(prefers-color-scheme: dark)').matches;
}

// A canvas as sharp as the screen; returns its drawing context and the number of real pixels in a CSS pixel.
export function sharpen(canvas, width, height) {
  const pixels = window.devicePixelRatio || 1;
  const [wide, high] = [Math.round(width * pixels), Math.round(height * pixels)];
  if (canvas.width !== wide || canvas.height !== high) {
    canvas.width = wide;
    canvas.height = high;
    canvas.style.width = `${width}px`;
    canvas.style.height = `${height}px`;
  }
  return {ctx: canvas.getContext('2d'), pixels};
}

// Width and height of each plan: one with its answer beside it, or two side by side with the answers below.
export function sideSize(stage, sides) {
  const all = Math.max(stage.clientWidth, 320), panel = sides[0].panel.element; // a frame not laid out yet has no width
  const high = Math.max(window.innerHeight, 700);
  if (sides.length > 1 && all >= 760) {
    const wide = Math.floor((all - 20) / 2);
    const tall = Math.round(Math.min(wide * 0.72, 0.5 * high));
    for (const side of sides) side.panel.element.style.maxHeight = `${Math.max(250, Math.round(0.36 * high))}px`;
    return [wide - 4, tall];
  }
  const beside = all - panel.offsetWidth - 20, wide = beside >= 380 ? beside : all - 4;
  const tall = Math.round(Math.min(Math.max(wide * 0.66, 280), 0.62 * high));
  for (const side of sides) side.panel.element.style.maxHeight = beside >= 380 && sides.length === 1 ? `${tall}px` : '';
  return [wide, tall];
}
