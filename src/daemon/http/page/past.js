// The player of the past: a moment is chosen, and every view shows the layout as it was then.
//
// Inputs: moments; the daemon's answers to `/api/v1/history/state?at=` and to the list of events.
// Outputs: a snapshot for the views, and the bar with which time is moved. Each picture is the
// daemon's own answer for that moment; nothing is worked out here. The present goes on being
// received and its alarms go on being announced; the bar says what is urgent now.

import { say } from './act.js';
import { h, morphInto } from './dom.js';
import { inPresent, showPast, showPresent } from './store.js';
import {
  ALARM_STATE,
  HEALTH,
  capital,
  clock,
  day,
  feedWord,
  isUnseen,
  itemName,
  placeWord,
  pointsState,
  rankedAlarms,
  trainName,
} from './words.js';

const SPEEDS = [1, 2, 5, 10, 30, 60];
const TICK_MS = 100;
/** The least time between two questions while playing. */
const ASK_MS = 200;
const ANSWER_MS_MAX = 8_000;
/** How far one question for events looks, and how many at once. */
const LOOK_MS = 15 * 60_000;
const EVENTS_MAX = 1_000;
const PAGES_MAX = 20;
/** So many questions in a row may go unanswered before playing stops. */
const FAILURES_MAX = 3;
const STEPPED = ['block', 'turnout', 'table', 'feed', 'train', 'alarm'];

let moment = null;
let shown = null;
let playing = false;
let speed = 1;
let timer = null;
let asking = false;
let asked = 0;
let failures = 0;
let hooks = null;
let about = '';
let extent = null;

const bar = () => document.getElementById('past');
const iso = (ms) => new Date(ms).toISOString();

/** A time of the daemon's in milliseconds: RFC 3339, or milliseconds after `from`. */
export const timeOf = (at, from = 0) => (typeof at === 'number' ? from + at : Date.parse(at));

/** One answer of the history; throws an error in plain words. */
export async function askHistory(path, query) {
  let answer;
  try {
    answer = await fetch(`/api/v1/history${path}?${new URLSearchParams(query)}`, {
      signal: AbortSignal.timeout(ANSWER_MS_MAX),
    });
  } catch {
    throw new Error('the daemon cannot be reached');
  }
  const body = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Error(body.detail ?? `the daemon answered ${answer.status}`);
  return body;
}

/** Every event between two moments, oldest first; at most a good many. */
async function eventsBetween(from, to) {
  const all = [];
  let after = null;
  for (let page = 0; page < PAGES_MAX; page += 1) {
    const query = { view: 'events', from: iso(from), to: iso(to), limit: EVENTS_MAX };
    if (after !== null) query.after = after;
    const { events = [], next } = await askHistory('', query);
    for (const event of events) all.push({ ...event, ms: timeOf(event.at, from) });
    if (next === null || next === undefined || !events.length) break;
    after = next;
  }
  return all.filter(({ kind }) => STEPPED.includes(kind)).sort((x, y) => x.ms - y.ms);
}

async function show() {
  if (asking) return;
  asking = true;
  asked = Date.now();
  const at = moment;
  try {
    const snapshot = await askHistory('/state', { at: iso(at) });
    if (moment === null) return;
    const first = shown === null;
    failures = 0;
    shown = at;
    showPast({ ...snapshot, at: iso(at) });
    document.body.classList.add('past-shown');
    if (first) hooks.relayout();
    hooks.schedule();
  } catch (error) {
    // A daemon that is busy is asked again while time goes on.
    failures += 1;
    if (!playing || failures >= FAILURES_MAX) {
      playing = false;
      say(`The past cannot be shown: ${error.message}.`, true);
      if (shown === null) leave();
    }
  } finally {
    asking = false;
    draw();
  }
  // Time has been moved on meanwhile.
  if (moment !== null && moment !== at && !playing) show();
}

function tick(before) {
  if (!playing || moment === null) return;
  const now = performance.now();
  moment += (now - before) * speed;
  if (moment >= Date.now()) {
    playing = false;
    moment = Date.now();
  }
  draw();
  if (!asking && Date.now() - asked >= ASK_MS) show();
  clearTimeout(timer);
  timer = setTimeout(() => tick(now), TICK_MS);
}

function play(on) {
  playing = on;
  clearTimeout(timer);
  if (on) tick(performance.now());
  else show();
  draw();
}

