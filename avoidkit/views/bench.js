// The bench: take hold of a person or the vehicle on the plan view and see the answer move along. What is held is drawn
// at once; its place goes to the kernel as a numbered message, and the answer that comes back belongs to a place of its own.
import {
  LAYERS, THEMES, drawPlan, fitView, handleOf, outline, panBy, toScreen, toYard, velocityOf, zoomAt,
} from './plan.js';
import {Courier, unpack} from './messages.js';
import {headline, make, makePanel, prefersDark, sharpen, stageSize, turnWords} from './panel.js';

const GRASP_PX = 16;
const STEP_M = 0.05;
const TURN_RAD = Math.PI / 36;
const FASTEST_MPS = 3;
const PATIENCE_MS = 5000;
const OFF_AT_FIRST = ['fields'];
const HELP = 'Drag a person, the ring at the end of their velocity, or the vehicle along its path. Keys: arrows 5 cm (with Shift 50 cm), '
  + '[ and ] turn, + and - speed, comma and full stop move the vehicle, n next person, a add, Delete remove, 0 whole yard.';

// What is under a point of the screen: {kind: 'handle' | 'person' | 'vehicle' | 'ground', index}
export function whatIsAt(view, state, yard, px, py) {
  const near = (x, y, radius) => {
    const [qx, qy] = toScreen(view, x, y);
    return Math.hypot(px - qx, py - qy) <= radius;
  };
  const chosen = state.people[state.chosen];
  if (chosen && near(...handleOf(chosen), GRASP_PX)) return {kind: 'handle', index: state.chosen};
  for (let k = state.people.length - 1; k >= 0; k -= 1) {
    const {x, y} = state.people[k];
    if (near(x, y, Math.max(GRASP_PX, 0.35 * view.scale))) return {kind: 'person', index: k};
  }
  const [x, y] = toYard(view, px, py);
  return {kind: inside([x, y], outline(yard.vehicle, state.ego)) ? 'vehicle' : 'ground', index: -1};
}

export function inside([x, y], corners) {
  return corners.every(([x0, y0], k) => {
    const [x1, y1] = corners[(k + 1) % corners.length];
    return (x1 - x0) * (y - y0) - (y1 - y0) * (x - x0) >= 0;
  });
}

// Distance along a way of [x, y, yaw] points, by step metres each, of the point nearest to (x, y).
export function nearestAlong(way, x, y) {
  let along = 0, best = Infinity, found = 0;
  for (let k = 0; k + 1 < way.length; k += 1) {
    const [x0, y0] = way[k], [x1, y1] = way[k + 1];
    const length = Math.hypot(x1 - x0, y1 - y0);
    const share = Math.min(1, Math.max(0, ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / Math.max(length * length, 1e-12)));
    const off = Math.hypot(x - x0 - share * (x1 - x0), y - y0 - share * (y1 - y0));
    if (off < best) [best, found] = [off, along + share * length];
    along += length;
  }
  return found;
}

// The pose [x, y, yaw] a distance along a way.
export function poseAlong(way, along) {
  let left = along;
  for (let k = 0; k + 1 < way.length; k += 1) {
    const [x0, y0, yaw0] = way[k], [x1, y1, yaw1] = way[k + 1];
    const length = Math.hypot(x1 - x0, y1 - y0);
    if (left <= length || k + 2 === way.length) {
      const share = Math.min(1, Math.max(0, left / Math.max(length, 1e-9)));
      return [x0 + share * (x1 - x0), y0 + share * (y1 - y0), yaw0 + share * (yaw1 - yaw0)];
    }
    left -= length;
  }
  return way[0];
}

