// The ribbon under a recorded drive: actions with their letters, the nearest gap, the speed cap, and now.
import {SIGNS} from './plan.js';
import {real} from './messages.js';
import {sharpen} from './panel.js';

const GAP_SHOWN_M = 4;

// Stretches of one action: [action, first index, index after the last].
export function stretches(frames) {
  const found = [];
  frames.forEach((frame, k) => {
    const last = found[found.length - 1];
    if (last && last[0] === frame.action) last[2] = k + 1; else found.push([frame.action, k, k + 1]);
  });
  return found;
}

// Actions as a strip with letters, the nearest gap as a line, the speed cap as a filled step; a thin line at now.
export function drawRibbon(canvas, demo, now, [first, last], theme, name = '') {
  const style = getComputedStyle(canvas.parentElement);
  const width = canvas.parentElement.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight);
  const height = 108;
  const {ctx, pixels} = sharpen(canvas, width, height);
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
  ctx.fillText(`${name ? `${name};  ` : ''}line: nearest gap, 0 to ${GAP_SHOWN_M} m;  filled: speed cap, 0 to ${most.toFixed(2)} m/s`, 6, 40);
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
