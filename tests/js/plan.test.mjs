// The page's own arithmetic, without a browser: node --test tests/js
import assert from 'node:assert/strict';
import {test} from 'node:test';

import {
  SIGNS, THEMES, fitView, handleOf, hullOf, outline, panBy, toScreen, toYard, velocityOf, zoomAt, zoomKey,
} from '../../avoidkit/views/plan.js';
import {gridPixels, shadowEdges} from '../../avoidkit/views/cells.js';
import {differWords} from '../../avoidkit/views/sides.js';
import {makeLiveBar} from '../../avoidkit/views/livebar.js';
import {mapWords} from '../../avoidkit/views/overlay.js';
import {Courier, bytesOf, cellsOf, real, unpack, unpackCells} from '../../avoidkit/views/messages.js';
import {headline, show, slackShare, turnWords} from '../../avoidkit/views/panel.js';
import {cellAt, tipAt, within} from '../../avoidkit/views/tips.js';
import {clockOf, frameAt, indexAt} from '../../avoidkit/views/player.js';
import {stretches} from '../../avoidkit/views/ribbon.js';
import {addBlock, addPerson, chooseNext, chosenPlace, chosenWords, cornersOf, inside, nearestAlong, poseAlong, press, question, whatIsAt} from '../../avoidkit/views/state.js';

const near = (found, wanted) => found.forEach((value, k) => assert.ok(Math.abs(value - wanted[k]) < 1e-9, `${found} not ${wanted}`));

test('x goes to the right and y up, by the same scale', () => {
  const view = fitView([0, 20, 0, 10], 420, 320, 10); // 400 px for 20 m: 20 px a metre
  assert.equal(view.scale, 20);
  near(toScreen(view, 10, 5), [210, 160]);
  near(toScreen(view, 11, 6), [230, 140]);
});

test('a point on the screen goes back to where it came from', () => {
  const view = zoomAt(panBy(fitView([-3, 8, -2, 5], 500, 400), 17, -40), 120, 90, 1.7);
  near(toYard(view, ...toScreen(view, 2.5, -1.25)), [2.5, -1.25]);
});

test('zooming keeps the point under the pointer, and stops at its limits', () => {
  const view = fitView([0, 20, 0, 10], 400, 300);
  const before = toYard(view, 100, 60);
  near(toYard(zoomAt(view, 100, 60, 2), 100, 60), before);
  assert.equal(zoomAt(view, 100, 60, 1e9).scale, 400);
  assert.equal(zoomAt(view, 100, 60, 1e-9).scale, 4);
});

test('keys zoom about a place that stays where it is, and other keys do nothing', () => {
  const view = fitView([0, 20, 0, 10], 400, 300), place = [12, 4];
  const nearer = zoomKey(view, 'z', place);
  assert.ok(nearer.scale > view.scale);
  near(toScreen(nearer, ...place), toScreen(view, ...place));
  near([zoomKey(nearer, 'Z', place).scale], [view.scale]);
  assert.equal(zoomKey(view, 'x', place), null);
});

test('the view is zoomed about the chosen one, or about the vehicle where nobody is', () => {
  const state = {people: [{x: 3, y: 1}], chosen: 0, block: 0, blocks: [{x: 7, y: 2}], ego: [1, 0, 0]};
  assert.deepEqual(chosenPlace(state), [7, 2]);
  assert.deepEqual(chosenPlace({...state, block: -1}), [3, 1]);
  assert.deepEqual(chosenPlace({...state, block: -1, people: []}), [1, 0, 0]);
});

test('the outline turns with the vehicle', () => {
  const corners = outline({front: 3, rear: -1, half: 0.5}, [10, 0, Math.PI / 2]);
  near(corners[0], [10.5, -1]); // rear right
  near(corners[2], [9.5, 3]); // front left
});

test('the ground between two outlines is their hull', () => {
  const square = [[0, 0], [2, 0], [2, 2], [0, 2]], moved = square.map(([x, y]) => [x + 1, y]);
  assert.deepEqual(hullOf([...square, ...moved]), [[0, 0], [3, 0], [3, 2], [0, 2]]);
  assert.deepEqual(hullOf([...square, ...square, [1, 1]]), square);
});

test('the handle of a velocity and the velocity of a handle are each other\u2019s inverse', () => {
  const person = {x: 2, y: 1, vx: -0.6, vy: 0.8, heading: 0};
  const back = velocityOf(person, ...handleOf(person));
  near([back.vx, back.vy], [-0.6, 0.8]);
  const still = {x: 2, y: 1, vx: 0, vy: 0, heading: Math.PI / 2};
  near(handleOf(still), [2, 1.8]);
  near([velocityOf(still, 2, 1.5).vy], [0]);
});

