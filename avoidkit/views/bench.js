// The bench: take hold of a person, a thing or the vehicle on the plan and see the answer move along. What is held is drawn
// at once; its place goes to the kernel as a numbered message, and the answer that comes back belongs to a place of its own.
import {LAYERS, fitView, panBy, toYard, velocityOf, zoomAt, zoomKey} from './plan.js';
import {Courier, bytesOf, unpack, unpackCells} from './messages.js';
import {make, makeButton, makeLayers, sideSize} from './panel.js';
import {
  FASTEST_MPS, addBlock, addPerson, chooseNext, chosenPlace, chosenWords, nearestAlong, poseAlong, press, question, removeChosen, stateOf, whatIsAt,
} from './state.js';
import {makeMap, mapWords} from './overlay.js';
import {placeTip, tipAt} from './tips.js';
import {makeLiveBar} from './livebar.js';
import {differWords, drawSide, makeSide, showSide, turnText} from './sides.js';

const PATIENCE_MS = 5000, COMPILING_MS = 20000; // a long loop compiles for some seconds without a word
const REST_MS = {exact: 450, sensed: 150};
const OFF_AT_FIRST = ['fields', 'candidates', 'shadows'];
const HELP = 'Drag a person, the ring at the end of their velocity, a trolley or parked vehicle, or the vehicle along its path. Keys: arrows 5 cm '
  + '(with Shift 50 cm), [ and ] turn, + and - speed, comma and full stop move the vehicle, n next, a person, t trolley, p parked vehicle, '
  + 'Delete removes, z and Shift z zoom, 0 first view; in live mode hold the space bar to run.';
const FIXED_HELP = 'A recorded cycle, rebuilt exactly: who is there stays as sensed. Change the tuning below. Drag to move the view, wheel or z and Shift z to zoom, '
  + '0 for the first view.';

