// A recorded drive in one page, or two side by side with one clock: scrub, play, step, layers, reasons of each cycle, and a
// ribbon of the whole to jump in.
import {LAYERS, THEMES, drawPlan, fitView, panBy, zoomAt, zoomKey} from './plan.js';
import {cellsOf, unpack} from './messages.js';
import {headline, make, makeButton, makeLayers, makePanel, makeSpeeds, prefersDark, sharpen, show, sideSize} from './panel.js';
import {drawRibbon} from './ribbon.js';
import {placeTip, tipAt} from './tips.js';

const SPEEDS = [0.25, 0.5, 1, 2, 4];
const OFF_AT_FIRST = ['fields', 'candidates', 'shadows'];

// Shared numbers and texts are kept once in a demo; this gives the frame at an index in full.
export function frameAt(demo, index) {
  const raw = demo.frames[index];
  const checks = raw.checks.map(([name, about, needed, found, unit, holds, atMost]) => (
    [demo.texts[name], demo.texts[about], needed, found, demo.texts[unit], holds, atMost]));
  const path = demo.paths[raw.path[0]].slice(raw.path[1]);
  const people = raw.people.map((row) => [...row.slice(0, 8), demo.texts[row[8]]]);
  const turn = raw.turn && [demo.texts[raw.turn[0]], demo.texts[raw.turn[1]], ...raw.turn.slice(2)];
  const frame = unpack({...raw, checks, path, people, turn, why: demo.texts[raw.why], error: demo.texts[raw.error],
    candidates: raw.candidates.map((k) => demo.paths[k])});
  return {...frame, grid: gridAt(demo, raw.grid)};
}

function gridAt(demo, index) {
  const grid = index < 0 ? null : demo.grids[index];
  if (!grid) return null;
  grid.cells ??= cellsOf(grid.runs, grid.rows * grid.cols);
  return grid;
}

// The last frame at or before a time.
export function indexAt(demo, time) {
  let low = 0, high = demo.frames.length - 1;
  while (low < high) {
    const middle = Math.ceil((low + high) / 2);
    if (demo.frames[middle].t <= time + 1e-6) low = middle; else high = middle - 1;
  }
  return low;
}

// The instants of one clock for all demos, s, each once.
export function clockOf(demos) {
  const times = demos.flatMap((demo) => demo.frames.map((frame) => frame.t));
  return [...new Set(times)].sort((a, b) => a - b);
}

function makeSide(demo, name) {
  const box = make('div', 'ak-side'), canvas = make('canvas', 'ak-plan'), panel = makePanel(), ribbon = make('canvas', 'ak-ribbon');
  canvas.setAttribute('role', 'img');
  canvas.tabIndex = 0;
  ribbon.setAttribute('aria-hidden', 'true');
  if (name) panel.element.prepend(make('b', 'ak-name', `${name}: ${demo.title}`), make('p', 'ak-about', demo.about));
  box.append(canvas, panel.element);
  return {demo, name, box, canvas, panel, ribbon, view: null, frame: null};
}

