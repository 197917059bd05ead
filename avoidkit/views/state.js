// The situation in the hand: people, movable things and the vehicle on its way; what is taken hold of, and what a key does.
import {handleOf, outline, toScreen, toYard} from './plan.js';

export const GRASP_PX = 16;
export const STEP_M = 0.05;
export const FASTEST_MPS = 3;
const TURN_RAD = Math.PI / 36;
const MODELS = {trolley: {length: 1.1, width: 0.7}, parked: {length: 4.3, width: 1.75}};
const CALLED = {trolley: 'trolley', parked: 'parked vehicle'};

// From what the kernel says at first.
export function stateOf(start) {
  return {
    people: start.people.map((row, k) => ({...row, name: `guest ${k + 1}`})), chosen: 0, block: -1, along: start.along, ego: start.ego,
    blocks: (start.blocks ?? []).map(([kind, index, x, y, yaw, length, width], k) => (
      {kind, index, x, y, yaw, length, width, name: start.names?.[k] || CALLED[kind]})),
  };
}

// Corners of a movable thing, in the yard.
export function cornersOf({x, y, yaw, length, width}) {
  return outline({front: length / 2, rear: -length / 2, half: width / 2}, [x, y, (yaw * Math.PI) / 180]);
}

// What is under a point of the screen: {kind: 'handle' | 'person' | 'block' | 'vehicle' | 'ground', index}
export function whatIsAt(view, state, yard, px, py) {
  const near = (x, y, radius) => {
    const [qx, qy] = toScreen(view, x, y);
    return Math.hypot(px - qx, py - qy) <= radius;
  };
  const chosen = (state.block ?? -1) < 0 ? state.people[state.chosen] : null;
  if (chosen && near(...handleOf(chosen), GRASP_PX)) return {kind: 'handle', index: state.chosen};
  for (let k = state.people.length - 1; k >= 0; k -= 1) {
    const {x, y} = state.people[k];
    if (near(x, y, Math.max(GRASP_PX, 0.35 * view.scale))) return {kind: 'person', index: k};
  }
  const [x, y] = toYard(view, px, py), blocks = state.blocks ?? [];
  for (let k = blocks.length - 1; k >= 0; k -= 1) {
    if (inside([x, y], cornersOf(blocks[k])) || near(blocks[k].x, blocks[k].y, GRASP_PX)) return {kind: 'block', index: k};
  }
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
  const block = (state.blocks ?? [])[state.block ?? -1], person = block ? null : state.people[state.chosen];
  const by = shift ? 10 * STEP_M : STEP_M, moved = block ?? person;
  const shiftBy = (dx, dy) => moved && Object.assign(moved, {x: moved.x + dx * by, y: moved.y + dy * by});
  const bend = (turn, more) => {
    if (block) block.yaw += (turn * 180) / Math.PI;
    if (!person) return;
    const speed = Math.min(FASTEST_MPS, Math.max(0, Math.hypot(person.vx, person.vy) + more));
    const heading = person.heading + turn;
    Object.assign(person, {heading, vx: speed * Math.cos(heading), vy: speed * Math.sin(heading)});
  };
  const acts = {
    ArrowLeft: () => shiftBy(-1, 0), ArrowRight: () => shiftBy(1, 0), ArrowUp: () => shiftBy(0, 1), ArrowDown: () => shiftBy(0, -1),
    '[': () => bend(TURN_RAD, 0), ']': () => bend(-TURN_RAD, 0), '+': () => bend(0, 0.1), '=': () => bend(0, 0.1), '-': () => bend(0, -0.1),
    ',': () => { state.along = Math.max(0, state.along - by); }, '.': () => { state.along += by; },
    n: () => chooseNext(state), a: () => addPerson(state), t: () => addBlock(state, 'trolley'), p: () => addBlock(state, 'parked'),
    Delete: () => removeChosen(state), Backspace: () => removeChosen(state),
  };
  if (!acts[key]) return false;
  acts[key]();
  return true;
}

// The next person, after the last the movable things, then from the beginning.
export function chooseNext(state) {
  const people = state.people.length, all = people + (state.blocks ?? []).length;
  if (!all) return;
  const now = (state.block ?? -1) < 0 ? state.chosen : people + state.block, next = (now + 1) % all;
  if (next < people) [state.chosen, state.block] = [next, -1]; else state.block = next - people;
}

export function addPerson(state, place) {
  const last = state.people[state.chosen] ?? {x: state.ego[0] + 6, y: state.ego[1], heading: Math.PI};
  const [x, y] = place ?? [last.x + 1, last.y];
  state.people.push({x, y, vx: 0, vy: 0, heading: last.heading, name: `guest ${state.people.length + 1}`});
  [state.chosen, state.block] = [state.people.length - 1, -1];
}

export function addBlock(state, kind) {
  const [x, y] = [state.ego[0] + 8 * Math.cos(state.ego[2]), state.ego[1] + 8 * Math.sin(state.ego[2])];
  const free = kind === 'parked' ? 2.6 : 1.5; // beside the way: a parked vehicle may not stand in it
  state.blocks.push({kind, index: -1, x, y: y + free, yaw: 0, ...MODELS[kind], name: `${CALLED[kind]} ${state.blocks.length + 1}`});
  state.block = state.blocks.length - 1;
}

export function removeChosen(state) {
  if ((state.block ?? -1) >= 0) {
    state.blocks.splice(state.block, 1);
    state.block = -1;
    return;
  }
  state.people.splice(state.chosen, 1);
  state.chosen = Math.max(0, Math.min(state.chosen, state.people.length - 1));
}

// Numbers of a state as they go to the kernel.
export function question(state) {
  const asked = {kind: 'ask', along: state.along, people: state.people.map(({x, y, vx, vy}) => [x, y, vx, vy])};
  if (!state.blocks) return asked;
  return {...asked, blocks: state.blocks.map(({kind, index, x, y, yaw, length, width}) => [kind, index, x, y, yaw, length, width])};
}

// Where the chosen one is, or the vehicle where nobody is.
export function chosenPlace(state) {
  const one = (state.blocks ?? [])[state.block ?? -1] ?? state.people[state.chosen];
  return one ? [one.x, one.y] : state.ego;
}

// The chosen one in words, for whoever cannot see the plan and for exact numbers.
export function chosenWords(state) {
  const block = (state.blocks ?? [])[state.block ?? -1], person = state.people[state.chosen];
  if (block) return `${block.name}: x ${block.x.toFixed(2)} m, y ${block.y.toFixed(2)} m, turned ${block.yaw.toFixed(0)} deg`;
  if (!person) return 'nobody there';
  const speed = Math.hypot(person.vx, person.vy);
  const walks = speed < 0.01 ? 'stands' : `walks at ${speed.toFixed(2)} m/s`;
  return `${person.name}: x ${person.x.toFixed(2)} m, y ${person.y.toFixed(2)} m, ${walks}`;
}
