// The page: brings stream, store, views, sheet and sound together.
//
// Inputs: `/events`, the address' hash, touches. Outputs: the document, at most ten repaints a
// second. Each part decides for itself what of it is dirty; here is only the order.

import { say } from './act.js';
import { alarmTime } from './attention.js';
import { h } from './dom.js';
import { apply, dirty, inPresent, known, load, present } from './store.js';
import { SILENCE_MS, Stream } from './stream.js';
import { noteReading } from './plot.js';
import { now } from './now.js';
import { startWatching, stopWatching, updateWatch, watch } from './watch.js';
import { age, clock, isUnseen, left, rankedAlarms } from './words.js';

const FRAME_MS = 100;
const AWAY_MS = 20_000;
const RESUME_MS = 600;

/** Views by address: title, and where the view is. All but the first come when they are wanted. */
const VIEWS = {
  now: ['Now', () => now],
  trains: ['Trains', async () => (await import('./views.js')).trains],
  points: ['Points', async () => (await import('./views.js')).points],
  power: ['Power', async () => (await import('./views.js')).power],
  detectors: ['Detectors', async () => (await import('./views.js')).detectors],
  road: ['Road', async () => (await import('./road.js')).road],
  'line-up': ['Line-up', async () => (await import('./lineup.js')).lineUp],
  'shut-down': ['Shut-down', async () => (await import('./lineup.js')).shutDown],
  history: ['History', async () => (await import('./history.js')).history],
  maintenance: ['Maintenance', async () => (await import('./upkeep.js')).upkeep],
  help: ['Help', async () => (await import('./help.js')).help],
  more: ['More', async () => (await import('./more.js')).more],
};
/** What is fetched when nothing else is to be done, so that it is there when the network is not. */
const LATER = [
  'sheet',
  'acts',
  'views',
  'road',
  'lineup',
  'more',
  'help',
  'upkeep',
  'history',
  'past',
];
const LATER_MS = 4_000;

/** The view in which an item of a kind is found. */
const HOME = {
  block: 'now',
  alarm: 'now',
  table: 'now',
  turnout: 'points',
  feed: 'power',
  detector: 'detectors',
  train: 'trains',
};

const ITEMS = Object.keys(HOME);

const byId = (id) => document.getElementById(id);
let view = null;
let viewName = '';
let live = false;
/** The sheet of an item and the player of the past, once they are here. */
let sheet = null;
let past = null;

// ---- repainting --------------------------------------------------------------------------------

let painted = 0;
let waiting = false;

function schedule() {
  if (waiting) return;
  waiting = true;
  setTimeout(() => requestAnimationFrame(paint), Math.max(0, FRAME_MS - (Date.now() - painted)));
}

function paint() {
  waiting = false;
  painted = Date.now();
  if (!known.loaded) return;
  // Whatever is shown, the present is watched.
  inPresent(announce);
  past?.paint();
  if (dirty.size === 0) return;
  view?.paint();
  sheet?.paintSheet();
  dirty.clear();
}

/** Tells a screen reader the first line of attention, once for each. */
function announce() {
  const [first] = rankedAlarms().live;
  const text = first && first.active && isUnseen(first) ? first.text : '';
  const box = byId('announce');
  if (box.textContent !== text) box.textContent = text;
}

function setText(el, text) {
  if (el.textContent !== text) el.textContent = text;
}

/** Times go on without a change: every second. */
function tick() {
  for (const el of document.querySelectorAll('[data-time]')) {
    const alarm = known.alarms[el.dataset.time];
    if (alarm) setText(el, alarmTime(alarm));
  }
  for (const el of document.querySelectorAll('[data-since]')) {
    setText(el, age(el.dataset.since));
  }
  for (const el of document.querySelectorAll('[data-ahead]')) {
    const train = known.trains[el.dataset.ahead];
    if (train?.ahead) setText(el, left({ seconds: train.ahead.seconds, got: train.got }));
  }
  if (live)
    byId('live-word').textContent = known.past ? 'Past shown' : `Live ${clock(Date.now())}`;
}

// ---- addresses ---------------------------------------------------------------------------------

