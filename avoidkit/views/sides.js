// One side of the bench: a plan and the answer beside it, or below it where two tunings are compared.
import {SIGNS, THEMES, drawPlan} from './plan.js';
import {drawBody, drawChosenBlock, drawMap, thingsOf} from './overlay.js';
import {headline, make, makePanel, prefersDark, sharpen, turnWords} from './panel.js';

export function makeSide(help, name = '') {
  const box = make('div', 'ak-side'), canvas = make('canvas', 'ak-plan'), panel = makePanel();
  canvas.tabIndex = 0;
  canvas.setAttribute('role', 'application');
  canvas.setAttribute('aria-label', `Plan view ${name}. ${help}`);
  if (name) panel.element.prepend(make('b', 'ak-name', `tuning ${name}`));
  box.append(canvas, panel.element);
  return {box, canvas, panel, frame: null, grid: null, name, turn: null};
}

// Draw one side: what the kernel said last, with everything that is held where the hand has it.
export function drawSide(side, view, yard, state, {hidden, map, live}) {
  const {ctx, pixels} = sharpen(side.canvas, view.width, view.height);
  const theme = prefersDark() ? THEMES.dark : THEMES.light, frame = side.frame ?? {};
  const own = (frame.people ?? []).slice(0, frame.own ?? 0), bodies = (frame.people ?? []).slice(frame.own ?? 0);
  const block = state.blocks[state.block];
  const shown = {
    action: 'halt', ...frame, ego: state.ego, people: [...own, ...state.people], grid: side.grid, turnShape: shapeOf(side),
    under: (...where) => map && !hidden.has('map') && drawMap(where[0], where[1], map),
    over: (...where) => {
      if (block) drawChosenBlock(where[0], where[1], block, theme);
      if (live) state.people.forEach((person, k) => bodies[k] && drawBody(where[0], where[1], [bodies[k].x, bodies[k].y], person, theme));
    },
  };
  const chosen = block ? -1 : own.length + state.chosen;
  drawPlan(ctx, view, {...yard, things: [...yard.things, ...thingsOf(state.blocks)]}, shown, {theme, hidden, pixels, chosen});
}

function shapeOf({turn}) {
  if (!turn?.shape) return null;
  const {from, to} = turn.shape, far = Math.hypot(to[0] - from[0], to[1] - from[1]);
  return {from, to, word: `${far.toFixed(2)} m: ${SIGNS[turn.turn[4]].word}`};
}

// The words of what would turn the answer, beside the why; empty while nothing is known.
export function turnText({turn, problem, looked}) {
  if (problem) return problem;
  if (turn) return turnWords(turn);
  return looked ? 'No single change that was tried turns it.' : '';
}

export function showSide(side, help) {
  const {frame, canvas, panel} = side;
  panel.show({...frame, turn: null});
  canvas.dataset.action = frame.action;
  canvas.setAttribute('aria-label', `Plan view ${side.name}: ${headline(frame)}. ${frame.why} ${help}`);
}

// Where two tunings are compared: whether they answer alike.
export function differWords(sides) {
  if (sides.length < 2 || sides.some((side) => !side.frame)) return '';
  const [a, b] = sides.map((side) => headline(side.frame));
  return a === b ? 'A and B answer alike.' : `A and B differ: ${a} against ${b}.`;
}
