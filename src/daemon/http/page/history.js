// The History view: what every place was, and where every train was, over time.
//
// Inputs: the daemon's answers to `/api/v1/history`. Outputs: two charts, both moved and zoomed by
// touch, keys or buttons, exact times where one is touched, a list of every event, and the way into
// a moment of the past. Draws what was written down; what was not is shown as not written down.

import { chartOf } from './chart.js';
import { h } from './dom.js';
import { graphOf, lanesOf } from './lanes.js';
import { askHistory, eventWords, timeOf } from './past.js';
import { known } from './store.js';
import { clock, day } from './words.js';

const SPANS = [
  [5 * 60_000, '5 min'],
  [30 * 60_000, '30 min'],
  [2 * 3_600_000, '2 h'],
  [12 * 3_600_000, '12 h'],
];
const SPAN_MIN_MS = 2_000;
const SPAN_MAX_MS = 31 * 86_400_000;
const ASK_AFTER_MS = 150;
const EVENTS_MAX = 100;
/** While the newest moment is in sight, the charts follow it. */
const FOLLOW_MS = 5_000;

/** What is looked at: a stretch of time, and how. */
const sight = { from: 0, to: 0, kind: 'places', line: '', follow: true };
let data = null;
let parts = null;
let timer = null;
let question = 0;

const iso = (ms) => new Date(Math.round(ms)).toISOString();

/** The daemon's answer with every time in milliseconds since 1970. */
export function absolute(answer) {
  const from = Date.parse(answer.from);
  const to = Date.parse(answer.to);
  const lane = (points) => points.map((point) => ({ ...point, at: timeOf(point.at, from) }));
  const map = (items, make) =>
    Object.fromEntries(Object.entries(items ?? {}).map(([id, item]) => [id, make(item)]));
  const span = (one) => ({
    ...one,
    from: timeOf(one.from, from),
    to: one.to === null || one.to === undefined ? null : timeOf(one.to, from),
  });
  return {
    from,
    to,
    blocks: map(answer.blocks, lane),
    turnouts: map(answer.turnouts, lane),
    feeds: map(answer.feeds, lane),
    trains: map(answer.trains, (train) => ({ ...train, track: lane(train.track ?? []) })),
    alarms: (answer.alarms ?? []).map(span),
    gaps: (answer.gaps ?? []).map(span),
  };
}

async function ask() {
  timer = null;
  question += 1;
  const mine = question;
  const margin = (sight.to - sight.from) / 4;
  const [from, to] = [sight.from - margin, Math.min(sight.to + margin, Date.now())];
  const step = Math.floor((to - from) / 2_000);
  try {
    const answer = await askHistory('', { from: iso(from), to: iso(to), step_ms: step });
    if (mine !== question) return;
    data = absolute(answer);
    problem('');
  } catch (error) {
    if (mine !== question) return;
    problem(`The history is not known: ${error.message}.`);
  }
  draw();
}

const problem = (text) => {
  parts.problem.textContent = text;
};

function askSoon() {
  timer ??= setTimeout(ask, ASK_AFTER_MS);
}

/** Moves the stretch of time that is looked at. */
function look(from, to) {
  const now = Date.now();
  const span = Math.min(SPAN_MAX_MS, Math.max(SPAN_MIN_MS, to - from));
  const end = Math.min(now, from + (to - from + span) / 2);
  sight.follow = end >= now - 1_000;
  sight.to = end;
  sight.from = end - span;
  draw();
  askSoon();
}

const zoom = (factor) => {
  const middle = sight.follow ? sight.to : (sight.from + sight.to) / 2;
  look(middle - (middle - sight.from) * factor, middle + (sight.to - middle) * factor);
};
const move = (share) => {
  const by = (sight.to - sight.from) * share;
  look(sight.from + by, sight.to + by);
};

// ---- the parts of the view ---------------------------------------------------------------------

const button = (word, label, run, more = {}) => {
  const node = h('button', { type: 'button', 'aria-label': label, ...more }, word);
  node.addEventListener('click', run);
  return node;
};

function tools() {
  return h(
    'div',
    { class: 'tools', role: 'group', 'aria-label': 'Stretch of time' },
    SPANS.map(([ms, word]) =>
      button(word, `The last ${word}`, () => {
        sight.to = Date.now();
        look(sight.to - ms, sight.to);
      }),
    ),
    button('\u2212', 'Less in detail', () => zoom(2)),
    button('+', 'More in detail', () => zoom(0.5)),
    button('\u2039', 'Earlier', () => move(-0.5)),
    button('\u203a', 'Later', () => move(0.5)),
  );
}