test('a velocity is never faster than its limit', () => {
  const {vx, vy} = velocityOf({x: 0, y: 0}, 100, 0, 3);
  near([vx, vy], [3, 0]);
});

test('runs become cells', () => {
  assert.deepEqual([...cellsOf([0, 3, 2, 1, 1, 2], 6)], [0, 0, 0, 2, 1, 1]);
});

test('the picture of a grid has its first row at the bottom, and unknown is never painted as free', () => {
  const bytes = gridPixels(Uint8Array.from([1, 2, 0, 0]), 2, 2, THEMES.light);
  const pixel = (row, col) => [...bytes.slice(4 * (row * 2 + col), 4 * (row * 2 + col) + 3)];
  assert.deepEqual(pixel(1, 0), [255, 255, 255]); // cell [0, 0]: free
  assert.deepEqual(pixel(1, 1), [0x3f, 0x47, 0x4e]); // occupied
  for (const theme of Object.values(THEMES)) assert.ok(![theme.unseen, theme.stripe].includes(theme.paper));
});

test('numbers that JSON cannot hold come back as what they are', () => {
  assert.ok(Number.isNaN(real('nan')));
  assert.equal(real('-inf'), -Infinity);
  assert.equal(real(0.25), 0.25);
});

test('what is not known is never shown as a number', () => {
  assert.equal(show('nan', 'm'), 'unknown');
  assert.equal(show('inf', 'm'), 'no limit');
  assert.equal(show('inf', 's'), 'never');
  assert.equal(show(0.8342, 'm'), '0.83 m');
  assert.equal(show(1, '1'), '1.00');
});

test('counts are whole numbers', () => {
  assert.equal(show(3, 'of 75'), '3 of 75');
  assert.equal(show(3, 'm'), '3.00 m');
});

test('slack is the share of what was needed, negative where a check fails, and fails where it is unknown', () => {
  assert.equal(slackShare({needed: 1, found: 1.5, atMost: false}), 0.5);
  assert.equal(slackShare({needed: 0.2, found: 0.3, atMost: true}).toFixed(6), '-0.500000');
  assert.equal(slackShare({needed: 1, found: Infinity, atMost: false}), 1);
  assert.equal(slackShare({needed: 1, found: NaN, atMost: false}), -1);
});

test('words of a verdict', () => {
  assert.equal(headline({action: 'detour', cap: 0.6}), 'go round, up to 0.60 m/s');
  assert.equal(headline({action: 'halt', cap: 0}), 'halt');
  assert.equal(turnWords(['gap', 'm', 0.5, 0.83, 'detour']), 'It would turn to go round with gap from 0.50 m to 0.83 m.');
  assert.equal(new Set(Object.values(SIGNS).map((sign) => sign.letter + sign.shape)).size, 4);
});

test('rows of numbers get their names', () => {
  const frame = unpack({people: [[1, 2, 3, 4, 5, 1, 0, 1, 'Ana']], tracks: [], checks: [['gap', '', 1, 'inf', 'm', 1, 0]]});
  assert.equal(frame.people[0].name, 'Ana');
  assert.deepEqual([frame.people[0].child, frame.people[0].operator, frame.people[0].contact], [true, false, true]);
  assert.equal(frame.checks[0].found, Infinity);
});

test('no more positions are under way than wanted, and of those that wait only the newest goes', () => {
  const sent = [];
  const courier = new Courier((content) => sent.push(content), 3);
  for (let x = 1; x <= 9; x += 1) courier.post({x});
  assert.deepEqual(sent.map(({x}) => x), [1, 2, 3]);
  assert.equal(courier.answer(1), true);
  assert.deepEqual(sent.map(({x}) => x), [1, 2, 3, 9]);
  assert.deepEqual(sent.map(({number}) => number), [1, 2, 3, 4]);
});

test('cells come four in a byte, the first in the lowest bits', () => {
  assert.deepEqual([...unpackCells(new Uint8Array([73, 2]), 5)], [1, 2, 0, 1, 2]);
});

test('a newer answer settles older questions; an answer that comes late is dropped', () => {
  const courier = new Courier(() => {});
  for (let x = 1; x <= 3; x += 1) courier.post({x});
  assert.equal(courier.answer(3), true);
  assert.equal(courier.flying.size, 0);
  assert.equal(courier.answer(2), false);
});

