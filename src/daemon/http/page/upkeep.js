// The Maintenance view: how many alarms there are, against what the standards call acceptable, and
// what needs a hand.
//
// Inputs: the daemon's answer to `/api/v1/measures`, asked for when the view opens and every half
// minute; detectors of the snapshot. Outputs: elements. Counts nothing itself.

import { h, morphInto } from './dom.js';
import { big, link } from './parts.js';
import { known, touched } from './store.js';
import { HEALTH, capital, count, itemName } from './words.js';

const ASK_MS = 30_000;

let measures = null;
let problem = '';

const rounded = (value) =>
  typeof value === 'number' ? String(Math.round(value * 10) / 10) : '–';

/** A limit's number and where it comes from, whichever way it is written. */
function limit(key) {
  const found = measures.limits?.[key];
  if (found === undefined || found === null) return [null, null];
  if (typeof found === 'number') return [found, measures.limits.source ?? null];
  return [found.acceptable ?? found.limit ?? found.value ?? found.max ?? null, found.source ?? null];
}

function measureRow([key, word, unit]) {
  const [most, source] = limit(key);
  const value = measures[key];
  const over = typeof most === 'number' && value > most;
  return h(
    'li',
    { class: `item ${over ? 'exception stops' : ''}` },
    h('b', null, word),
    h('p', { class: 'big' }, rounded(value), unit ? ` ${unit}` : ''),
    typeof most === 'number'
      ? h(
          'p',
          { class: over ? 'odd' : 'quiet' },
          `${over ? 'more than' : 'within'} ${most}${unit ? ` ${unit}` : ''}`,
        )
      : null,
    source ? h('p', { class: 'quiet' }, source) : null,
  );
}

const MEASURES = [
  ['per_10_min', 'Alarms in ten minutes', ''],
  ['peak_10_min', 'Most in ten minutes', ''],
  ['flood_percent', 'Time in flood', '%'],
];

/** An alarm's id for people: its type and what it is about. */
const alarmWords = (id) => {
  const at = String(id).indexOf(':');
  return at < 0
    ? [id]
    : [capital(id.slice(0, at).replaceAll('-', ' ')), ': ', link(id.slice(at + 1))];
};

const idOf = (entry) => (typeof entry === 'string' ? entry : (entry.id ?? entry[0]));
const timesOf = (entry) =>
  typeof entry === 'string' ? null : (entry.count ?? entry.times ?? entry[1]);

function group(title, list, empty) {
  return h(
    'section',
    null,
    h('h2', null, title),
    list?.length
      ? h(
          'ul',
          { class: 'plain' },
          list.slice(0, 20).map((entry) => {
            const times = timesOf(entry);
            return h(
              'li',
              null,
              alarmWords(idOf(entry)),
              times ? `, ${count(times, 'time')}` : '',
            );
          }),
        )
      : h('p', { class: 'quiet' }, empty),
  );
}

function alarmPart() {
  if (!measures) return h('p', { class: 'quiet' }, problem || 'Asking the daemon…');
  const { priorities } = measures;
  return [
    h('ul', { class: 'rows' }, MEASURES.filter(([key]) => key in measures).map(measureRow)),
    priorities
      ? h(
          'p',
          { class: 'quiet' },
          'By priority: ',
          ['high', 'medium', 'low'].map(
            (word, i) => `${i ? ', ' : ''}${word} ${rounded(priorities[word])} %`,
          ),
        )
      : null,
    group('Most frequent', measures.most_frequent, 'None yet.'),
    group('Coming and going too fast', measures.chattering, 'None.'),
    group('Standing for too long', measures.stale, 'None.'),
  ];
}

async function ask(view) {
  try {
    const answer = await fetch('/api/v1/measures', { signal: AbortSignal.timeout(8_000) });
    if (!answer.ok) throw new Error(`the daemon answered ${answer.status}`);
    measures = await answer.json();
    problem = '';
  } catch (error) {
    measures = null;
    problem = `Not known: ${
      error instanceof TypeError ? 'the daemon cannot be reached' : error.message
    }.`;
  }
  view.draw();
}

export const upkeep = {
  mount(root) {
    this.root = h('div', { class: 'upkeep' });
    root.replaceChildren(this.root);
    this.draw();
    ask(this);
    clearInterval(this.timer);
    this.timer = setInterval(() => {
      if (!this.root.isConnected) clearInterval(this.timer);
      else ask(this);
    }, ASK_MS);
  },
  draw() {
    const bad = Object.entries(known.detectors).filter(([, item]) => item.health !== 'ok');
    morphInto(
      this.root,
      big(
        bad.length ? `${count(bad.length, 'detector')} to look at` : 'Every detector is well',
        'and how the alarms do',
      ),
      bad.length
        ? h(
            'ul',
            { class: 'plain' },
            bad
              .slice(0, 40)
              .map(([id, item]) =>
                h(
                  'li',
                  null,
                  h('a', { href: `#detector/${id}` }, itemName(id)),
                  `: ${HEALTH[item.health] ?? item.health}`,
                ),
              ),
          )
        : null,
      h('h2', null, 'Alarms'),
      alarmPart(),
    );
  },
  paint() {
    if (touched('detector')) this.draw();
  },
};
