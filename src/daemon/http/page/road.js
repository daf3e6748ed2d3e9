// The Road view: the ways from one block to another, what to set for each and what is in the way.
//
// Inputs: two blocks that the operator picks; the daemon's answer to `/api/v1/road`, asked for
// again when something on the layout has changed, at most once a second. Outputs: elements.
// Decides nothing: order, readiness and every sentence are the daemon's. An answer that does not
// come takes the old one away, because 'ready' must not outlive what it rests on.

import { h, morphInto } from './dom.js';
import { known, touched } from './store.js';
import { itemName } from './words.js';

const ASK_MS_MIN = 1_000;
const ANSWER_MS_MAX = 8_000;

const picked = { from: '', to: '' };
let ways = null;
let asked = 0;
let last = 0;
let timer = null;

/** A way's first line: what is to be done about it. */
function wayState({ ready, settings, in_the_way: hindrances }) {
  if (ready) return 'Ready';
  const set = settings.length ? `${settings.length} to set` : 'All set';
  return hindrances?.length ? `${set}, something is in the way` : set;
}

const list = (tag, title, items) =>
  items?.length
    ? [
        h('p', { class: 'quiet' }, title),
        h(
          tag,
          null,
          items.map(({ text }) => h('li', null, text)),
        ),
      ]
    : null;

function wayRow(way) {
  const metres =
    typeof way.length_mm === 'number' ? `${(way.length_mm / 1000).toFixed(1)} m` : '';
  return h(
    'li',
    { class: `item way ${way.ready ? 'ready' : ''}` },
    h('b', null, wayState(way)),
    h('p', null, way.text, metres && ` (${metres})`),
    way.reverses
      ? h('p', { class: 'quiet' }, 'The train comes out of the bridge as it went in.')
      : null,
    list('ol', 'Set first', way.settings),
    list('ul', 'In the way', way.in_the_way),
  );
}

function show(...children) {
  if (ways) morphInto(ways, ...children);
}

function shown(road) {
  if (!road.ways.length) {
    return h(
      'p',
      { class: 'quiet' },
      road.cut ? 'No way was found in time.' : 'There is no way without turning back.',
    );
  }
  return [
    h('ol', { class: 'rows', 'aria-label': 'Ways' }, road.ways.map(wayRow)),
    road.cut ? h('p', { class: 'quiet' }, 'There may be more ways.') : null,
  ];
}

async function ask() {
  timer = null;
  last = Date.now();
  const { from, to } = picked;
  asked += 1;
  const mine = asked;
  if (!from || !to || from === to) {
    show(from && from === to ? h('p', { class: 'quiet' }, 'Pick two different places.') : null);
    return;
  }
  let view;
  try {
    const answer = await fetch(`/api/v1/road?${new URLSearchParams({ from, to })}`, {
      signal: AbortSignal.timeout(ANSWER_MS_MAX),
    });
    const body = await answer.json();
    view = answer.ok
      ? shown(body)
      : h('p', { class: 'problem' }, `Not known: ${body.detail ?? answer.status}`);
  } catch {
    view = h('p', { class: 'problem' }, 'Not known: the daemon cannot be reached.');
  }
  // A later question has taken the place of this one.
  if (mine === asked) show(...[view].flat());
}

function askSoon() {
  timer ??= setTimeout(ask, Math.max(0, last + ASK_MS_MIN - Date.now()));
}

function pick(name, word) {
  const ids = Object.keys(known.blocks);
  const select = h(
    'select',
    { name },
    h('option', { value: '' }, 'Pick a place'),
    ids.map((id) => h('option', { value: id, selected: id === picked[name] }, itemName(id))),
  );
  select.addEventListener('change', () => {
    picked[name] = select.value;
    clearTimeout(timer);
    ask();
  });
  return h('label', null, word, select);
}

/** The view in which a road is asked for. */
export const road = {
  mount(root) {
    for (const name of ['from', 'to']) if (!known.blocks[picked[name]]) picked[name] = '';
    ways = h('div', { class: 'ways', 'aria-live': 'polite' });
    askSoon();
    root.replaceChildren(
      h(
        'div',
        { class: 'road-asked' },
        h('p', { class: 'big' }, 'From here to there'),
        h('form', null, pick('from', 'From'), pick('to', 'To')),
        known.past
          ? h('p', { class: 'quiet' }, 'A road is asked for now, not in the past.')
          : null,
        ways,
      ),
    );
  },
  paint() {
    const changed = touched('block', 'turnout', 'table', 'feed', 'train', 'broker');
    if (picked.from && picked.to && changed) askSoon();
  },
};