const decode = (hash) => {
  const [kind, ...rest] = hash.slice(1).split('/');
  try {
    return [kind, decodeURIComponent(rest.join('/'))];
  } catch {
    return ['now', ''];
  }
};

async function show(name) {
  if (viewName === name) return;
  const first = !viewName;
  viewName = name;
  view = null;
  const [title, find] = VIEWS[name];
  byId('view-title').textContent = title;
  document.title = `${title} \u2013 ${known.layout?.name ?? 'Taillamp'}`;
  mark(name);
  let next;
  try {
    next = find();
    if (next instanceof Promise) next = await next;
  } catch {
    viewName = '';
    byId('view').replaceChildren(
      h(
        'p',
        { class: 'loading' },
        'This view could not be loaded: the daemon cannot be reached.',
      ),
    );
    return;
  }
  // Another view may have been asked for meanwhile.
  if (viewName !== name) return;
  view = next;
  // What is built now is built from what is known now.
  dirty.clear();
  dirty.add('*');
  view.mount(byId('view'));
  dirty.clear();
  // At the beginning the page is at its top; asking for it would lay out everything at once.
  if (!first) scrollTo(0, 0);
}

/** Shows in the navigation where we are. */
function mark(name) {
  for (const a of document.querySelectorAll('.views a')) {
    if (a.hash === `#${name}`) a.setAttribute('aria-current', 'page');
    else a.removeAttribute('aria-current');
  }
  const shown = document.querySelector(`.views a[href="#${name}"]:not(.wide)`);
  byId('more').classList.toggle('here', !shown);
}

async function openItem(kind, id) {
  try {
    sheet ??= await import('./sheet.js');
  } catch {
    notLoaded();
    return;
  }
  if (decode(location.hash).join('/') === `${kind}/${id}`) sheet.openSheet(kind, id);
}

function route() {
  if (!known.loaded) return;
  const [kind, id] = decode(location.hash || '#now');
  if (kind === 'main') return;
  if (ITEMS.includes(kind) && id) {
    if (!viewName) show(HOME[kind]);
    openItem(kind, id);
    return;
  }
  sheet?.closeSheet();
  show(VIEWS[kind] ? kind : 'now');
  schedule();
}

/** Goes to a moment of the past (milliseconds since 1970), or back to now with null. */
async function goToPast(at) {
  past ??= await import('./past.js');
  await past.go(at, { schedule, relayout: () => view === now && now.relayout() });
}

// ---- what arrives ------------------------------------------------------------------------------

/** Alarms raised while nobody could see them: since when, and which. */
let away = null;
let hiddenAt = 0;

function onMessage({ event, data }) {
  let value;
  try {
    value = JSON.parse(data);
  } catch {
    say('The daemon sent something that is not JSON; it was left out.', true);
    return;
  }
  if (event === 'state') {
    const other = load(value);
    byId('layout-name').textContent = present.layout?.name ?? 'Taillamp';
    // Reading it and building the first view are two pieces of work.
    if (!viewName) setTimeout(route);
    else if (other && view === now && !known.past) now.relayout();
    showMissed();
  } else {
    const was = apply(event, value.id, value.item);
    if (event === 'detector') noteReading(value.id, value.item);
    if (event === 'alarm' && value.item && away && isUnseen(value.item) && !was) {
      away.seen.set(value.id, value.item);
    }
  }
  inPresent(() => updateWatch(live));
  schedule();
}

function onLive(isLive, heard) {
  live = isLive;
  const box = byId('not-live');
  document.body.classList.toggle('stale', !isLive);
  box.hidden = isLive;
  if (isLive) {
    byId('live-word').textContent = `Live ${clock(Date.now())}`;
    // A stream that resumes sends no new snapshot, only what was missed.
    if (away && known.loaded) {
      say('Live again.');
      setTimeout(showMissed, RESUME_MS);
    }
  } else {
    away ??= { from: heard, seen: new Map() };
    byId('live-word').textContent = 'Not live';
    box.replaceChildren(
      h('b', null, present.loaded ? `Not live since ${clock(heard)}` : 'Not live'),
      h(
        'span',
        null,
        `Look before you move: ${
          stream?.problem || 'the daemon cannot be reached'
        }. Trying again by itself.`,
      ),
    );
  }
  inPresent(() => updateWatch(isLive));
}

