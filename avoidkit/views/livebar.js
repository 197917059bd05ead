// Mode, and in live mode the clock and hold-to-run. The vehicle moves only while the button or the space bar is held: words
// go out twenty times a second, and whatever takes the hand away (key up, focus lost, page hidden) is a release.
import {make, makeButton, makeSpeeds} from './panel.js';

const WORD_MS = 50;
const MOST_WORDS = 10;
const MODES = [['exact', 'settled, exact'], ['sensed', 'settled, as sensed'], ['live', 'live']];
const SPEEDS = [0.25, 0.5, 1, 2];

// send(content) goes to the kernel; change(mode) is told of another mode; `seen()` is the number of the last cycle drawn.
export function makeLiveBar({send, change, seen}) {
  const bar = make('div', 'ak-controls ak-live'), modes = modeRow(), clock = make('span', 'ak-clock');
  const hold = make('button', 'ak-hold', 'hold to run'), said = make('output', 'ak-said');
  hold.type = 'button';
  hold.title = 'held: the vehicle may move; released: it stops (space bar on the plan)';
  hold.setAttribute('aria-pressed', 'false');
  const play = makeButton('play', 'let the clock run or stop it', toggle);
  const step = makeButton('step', 'one cycle on', () => act('step'));
  const again = makeButton('from the start', 'begin anew with what is on the plan', () => change('live', true));
  const speed = makeSpeeds(SPEEDS, 'speed of the clock', (factor) => send({kind: 'live', act: 'speed', speed: factor}));
  clock.append(hold, play, step, again, speed, said);
  bar.append(modes, clock);
  const state = {mode: 'exact', pressed: false, playing: false, timer: 0, spoke: 0, sent: 0, heard: 0, put: null};
  clock.hidden = true;

  function modeRow() {
    const row = make('fieldset', 'ak-layers ak-modes'), name = `ak-mode-${Math.random()}`; // each bench is a module of its own: no counter is shared
    row.append(make('legend', '', 'answer'));
    for (const [value, words] of MODES) {
      const label = make('label'), dot = make('input');
      Object.assign(dot, {type: 'radio', name, value, checked: value === 'exact'});
      dot.addEventListener('change', () => dot.checked && setMode(value));
      label.append(dot, words);
      row.append(label);
    }
    return row;
  }

  function setMode(mode) {
    if (state.mode === 'live' && mode !== 'live') leave();
    state.mode = mode;
    clock.hidden = mode !== 'live';
    change(mode, mode === 'live');
  }

  function leave() {
    press(false);
    running(false);
    send({kind: 'live', act: 'leave'});
  }

  function act(name) {
    send({kind: 'live', act: name, pressed: state.pressed, seen: seen()});
    if (name === 'step') running(false);
  }

  function toggle() {
    act(state.playing ? 'pause' : 'play');
    running(!state.playing);
  }

  function running(yes) {
    state.playing = yes;
    play.textContent = yes ? 'pause' : 'play';
    clearInterval(state.timer);
    state.timer = yes ? setInterval(() => performance.now() - state.spoke > 0.8 * WORD_MS && word(), WORD_MS) : 0;
  }

  // So many words at most are under way: behind a queue of old ones a release would come too late. What changes goes at once.
  function word(now = false) {
    if (!now && state.sent - state.heard >= MOST_WORDS) return;
    state.sent += 1;
    state.spoke = performance.now();
    send({kind: 'word', number: state.sent, pressed: state.pressed, seen: seen(), put: state.put});
    state.put = null;
  }

  // Where the hand has somebody, {index, x, y} or {index, vx, vy}: of those that had to wait only the newest goes.
  function put(where) {
    state.put = where;
    word();
  }

  function heard(number) {
    state.heard = Math.max(state.heard, number ?? 0);
    if (state.put) word();
  }

  // A press lets a clock that stands run: whoever holds the button wants to drive.
  function press(yes) {
    if (state.mode !== 'live' || state.pressed === yes) return;
    state.pressed = yes;
    hold.setAttribute('aria-pressed', String(yes));
    hold.classList.toggle('ak-held', yes);
    hold.textContent = yes ? 'held' : 'hold to run';
    if (yes && !state.playing) toggle();
    word(true);
  }

  function onKey(event, yes) {
    if (event.key !== ' ' || state.mode !== 'live') return false;
    event.preventDefault();
    event.stopPropagation();
    press(yes);
    return true;
  }

  hold.addEventListener('pointerdown', (event) => {
    hold.setPointerCapture(event.pointerId);
    press(true);
  });
  for (const name of ['pointerup', 'pointercancel', 'lostpointercapture', 'blur']) hold.addEventListener(name, () => press(false));
  hold.addEventListener('keydown', (event) => onKey(event, true));
  hold.addEventListener('keyup', (event) => onKey(event, false));
  const letGo = () => press(false);
  window.addEventListener('blur', letGo);
  document.addEventListener('visibilitychange', letGo);

  // What the kernel says of its clock.
  function show({frame, playing, note, late, word: number}) {
    heard(number);
    if (playing !== state.playing) running(playing);
    if (!playing && state.pressed && note) press(false);
    const slow = playing && late > 0.1 ? '; slower than real time' : '';
    const touch = frame?.touch?.length ? `; contact: ${frame.touch.join(', ')}` : '';
    const now = frame ? `${frame.t.toFixed(2)} s, ${Math.abs(frame.ego[4]).toFixed(2)} m/s${frame.pressed ? ', held' : ', not held'}` : '';
    said.textContent = `${now}${touch}${slow}${note ? `. ${note}` : ''}`;
  }

  function stop() {
    clearInterval(state.timer);
    window.removeEventListener('blur', letGo);
    document.removeEventListener('visibilitychange', letGo);
    if (state.mode === 'live') leave();
  }

  return {element: bar, onKey, press, put, heard, show, stop, state, begun: () => running(false)};
}