// What a key does to the state; false where it does nothing. Pure but for the state it is given.
export function press(state, key, shift) {
  const person = state.people[state.chosen], by = shift ? 10 * STEP_M : STEP_M;
  const shiftBy = (dx, dy) => person && Object.assign(person, {x: person.x + dx * by, y: person.y + dy * by});
  const bend = (turn, more) => {
    if (!person) return;
    const speed = Math.min(FASTEST_MPS, Math.max(0, Math.hypot(person.vx, person.vy) + more));
    const heading = person.heading + turn;
    Object.assign(person, {heading, vx: speed * Math.cos(heading), vy: speed * Math.sin(heading)});
  };
  const acts = {
    ArrowLeft: () => shiftBy(-1, 0), ArrowRight: () => shiftBy(1, 0), ArrowUp: () => shiftBy(0, 1), ArrowDown: () => shiftBy(0, -1),
    '[': () => bend(TURN_RAD, 0), ']': () => bend(-TURN_RAD, 0), '+': () => bend(0, 0.1), '=': () => bend(0, 0.1), '-': () => bend(0, -0.1),
    ',': () => { state.along = Math.max(0, state.along - by); }, '.': () => { state.along += by; },
    n: () => { state.chosen = (state.chosen + 1) % Math.max(state.people.length, 1); },
    a: () => addPerson(state), Delete: () => removePerson(state),
  };
  if (!acts[key]) return false;
  acts[key]();
  return true;
}

export function addPerson(state, place) {
  const last = state.people[state.chosen] ?? {x: state.ego[0] + 6, y: state.ego[1], heading: Math.PI};
  const [x, y] = place ?? [last.x + 1, last.y];
  state.people.push({x, y, vx: 0, vy: 0, heading: last.heading, name: `guest ${state.people.length + 1}`});
  state.chosen = state.people.length - 1;
}

function removePerson(state) {
  state.people.splice(state.chosen, 1);
  state.chosen = Math.max(0, Math.min(state.chosen, state.people.length - 1));
}

// Numbers of a state as they go to the kernel.
export function question(state) {
  return {kind: 'ask', along: state.along, people: state.people.map(({x, y, vx, vy}) => [x, y, vx, vy])};
}

