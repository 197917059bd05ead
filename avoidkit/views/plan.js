// The plan view of a yard, drawn on a canvas: x to the right, y up, metres. Used by the bench and by recorded demos.
// Draws what it is given and decides nothing. Text reaches the page as text only.

import {drawGrid, drawShadows} from './cells.js';

// Letter in a shape, colour, ink, dash and word of each action: the same as in views/style.py (a test compares them).
export const SIGNS = {
  continue: {letter: 'C', shape: 'round', color: '#0072B2', ink: '#ffffff', dash: [], word: 'continue'},
  detour: {letter: 'D', shape: 'diamond', color: '#009E73', ink: '#000000', dash: [14, 5], word: 'go round'},
  halt: {letter: 'H', shape: 'octagon', color: '#D55E00', ink: '#000000', dash: [4, 4], word: 'halt'},
  wait: {letter: 'W', shape: 'square', color: '#E69F00', ink: '#000000', dash: [10, 4, 3, 4], word: 'wait for operator'},
};

export const THEMES = {
  light: {ink: '#1d2329', soft: '#5c6670', paper: '#ffffff', unseen: '#cdd2d6', stripe: '#dfe3e6', taken: '#3f474e',
    thing: '#b4bbc1', body: '#eef1f3', line: '#d9dde1', track: '#8a3f6d', reach: 'rgba(204,121,167,.28)',
    person: '#F0E442', returns: '#00704f', shadow: '#9a6a00'},
  dark: {ink: '#eef1f3', soft: '#a3adb6', paper: '#22282e', unseen: '#3c444b', stripe: '#343b42', taken: '#aab3bb',
    thing: '#59636c', body: '#11161a', line: '#39414a', track: '#e59bc6', reach: 'rgba(204,121,167,.34)',
    person: '#F0E442', returns: '#4fd1a5', shadow: '#E69F00'},
};

export const LAYERS = ['grid', 'shadows', 'reference', 'candidates', 'path', 'reach', 'returns', 'people', 'tracks', 'fields'];
const STAGE_DASH = [[2, 3], [], [6, 4], [6, 3, 2, 3]]; // tentative, confirmed, coasting, possible
const FILLED_TO_M = 3; // wider discs, of what is hardly known, have a rim only, lest they hide the rest
const EDGES = {wall: 2.6, pillar: 2.2, parked: 1.8, trolley: 1.8, kerb: 1.4, fence: 1.8};

// A view: what of the yard is seen on a canvas of width x height CSS pixels. Immutable; each change gives a new one.
export function fitView([x0, x1, y0, y1], width, height, margin = 12) {
  const scale = Math.min((width - 2 * margin) / (x1 - x0), (height - 2 * margin) / (y1 - y0));
  return {x: (x0 + x1) / 2, y: (y0 + y1) / 2, scale, width, height};
}

export function toScreen(view, x, y) {
  return [view.width / 2 + (x - view.x) * view.scale, view.height / 2 - (y - view.y) * view.scale];
}

export function toYard(view, px, py) {
  return [view.x + (px - view.width / 2) / view.scale, view.y - (py - view.height / 2) / view.scale];
}

export function zoomAt(view, px, py, factor) {
  const [x, y] = toYard(view, px, py);
  const scale = Math.min(400, Math.max(4, view.scale * factor));
  const share = view.scale / scale;
  return {...view, scale, x: x + (view.x - x) * share, y: y + (view.y - y) * share};
}

export function panBy(view, dx, dy) {
  return {...view, x: view.x - dx / view.scale, y: view.y + dy / view.scale};
}

// What a key does to the view: z nearer, Z farther, about a place in the yard that stays where it is; null for other keys.
export function zoomKey(view, key, [x, y]) {
  if (key !== 'z' && key !== 'Z') return null;
  const [px, py] = toScreen(view, x, y);
  return zoomAt(view, Math.min(view.width, Math.max(0, px)), Math.min(view.height, Math.max(0, py)), key === 'z' ? 1.25 : 0.8);
}