const demo = {
  texts: ['', 'Halts.', 'gap', 'm', 'Ana'],
  paths: [[[0, 0, 0], [1, 0, 0], [2, 0, 0]]],
  grids: [{rows: 1, cols: 2, runs: [1, 2]}],
  frames: [0, 0.05, 0.1].map((t, k) => ({t, action: k < 2 ? 'halt' : 'wait', cap: 0, why: 1, error: 0, settled: 0, turn: null,
    path: [0, k], candidates: [], checks: [[2, 0, 1, 0.5, 3, 0, 0]], people: [[1, 2, 0, 0, 0, 0, 0, 0, 4]], tracks: [], grid: k - 1})),
};

test('a frame of a demo is put together from what frames share', () => {
  const frame = frameAt(demo, 1);
  assert.equal(frame.why, 'Halts.');
  assert.deepEqual(frame.path, [[1, 0, 0], [2, 0, 0]]);
  assert.equal(frame.people[0].name, 'Ana');
  assert.equal(frame.checks[0].name, 'gap');
  assert.deepEqual([...frame.grid.cells], [1, 1]);
  assert.equal(frameAt(demo, 0).grid, null);
});

test('a time finds the last frame at or before it', () => {
  assert.deepEqual([-1, 0, 0.049, 0.05, 0.07, 9].map((time) => indexAt(demo, time)), [0, 0, 0, 1, 1, 2]);
});

test('two demos have one clock, with every instant once', () => {
  const later = {...demo, frames: [0.05, 0.1, 0.15].map((t) => ({...demo.frames[0], t}))};
  assert.deepEqual(clockOf([demo, later]), [0, 0.05, 0.1, 0.15]);
  assert.equal(indexAt(later, 0), 0); // before its first instant a demo shows that one
});

test('known free ground ends where unknown begins, not where something is seen', () => {
  const grid = {cells: Uint8Array.from([1, 0, 1, 2]), rows: 1, cols: 4, x: 10, y: 5, cell: 0.5};
  assert.deepEqual(shadowEdges(grid), [[10.5, 5, 10.5, 5.5], [11, 5, 11, 5.5]]);
});

test('two tunings are said to answer alike or not', () => {
  const side = (action, cap) => ({frame: {action, cap}});
  assert.equal(differWords([side('halt', 0)]), '');
  assert.equal(differWords([side('halt', 0), side('halt', 0)]), 'A and B answer alike.');
  assert.equal(differWords([side('halt', 0), side('detour', 0.6)]), 'A and B differ: halt against go round, up to 0.60 m/s.');
});

test('a map says what share of the ground has which answer, and when it is old', () => {
  const map = {painted: 5, done: false, old: false, count: {halt: 1, continue: 3, none: 9}};
  assert.equal(mapWords(map), 'Map, 5 places so far: H halt 25 %, C continue 75 %.');
  assert.equal(mapWords({...map, old: true}), 'The map speaks of another scene: ask for it anew.');
});

test('bytes come out of whatever view a message brings', () => {
  const whole = Uint8Array.from([9, 1, 2, 3]);
  assert.deepEqual([...bytesOf(new DataView(whole.buffer, 1, 2))], [1, 2]);
  assert.deepEqual([...bytesOf(whole.buffer)], [9, 1, 2, 3]);
});

test('stretches of one action', () => {
  assert.deepEqual(stretches(demo.frames), [['halt', 0, 2], ['wait', 2, 3]]);
});

const bend = [[0, 0, 0], [4, 0, 0], [4, 3, Math.PI / 2]];
const yard = {vehicle: {front: 4, rear: -1, half: 1}, reference: bend};
const aState = () => ({people: [{x: 8, y: 1, vx: 0, vy: 0, heading: Math.PI, name: 'guest 1'}], chosen: 0, along: 0, ego: [0, 0, 0, 0, 0]});

test('the distance along a way and the pose at a distance agree', () => {
  assert.equal(nearestAlong(bend, 4.5, 1), 5);
  near(poseAlong(bend, 5), [4, 1, Math.PI / 6]);
  near(poseAlong(bend, 99), [4, 3, Math.PI / 2]);
  near(poseAlong(bend, 0), [0, 0, 0]);
});

test('a point is inside a rectangle that is turned', () => {
  const corners = outline({front: 2, rear: 0, half: 0.5}, [0, 0, Math.PI / 4]);
  assert.ok(inside([1, 1], corners));
  assert.ok(!inside([1, 0], corners));
});

