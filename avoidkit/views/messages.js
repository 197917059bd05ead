// What goes between page and kernel, and what a demo holds: frames as plain numbers, and questions under way.

// Names for the rows of numbers that arrive: people, tracks, checks.
export function unpack(raw) {
  return {
    ...raw,
    people: (raw.people ?? []).map(([x, y, vx, vy, heading, child, operator, contact, name]) => (
      {x, y, vx, vy, heading, child: child === 1, operator: operator === 1, contact: contact === 1, name})),
    tracks: (raw.tracks ?? []).map(([id, stage, x, y, vx, vy, extent, long, wide, angle, standing]) => (
      {id, stage, x, y, vx, vy, extent, long, wide, angle, standing})),
    checks: (raw.checks ?? []).map(([name, about, needed, found, unit, holds, atMost]) => (
      {name, about, needed: real(needed), found: real(found), unit, holds: holds === 1, atMost: atMost === 1})),
  };
}

// A number that JSON cannot hold arrives as its name.
export function real(value) {
  return {nan: NaN, inf: Infinity, '-inf': -Infinity}[value] ?? Number(value);
}

// The bytes of a buffer that came with a message, whatever kind of view the browser made of it.
export function bytesOf(buffer) {
  return new Uint8Array(buffer.buffer ?? buffer, buffer.byteOffset ?? 0, buffer.byteLength);
}

// Cells from bytes of four each, the first in the lowest two bits.
export function unpackCells(bytes, count) {
  const cells = new Uint8Array(count);
  for (let k = 0; k < count; k += 1) cells[k] = (bytes[k >> 2] >> (2 * (k & 3))) & 3;
  return cells;
}

// Cells from runs [value, length, value, length, ...].
export function cellsOf(runs, count) {
  const cells = new Uint8Array(count);
  let at = 0;
  for (let k = 0; k + 1 < runs.length; k += 2) {
    cells.fill(runs[k], at, at + runs[k + 1]);
    at += runs[k + 1];
  }
  return cells;
}

// Positions on their way to the kernel: numbered, so many at most unanswered, and of what had to wait only the newest. The kernel
// answers the newest that it has, too. Those under way keep the line awake: without any, what comes back waits up to 40 ms for
// the network stack's own acknowledgement.
export class Courier {
  constructor(send, most = 8) {
    this.send = send;
    this.most = most;
    this.number = 0;
    this.answered = 0;
    this.flying = new Set();
    this.waiting = null;
  }

  post(content) {
    if (this.flying.size >= this.most) this.waiting = content;
    else this.go(content);
  }

  go(content) {
    this.number += 1;
    this.flying.add(this.number);
    this.send({...content, number: this.number});
  }

  // True when this answer is newer than all before it. One answer settles every older question as well.
  answer(number) {
    for (const older of [...this.flying]) if (older <= number) this.flying.delete(older);
    if (this.waiting !== null && this.flying.size < this.most) {
      const content = this.waiting;
      this.waiting = null;
      this.go(content);
    }
    if (number <= this.answered) return false;
    this.answered = number;
    return true;
  }
}