// Corners of the vehicle at a pose, as [[x, y], ...] in the yard.
export function outline(vehicle, [x, y, yaw]) {
  const {front, rear, half} = vehicle;
  return [[rear, -half], [front, -half], [front, half], [rear, half]].map((point) => place(point, [x, y, yaw]));
}

function place([ahead, left], [x, y, yaw]) {
  const cos = Math.cos(yaw), sin = Math.sin(yaw);
  return [x + ahead * cos - left * sin, y + ahead * sin + left * cos];
}

function trace(ctx, view, points, close = false) {
  ctx.beginPath();
  addLine(ctx, view, points);
  if (close) ctx.closePath();
}

function addLine(ctx, view, points) {
  points.forEach(([x, y], k) => {
    const [px, py] = toScreen(view, x, y);
    if (k === 0) ctx.moveTo(px, py); else ctx.lineTo(px, py);
  });
}

function addRing(ctx, view, points) {
  addLine(ctx, view, points);
  ctx.closePath();
}

// Everything, back to front. `frame` may miss parts; `hidden` is a set of layers that are switched off.
export function drawPlan(ctx, view, yard, frame, {theme = THEMES.light, hidden = new Set(), pixels = 1, chosen = -1} = {}) {
  const shows = (layer) => !hidden.has(layer);
  ctx.setTransform(pixels, 0, 0, pixels, 0, 0);
  ctx.fillStyle = shows('grid') && frame.grid ? theme.stripe : theme.paper;
  ctx.fillRect(0, 0, view.width, view.height);
  if (shows('grid') && frame.grid) drawGrid(ctx, view, frame.grid, theme);
  frame.under?.(ctx, view, theme);
  drawMetres(ctx, view, theme);
  if (shows('shadows') && frame.grid) drawShadows(ctx, view, frame.grid, theme);
  const action = SIGNS[frame.action];
  if (shows('path') && frame.path) drawSwept(ctx, view, yard.vehicle, frame.path, action);
  if (shows('reach')) for (const disc of frame.reach ?? []) drawDisc(ctx, view, disc, theme);
  drawThings(ctx, view, yard.things, theme);
  if (shows('reference')) drawLine(ctx, view, yard.reference, theme.soft, 1.8, [7, 4]);
  if (shows('candidates')) for (const path of frame.candidates ?? []) drawLine(ctx, view, path, theme.soft, 1, []);
  if (shows('path') && frame.path) {
    drawLine(ctx, view, frame.path, theme.paper, 7, []);
    drawLine(ctx, view, frame.path, action.color, 4, action.dash);
  }
  if (shows('fields')) drawFields(ctx, view, yard.fields ?? [], frame.ego, theme);
  drawVehicle(ctx, view, yard.vehicle, frame.ego, theme);
  if (shows('returns')) drawReturns(ctx, view, frame.returns ?? [], theme);
  if (shows('people')) (frame.people ?? []).forEach((person, k) => drawPerson(ctx, view, person, theme, k === chosen));
  if (shows('tracks')) for (const track of frame.tracks ?? []) drawTrack(ctx, view, track, theme);
  if (frame.turnShape) drawTurn(ctx, view, frame.turnShape, theme);
  frame.over?.(ctx, view, theme);
  drawScaleBar(ctx, view, theme);
}

function drawMetres(ctx, view, theme) {
  const step = view.scale > 14 ? 1 : 5;
  const [x0, y1] = toYard(view, 0, 0), [x1, y0] = toYard(view, view.width, view.height);
  ctx.strokeStyle = theme.line;
  ctx.lineWidth = 0.6;
  ctx.setLineDash([]);
  for (let x = Math.ceil(x0 / step) * step; x <= x1; x += step) drawLine(ctx, view, [[x, y0], [x, y1]], theme.line, 0.6, []);
  for (let y = Math.ceil(y0 / step) * step; y <= y1; y += step) drawLine(ctx, view, [[x0, y], [x1, y]], theme.line, 0.6, []);
}

