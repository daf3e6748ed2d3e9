// How states, times and items are said to people.
//
// One word for one thing: the same words as in the plan file, the messages and the spoken
// warnings. Inputs: items of the snapshot; outputs: short plain text. Decides nothing.

import { daemonNow, known, plan, present } from './store.js';

export const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

/** `1 train`, `3 trains`. */
export const count = (n, word, many = `${word}s`) => `${n} ${n === 1 ? word : many}`;

/** A time of day on this device's clock, or a recording's seconds. */
export function clock(value) {
  if (typeof value === 'number' && value < 1e9) return `${value.toFixed(0)} s`;
  const at = new Date(value);
  if (Number.isNaN(at.getTime())) return 'unknown';
  // By hand: the first use of a locale costs more than everything else on this page.
  const parts = [at.getHours(), at.getMinutes(), at.getSeconds()];
  return parts.map((part) => String(part).padStart(2, '0')).join(':');
}

const DAYS = ['Sun', 'Mon', 'Tue', 'Wed', 'Thu', 'Fri', 'Sat'];
const MONTHS = 'Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec'.split(' ');

/** A day on this device's clock: `Fri 27 Nov`; without its name for a short line. */
export function day(value, named = true) {
  const at = new Date(value);
  const date = `${at.getDate()} ${MONTHS[at.getMonth()]}`;
  return named ? `${DAYS[at.getDay()]} ${date}` : date;
}

/** How long ago, in words: `12 s`, `4 min`, `2 h 5 min`. */
export function age(since) {
  const at = Date.parse(since);
  if (!Number.isFinite(at)) return '';
  const sec = Math.max(0, Math.floor((daemonNow() - at) / 1000));
  if (sec < 60) return `${sec} s`;
  if (sec < 3600) return `${Math.floor(sec / 60)} min`;
  return `${Math.floor(sec / 3600)} h ${Math.floor(sec / 60) % 60} min`;
}

/** Seconds that are left of a range which was given at `got` (performance time). */
export function secondsLeft(item) {
  if (!item?.seconds) return null;
  // What is shown of the past stands still between its steps.
  const gone = known.past ? 0 : (performance.now() - item.got) / 1000;
  return item.seconds.map((sec) => Math.max(0, Math.floor(sec - gone)));
}

/** The same in words. */
export function left(item) {
  const range = secondsLeft(item);
  if (!range) return '';
  const [least, most] = range;
  if (most <= 0) return 'any moment now';
  return least === most ? `in ${most} s` : `in ${least} to ${most} s`;
}

// ---- names -------------------------------------------------------------------------------------

/** A turnout for people: 'Points 7'; a name that says what it is stays as it is. */
export function pointsName(id) {
  const name = plan('turnouts', id).name ?? id;
  return /point|turnout|crossover|slip|:/i.test(name) ? capital(name) : `Points ${name}`;
}

/** A train for people. */
export const trainName = (id) =>
  known.trains[id]?.name || present.trains[id]?.name || `Train ${id.replace(/^t(?=\d)/, '')}`;

/** Any place, or any item at all, for people. */
export function itemName(id) {
  if (known.trains[id]) return trainName(id);
  const layout = known.layout ?? {};
  if (layout.turnouts?.[id]) return pointsName(id);
  for (const key of [
    'blocks',
    'tables',
    'crossovers',
    'crossings',
    'feeds',
    'detectors',
    'nodes',
  ]) {
    if (layout[key]?.[id]) return layout[key][id].name ?? id;
  }
  return id;
}

/** The kind of an item's page address: `block`, `turnout`, ... or null. */
export function kindOf(id) {
  if (known.trains[id]) return 'train';
  const layout = known.layout ?? {};
  for (const kind of ['block', 'turnout', 'table', 'feed', 'detector']) {
    if (layout[`${kind}s`]?.[id]) return kind;
  }
  return null;
}

// ---- states ------------------------------------------------------------------------------------

const KEPT = { occupied: 'train kept', vacant: 'was empty', lost: 'lost train kept' };

/** A place's state in few words. */
export function placeWord(item) {
  if (!item) return 'unknown';
  if (item.state === 'lost') return 'train lost';
  if (item.state === 'dark' && item.kept === 'vacant') return 'was empty';
  const kept = item.kept && (item.state === 'dark' || item.state === 'unknown');
  return kept ? `${item.state}, ${KEPT[item.kept]}` : item.state;
}

