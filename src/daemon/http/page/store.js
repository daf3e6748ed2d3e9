// What is known: the last snapshot with every later change applied.
//
// Inputs: the `state` event and the change events of `/events`. Outputs: plain objects to read
// and a set of what is dirty since the last repaint. Decides nothing about trains or points:
// every state shown is the daemon's. Does not know how any of it is drawn.

/** Event name to the snapshot's key. */
export const KINDS = {
  block: 'blocks',
  turnout: 'turnouts',
  table: 'tables',
  feed: 'feeds',
  detector: 'detectors',
  train: 'trains',
  alarm: 'alarms',
};

const blank = () => ({
  loaded: false,
  past: false,
  at: null,
  layout: null,
  broker: null,
  waiting: null,
  blocks: {},
  turnouts: {},
  tables: {},
  feeds: {},
  detectors: {},
  trains: {},
  alarms: {},
  line_up: { ready: false, exceptions: [] },
});

/** What is so now, whatever is shown. */
export const present = blank();

/** What is shown: the present, or a moment of the past. */
export let known = present;

/** `kind:id` of everything that changed since the last repaint; `*` is everything. */
export const dirty = new Set();

/** Milliseconds to add to this device's clock to get the daemon's. */
let clockOffset = 0;

/** When it came, where it says how many seconds are left. */
const stamp = (item) => Object.defineProperty(item, 'got', { value: performance.now() });
const stampAll = ({ trains, alarms }) =>
  [trains, alarms].forEach((items) => Object.values(items).forEach(stamp));

const shown = (key) => known === present && dirty.add(key);

/** Takes a whole snapshot; answers whether the layout is another one than before. */
export function load(snapshot) {
  const before = present.layout;
  Object.assign(present, blank(), snapshot, { loaded: true });
  stampAll(present);
  const at = Date.parse(present.at);
  if (Number.isFinite(at)) clockOffset = at - Date.now();
  shown('*');
  // The first one is not compared: a large one takes its time.
  return !before || JSON.stringify(before) !== JSON.stringify(present.layout);
}

/** Takes one change; answers what was known of the item before. */
export function apply(kind, id, item) {
  if (kind === 'line-up') present.line_up = item ?? present.line_up;
  else if (kind === 'broker') {
    present.broker = item?.state ?? 'lost';
    present.waiting = item?.waiting ?? null;
  } else {
    const items = present[KINDS[kind]];
    if (!items) return undefined;
    const was = items[id];
    if (item === null) delete items[id];
    else items[id] = kind === 'train' || kind === 'alarm' ? stamp(item) : item;
    shown(`${kind}:${id}`);
    return was;
  }
  shown(kind);
  return undefined;
}

/** Shows a snapshot of the past instead of the present; the present goes on being kept. */
export function showPast(snapshot) {
  known = Object.assign(blank(), snapshot, { loaded: true, past: true });
  known.layout ??= present.layout;
  stampAll(known);
  dirty.add('*');
}

/** Shows the present again. */
export function showPresent() {
  known = present;
  dirty.add('*');
}

/** Does something with the present, whatever is shown. */
export function inPresent(run) {
  const was = known;
  known = present;
  try {
    return run();
  } finally {
    known = was;
  }
}

/** Whether anything of these kinds is dirty. */
export function touched(...kinds) {
  if (dirty.has('*')) return true;
  for (const key of dirty) if (kinds.includes(key.split(':', 1)[0])) return true;
  return false;
}

/** Whether this item is dirty. */
export const isDirty = (kind, id) => dirty.has('*') || dirty.has(`${kind}:${id}`);

/** The daemon's time of what is shown, in milliseconds since 1970. */
export const daemonNow = () => (known.past ? Date.parse(known.at) : Date.now() + clockOffset);

/** The layout's entry of an item, or an empty one. */
export const plan = (key, id) => known.layout?.[key]?.[id] ?? {};