export function drawLine(ctx, view, points, color, width, dash) {
  trace(ctx, view, points);
  ctx.strokeStyle = color;
  ctx.lineWidth = width;
  ctx.lineJoin = 'round';
  ctx.setLineDash(dash);
  ctx.stroke();
  ctx.setLineDash([]);
}

function drawThings(ctx, view, things, theme) {
  for (const thing of things) {
    ctx.beginPath();
    for (const ring of thing.rings) addRing(ctx, view, ring);
    ctx.fillStyle = theme.thing;
    ctx.fill('evenodd');
    ctx.strokeStyle = theme.ink;
    ctx.lineWidth = EDGES[thing.kind] ?? 1.8;
    ctx.setLineDash(thing.kind === 'kerb' ? [7, 3] : thing.kind === 'fence' ? [4, 2, 1, 2] : []);
    ctx.stroke();
    ctx.setLineDash([]);
  }
}

// The ground that the outline covers along a path; each point is [x, y, yaw].
function drawSwept(ctx, view, vehicle, path, sign) {
  ctx.save();
  ctx.globalAlpha = 0.16;
  ctx.fillStyle = sign.color;
  ctx.beginPath();
  let last = null;
  for (const pose of path) {
    if (pose.length < 3 || (last && Math.hypot(pose[0] - last[0], pose[1] - last[1]) < 0.2)) continue;
    addRing(ctx, view, hullOf([...outline(vehicle, last ?? pose), ...outline(vehicle, pose)]));
    last = pose;
  }
  ctx.fill('nonzero');
  ctx.restore();
}

// The convex hull of [x, y] points, counter-clockwise (Andrew's monotone chain).
export function hullOf(points) {
  const sorted = [...points].sort(([x0, y0], [x1, y1]) => x0 - x1 || y0 - y1), hull = [];
  for (const half of [sorted, [...sorted].reverse()]) {
    const first = hull.length;
    for (const point of half) {
      while (hull.length > first + 1 && turns(hull.at(-2), hull.at(-1), point) <= 0) hull.pop();
      hull.push(point);
    }
    hull.pop(); // it begins the other half
  }
  return hull;
}

function turns([x0, y0], [x1, y1], [x2, y2]) {
  return (x1 - x0) * (y2 - y0) - (y1 - y0) * (x2 - x0);
}

function drawDisc(ctx, view, [x, y, radius], theme) {
  const [px, py] = toScreen(view, x, y);
  ctx.beginPath();
  ctx.arc(px, py, radius * view.scale, 0, 2 * Math.PI);
  if (radius <= FILLED_TO_M) {
    ctx.fillStyle = theme.reach;
    ctx.fill();
  }
  ctx.strokeStyle = theme.track;
  ctx.lineWidth = 1.2;
  ctx.stroke();
}

function drawFields(ctx, view, fields, ego, theme) {
  for (const [ahead, left, yaw, width, radius] of fields) {
    const [px, py] = toScreen(view, ...place([ahead, left], ego));
    const middle = -(yaw + ego[2]);
    ctx.beginPath();
    ctx.moveTo(px, py);
    ctx.arc(px, py, radius * view.scale, middle - width / 2, middle + width / 2);
    ctx.closePath();
    ctx.strokeStyle = theme.soft;
    ctx.lineWidth = 0.8;
    ctx.stroke();
  }
}

