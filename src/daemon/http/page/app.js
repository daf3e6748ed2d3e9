// The page: brings stream, store, views, sheet and sound together.
//
// Inputs: `/events`, the address' hash, touches. Outputs: the document, at most ten repaints a
// second. Each part decides for itself what of it is dirty; here is only the order.

import { act, ask, say, who } from './act.js';
import { alarmTime } from './attention.js';
import { h } from './dom.js';
import { help } from './help.js';
import { closeSheet, isItem, openAddress, openSheet, paintSheet } from './sheet.js';
import { apply, dirty, known, load } from './store.js';
import { SILENCE_MS, Stream } from './stream.js';
import { now } from './now.js';
import { detectors, lineUp, points, power, trains } from './views.js';
import { startWatching, stopWatching, updateWatch, watch } from './watch.js';
import { age, clock, isUnseen, itemName, left, rankedAlarms, trainName } from './words.js';

const FRAME_MS = 100;
const AWAY_MS = 20_000;
const RESUME_MS = 600;

const VIEWS = {
  now: ['Now', now],
  trains: ['Trains', trains],
  points: ['Points', points],
  power: ['Power', power],
  detectors: ['Detectors', detectors],
  'line-up': ['Line-up', lineUp],
  help: ['Help', help],
};

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

const byId = (id) => document.getElementById(id);
let view = null;
let viewName = '';
let live = false;

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
  if (!known.loaded || dirty.size === 0) return;
  view?.paint();
  paintSheet();
  announce();
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
  if (live) byId('live-word').textContent = `Live ${clock(Date.now())}`;
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

function show(name) {
  if (viewName !== name) {
    viewName = name;
    const [title, next] = VIEWS[name];
    view = next;
    byId('view-title').textContent = title;
    document.title = `${title} \u2013 ${known.layout?.name ?? 'Taillamp'}`;
    for (const a of document.querySelectorAll('.views a')) {
      if (a.hash === `#${name}`) a.setAttribute('aria-current', 'page');
      else a.removeAttribute('aria-current');
    }
    dirty.add('*');
    view.mount(byId('view'));
    scrollTo(0, 0);
  }
}

function route() {
  if (!known.loaded) return;
  const [kind, id] = decode(location.hash || '#now');
  if (kind === 'main') return;
  if (isItem(kind) && id) {
    if (!viewName) show(HOME[kind]);
    openSheet(kind, id);
    return;
  }
  closeSheet();
  show(VIEWS[kind] ? kind : 'now');
  schedule();
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
    byId('layout-name').textContent = known.layout?.name ?? 'Taillamp';
    if (!viewName) route();
    else if (other && view === now) now.relayout();
    showMissed();
  } else {
    const was = apply(event, value.id, value.item);
    if (event === 'alarm' && value.item && away && isUnseen(value.item) && !was) {
      away.seen.set(value.id, value.item);
    }
  }
  updateWatch(live);
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
      h('b', null, known.loaded ? `Not live since ${clock(heard)}` : 'Not live'),
      h(
        'span',
        null,
        `Look before you move: ${
          stream?.problem || 'the daemon cannot be reached'
        }. Trying again by itself.`,
      ),
    );
  }
  updateWatch(isLive);
}