function kinds() {
  const pick = (kind, word) =>
    button(
      word,
      null,
      () => {
        sight.kind = kind;
        build();
      },
      { 'aria-pressed': String(sight.kind === kind), class: 'pick' },
    );
  return h('div', { class: 'kinds' }, pick('places', 'Places'), pick('trains', 'Trains'));
}

function lines() {
  const names = [...new Set(Object.values(known.layout.blocks).map(({ line }) => line))];
  const all = names.filter(Boolean);
  if (!all.includes(sight.line)) [sight.line] = all;
  const select = h(
    'select',
    null,
    all.map((name) => h('option', { value: name, selected: name === sight.line }, name)),
  );
  select.addEventListener('change', () => {
    sight.line = select.value;
    build();
  });
  return all.length > 1 ? h('label', { class: 'line-pick' }, 'Line', select) : null;
}

/** Builds the charts anew for the kind that is looked at. */
function build() {
  parts.kinds.replaceChildren(kinds());
  parts.lines.replaceChildren(...[sight.kind === 'trains' ? lines() : null].filter(Boolean));
  const made = sight.kind === 'trains' ? [graphOf(sight.line)] : lanesOf();
  parts.charts = made.map((model) =>
    chartOf(model, { sight, data: () => data, look, move, zoom, tell }),
  );
  parts.chart.replaceChildren(
    ...parts.charts.map(({ node, title }) =>
      h('section', { class: 'chart' }, title ? h('h2', null, title) : null, node),
    ),
  );
  tell('', null);
  draw();
}

function draw() {
  if (!parts) return;
  parts.when.textContent = `${day(sight.to, false)}, ${clock(sight.from)} to ${clock(sight.to)}`;
  for (const chart of parts.charts ?? []) chart.draw();
}

/** Says what was touched, and offers that moment. */
function tell(text, at) {
  parts.exact.textContent = text || 'Touch a chart for exact times; pull it sideways, pinch it.';
  parts.go.hidden = at === null;
  parts.at = at;
}

// ---- every event -------------------------------------------------------------------------------

function eventList() {
  const list = h('ol', { class: 'events' });
  const more = button('More', 'More events', () => load());
  let after = null;
  const load = async () => {
    const query = { view: 'events', from: iso(sight.from), to: iso(sight.to), limit: EVENTS_MAX };
    if (after !== null) query.after = after;
    try {
      const { events, next } = await askHistory('', query);
      list.append(...events.map(eventRow));
      after = next;
      more.hidden = next === null || next === undefined;
      if (!list.children.length) list.append(h('li', null, 'Nothing happened in this time.'));
    } catch (error) {
      list.append(h('li', { class: 'problem' }, `Not known: ${error.message}.`));
    }
  };
  const box = h(
    'details',
    { class: 'all-events' },
    h('summary', null, 'Every event'),
    list,
    more,
  );
  box.addEventListener('toggle', () => {
    list.replaceChildren();
    after = null;
    if (box.open) load();
  });
  return box;
}

function eventRow(event) {
  const at = Date.parse(event.at);
  const when = button(clock(event.at), `As it was at ${clock(event.at)}`, () => goTo(at));
  return h('li', null, when, h('span', null, eventWords(event)));
}

const goTo = (at) => dispatchEvent(new CustomEvent('past', { detail: at }));

export const history = {
  mount(root) {
    if (!sight.to || sight.follow) {
      const span = sight.to - sight.from || SPANS[1][0];
      sight.to = Date.now();
      sight.from = sight.to - span;
    }
    const go = button('As it was then', null, () => goTo(parts.at), { class: 'main' });
    parts = {
      when: h('p', { class: 'quiet when' }),
      problem: h('p', { class: 'problem', role: 'alert' }),
      kinds: h('div', null),
      lines: h('div', null),
      chart: h('div', { class: 'charts' }),
      exact: h('p', { class: 'exact', role: 'status' }),
      go,
      at: null,
    };
    root.replaceChildren(
      h(
        'div',
        { class: 'history' },
        parts.kinds,
        tools(),
        parts.when,
        parts.lines,
        parts.problem,
        h('div', { class: 'exact-box' }, parts.exact, go),
        parts.chart,
        eventList(),
        button('Play from here', null, () => goTo(sight.from)),
        h(
          'p',
          { class: 'side-line' },
          h('a', { href: '/api/v1/history.csv', download: '' }, 'Download as a table'),
        ),
      ),
    );
    build();
    ask();
    clearInterval(this.timer);
    this.timer = setInterval(() => {
      if (!parts.chart.isConnected) clearInterval(this.timer);
      else if (sight.follow && document.visibilityState === 'visible') {
        const span = sight.to - sight.from;
        sight.to = Date.now();
        sight.from = sight.to - span;
        ask();
      }
    }, FOLLOW_MS);
  },
  paint() {},
};