/** After waking: what was raised meanwhile. */
function showMissed() {
  if (!away) return;
  const { from, seen } = away;
  away = null;
  const missed = new Map(seen);
  for (const alarm of Object.values(present.alarms)) {
    if (Date.parse(alarm.since) >= from && isUnseen(alarm)) missed.set(alarm.id, alarm);
  }
  const slot = byId('missed');
  if (!slot || Date.now() - from < AWAY_MS) return;
  slot.replaceChildren(
    h(
      'section',
      { class: 'missed', 'aria-label': 'Missed' },
      h('b', null, `Not seen here from ${clock(from)} to ${clock(Date.now())}`),
      missed.size
        ? h(
            'ul',
            null,
            [...missed.values()]
              .slice(0, 10)
              .map((alarm) => h('li', null, `${clock(alarm.since)} ${alarm.text}`)),
          )
        : h('span', null, 'No alarm stands from that time. Some may have come and gone.'),
      h('button', { type: 'button', 'data-act': 'forget-missed' }, 'Seen'),
    ),
  );
}

// ---- acts --------------------------------------------------------------------------------------

const OWN_ACTS = {
  close: () => leaveSheet(),
  'forget-missed': () => byId('missed').replaceChildren(),
  'to-now': () => past?.leave(),
};

function notLoaded() {
  say('Not done: this part of the page could not be loaded from the daemon.', true);
}

async function perform({ act: name, ...data }) {
  if (OWN_ACTS[name]) return OWN_ACTS[name]();
  if (known.past)
    return say('This is the past: it cannot be changed. Go back to now first.', true);
  const { ACTS } = await import('./acts.js');
  return ACTS[name]?.(data.id, data);
}

const leaveSheet = () => {
  const address = sheet?.openAddress();
  sheet?.closeSheet();
  // Another sheet may have been asked for meanwhile.
  if (address && decodeURIComponent(location.hash) === address) {
    history.replaceState(null, '', `#${viewName || 'now'}`);
  }
};

document.addEventListener('click', (event) => {
  const target = event.target.closest?.('[data-act]');
  if (target) perform({ ...target.dataset }).catch(notLoaded);
});
byId('sheet').addEventListener('close', () => {
  if (!byId('sheet').open) leaveSheet();
});
byId('sheet').addEventListener('click', (event) => {
  // A touch beside the sheet closes it: the dialog itself is hit only there.
  if (event.target === event.currentTarget) leaveSheet();
});

byId('watch').addEventListener('click', async () => {
  const button = byId('watch');
  if (watch.on) stopWatching();
  else {
    await startWatching();
    say(
      watch.refused.length
        ? `Watching. ${watch.refused.join(' ')}`
        : 'Watching: warnings are spoken.',
      watch.refused.length > 0,
    );
  }
  button.textContent = watch.on ? 'Watching' : 'Start watching';
  button.setAttribute('aria-pressed', String(watch.on));
});

document.addEventListener('visibilitychange', () => {
  if (document.visibilityState === 'hidden') hiddenAt = Date.now();
  else if (hiddenAt && Date.now() - hiddenAt > AWAY_MS) {
    away ??= { from: hiddenAt, seen: new Map() };
    // A stream that outlived the sleep has delivered everything; then nothing new will be sent.
    if (live && Date.now() - stream.heard < SILENCE_MS) setTimeout(showMissed, FRAME_MS);
  }
});
addEventListener('hashchange', route);
setInterval(tick, 1_000);
const stream = new Stream('/events', { onMessage, onLive });
addEventListener('past', ({ detail }) => goToPast(detail).catch(notLoaded));
setTimeout(() => {
  const idle = globalThis.requestIdleCallback ?? setTimeout;
  idle(async () => {
    for (const name of LATER) await import(`./${name}.js`);
    if (globalThis.isSecureContext) await navigator.serviceWorker?.register('sw.js');
  });
}, LATER_MS);
document.addEventListener('spoken', (event) => {
  document.body.dataset.spoken = event.detail;
});
