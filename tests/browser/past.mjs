// The invented past of the mock server: two trains that have gone round for three quarters of an
// hour, points that were thrown for one of them now and then, an alarm each time they were left.
//
// Input: the mock's layout and when its story began. Output: what the daemon answers to
// `/api/v1/history`, `/history/state`, `/history/extent`, in its shapes. A fixed story, no journal.

const LENGTH_MS = 45 * 60_000;
const STEP_MS = 8_000;
const TAIL_MS = 3_000;
const RINGS = {
  t1: [['outer-1', 'outer-2', 'outer-3', 'outer-4', 'outer-5', 'outer-6'], 'b', 'Heron'],
  t2: [['inner-1', 'inner-5', 'inner-4', 'inner-3', 'inner-2'], 'a', 'Coal empties'],
};
const GAP = [18 * 60_000, 20 * 60_000];

const iso = (ms) => new Date(ms).toISOString();

export class Past {
  constructor(snapshot, began) {
    this.snapshot = snapshot;
    this.first = began - LENGTH_MS;
    this.last = began;
    this.events = this.story();
  }

  /** Every event, oldest first. */
  story() {
    const events = [];
    const add = (at, event) => at <= this.last && events.push({ at, ...event });
    for (const [id, [ring]] of Object.entries(RINGS)) {
      for (let n = 0; this.first + n * STEP_MS <= this.last; n += 1) {
        const at = this.first + n * STEP_MS + (id === 't2' ? 1_700 : 0);
        const [before, here] = [ring[n % ring.length], ring[(n + 1) % ring.length]];
        const train = { kind: 'train', id };
        add(at, { kind: 'block', id: here, was: 'vacant', state: 'occupied', kept: null });
        add(at, { ...train, event: 'entered', block: here, blocks: [before, here] });
        add(at + TAIL_MS, {
          kind: 'block',
          id: before,
          was: 'occupied',
          state: 'vacant',
          kept: null,
        });
        add(at + TAIL_MS, { ...train, event: 'vacated', block: before, blocks: [here] });
      }
    }
    for (let at = this.first + 90_000; at < this.last; at += 240_000) {
      const alarm = {
        kind: 'alarm',
        id: 'left-diverging:w7',
        type: 'left-diverging',
        subject: 'w7',
      };
      const left = { ...alarm, priority: 'medium', text: 'Points 7 left diverging' };
      add(at, { kind: 'turnout', id: 'w7', position: 'reverse', was: 'free', state: 'awaiting' });
      add(at + 20_000, {
        kind: 'turnout',
        id: 'w7',
        position: 'reverse',
        was: 'awaiting',
        state: 'left-diverging',
      });
      add(at + 20_000, { ...left, was: 'normal', state: 'unacknowledged' });
      add(at + 50_000, {
        kind: 'turnout',
        id: 'w7',
        position: 'normal',
        was: 'left-diverging',
        state: 'free',
      });
      add(at + 50_000, { ...left, was: 'unacknowledged', state: 'returned-unacknowledged' });
    }
    return events
      .sort((x, y) => x.at - y.at)
      .map((event, i) => ({ seq: i + 1, boot: 1, ...event, at: iso(event.at), ms: event.at }));
  }

  /** What each item was at a moment: the last event of each. */
  then(at) {
    const latest = new Map();
    for (const event of this.events) {
      if (event.ms > at) break;
      latest.set(`${event.kind}:${event.id}`, event);
    }
    return latest;
  }