// ego: [x, y, yaw, steering, speed]
export function drawVehicle(ctx, view, vehicle, ego, theme) {
  const {front, half, wheelbase} = vehicle;
  trace(ctx, view, outline(vehicle, ego), true);
  ctx.fillStyle = theme.body;
  ctx.fill();
  ctx.strokeStyle = theme.ink;
  ctx.lineWidth = 2.6;
  ctx.stroke();
  const screen = [[front - 0.95, 0.12 - half], [front - 0.7, 0.3 - half], [front - 0.7, half - 0.3], [front - 0.95, half - 0.12]];
  trace(ctx, view, screen.map((point) => place(point, ego)), true);
  ctx.fillStyle = theme.soft;
  ctx.fill();
  for (const [ahead, side, turn] of [[0, 1, 0], [0, -1, 0], [wheelbase, 1, ego[3]], [wheelbase, -1, ego[3]]]) {
    const hub = [...place([ahead, side * (half - 0.16)], ego), ego[2] + turn];
    trace(ctx, view, [[-0.32, -0.1], [0.32, -0.1], [0.32, 0.1], [-0.32, 0.1]].map((point) => place(point, hub)), true);
    ctx.fillStyle = theme.ink;
    ctx.fill();
  }
  drawArrow(ctx, view, place([0, 0], ego), place([wheelbase * 0.72, 0], ego), theme.ink, 2.2);
}

function drawArrow(ctx, view, from, to, color, width) {
  const [x0, y0] = toScreen(view, ...from), [x1, y1] = toScreen(view, ...to);
  const angle = Math.atan2(y1 - y0, x1 - x0), head = 5 + 2.5 * width;
  ctx.strokeStyle = ctx.fillStyle = color;
  ctx.lineWidth = width;
  ctx.beginPath();
  ctx.moveTo(x0, y0);
  ctx.lineTo(x1 - head * 0.7 * Math.cos(angle), y1 - head * 0.7 * Math.sin(angle));
  ctx.stroke();
  ctx.beginPath();
  ctx.moveTo(x1, y1);
  ctx.lineTo(x1 - head * Math.cos(angle - 0.42), y1 - head * Math.sin(angle - 0.42));
  ctx.lineTo(x1 - head * Math.cos(angle + 0.42), y1 - head * Math.sin(angle + 0.42));
  ctx.closePath();
  ctx.fill();
}

function drawReturns(ctx, view, returns, theme) {
  ctx.strokeStyle = theme.returns;
  ctx.lineWidth = 1.3;
  ctx.beginPath();
  for (const [x, y] of returns) {
    const [px, py] = toScreen(view, x, y);
    ctx.moveTo(px - 3, py - 3);
    ctx.lineTo(px + 3, py + 3);
    ctx.moveTo(px - 3, py + 3);
    ctx.lineTo(px + 3, py - 3);
  }
  ctx.stroke();
}

// person: {x, y, vx, vy, heading, name, operator, contact, child}; the chosen one has a ring and a handle at its velocity.
function drawPerson(ctx, view, person, theme, chosen) {
  const [px, py] = toScreen(view, person.x, person.y);
  const size = (person.child ? 0.75 : 1) * view.scale;
  if (chosen) {
    const [hx, hy] = toScreen(view, ...handleOf(person));
    drawLine(ctx, view, [[person.x, person.y], handleOf(person)], theme.ink, 2, []);
    ring(ctx, hx, hy, 8, theme.paper, theme.ink, []);
    ring(ctx, px, py, Math.max(0.5 * view.scale, 15), null, theme.ink, [4, 3]);
  } else if (person.operator) ring(ctx, px, py, 0.5 * view.scale, null, theme.ink, [2, 3]);
  ctx.save();
  ctx.translate(px, py);
  ctx.rotate(-person.heading);
  ctx.beginPath();
  ctx.ellipse(0, 0, 0.2 * size, 0.29 * size, 0, 0, 2 * Math.PI);
  ctx.fillStyle = theme.person;
  ctx.fill();
  ctx.strokeStyle = '#1d2329';
  ctx.lineWidth = 1.8;
  ctx.stroke();
  ctx.beginPath();
  ctx.moveTo(0, 0);
  ctx.lineTo(0.3 * size, 0);
  ctx.stroke();
  ctx.restore();
  const words = [person.operator ? 'operator' : '', person.contact ? 'contact' : ''].filter(Boolean).join(', ');
  if (words) label(ctx, words, px, py + 0.55 * view.scale + 9, theme);
}

