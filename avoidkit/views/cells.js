// The grid as a picture, and where known free ground ends in unknown. Both are kept until other cells come.
import {toScreen} from './plan.js';

// Cells: 0 unknown (striped), 1 known free, 2 occupied. The picture is kept until other cells come.
const pictures = new WeakMap();

export function gridPixels(cells, rows, cols, theme) {
  const tone = [theme.unseen, theme.stripe, theme.paper, theme.taken].map(rgbOf);
  const bytes = new Uint8ClampedArray(4 * rows * cols);
  for (let row = 0; row < rows; row += 1) {
    for (let col = 0; col < cols; col += 1) {
      const cell = cells[row * cols + col];
      const [red, green, blue] = tone[cell === 0 ? Math.floor((row + col) / 3) % 2 : cell + 1];
      bytes.set([red, green, blue, 255], 4 * ((rows - 1 - row) * cols + col));
    }
  }
  return bytes;
}

// Edges [x0, y0, x1, y1] where known free ground ends in unknown: places from which somebody may step out.
const ends = new WeakMap();

export function shadowEdges({cells, rows, cols, x, y, cell}) {
  if (ends.has(cells)) return ends.get(cells);
  const edges = [], at = (row, col) => (row < 0 || col < 0 || row >= rows || col >= cols ? -1 : cells[row * cols + col]);
  for (let row = 0; row < rows; row += 1) {
    for (let col = 0; col < cols; col += 1) {
      const here = at(row, col), right = at(row, col + 1), above = at(row + 1, col);
      const across = x + (col + 1) * cell, up = y + (row + 1) * cell;
      if (divides(here, right)) edges.push([across, up - cell, across, up]);
      if (divides(here, above)) edges.push([across - cell, up, across, up]);
    }
  }
  ends.set(cells, edges);
  return edges;
}

// Known free on one side, unknown on the other.
function divides(one, other) {
  return (one === 1 && other === 0) || (one === 0 && other === 1);
}

export function drawShadows(ctx, view, grid, theme) {
  ctx.beginPath();
  for (const [x0, y0, x1, y1] of shadowEdges(grid)) {
    ctx.moveTo(...toScreen(view, x0, y0));
    ctx.lineTo(...toScreen(view, x1, y1));
  }
  ctx.strokeStyle = theme.shadow;
  ctx.lineWidth = 1.6;
  ctx.stroke();
}

function rgbOf(hex) {
  return [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16));
}

export function drawGrid(ctx, view, grid, theme) {
  let kept = pictures.get(grid.cells);
  if (!kept || kept.theme !== theme) {
    const canvas = document.createElement('canvas');
    canvas.width = grid.cols;
    canvas.height = grid.rows;
    const bytes = gridPixels(grid.cells, grid.rows, grid.cols, theme);
    canvas.getContext('2d').putImageData(new ImageData(bytes, grid.cols, grid.rows), 0, 0);
    kept = {canvas, theme};
    pictures.set(grid.cells, kept);
  }
  const [px, py] = toScreen(view, grid.x, grid.y + grid.rows * grid.cell);
  const smooth = ctx.imageSmoothingEnabled;
  ctx.imageSmoothingEnabled = false;
  ctx.drawImage(kept.canvas, px, py, grid.cols * grid.cell * view.scale, grid.rows * grid.cell * view.scale);
  ctx.imageSmoothingEnabled = smooth;
}
