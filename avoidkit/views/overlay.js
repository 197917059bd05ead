// What the bench draws besides the plan: movable things, a body that follows the hand, and the verdict map under the scene.
import {SIGNS, drawLine, label, ring, toScreen} from './plan.js';
import {cornersOf} from './state.js';

const MAP_PX = 20; // pixels of the kept picture for a metre of the yard
const NOBODY = '#7b858e';

export function thingsOf(blocks) {
  return blocks.map((block) => ({kind: block.kind, name: block.name, rings: [cornersOf(block)]}));
}

export function drawChosenBlock(ctx, view, block, theme) {
  const corners = cornersOf(block);
  drawLine(ctx, view, [...corners, corners[0]], theme.ink, 3.5, [6, 4]);
  label(ctx, block.name, ...toScreen(view, block.x, block.y), theme);
}

// Where the loop has the body of somebody whose pointer is elsewhere.
export function drawBody(ctx, view, [x, y], person, theme) {
  if (Math.hypot(x - person.x, y - person.y) < 0.1) return;
  drawLine(ctx, view, [[x, y], [person.x, person.y]], theme.ink, 1.4, [2, 4]);
  ring(ctx, ...toScreen(view, x, y), 0.29 * view.scale, theme.person, theme.ink, [2, 2]);
}

// The map: squares [x, y, size, action] painted into a picture that is kept; finer ones come later and lie on top.
export function makeMap([x0, x1, y0, y1]) {
  const canvas = document.createElement('canvas');
  canvas.width = Math.ceil((x1 - x0) * MAP_PX);
  canvas.height = Math.ceil((y1 - y0) * MAP_PX);
  const ctx = canvas.getContext('2d');
  const count = {};
  return {
    window: [x0, x1, y0, y1], canvas, old: false, done: false, painted: 0,
    add(squares) {
      for (const [x, y, size, action] of squares) paintSquare(ctx, (x - size / 2 - x0) * MAP_PX, (y1 - y - size / 2) * MAP_PX, size * MAP_PX, action);
      this.painted += squares.length;
      for (const [, , size, action] of squares) count[action] = (count[action] ?? 0) + size * size;
    },
    count,
  };
}

function paintSquare(ctx, left, top, size, action) {
  const sign = SIGNS[action];
  ctx.fillStyle = sign ? sign.color : NOBODY;
  ctx.fillRect(left, top, size, size);
  ctx.strokeStyle = 'rgba(0,0,0,.6)';
  ctx.lineWidth = 1;
  ctx.beginPath();
  if (action === 'detour' || action === 'halt') {
    ctx.moveTo(left, top + size);
    ctx.lineTo(left + size, top);
  }
  if (action === 'halt') {
    ctx.moveTo(left, top);
    ctx.lineTo(left + size, top + size);
  }
  if (action === 'wait') ctx.rect(left + size / 2 - 1, top + size / 2 - 1, 2, 2);
  ctx.stroke();
}

export function drawMap(ctx, view, map) {
  const [x0, x1, y0, y1] = map.window;
  const [left, top] = toScreen(view, x0, y1);
  ctx.save();
  ctx.globalAlpha = map.old ? 0.12 : 0.5;
  ctx.drawImage(map.canvas, left, top, (x1 - x0) * view.scale, (y1 - y0) * view.scale);
  ctx.restore();
}

// How far the map is, and what share of the ground that was looked at has which answer.
export function mapWords(map) {
  if (map.old) return 'The map speaks of another scene: ask for it anew.';
  const known = Object.entries(map.count).filter(([action]) => SIGNS[action]), all = known.reduce((sum, [, area]) => sum + area, 0);
  const shares = known.map(([action, area]) => `${SIGNS[action].letter} ${SIGNS[action].word} ${Math.round((100 * area) / all)} %`);
  return `Map, ${map.painted} places${map.done ? '' : ' so far'}: ${shares.join(', ')}.`;
}
