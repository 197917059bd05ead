// Numbers of what is under the pointer, as lines of text.
import {inside, cornersOf} from './state.js';
import {outline, toScreen, toYard} from './plan.js';

const STAGES = ['tentative', 'confirmed', 'coasting', 'possible person'];
const CELLS = ['unknown', 'known free', 'occupied'];
const NEAR_PX = 14;

export function tipAt(view, yard, frame, state, px, py) {
  const here = toYard(view, px, py), lines = [];
  const near = (x, y) => {
    const [qx, qy] = toScreen(view, x, y);
    return Math.hypot(px - qx, py - qy) <= Math.max(NEAR_PX, 0.3 * view.scale);
  };
  for (const person of [...(frame.people ?? []), ...state.people]) {
    if (near(person.x, person.y)) {
      lines.push(`${person.name}${person.operator ? ' (operator)' : ''}: ${at(person.x, person.y)}, ${speed(person.vx, person.vy)}`);
      break;
    }
  }
  for (const track of frame.tracks ?? []) if (near(track.x, track.y)) lines.push(trackLine(track));
  for (const block of state.blocks ?? []) if (inside(here, cornersOf(block))) lines.push(`${block.name}: ${at(block.x, block.y)}`);
  for (const thing of yard.things) if (within(here, thing.rings[0])) lines.push(`${thing.kind} ${thing.name}`.trim());
  if (inside(here, outline(yard.vehicle, state.ego))) lines.push(vehicleLine(state));
  const cell = cellAt(frame.grid, here);
  if (cell >= 0) lines.push(`${at(...here)}: ${CELLS[cell]}`);
  return lines;
}

function at(x, y) {
  return `x ${x.toFixed(2)} m, y ${y.toFixed(2)} m`;
}

function speed(vx, vy) {
  return `${Math.hypot(vx, vy).toFixed(2)} m/s`;
}

function trackLine({id, stage, x, y, vx, vy, extent, long, standing}) {
  const spread = `2.5 sigma ${long.toFixed(2)} m`, stands = `stands with ${(100 * standing).toFixed(0)} %`;
  return `track ${id}, ${STAGES[stage] ?? stage}: ${at(x, y)}, ${speed(vx, vy)}, radius ${extent.toFixed(2)} m, ${spread}, ${stands}`;
}

function vehicleLine({ego, along}) {
  return `vehicle: ${at(ego[0], ego[1])}, heading ${((ego[2] * 180) / Math.PI).toFixed(1)} deg, ${ego[4].toFixed(2)} m/s${along === undefined ? '' : `, ${along.toFixed(2)} m along`}`;
}

// Beside the pointer, and inside the stage that holds canvas and tip.
export function placeTip(tip, stage, canvas, px, py) {
  const left = canvas.offsetLeft + px + 14, top = canvas.offsetTop + py + 14;
  tip.style.left = `${Math.min(left, Math.max(stage.clientWidth - 300, 0))}px`;
  tip.style.top = `${top}px`;
}

// Which kind of cell is at a place; -1 outside the grid.
export function cellAt(grid, [x, y]) {
  if (!grid) return -1;
  const row = Math.floor((y - grid.y) / grid.cell), col = Math.floor((x - grid.x) / grid.cell);
  return row < 0 || col < 0 || row >= grid.rows || col >= grid.cols ? -1 : grid.cells[row * grid.cols + col];
}

// Whether a point is inside a ring of corners, which may be bent inwards.
export function within([x, y], ring) {
  let odd = false;
  for (let k = 0, j = ring.length - 1; k < ring.length; j = k, k += 1) {
    const [x0, y0] = ring[k], [x1, y1] = ring[j];
    if ((y0 > y) !== (y1 > y) && x < ((x1 - x0) * (y - y0)) / (y1 - y0) + x0) odd = !odd;
  }
  return odd;
}