// Where the handle of a person's velocity is: one second ahead, at least 0.8 m off so that it can be taken hold of.
export function handleOf(person) {
  const speed = Math.hypot(person.vx, person.vy);
  const angle = speed > 0.01 ? Math.atan2(person.vy, person.vx) : person.heading;
  return [person.x + (0.8 + speed) * Math.cos(angle), person.y + (0.8 + speed) * Math.sin(angle)];
}

// The velocity that a handle at (x, y) means; the inverse of `handleOf`.
export function velocityOf(person, x, y, top = 3) {
  const angle = Math.atan2(y - person.y, x - person.x);
  const speed = Math.min(top, Math.max(0, Math.hypot(x - person.x, y - person.y) - 0.8));
  return {vx: speed * Math.cos(angle), vy: speed * Math.sin(angle), heading: angle};
}

export function ring(ctx, px, py, radius, fill, stroke, dash) {
  ctx.beginPath();
  ctx.arc(px, py, radius, 0, 2 * Math.PI);
  if (fill) {
    ctx.fillStyle = fill;
    ctx.fill();
  }
  ctx.strokeStyle = stroke;
  ctx.lineWidth = 2;
  ctx.setLineDash(dash);
  ctx.stroke();
  ctx.setLineDash([]);
}

// track: {id, stage, x, y, vx, vy, extent, long, wide, angle}; long and wide are the half axes of the 2.5-sigma ellipse.
function drawTrack(ctx, view, track, theme) {
  const [px, py] = toScreen(view, track.x, track.y);
  ring(ctx, px, py, track.extent * view.scale, null, theme.track, STAGE_DASH[track.stage] ?? []);
  ctx.beginPath();
  ctx.ellipse(px, py, track.long * view.scale, track.wide * view.scale, -track.angle, 0, 2 * Math.PI);
  ctx.lineWidth = 1.3;
  ctx.stroke();
  if (Math.hypot(track.vx, track.vy) > 0.1) {
    drawArrow(ctx, view, [track.x, track.y], [track.x + track.vx, track.y + track.vy], theme.track, 2.4);
  }
  label(ctx, String(track.id), px + 0.3 * view.scale + 9, py - 0.25 * view.scale - 6, theme);
}

// turn: {from: [x, y], to: [x, y], word}: how far somebody would have to move for another answer
function drawTurn(ctx, view, turn, theme) {
  drawLine(ctx, view, [turn.from, turn.to], theme.ink, 1.6, [3, 3]);
  const [px, py] = toScreen(view, ...turn.to);
  ring(ctx, px, py, 6, theme.paper, theme.ink, []);
  label(ctx, turn.word, px, py - 14, theme);
}

export function label(ctx, text, px, py, theme) {
  const wide = ctx.canvas.width / ctx.getTransform().a; // letters grow with the plan, for a meeting room
  ctx.font = `${Math.min(18, Math.max(13, wide / 64))}px sans-serif`;
  ctx.textAlign = 'center';
  ctx.textBaseline = 'middle';
  ctx.lineWidth = 4;
  ctx.strokeStyle = theme.paper;
  ctx.lineJoin = 'round';
  ctx.strokeText(text, px, py);
  ctx.fillStyle = theme.ink;
  ctx.fillText(text, px, py);
}

function drawScaleBar(ctx, view, theme) {
  const metres = view.scale > 60 ? 1 : view.scale > 14 ? 2 : 10;
  const x1 = view.width - 18, x0 = x1 - metres * view.scale, y = view.height - 16;
  ctx.fillStyle = theme.paper;
  ctx.globalAlpha = 0.85;
  ctx.fillRect(x0 - 8, y - 26, x1 - x0 + 16, 36);
  ctx.globalAlpha = 1;
  ctx.fillStyle = theme.ink;
  ctx.fillRect(x0, y - 2, x1 - x0, 4);
  label(ctx, `${metres} m`, (x0 + x1) / 2, y - 14, theme);
}