export function mountPlayer(root, data) {
  const demos = data.demos ?? [data], times = clockOf(demos), first = times[0], last = times[times.length - 1];
  const state = {index: 0, playing: false, speed: 1, hidden: new Set(OFF_AT_FIRST), clock: 0, begun: 0};
  const sides = demos.map((demo, k) => makeSide(demo, demos.length > 1 ? 'AB'[k] : ''));
  const page = make('div', 'ak-page'), stage = make('div', 'ak-stage'), ribbons = make('div', 'ak-ribbons'), tip = make('div', 'ak-tip'), controls = makeControls();
  stage.classList.toggle('ak-two', sides.length > 1);
  stage.append(...sides.map((side) => side.box), tip);
  tip.hidden = true;
  ribbons.append(...sides.map((side) => side.ribbon));
  page.append(make('h1', '', data.title), make('p', 'ak-about', data.about), stage, controls.bar, ribbons, controls.layers,
    openRow(), make('p', 'ak-caution', data.caution));
  root.replaceChildren(page);

  // The call that opens this cycle on the bench, to copy into a cell.
  function openRow() {
    const row = make('p', 'ak-open', 'This cycle on the bench: ');
    row.append(controls.call);
    return row;
  }

  function makeControls() {
    const bar = make('div', 'ak-controls'), layers = makeLayers(LAYERS, state.hidden, () => draw());
    const play = makeButton('play', 'play or pause (space bar)', toggle);
    const back = makeButton('\u2039 step', 'one cycle back (left arrow)', () => step(-1));
    const on = makeButton('step \u203a', 'one cycle on (right arrow)', () => step(1));
    const scrub = make('input');
    Object.assign(scrub, {type: 'range', min: 0, max: times.length - 1, step: 1, value: 0});
    scrub.setAttribute('aria-label', 'cycle');
    scrub.addEventListener('input', () => jump(Number(scrub.value)));
    const speed = makeSpeeds(SPEEDS, 'speed', setSpeed);
    const time = make('output', 'ak-time');
    bar.append(play, back, on, scrub, time, speed);
    return {bar, layers, play, scrub, time, call: make('code')};
  }

  function setSpeed(factor) {
    state.begun = performance.now();
    state.clock = times[state.index];
    state.speed = factor;
  }

  function toggle() {
    state.playing = !state.playing;
    if (state.playing && state.index === times.length - 1) state.index = 0;
    setSpeed(state.speed);
    controls.play.textContent = state.playing ? 'pause' : 'play';
    for (const {panel} of sides) panel.live.setAttribute('aria-live', state.playing ? 'off' : 'polite');
    if (state.playing) requestAnimationFrame(tick);
  }

  function tick(now) {
    if (!state.playing) return;
    const time = state.clock + ((now - state.begun) / 1000) * state.speed;
    let index = state.index;
    while (index + 1 < times.length && times[index + 1] <= time + 1e-6) index += 1;
    if (index !== state.index) {
      state.index = index;
      draw();
    }
    if (time >= last) toggle(); else requestAnimationFrame(tick);
  }

  function step(by) {
    jump(Math.min(times.length - 1, Math.max(0, state.index + by)));
  }

  function jump(index) {
    state.index = index;
    setSpeed(state.speed);
    draw();
  }

  function draw() {
    const now = times[state.index], theme = prefersDark() ? THEMES.dark : THEMES.light, size = sideSize(stage, sides);
    const frames = sides.map((side) => drawSide(side, now, theme, size));
    controls.scrub.value = state.index;
    const gaps = frames.map((frame) => show(frame.gap, 'm')).join(' and ');
    controls.call.textContent = `bench("RUN.parquet", time_s=${now.toFixed(2)})`;
    controls.time.textContent = `${now.toFixed(2)} s of ${last.toFixed(2)} s, gap ${gaps}`;
  }

  function drawSide(side, now, theme, [wide, high]) {
    const {demo, canvas, panel} = side, frame = frameAt(demo, indexAt(demo, now));
    const {ctx, pixels} = sharpen(canvas, wide, high);
    side.view = side.view ? {...side.view, width: wide, height: high} : fitView(demo.yard.window, wide, high);
    drawPlan(ctx, side.view, demo.yard, frame, {theme, hidden: state.hidden, pixels});
    panel.show(frame);
    side.frame = frame;
    canvas.setAttribute('aria-label', `Plan view at ${frame.t.toFixed(2)} s: ${headline(frame)}. ${frame.why}`);
    drawRibbon(side.ribbon, demo, now, [first, last], theme, side.name);
    return frame;
  }

  for (const side of sides) listen(side);

  function listen(side) {
    const {canvas, ribbon} = side;
    ribbon.addEventListener('pointerdown', (event) => {
      const share = (event.clientX - ribbon.getBoundingClientRect().left) / ribbon.clientWidth;
      const wanted = first + share * (last - first);
      jump(Math.max(0, times.findLastIndex((time) => time <= wanted + 1e-6)));
    });
    canvas.addEventListener('wheel', (event) => {
      if (document.activeElement !== canvas) return; // a page is scrolled over the plan unless it is in use
      event.preventDefault();
      const box = canvas.getBoundingClientRect();
      side.view = zoomAt(side.view, event.clientX - box.left, event.clientY - box.top, Math.exp(-event.deltaY / 400));
      draw();
    }, {passive: false});
    canvas.addEventListener('pointermove', (event) => {
      if (event.buttons !== 1) {
        showTip(side, event);
        return;
      }
      side.view = panBy(side.view, event.movementX, event.movementY);
      tip.hidden = true;
      draw();
    });
    canvas.addEventListener('pointerleave', () => { tip.hidden = true; });
    canvas.addEventListener('dblclick', () => look(side, null));
    canvas.addEventListener('keydown', (event) => {
      const nearer = zoomKey(side.view, event.key, side.frame.ego);
      if (nearer || event.key === '0') look(side, nearer);
    });
  }

  function look(side, view) {
    side.view = view;
    draw();
  }

  function showTip({canvas, demo, view, frame}, event) {
    const box = canvas.getBoundingClientRect(), px = event.clientX - box.left - 1, py = event.clientY - box.top - 1;
    const lines = tipAt(view, demo.yard, frame, {people: [], ego: frame.ego}, px, py);
    tip.hidden = !lines.length;
    tip.textContent = lines.join('\n');
    placeTip(tip, stage, canvas, px, py);
  }

  document.addEventListener('keydown', (event) => {
    const {tagName} = event.target; // fields keep their own keys, and a button its space bar
    if (tagName === 'INPUT' || tagName === 'SELECT' || (tagName === 'BUTTON' && event.key === ' ')) return;
    const act = {' ': toggle, ArrowLeft: () => step(-1), ArrowRight: () => step(1), Home: () => jump(0),
      End: () => jump(times.length - 1)}[event.key];
    if (act) {
      event.preventDefault();
      act();
    }
  });
  window.addEventListener('resize', draw);
  window.matchMedia('(prefers-color-scheme: dark)').addEventListener('change', draw);
  draw();
  return {draw, jump, step, toggle, state};
}