test('what is taken hold of: handle before person before vehicle before ground', () => {
  const view = fitView([-5, 15, -5, 5], 1000, 500, 0); // 50 px a metre
  const found = (x, y) => whatIsAt(view, aState(), yard, ...toScreen(view, x, y)).kind;
  assert.equal(found(8, 1), 'person');
  assert.equal(found(7.2, 1), 'handle'); // 0.8 m ahead of one who stands and looks along -x
  assert.equal(found(2, 0.5), 'vehicle');
  assert.equal(found(12, -3), 'ground');
});

test('arrows move the chosen person by 5 cm, with Shift by 50 cm', () => {
  const state = aState();
  assert.ok(press(state, 'ArrowUp', false));
  assert.ok(press(state, 'ArrowLeft', true));
  near([state.people[0].x, state.people[0].y], [7.5, 1.05]);
  assert.equal(press(state, 'q', false), false);
});

test('speed grows along the heading, turns with it, and ends at nought', () => {
  const state = aState();
  for (let k = 0; k < 10; k += 1) press(state, '+', false);
  near([state.people[0].vx], [-1]);
  for (let k = 0; k < 18; k += 1) press(state, ']', false); // 18 times 5 degrees clockwise: from -x to +y
  near([state.people[0].vy], [1]);
  for (let k = 0; k < 30; k += 1) press(state, '-', false);
  near([state.people[0].vx, state.people[0].vy], [0, 0]);
});

const withBlocks = () => ({...aState(), block: -1, blocks: [{kind: 'trolley', index: 0, x: 5, y: -2, yaw: 90, length: 1, width: 0.5, name: 'cart'}]});

test('a movable thing is taken hold of, moved and turned by keys, and gone when removed', () => {
  const state = withBlocks(), view = fitView([-5, 15, -5, 5], 1000, 500, 0);
  near(cornersOf(state.blocks[0])[2], [4.75, -1.5]); // its front left when it looks along +y
  assert.deepEqual(whatIsAt(view, state, yard, ...toScreen(view, 5, -2)), {kind: 'block', index: 0});
  chooseNext(state);
  assert.equal(state.block, 0);
  press(state, 'ArrowRight', true);
  press(state, '[', false);
  near([state.blocks[0].x, state.blocks[0].yaw, state.people[0].x], [5.5, 95, 8]);
  assert.equal(chosenWords(state), 'cart: x 5.50 m, y -2.00 m, turned 95 deg');
  assert.deepEqual(question(state).blocks, [['trolley', 0, 5.5, -2, state.blocks[0].yaw, 1, 0.5]]);
  press(state, 'Delete', false);
  assert.deepEqual([state.blocks.length, state.people.length, state.block], [0, 1, -1]);
  chooseNext(state);
  assert.equal(chosenWords(state), 'guest 1: x 8.00 m, y 1.00 m, stands');
});

test('an added thing is chosen and has no place in the scene yet', () => {
  const state = withBlocks();
  addBlock(state, 'parked');
  assert.equal(state.block, 1);
  assert.equal(state.blocks[1].index, -1);
});

test('the pointer is told what is there, with numbers', () => {
  const view = fitView([-5, 15, -5, 5], 1000, 500, 0), state = {...withBlocks(), ego: [0, 0, 0, 0, 0.5]};
  const ring = [[9, 3], [11, 3], [11, 4], [9, 4]], grid = {cells: Uint8Array.from([1, 0]), rows: 1, cols: 2, x: 12, y: 0, cell: 1};
  const frame = {tracks: [{id: 7, stage: 3, x: 13, y: 3, vx: 0.3, vy: 0.4, extent: 0.3, long: 0.2, standing: 0.9}], grid};
  const told = (x, y) => tipAt(view, {...yard, things: [{kind: 'wall', name: 'stables', rings: [ring]}]}, frame, state, ...toScreen(view, x, y));
  assert.deepEqual(told(10, 3.5), ['wall stables']);
  assert.match(told(13, 3)[0], /^track 7, possible person: x 13.00 m, y 3.00 m, 0.50 m.s, radius 0.30 m, 2.5 sigma 0.20 m, stands with 90 %$/);
  assert.match(told(2, 0)[0], /^vehicle: .* 0.50 m.s/);
  assert.match(told(5, -2)[0], /^cart/);
  assert.deepEqual(told(12.5, 0.5), ['x 12.50 m, y 0.50 m: known free']);
  assert.deepEqual(told(13.5, 0.5), ['x 13.50 m, y 0.50 m: unknown']);
  assert.equal(cellAt(grid, [0, 0]), -1);
  assert.ok(within([1, 1], [[0, 0], [4, 0], [4, 4], [3, 1.5], [0, 4]]) && !within([3, 3], [[0, 0], [4, 0], [4, 4], [3, 1.5], [0, 4]]));
});