/** To the next event, or the one before. */
async function step(forward) {
  playing = false;
  const from = moment;
  try {
    for (let look = LOOK_MS; ; look *= 8) {
      const found = forward
        ? (await eventsBetween(from, from + look)).find(({ ms }) => ms > from)
        : (await eventsBetween(from - look, from)).findLast(({ ms }) => ms < from);
      if (moment !== from) return;
      if (found) {
        moment = found.ms;
        about = eventWords(found);
        break;
      }
      const end = forward ? from + look > Date.now() : from - look < (extent?.first ?? 0);
      if (end || look > 400 * 86_400_000) {
        about = forward ? 'nothing came after this' : 'nothing was before this';
        break;
      }
    }
  } catch (error) {
    say(`Not known: ${error.message}.`, true);
  }
  show();
}

/** What happened, in few words. */
export function eventWords(event) {
  const { kind, id, state, position, text } = event;
  const name = id ? itemName(id) : '';
  if (kind === 'alarm')
    return `${text ?? id}: ${ALARM_STATE[state] || (state === 'normal' ? 'over' : 'raised')}`;
  if (kind === 'train') {
    const where = event.block ? ` ${itemName(event.block)}` : '';
    return `${trainName(id)} ${event.event}${where}`;
  }
  if (kind === 'turnout') return `${name} ${pointsState({ position, state })}`;
  if (kind === 'table') return `${name} at ${position}, ${state}`;
  if (kind === 'feed') return `${name} ${feedWord(event)}`;
  if (kind === 'detector') return `${name} ${HEALTH[event.health] ?? event.health}`;
  if (kind === 'operator') {
    return `${event.who || 'Operator'}: ${event.act} ${itemName(event.subject ?? '')}`;
  }
  return `${name} ${placeWord(event)}`;
}

const button = (name, word, label, more) =>
  h('button', { type: 'button', 'data-past': name, 'aria-label': label, ...more }, word);

function urgent() {
  const [first] = inPresent(() => rankedAlarms().live);
  return first && first.active && isUnseen(first) ? first.text : '';
}

function draw() {
  const box = bar();
  box.hidden = moment === null;
  if (moment === null) return;
  const at = new Date(moment);
  const now = urgent();
  const tenths = speed === 1 && playing ? '' : `.${Math.floor(at.getMilliseconds() / 100)}`;
  morphInto(
    box,
    h(
      'p',
      { class: 'past-when', 'data-at': moment },
      h('b', null, `As it was at ${clock(at)}${tenths}`),
      h('span', null, day(at)),
    ),
    h(
      'p',
      { class: 'past-about' },
      about ? capital(about) : 'Not now: nothing here can be changed.',
    ),
    now ? h('p', { class: 'past-now' }, h('b', null, 'Now: '), now) : null,
    h(
      'div',
      { class: 'past-acts' },
      button('back', '\u2039', 'To the event before'),
      playing
        ? button('pause', 'Pause', 'Pause')
        : button('play', 'Play', `Play at ${speed} times the speed`),
      button('on', '\u203a', 'To the next event'),
      h(
        'label',
        null,
        h('span', { class: 'unseen' }, 'Speed'),
        h(
          'select',
          { 'data-past': 'speed' },
          SPEEDS.map((n) => h('option', { value: n, selected: n === speed }, `${n}\u00d7`)),
        ),
      ),
      button('leave', 'To now', 'Back to now', { class: 'main' }),
    ),
  );
}

const ACTS = {
  back: () => step(false),
  on: () => step(true),
  play: () => {
    about = '';
    play(true);
  },
  pause: () => play(false),
  leave: () => leave(),
};

bar().addEventListener('click', (event) => {
  const target = event.target.closest('button[data-past]');
  if (target) ACTS[target.dataset.past]?.();
});
bar().addEventListener('change', (event) => {
  if (event.target.dataset.past === 'speed') speed = Number(event.target.value);
  draw();
});

/** Shows a moment; `hooks` tells the page to repaint and to draw the strips anew. */
export async function go(at, given) {
  hooks = given;
  moment = at;
  about = '';
  extent ??= await askHistory('/extent', {})
    .then(({ first }) => (first ? { first: Date.parse(first) } : null))
    .catch(() => null);
  // Before the first moment there is nothing to show.
  if (extent && moment < extent.first) moment = extent.first;
  draw();
  await show();
}

/** Back to now. */
export function leave() {
  playing = false;
  clearTimeout(timer);
  const was = shown !== null;
  moment = null;
  shown = null;
  document.body.classList.remove('past-shown');
  draw();
  if (!was) return;
  showPresent();
  hooks.relayout();
  hooks.schedule();
  say('This is now.');
}

/** What is urgent now may have changed. */
export function paint() {
  if (moment !== null) draw();
}