/** After waking: what was raised meanwhile. */
function showMissed() {
  if (!away) return;
  const { from, seen } = away;
  away = null;
  const missed = new Map(seen);
  for (const alarm of Object.values(known.alarms)) {
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

const askWho = () => ({
  name: 'who',
  label: 'Your name (kept on this device)',
  value: who.name,
  maxlength: 60,
});
const minutes = (value) => ({
  name: 'minutes',
  label: 'For how long',
  value,
  options: [
    ['5', '5 minutes'],
    ['15', '15 minutes'],
    ['60', '1 hour'],
    ['240', '4 hours'],
  ],
});
const reason = { name: 'why', label: 'Why (may stay empty)', maxlength: 200 };

async function sayWith(path, title, text, fields, done, extra = {}) {
  const given = await ask(title, text, [...fields, askWho()], 'Say so');
  if (!given) return;
  who.name = given.who.trim();
  const body = { ...extra };
  for (const [key, value] of Object.entries(given)) {
    if (value.trim()) body[key] = key === 'minutes' ? Number(value) : value.trim();
  }
  await act(path, body, done);
}

const ACTS = {
  close: () => leaveSheet(),
  'forget-missed': () => byId('missed').replaceChildren(),
  acknowledge: (id) => act(`/api/v1/alarms/${id}/acknowledge`, {}, 'Acknowledged.'),
  reset: (id) => act(`/api/v1/alarms/${id}/reset`, {}, 'Reset.'),
  unshelve: (id) => act(`/api/v1/alarms/${id}/unshelve`, {}, 'Shelving ended.'),
  shelve: (id) =>
    sayWith(
      `/api/v1/alarms/${id}/shelve`,
      'Shelve',
      known.alarms[id]?.text,
      [minutes('15'), reason],
      'Shelved.',
    ),
  name: (id) =>
    sayWith(
      `/api/v1/trains/${id}/name`,
      `Name ${trainName(id)}`,
      '',
      [
        {
          name: 'name',
          label: 'Name',
          value: known.trains[id]?.name ?? '',
          required: true,
          maxlength: 60,
        },
      ],
      'Named.',
    ),
  'stands-here': (id) =>
    sayWith(
      `/api/v1/blocks/${id}/stands-here`,
      'A train stands here',
      `${itemName(id)}: you have looked, and a train stands there.`,
      [{ name: 'name', label: 'Which train (may stay empty)', maxlength: 60 }],
      'Taken down.',
    ),
  empty: (id) =>
    sayWith(
      `/api/v1/blocks/${id}/empty`,
      'It is empty',
      `${itemName(id)}: you have looked, and nothing stands there.`,
      [],
      'Taken down.',
    ),
  'removed-by-hand': (id) =>
    sayWith(
      `/api/v1/blocks/${id}/removed-by-hand`,
      'Lifted off by hand',
      `${itemName(id)}: what stood there was lifted off.`,
      [],
      'Taken down.',
    ),
  seen: (id, { position }) =>
    sayWith(
      `/api/v1/turnouts/${id}/seen`,
      'You have looked',
      `${itemName(id)} set ${position === 'normal' ? 'straight' : 'diverging'}.`,
      [],
      'Taken down.',
      { position },
    ),
  'in-charge': (id, data) =>
    data.minutes === '0'
      ? act(`/api/v1/turnouts/${id}/in-charge`, { minutes: 0 }, 'Given back.')
      : sayWith(
          `/api/v1/turnouts/${id}/in-charge`,
          'In charge',
          `You answer for ${itemName(id)}: no warning that they are left diverging meanwhile.`,
          [minutes('15'), reason],
          'You are in charge.',
        ),
  'out-of-service': (id) =>
    sayWith(
      `/api/v1/detectors/${id}/out-of-service`,
      'Out of service',
      `${itemName(id)} is not believed until it is put back in service.`,
      [reason],
      'Out of service.',
    ),
  'in-service': (id) => act(`/api/v1/detectors/${id}/in-service`, {}, 'Back in service.'),
};

const leaveSheet = () => {
  const address = openAddress();
  closeSheet();
  // Another sheet may have been asked for meanwhile.
  if (address && decodeURIComponent(location.hash) === address) {
    history.replaceState(null, '', `#${viewName || 'now'}`);
  }
};

document.addEventListener('click', (event) => {
  const target = event.target.closest?.('[data-act]');
  if (target) ACTS[target.dataset.act]?.(target.dataset.id, target.dataset);
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
document.addEventListener('spoken', (event) => {
  document.body.dataset.spoken = event.detail;
});