function render({model, el}) {
  const yard = model.get('yard'), start = model.get('start'), state = stateOf(start);
  const hidden = new Set(OFF_AT_FIRST);
  const courier = new Courier((content) => {
    tell('ak-sent', content);
    model.send(content);
  });
  let sides = [], view = null, size = null, held = null, queued = false, patience = 0, resting = 0, map = null, seen = 0, mode = 'exact', gone = false, puts = 0, compiling = -Infinity;

  const box = make('div', 'ak-bench'), stage = make('div', 'ak-stage');
  const note = make('p', 'ak-trouble ak-kernel'), tip = make('div', 'ak-tip'), turning = make('p', 'ak-turning'), chosen = make('output', 'ak-chosen');
  const differ = make('p', 'ak-differ');
  const provisional = make('p', 'ak-provisional', 'Provisional, by exact knowledge: what the sensors would make of it follows.');
  note.setAttribute('role', 'alert');
  for (const said of [turning, differ]) said.setAttribute('role', 'status');
  [note.hidden, tip.hidden, provisional.hidden] = [true, true, true];
  const live = makeLiveBar({send: (content) => model.send(content), change: changeMode, seen: () => seen});
  const fixed = Boolean(start.moment), layers = makeLayers(fixed ? LAYERS : [...LAYERS, 'map'], hidden, redraw);
  if (fixed) box.append(differ, stage, provisional, layers, make('p', 'ak-about', FIXED_HELP));
  else box.append(live.element, differ, stage, provisional, turning, toolRow(), layers, make('p', 'ak-about', HELP));
  setSides(1);
  el.replaceChildren(box);

  function setSides(count) {
    if (sides.length === count) return;
    sides = Array.from({length: count}, (_, k) => sides[k] ?? null);
    sides = sides.map((side, k) => (side && side.name === (count > 1 ? 'AB'[k] : '') ? side : makeSide(HELP, count > 1 ? 'AB'[k] : '')));
    stage.classList.toggle('ak-two', count > 1);
    stage.replaceChildren(...sides.map((side) => side.box), note, tip);
    for (const side of sides) if (!side.canvas.dataset.listens) listen(side.canvas);
    [size, view] = [null, null];
  }

  function toolRow() {
    const row = make('div', 'ak-controls ak-tools');
    const tool = (text, action) => makeButton(text, '', () => {
      action();
      sides[0].canvas.focus({preventScroll: true});
    });
    const after = (action) => () => {
      action();
      changed();
    };
    row.append(tool('next', () => { chooseNext(state); redraw(); }), tool('add person', after(() => addPerson(state))),
      tool('add trolley', after(() => addBlock(state, 'trolley'))), tool('add parked', after(() => addBlock(state, 'parked'))),
      tool('remove', after(() => removeChosen(state))), tool('map of answers', askMap), tool('no map', noMap), chosen);
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
    size ??= sideSize(stage, sides);
    const [wide, high] = size;
    if (wide <= 0) return;
    view = view ? {...view, width: wide, height: high} : fitView(start.window, wide, high);
    for (const side of sides) drawSide(side, view, yard, state, {hidden, map, live: mode === 'live'});
    const words = chosenWords(state);
    if (chosen.textContent !== words) chosen.textContent = words;
    tell('ak-drawn');
  }

  // For whoever measures: what happened when; nothing on the page listens.
  function tell(name, detail = {}) {
    sides[0]?.canvas.dispatchEvent(new CustomEvent(name, {detail}));
  }

  // Somebody or something is elsewhere: drawn at once, asked about by message. In live mode only the hand's guest is told.
  function moved() {
    redraw();
    if (gone) return;
    forgetTurn();
    tell('ak-moved');
    if (mode === 'live') {
      if (state.block < 0) lead(state.people[state.chosen], held?.kind === 'handle');
      return;
    }
    patience ||= setTimeout(wonder, PATIENCE_MS);
    clearTimeout(resting);
    courier.post({...question(state), mode, at: performance.now()}); // last: it throws where the line to the kernel is closed
  }

  // In live mode the chosen guest follows the hand, or walks on as the handle says.
  function lead(person, walks) {
    if (!person) return;
    person.led = !walks;
    tell('ak-sent', {number: puts += 1, at: performance.now()});
    const {x, y, vx, vy} = person;
    live.put({index: state.chosen, number: puts, ...(walks ? {vx, vy} : {x, y})});
  }

  // As `moved`, where live mode has to begin anew: somebody came or went, or a thing or the vehicle was moved.
  function changed() {
    if (mode === 'live') begin();
    else moved();
    redraw();
  }

  function begin() {
    live.press(false);
    live.begun();
    seen = 0;
    model.send({...question(state), kind: 'live', act: 'begin'});
  }

  function changeMode(next, anew) {
    mode = next;
    provisional.hidden = true;
    forgetTurn();
    if (anew) begin(); else moved();
  }

  function forgetTurn() {
    if (turning.textContent) turning.textContent = '';
    for (const side of sides) side.turn = null;
  }

  function askMap() {
    const shown = [...toYard(view, 0, view.height), ...toYard(view, view.width, 0)];
    map = makeMap([shown[0], shown[2], shown[1], shown[3]]);
    turning.textContent = 'Painting the answer for every place of the chosen person ...';
    model.send({kind: 'map', index: state.chosen, window: map.window});
    redraw();
  }

  function noMap() {
    map = null;
    model.send({kind: 'map'});
    redraw();
  }

  function wonder() {
    patience = 0;
    if (!courier.flying.size && !courier.waiting) return;
    if (performance.now() - compiling < COMPILING_MS) {
      freeze('The kernel is there: it compiles its loops, once after an installation. That can take a minute; what is shown is old.');
      patience = setTimeout(wonder, PATIENCE_MS);
    } else freeze('The kernel has not answered for 5 s. It may be busy, restarting or gone; what is shown is old.');
  }

  function freeze(words) {
    note.textContent = words;
    note.hidden = false;
    box.classList.add('ak-frozen');
    for (const side of sides) side.panel.element.classList.add('ak-old');
  }

  function kernelGone() {
    gone = true;
    live.press(false);
    freeze('The kernel is gone or was restarted: nothing here moves any more. Run the cells again.');
  }

  function onMessage(content, buffers) {
    const act = {turn: onTurn, map: onMap, live: onLive, answer: onAnswer, heard: () => live.heard(content.word), compiling: () => { compiling = performance.now(); }}[content.kind];
    if (act) act(content, buffers);
  }

  function onTurn({number, turn, shape, problem}) {
    if (courier.flying.size || number !== courier.answered || mode === 'live') return; // something newer was asked
    turning.textContent = turnText({turn, problem, looked: true});
    sides[0].turn = turn ? {turn, shape} : null;
    redraw();
  }

  function onMap({squares, done, old, problem}) {
    if (!map) return;
    if (old) map.old = true; else map.add(squares);
    map.done = Boolean(done);
    turning.textContent = problem ?? mapWords(map);
    sides[0].canvas.dataset.map = old ? 'old' : String(map.painted);
    redraw();
  }

  function onAnswer(content, buffers) {
    const newer = content.refined ? content.number === courier.answered && !courier.flying.size : courier.answer(content.number);
    if (!newer || mode === 'live') return;
    clearTimeout(patience);
    patience = courier.flying.size ? setTimeout(wonder, PATIENCE_MS) : 0;
    trouble(content.problem);
    requestAnimationFrame(() => tell('ak-answered', {number: content.number}));
    if (!courier.flying.size && !content.refined && !content.problem) rest(content.number);
    if (content.problem) return;
    setSides(content.frames.length);
    takeFrames(content.frames, content.grids, buffers);
    provisional.hidden = !content.provisional;
    sides[0].canvas.dataset.answered = content.number;
    sides[0].canvas.dataset.refined = String(Boolean(content.refined));
    if (held?.kind !== 'vehicle') [state.ego, state.along] = [sides[0].frame.ego, content.along];
    redraw();
  }

  function takeFrames(frames, grids, buffers) {
    let next = 0;
    frames.forEach((raw, k) => {
      if (grids[k]) sides[k].grid = {...grids[k], cells: unpackCells(bytesOf(buffers[next++]), grids[k].rows * grids[k].cols)};
      sides[k].frame = unpack(raw);
      showSide(sides[k], HELP);
    });
    differ.textContent = differWords(sides) || sides[0].frame.recorded || '';
  }

  function trouble(words) {
    note.hidden = !words;
    note.textContent = words ?? '';
    box.classList.remove('ak-frozen');
    for (const side of sides) side.panel.element.classList.toggle('ak-old', Boolean(words));
  }

  function rest(number) {
    clearTimeout(resting);
    resting = setTimeout(() => model.send({kind: 'rest', number}), REST_MS[mode] ?? REST_MS.exact);
  }

  function onLive(content, buffers) {
    if (mode !== 'live') return;
    trouble(content.problem);
    if (content.problem) return;
    seen = content.number;
    setSides(1);
    takeFrames([content.frame], [content.grid], buffers);
    const {frame} = sides[0];
    if (held?.kind !== 'vehicle') [state.ego, state.along] = [frame.ego, content.along];
    frame.people.slice(frame.own).forEach((person, k) => {
      const mine = state.people[k], busy = held && (held.kind === 'person' || held.kind === 'handle') && k === state.chosen;
      if (!mine || busy || (mine.led && !content.playing)) return;
      if (Math.hypot(person.vx, person.vy) < 0.01) mine.led = false; // arrived, or stopped by something
      if (!mine.led) Object.assign(mine, {x: person.x, y: person.y, vx: person.vx, vy: person.vy, heading: person.heading});
    });
    live.show(content);
    sides[0].canvas.dataset.cycle = content.number;
    redraw();
    requestAnimationFrame(() => tell('ak-cycle', {number: content.heard}));
  }

  // -- hands on -------------------------------------------------------------------------------------------

  function at(event) {
    const frameBox = event.currentTarget.getBoundingClientRect();
    return [event.clientX - frameBox.left - 1, event.clientY - frameBox.top - 1]; // a border of 1 px
  }

  function take(event) {
    event.currentTarget.focus({preventScroll: true});
    const [px, py] = at(event);
    held = fixed ? {kind: 'ground', index: -1} : whatIsAt(view, state, yard, px, py);
    if (held.kind === 'person') [state.chosen, state.block] = [held.index, -1];
    if (held.kind === 'block') state.block = held.index;
    held.last = [px, py];
    const [x, y] = toYard(view, px, py);
    if (held.kind === 'block') held.off = [state.blocks[held.index].x - x, state.blocks[held.index].y - y];
    if (held.kind === 'vehicle') held.ahead = nearestAlong(yard.reference, x, y) - state.along;
    event.currentTarget.setPointerCapture(event.pointerId);
    tip.hidden = true;
    redraw();
  }

  function follow(event) {
    const [px, py] = at(event);
    if (!held) {
      showTip(px, py, event.currentTarget);
      return;
    }
    const [x, y] = toYard(view, px, py), person = state.people[held.index];
    if (held.kind === 'person') Object.assign(person, {x, y});
    else if (held.kind === 'handle') Object.assign(person, velocityOf(person, x, y, FASTEST_MPS));
    else if (held.kind === 'block') Object.assign(state.blocks[held.index], {x: x + held.off[0], y: y + held.off[1]});
    else if (held.kind === 'vehicle') {
      if (mode === 'live') return; // while the loop runs, only the loop moves it
      state.along = Math.max(0, nearestAlong(yard.reference, x, y) - held.ahead);
      state.ego = [...poseAlong(yard.reference, state.along), 0, 0];
    } else {
      view = panBy(view, px - held.last[0], py - held.last[1]);
      held.last = [px, py];
      redraw();
      return;
    }
    held.moved = true;
    if (mode !== 'live' || held.kind !== 'block') moved(); else redraw();
  }

  function letGo() {
    const block = held?.kind === 'block' && held.moved;
    held = null;
    if (block && mode === 'live') begin();
  }

  function showTip(px, py, canvas) {
    const side = sides.find((one) => one.canvas === canvas);
    const lines = side?.frame ? tipAt(view, yard, {...side.frame, grid: side.grid}, state, px, py) : [];
    tip.hidden = !lines.length;
    tip.textContent = lines.join('\n');
    placeTip(tip, stage, canvas, px, py);
  }

  function onKey(event) {
    if (event.ctrlKey || event.metaKey || event.altKey || live.onKey(event, true)) return;
    const before = state.people.length + 100 * state.blocks.length, along = state.along;
    if (mode === 'live' && (event.key === ',' || event.key === '.')) return;
    const nearer = zoomKey(view, event.key, fixed ? state.ego : chosenPlace(state));
    if (event.key === '0') view = null;
    else if (nearer) view = nearer;
    else if (fixed || !press(state, event.key, event.shiftKey)) return;
    event.preventDefault();
    event.stopPropagation();
    if (event.key === 'n' || event.key === '0' || nearer) redraw();
    else if (before !== state.people.length + 100 * state.blocks.length || state.block >= 0 || along !== state.along) changed();
    else steer(event.key);
  }

  function steer(key) {
    if (mode === 'live' && '[]+-='.includes(key)) {
      lead(state.people[state.chosen], true);
      redraw();
    } else moved();
  }

  function listen(canvas) {
    canvas.dataset.listens = 'yes';
    canvas.addEventListener('pointerdown', take);
    canvas.addEventListener('pointermove', follow);
    for (const name of ['pointerup', 'pointercancel']) canvas.addEventListener(name, letGo);
    canvas.addEventListener('pointerleave', () => { tip.hidden = true; });
    canvas.addEventListener('keydown', onKey);
    canvas.addEventListener('keyup', (event) => live.onKey(event, false));
    canvas.addEventListener('blur', () => live.press(false));
    canvas.addEventListener('dblclick', (event) => {
      if (fixed) return;
      addPerson(state, toYard(view, ...at(event)));
      changed();
    });
    canvas.addEventListener('wheel', (event) => {
      if (document.activeElement !== canvas) return; // a page is scrolled over the plan unless it is in use
      event.preventDefault();
      view = zoomAt(view, ...at(event), Math.exp(-event.deltaY / 400));
      redraw();
    }, {passive: false});
  }

  const watcher = new ResizeObserver(() => {
    size = null;
    redraw();
  });
  watcher.observe(el);
  const dark = new MutationObserver(redraw);
  dark.observe(document.body, {attributes: true, attributeFilter: ['data-jp-theme-light']});
  const asked = () => (mode === 'live' ? begin() : moved());
  const listeners = {'msg:custom': onMessage, 'change:revision': asked, comm_live_update: kernelGone};
  for (const [name, listener] of Object.entries(listeners)) model.on(name, listener);
  model.send({kind: 'ready'});
  moved();
  return () => {
    watcher.disconnect();
    dark.disconnect();
    live.stop();
    for (const [name, listener] of Object.entries(listeners)) model.off(name, listener);
    clearTimeout(patience);
    clearTimeout(resting);
  };
}

export default {render};