  lanes(from, to) {
    const lane = (kind, keys) => {
      const out = {};
      const before = this.then(from);
      const base = { block: this.snapshot.blocks, turnout: this.snapshot.turnouts }[kind];
      const pick = (item) => Object.fromEntries(keys.map((key) => [key, item[key] ?? null]));
      for (const id of Object.keys(base)) {
        const rest = kind === 'block' ? this.resting(id) : { position: 'normal', state: 'free' };
        out[id] = [{ at: 0, ...pick(before.get(`${kind}:${id}`) ?? rest) }];
      }
      for (const event of this.events) {
        if (event.kind !== kind || event.ms <= from || event.ms > to) continue;
        out[event.id].push({ at: event.ms - from, ...pick(event) });
      }
      return out;
    };
    const trains = {};
    for (const [id, [, , name]] of Object.entries(RINGS)) {
      const mine = this.events.filter((e) => e.kind === 'train' && e.id === id && e.ms <= to);
      const before = mine.findLast(({ ms }) => ms <= from);
      const track = mine
        .filter(({ ms }) => ms > from)
        .map(({ ms, event, block, blocks }) => ({ at: ms - from, event, block, blocks }));
      if (before) track.unshift({ at: 0, event: 'here', block: null, blocks: before.blocks });
      trains[id] = { name, track };
    }
    const rises = this.events.filter((e) => e.kind === 'alarm' && e.state === 'unacknowledged');
    return {
      from: iso(from),
      to: iso(to),
      step_ms: 0,
      blocks: lane('block', ['state', 'kept']),
      turnouts: lane('turnout', ['position', 'state']),
      tables: {},
      feeds: {},
      trains,
      alarms: rises
        .map((e) => ({ ...e, from: e.ms - from, to: e.ms + 30_000 - from }))
        .filter((span) => span.to >= 0 && span.from <= to - from)
        .map(({ id, type, subject, priority, text, ...span }) => ({
          id,
          type,
          subject,
          priority,
          from: span.from,
          to: span.to,
          text,
        })),
      gaps: [{ from: this.first + GAP[0] - from, to: this.first + GAP[1] - from }],
    };
  }

  /** Places that no train of the story goes through. */
  resting(id) {
    const { state, kept } = this.snapshot.blocks[id];
    return /^(outer|inner)/.test(id) ? { state: 'vacant', kept: null } : { state, kept };
  }

  list(from, to, limit, after) {
    const found = this.events.filter(
      ({ ms, seq }) => ms >= from && ms <= to && seq > (after ?? 0),
    );
    const events = found.slice(0, limit).map(({ ms, ...event }) => event);
    const next = found.length > limit ? events.at(-1).seq : null;
    return { from: iso(from), to: iso(to), events, next };
  }

  state(at) {
    const latest = this.then(at);
    const copy = structuredClone(this.snapshot);
    for (const [id, block] of Object.entries(copy.blocks)) {
      Object.assign(block, this.resting(id));
      if (/^(outer|inner)/.test(id)) block.trains = [];
      const event = latest.get(`block:${id}`);
      if (event) Object.assign(block, { state: event.state, since: event.at });
    }
    for (const [id, item] of Object.entries(copy.turnouts)) {
      const event = latest.get(`turnout:${id}`);
      Object.assign(item, event ? { position: event.position, state: event.state } : {});
    }
    for (const [id, [, end, name]] of Object.entries(RINGS)) {
      const blocks = latest.get(`train:${id}`)?.blocks ?? [];
      if (!blocks.length) {
        delete copy.trains[id];
        continue;
      }
      Object.assign(copy.trains[id], {
        name,
        blocks,
        heading: `${blocks.at(-1)}.${end}`,
        ahead: null,
      });
      for (const block of blocks) copy.blocks[block].trains = [id];
    }
    const alarm = latest.get('alarm:left-diverging:w7');
    copy.alarms = {};
    if (alarm?.state === 'unacknowledged') {
      const { id, type, subject, priority, text, state } = alarm;
      const more = {
        active: true,
        since: alarm.at,
        do: 'Set the points straight.',
        seconds: null,
      };
      copy.alarms[id] = {
        id,
        type,
        subject,
        priority,
        text,
        state,
        ...more,
        by: null,
        until: null,
      };
    }
    return { ...copy, at: iso(at), past: true };
  }
}

/** What the mock says of its alarms: invented numbers in the daemon's shape. */
export const MEASURES = {
  window_s: 3600,
  per_10_min: 3.4,
  peak_10_min: 12,
  flood_percent: 2.1,
  chattering: ['detector-fault:d-shed-lead'],
  stale: [],
  standing: 4,
  priorities: { high: 14, medium: 43, low: 43 },
  limits: {
    per_10_min: { limit: 1, source: 'ANSI/ISA-18.2' },
    peak_10_min: { limit: 10, source: 'ANSI/ISA-18.2' },
    flood_percent: { limit: 1, source: 'ANSI/ISA-18.2' },
  },
  most_frequent: [
    { id: 'left-diverging:w7', count: 11 },
    { id: 'occupied-ahead:t2', count: 4 },
  ],
};