test('people come and go, and the kernel is asked about all of them', () => {
  const state = aState();
  addPerson(state, [9, -1]);
  assert.equal(state.chosen, 1);
  assert.deepEqual(question(state), {kind: 'ask', along: 0, people: [[8, 1, 0, 0], [9, -1, 0, 0]]});
  press(state, 'Delete', false);
  press(state, 'Delete', false);
  assert.deepEqual(question(state).people, []);
  assert.ok(press(state, 'ArrowUp', false)); // nobody there: nothing happens
});

// Enough of a page for the live bar: elements that keep what they are told.
class Element {
  constructor() { Object.assign(this, {children: [], listeners: {}, attributes: {}, hidden: false, textContent: '', classList: {toggle() {}}}); }
  append(...more) { this.children.push(...more); }
  setAttribute(name, value) { this.attributes[name] = value; }
  addEventListener(name, listener) { this.listeners[name] = listener; }
  setPointerCapture() {}
}

const withPage = (run) => {
  const doc = {createElement: () => new Element(), addEventListener() {}, removeEventListener() {}};
  Object.assign(globalThis, {document: doc, window: {addEventListener() {}, removeEventListener() {}}});
  const sent = [], bar = makeLiveBar({send: (content) => sent.push(content), change() {}, seen: () => 7});
  try {
    run(bar, sent, (key, yes) => bar.onKey({key, preventDefault() {}, stopPropagation() {}}, yes));
  } finally {
    bar.state.mode = 'exact';
    clearInterval(bar.state.timer);
    delete globalThis.document;
    delete globalThis.window;
  }
};

test('the space bar is a press, its end a release at once, and in other modes it is nobody\u2019s', () => withPage((bar, sent, key) => {
  assert.equal(key(' ', true), false);
  bar.state.mode = 'live';
  assert.equal(key(' ', true), true);
  assert.deepEqual(sent.map(({kind, act, pressed}) => act ?? `${kind} ${pressed}`), ['play', 'word true']);
  key(' ', true); // the key repeats
  assert.equal(sent.length, 2);
  key(' ', false);
  assert.deepEqual([sent.length, sent[2].pressed], [3, false]);
}));

test('words that nobody has heard do not pile up, but a release never waits', () => withPage((bar, sent, key) => {
  bar.state.mode = 'live';
  key(' ', true);
  for (let k = 0; k < 30; k += 1) bar.put({index: 0, x: k, y: 0});
  const words = () => sent.filter(({kind}) => kind === 'word');
  assert.equal(words().length, 10);
  key(' ', false);
  assert.deepEqual([words().length, words()[10].pressed, words()[10].put.x], [11, false, 29]);
  bar.put({index: 0, x: 20, y: 0});
  assert.equal(words().length, 11);
  bar.heard(11);
  assert.equal(words()[11].put.x, 20);
}));

test('the modes of two benches on one page are two groups, although each bench is a module of its own', async () => {
  const {makeLiveBar: another} = await import('../../avoidkit/views/livebar.js?again');
  const names = new Set();
  withPage((bar) => {
    const groups = [bar, another({send() {}, change() {}, seen: () => 0})];
    for (const {element} of groups) {
      const dots = element.children[0].children.slice(1).map((label) => label.children[0]);
      assert.equal(new Set(dots.map(({name}) => name)).size, 1);
      assert.deepEqual(dots.map(({checked}) => checked), [true, false, false]);
      names.add(dots[0].name);
    }
  });
  assert.equal(names.size, 2);
});

// Relative luminance and contrast after WCAG 2.1 (from memory).
const luminance = (hex) => [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16) / 255)
  .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)).reduce((sum, v, k) => sum + v * [0.2126, 0.7152, 0.0722][k], 0);
const contrast = (one, other) => {
  const [high, low] = [luminance(one), luminance(other)].sort((a, b) => b - a);
  return (high + 0.05) / (low + 0.05);
};

test('letters on the plan and on signs have a contrast of at least 4.5 in both themes', () => {
  assert.ok(Math.abs(contrast('#000000', '#ffffff') - 21) < 1e-9);
  for (const theme of Object.values(THEMES)) {
    for (const ground of ['paper', 'unseen', 'stripe']) assert.ok(contrast(theme.ink, theme[ground]) >= 4.5, ground);
  }
  for (const {word, color, ink} of Object.values(SIGNS)) assert.ok(contrast(ink, color) >= 4.5, word);
});