/** Where a turnout's points are. */
export const POSITION = {
  normal: 'straight',
  reverse: 'diverging',
  moving: 'moving',
  unknown: 'unknown',
};

/** A turnout's clearance, as a clause. */
export const CLEARANCE = {
  free: 'free',
  awaiting: 'no train since',
  fouled: 'a train is on the points',
  cleared: 'the whole train has passed',
  'left-diverging': 'left diverging',
  unknown: 'not proven clear',
};

/** A turnout's position and clearance in one line. */
export function pointsState({ position, state }) {
  if (state === 'left-diverging') return 'left diverging';
  const where = position === 'unknown' ? 'position unknown' : POSITION[position];
  return `${where}, ${CLEARANCE[state]}`;
}

/** The same for a narrow tile. */
export const CLEARANCE_SHORT = {
  free: '',
  awaiting: 'awaiting',
  fouled: 'fouled',
  cleared: 'passed',
  'left-diverging': 'left diverging',
  unknown: 'not proven',
};

/** Where a position is known from. */
export const FROM = {
  message: 'reported',
  contacts: 'by its contacts',
  told: 'as asked, not detected',
  passage: 'a train ran through',
  operator: 'you saw it',
};

export const TABLE_STATE = {
  free: 'free',
  fouled: 'a train stands across its edge',
  unknown: 'not proven clear',
};

export const HEALTH = {
  ok: 'ok',
  silent: 'silent',
  implausible: 'reads what cannot be',
  stuck: 'stuck',
  noisy: 'noisy',
  drifting: 'drifting',
  disagreeing: 'disagrees with another',
  coupled: 'follows another place',
  'out-of-service': 'out of service',
};

export const EVIDENCE = { on: 'a vehicle', off: 'no vehicle', none: 'cannot tell' };

/** A feed's state. */
export function feedWord(item) {
  if (!item || item.on === null || item.on === undefined) return 'unknown';
  if (item.failed) return 'power lost';
  if (!item.on) return 'off';
  return item.live ? 'on' : 'on, no voltage';
}

/** A number with its unit, or a dash. */
export function reading(value, unit) {
  if (value === null || value === undefined) return 'no reading';
  const digits = Math.abs(value) >= 100 ? 0 : Math.abs(value) >= 10 ? 1 : 2;
  return `${Number(value.toFixed(digits))}${unit ? ` ${unit}` : ''}`;
}

// ---- alarms ------------------------------------------------------------------------------------

export const PRIORITY = { high: 'Act now', medium: 'Before the next train', low: 'Soon' };

export const AHEAD = {
  'occupied-ahead': 'standing stock',
  opposing: 'a train coming the other way',
  'fouled-ahead': 'fouled points or crossing',
  'no-road': 'no road',
  'dark-ahead': 'dark track',
  'will-not-fit': 'a place too short for it',
  'bound-for-diverging': 'points left diverging',
  'set-against': 'points set against it',
};

export const ALARM_STATE = {
  unacknowledged: '',
  acknowledged: 'acknowledged',
  'returned-unacknowledged': 'over by itself',
  'latched-unacknowledged': 'over, to be reset',
  'latched-acknowledged': 'over, to be reset',
  shelved: 'shelved',
  suppressed: 'follows from another alarm',
  'out-of-service': 'out of service',
};

const RANK = { high: 3, medium: 2, low: 1 };
const aside = (a) => ['shelved', 'suppressed', 'out-of-service'].includes(a.state);
const unseen = (a) => /unacknowledged/.test(a.state);

/** Alarms that ask for attention, the most urgent first; and those that were put aside. */
export function rankedAlarms() {
  const all = Object.values(known.alarms);
  const weight = (a) => (unseen(a) ? 100 : 0) + (a.active ? 10 : 0) + (RANK[a.priority] ?? 0);
  // Of the same weight, what will happen soonest comes first, then what has lasted longest.
  const soon = (a) => secondsLeft(a)?.[0] ?? Infinity;
  const order = (a, b) =>
    weight(b) - weight(a) ||
    Number(soon(a) > soon(b)) - Number(soon(a) < soon(b)) ||
    (a.since < b.since ? -1 : a.since > b.since ? 1 : a.id < b.id ? -1 : 1);
  // An alarm that is over waits behind every one that still lasts.
  const live = all
    .filter((a) => !aside(a))
    .sort((a, b) => Number(b.active) - Number(a.active) || order(a, b));
  return { live, aside: all.filter(aside).sort(order) };
}

export const isUnseen = unseen;
