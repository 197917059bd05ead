// A recorded drive in one page: scrub, play, step, layers, reasons of each cycle, and a ribbon of the whole to jump in.
import {LAYERS, SIGNS, THEMES, drawPlan, fitView, panBy, zoomAt} from './plan.js';
import {cellsOf, real, unpack} from './messages.js';
import {headline, make, makePanel, prefersDark, sharpen, show, stageSize} from './panel.js';

const SPEEDS = [0.25, 0.5, 1, 2, 4];
const OFF_AT_FIRST = ['fields', 'candidates', 'shadows'];
const GAP_SHOWN_M = 4;

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

// Stretches of one action: [action, first index, index after the last].
export function stretches(frames) {
  const found = [];
  frames.forEach((frame, k) => {
    const last = found[found.length - 1];
    if (last && last[0] === frame.action) last[2] = k + 1; else found.push([frame.action, k, k + 1]);
  });
  return found;
}

export function mountPlayer(root, demo) {
  const state = {index: 0, playing: false, speed: 1, hidden: new Set(OFF_AT_FIRST), view: null, clock: 0, begun: 0};
  const first = demo.frames[0].t, last = demo.frames[demo.frames.length - 1].t;
  const page = make('div', 'ak-page');
  const stage = make('div', 'ak-stage'), canvas = make('canvas', 'ak-plan'), panel = makePanel();
  canvas.setAttribute('role', 'img');
  stage.append(canvas, panel.element);
  const ribbon = make('canvas', 'ak-ribbon');
  ribbon.setAttribute('aria-hidden', 'true');
  const controls = makeControls();
  page.append(make('h1', '', demo.title), make('p', 'ak-about', demo.about), stage, controls.bar, ribbon, controls.layers,
    make('p', 'ak-caution', demo.caution));
  root.replaceChildren(page);

  function makeControls() {
    const bar = make('div', 'ak-controls'), layers = make('fieldset', 'ak-layers');
    const play = button('play', 'play or pause (space bar)', toggle);
    const back = button('\u2039 step', 'one cycle back (left arrow)', () => step(-1));
    const on = button('step \u203a', 'one cycle on (right arrow)', () => step(1));
    const scrub = make('input');
    Object.assign(scrub, {type: 'range', min: 0, max: demo.frames.length - 1, step: 1, value: 0});
    scrub.setAttribute('aria-label', 'cycle');
    scrub.addEventListener('input', () => jump(Number(scrub.value)));
    const speed = make('select');
    speed.setAttribute('aria-label', 'speed');
    for (const factor of SPEEDS) {
      const option = make('option', '', `${factor} x`);
      option.value = factor;
      option.selected = factor === 1;
      speed.append(option);
    }
    speed.addEventListener('change', () => setSpeed(Number(speed.value)));
    const time = make('output', 'ak-time');
    bar.append(play, back, on, scrub, time, speed);
    layers.append(make('legend', '', 'show'), ...LAYERS.map(layerBox));
    return {bar, layers, play, scrub, time};
  }

  function button(text, label, action) {
    const element = make('button', '', text);
    element.type = 'button';
    element.title = label;
    element.addEventListener('click', action);
    return element;
  }

  function layerBox(name) {
    const box = make('label'), tick = make('input');
    tick.type = 'checkbox';
    tick.checked = !state.hidden.has(name);
    tick.addEventListener('change', () => {
      if (tick.checked) state.hidden.delete(name); else state.hidden.add(name);
      draw();
    });
    box.append(tick, name);
    return box;
  }

  function setSpeed(factor) {
    state.begun = performance.now();
    state.clock = demo.frames[state.index].t;
    state.speed = factor;
  }

  function toggle() {
    state.playing = !state.playing;
    if (state.playing && state.index === demo.frames.length - 1) state.index = 0;
    setSpeed(state.speed);
    controls.play.textContent = state.playing ? 'pause' : 'play';
    panel.element.firstChild.setAttribute('aria-live', state.playing ? 'off' : 'polite');
    if (state.playing) requestAnimationFrame(tick);
  }

  function tick(now) {
    if (!state.playing) return;
    const time = state.clock + ((now - state.begun) / 1000) * state.speed;
    const index = indexAt(demo, time);
    if (index !== state.index) {
      state.index = index;
      draw();
    }
    if (time >= last) toggle(); else requestAnimationFrame(tick);
  }

  function step(by) {
    jump(Math.min(demo.frames.length - 1, Math.max(0, state.index + by)));
  }

  function jump(index) {
    state.index = index;
    setSpeed(state.speed);
    draw();
  }

  function draw() {
    const frame = frameAt(demo, state.index), theme = prefersDark() ? THEMES.dark : THEMES.light;
    const [wide, high] = stageSize(stage, panel.element);
    const {ctx, pixels} = sharpen(canvas, wide, high);
    state.view = state.view ? {...state.view, width: wide, height: high} : fitView(demo.yard.window, wide, high);
    drawPlan(ctx, state.view, demo.yard, frame, {theme, hidden: state.hidden, pixels});
    panel.show(frame);
    canvas.setAttribute('aria-label', `Plan view at ${frame.t.toFixed(2)} s: ${headline(frame)}. ${frame.why}`);
    controls.scrub.value = state.index;
    controls.time.textContent = `${frame.t.toFixed(2)} s of ${last.toFixed(2)} s, gap ${show(frame.gap, 'm')}`;
    drawRibbon(ribbon, demo, frame.t, theme);
  }

  ribbon.addEventListener('pointerdown', (event) => {
    const share = (event.clientX - ribbon.getBoundingClientRect().left) / ribbon.clientWidth;
    jump(indexAt(demo, first + share * (last - first)));
  });
  canvas.addEventListener('wheel', (event) => {
    event.preventDefault();
    const box = canvas.getBoundingClientRect();
    state.view = zoomAt(state.view, event.clientX - box.left, event.clientY - box.top, Math.exp(-event.deltaY / 400));
    draw();
  }, {passive: false});
  canvas.addEventListener('pointermove', (event) => {
    if (event.buttons !== 1) return;
    state.view = panBy(state.view, event.movementX, event.movementY);
    draw();
  });
  canvas.addEventListener('dblclick', () => {
    state.view = null;
    draw();
  });
  document.addEventListener('keydown', (event) => {
    const {tagName} = event.target; // fields keep their own keys, and a button its space bar
    if (tagName === 'INPUT' || tagName === 'SELECT' || (tagName === 'BUTTON' && event.key === ' ')) return;
    const act = {' ': toggle, ArrowLeft: () => step(-1), ArrowRight: () => step(1), Home: () => jump(0),
      End: () => jump(demo.frames.length - 1)}[event.key];
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

// Actions as a strip with letters, the nearest gap as a line, the speed cap as a filled step; a thin line at now.
function drawRibbon(canvas, demo, now, theme) {
  const style = getComputedStyle(canvas.parentElement);
  const width = canvas.parentElement.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight);
  const height = 108;
  const {ctx, pixels} = sharpen(canvas, width, height);
  const first = demo.frames[0].t, last = demo.frames[demo.frames.length - 1].t;
  const at = (time) => ((time - first) / Math.max(last - first, 1e-6)) * width;
  ctx.setTransform(pixels, 0, 0, pixels, 0, 0);
  ctx.fillStyle = theme.paper;
  ctx.fillRect(0, 0, width, height);
  for (const [action, from, to] of stretches(demo.frames)) {
    const x0 = at(demo.frames[from].t), x1 = at(demo.frames[Math.min(to, demo.frames.length - 1)].t);
    fillStretch(ctx, SIGNS[action], x0, x1);
  }
  const most = Math.max(...demo.frames.map((frame) => frame.cap), 0.1);
  drawSteps(ctx, demo.frames, at, (frame) => 104 - 34 * (frame.cap / most), 104);
  ctx.strokeStyle = theme.ink;
  ctx.lineWidth = 1.8;
  ctx.beginPath();
  let drawing = false;
  for (const frame of demo.frames) {
    const gap = real(frame.gap);
    if (gap <= GAP_SHOWN_M) {
      const y = 104 - 34 * (gap / GAP_SHOWN_M);
      if (drawing) ctx.lineTo(at(frame.t), y); else ctx.moveTo(at(frame.t), y);
    }
    drawing = gap <= GAP_SHOWN_M;
  }
  ctx.stroke();
  ctx.font = '12px sans-serif';
  ctx.textAlign = 'left';
  ctx.textBaseline = 'top';
  ctx.fillStyle = theme.ink;
  ctx.fillText(`line: nearest gap, 0 to ${GAP_SHOWN_M} m;  filled: speed cap, 0 to ${most.toFixed(2)} m/s`, 6, 40);
  ctx.fillRect(at(now) - 1, 0, 2, height);
}

function fillStretch(ctx, sign, x0, x1) {
  ctx.save();
  ctx.beginPath();
  ctx.rect(x0, 0, Math.max(x1 - x0, 1), 34);
  ctx.fillStyle = sign.color;
  ctx.fill();
  ctx.clip();
  ctx.strokeStyle = 'rgba(0,0,0,.55)';
  ctx.lineWidth = 1;
  ctx.setLineDash(sign.shape === 'square' ? [2, 5] : []);
  ctx.beginPath();
  for (let x = x0 - 34; x < x1 && sign.shape !== 'round'; x += 9) {
    ctx.moveTo(x, 34);
    ctx.lineTo(x + 34, 0);
    if (sign.shape === 'octagon') {
      ctx.moveTo(x, 0);
      ctx.lineTo(x + 34, 34);
    }
  }
  ctx.stroke();
  ctx.restore();
  if (x1 - x0 < 24) return;
  ctx.beginPath();
  ctx.arc((x0 + x1) / 2, 17, 12, 0, 2 * Math.PI);
  ctx.fillStyle = sign.color;
  ctx.fill();
  ctx.font = 'bold 17px sans-serif';
  ctx.textAlign = 'center';
  ctx.textBaseline = 'middle';
  ctx.fillStyle = sign.ink;
  ctx.fillText(sign.letter, (x0 + x1) / 2, 18);
}

function drawSteps(ctx, frames, at, heightOf, floor) {
  ctx.fillStyle = 'rgba(86,180,233,.4)';
  ctx.beginPath();
  ctx.moveTo(at(frames[0].t), floor);
  frames.forEach((frame, k) => {
    ctx.lineTo(at(frame.t), heightOf(frame));
    ctx.lineTo(at(frames[Math.min(k + 1, frames.length - 1)].t), heightOf(frame));
  });
  ctx.lineTo(at(frames[frames.length - 1].t), floor);
  ctx.fill();
}