function render({model, el}) {
  const yard = model.get('yard'), start = model.get('start');
  const state = {people: start.people.map((row, k) => ({...row, name: `guest ${k + 1}`})), chosen: 0, along: start.along, ego: start.ego};
  const hidden = new Set(OFF_AT_FIRST);
  const courier = new Courier((content) => {
    tell('ak-sent', content);
    model.send(content);
  });
  let frame = null, grid = null, view = null, size = null, held = null, queued = false, patience = 0;

  const box = make('div', 'ak-bench'), stage = make('div', 'ak-stage'), canvas = make('canvas', 'ak-plan'), panel = makePanel();
  canvas.tabIndex = 0;
  canvas.setAttribute('role', 'application');
  canvas.setAttribute('aria-label', `Plan view. ${HELP}`);
  const note = make('p', 'ak-trouble ak-kernel');
  note.hidden = true;
  stage.append(canvas, panel.element, note);
  const ask = make('button', 'ak-ask', 'what would turn it?'), turning = make('span', 'ak-turning');
  ask.type = 'button';
  turning.setAttribute('role', 'status');
  ask.addEventListener('click', () => {
    turning.textContent = 'looking ...';
    model.send({kind: 'turn'});
  });
  const row = make('div', 'ak-controls');
  row.append(ask, turning);
  box.append(stage, row, layerRow(), make('p', 'ak-about', HELP));
  el.replaceChildren(box);

  function layerRow() {
    const row = make('fieldset', 'ak-layers');
    row.append(make('legend', '', 'show'));
    for (const name of LAYERS) {
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

  function redraw() {
    if (queued) return;
    queued = true;
    requestAnimationFrame(() => {
      queued = false;
      draw();
    });
  }

  function draw() {
    size ??= stageSize(stage, panel.element);
    const [wide, high] = size;
    if (wide <= 0) return;
    const {ctx, pixels} = sharpen(canvas, wide, high);
    view = view ? {...view, width: wide, height: high} : fitView(start.window, wide, high);
    const theme = prefersDark() ? THEMES.dark : THEMES.light;
    const shown = {action: 'halt', ...frame, ego: state.ego, people: state.people, grid};
    drawPlan(ctx, view, yard, shown, {theme, hidden, pixels, chosen: state.chosen});
    tell('ak-drawn');
  }

  // For whoever measures: what happened when; nothing on the page listens.
  function tell(name, detail = {}) {
    canvas.dispatchEvent(new CustomEvent(name, {detail}));
  }

  function moved() {
    redraw();
    patience ||= setTimeout(wonder, PATIENCE_MS);
    tell('ak-moved');
    courier.post({...question(state), at: performance.now()}); // last: it throws where the line to the kernel is closed
  }

  function wonder() {
    patience = 0;
    if (!courier.flying.size && !courier.waiting) return;
    note.textContent = 'The kernel has not answered for 5 s. It may be busy, restarting or gone; what is shown is old.';
    note.hidden = false;
    panel.element.classList.add('ak-old');
  }

  const onMessage = (content, buffers) => {
    if (content.kind === 'turn') {
      turning.textContent = content.problem ?? (content.turn ? turnWords(content.turn) : 'No single change that was tried turns it.');
      return;
    }
    if (content.kind !== 'answer' || !courier.answer(content.number)) return;
    clearTimeout(patience);
    patience = courier.flying.size ? setTimeout(wonder, PATIENCE_MS) : 0;
    note.hidden = !content.problem;
    note.textContent = content.problem ?? '';
    panel.element.classList.toggle('ak-old', Boolean(content.problem));
    canvas.dataset.answered = content.number;
    requestAnimationFrame(() => tell('ak-answered', {number: content.number}));
    if (content.problem) return;
    if (content.grid) grid = {...content.grid, cells: bytesOf(buffers[0])};
    frame = unpack(content.frame);
    turning.textContent = '';
    if (held?.kind !== 'vehicle') [state.ego, state.along] = [frame.ego, content.along];
    panel.show(frame);
    canvas.dataset.action = frame.action;
    canvas.setAttribute('aria-label', `Plan view: ${headline(frame)}. ${frame.why} ${HELP}`);
    redraw();
  };

  function bytesOf(buffer) {
    return new Uint8Array(buffer.buffer ?? buffer, buffer.byteOffset ?? 0, buffer.byteLength);
  }

  function at(event) {
    const frameBox = canvas.getBoundingClientRect();
    return [event.clientX - frameBox.left, event.clientY - frameBox.top];
  }

  canvas.addEventListener('pointerdown', (event) => {
    canvas.focus({preventScroll: true});
    const [px, py] = at(event);
    held = whatIsAt(view, state, yard, px, py);
    if (held.kind === 'person') state.chosen = held.index;
    held.last = [px, py];
    if (held.kind === 'vehicle') held.ahead = nearestAlong(yard.reference, ...toYard(view, px, py)) - state.along;
    canvas.setPointerCapture(event.pointerId);
    redraw();
  });

  canvas.addEventListener('pointermove', (event) => {
    if (!held) return;
    const [px, py] = at(event);
    const [x, y] = toYard(view, px, py), person = state.people[held.index];
    if (held.kind === 'person') Object.assign(person, {x, y});
    else if (held.kind === 'handle') Object.assign(person, velocityOf(person, x, y, FASTEST_MPS));
    else if (held.kind === 'vehicle') {
      state.along = Math.max(0, nearestAlong(yard.reference, x, y) - held.ahead);
      state.ego = [...poseAlong(yard.reference, state.along), 0, 0];
    } else {
      view = panBy(view, px - held.last[0], py - held.last[1]);
      held.last = [px, py];
      redraw();
      return;
    }
    moved();
  });

  for (const name of ['pointerup', 'pointercancel']) {
    canvas.addEventListener(name, () => {
      held = null;
    });
  }

  canvas.addEventListener('wheel', (event) => {
    if (document.activeElement !== canvas) return; // a page is scrolled over the plan unless it is in use
    event.preventDefault();
    view = zoomAt(view, ...at(event), Math.exp(-event.deltaY / 400));
    redraw();
  }, {passive: false});

  canvas.addEventListener('dblclick', (event) => {
    addPerson(state, toYard(view, ...at(event)));
    moved();
  });

  canvas.addEventListener('keydown', (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === '0') view = null;
    else if (!press(state, event.key, event.shiftKey)) return;
    event.preventDefault();
    event.stopPropagation();
    moved();
  });

  const watcher = new ResizeObserver(() => {
    size = null;
    redraw();
  });
  watcher.observe(el);
  const listeners = {'msg:custom': onMessage, 'change:revision': moved, comm_live_update: wonder};
  for (const [name, listener] of Object.entries(listeners)) model.on(name, listener);
  model.send({kind: 'ready'});
  moved();
  return () => {
    watcher.disconnect();
    for (const [name, listener] of Object.entries(listeners)) model.off(name, listener);
    clearTimeout(patience);
  };
}

export default {render};
