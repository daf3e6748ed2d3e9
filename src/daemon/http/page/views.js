// The views that list things: trains, points, power, detectors.
//
// Inputs: the snapshot and what of it is dirty. Outputs: elements. Each view has `mount(root)`,
// which builds it once, and `paint()`, which refreshes only what changed. Decides nothing.

import { h, s } from './dom.js';
import { atRest, big, lasting, link, listView, trainFacts } from './parts.js';
import { plotOf } from './plot.js';
import { isDirty, known, plan } from './store.js';
import { pointsForm } from './tiles.js';
import {
  AHEAD,
  CLEARANCE,
  EVIDENCE,
  FROM,
  HEALTH,
  POSITION,
  capital,
  count,
  feedWord,
  itemName,
  left,
  placeWord,
  pointsName,
  reading,
  trainName,
} from './words.js';

// ---- trains ------------------------------------------------------------------------------------

const ends = (heading) => {
  const [id, end] = (heading ?? '').split('.');
  return id ? `towards end ${end} of ${itemName(id)}` : 'direction unknown';
};

function aheadLine(id) {
  const train = known.trains[id];
  if (!train.ahead) return null;
  const time = left({ seconds: train.ahead.seconds, got: train.got });
  return h(
    'p',
    null,
    h('b', null, 'Ahead: '),
    AHEAD[train.ahead.what] ?? train.ahead.what,
    ' at ',
    link(train.ahead.at),
    ' ',
    h('span', { 'data-ahead': id }, time),
  );
}

function trainRow(id) {
  const train = known.trains[id];
  const state = train.lost ? 'lost' : train.stopped || !train.heading ? 'stands' : 'moves';
  return h(
    'li',
    { class: `item train-item ${state}` },
    h(
      'div',
      { class: 'item-head' },
      h('a', { class: 'item-name', href: `#train/${id}` }, trainName(id)),
      h('span', { class: 'state' }, capital(state)),
    ),
    h(
      'ol',
      { class: 'places', 'aria-label': 'Places, tail to head' },
      (train.blocks ?? []).map((place) => h('li', null, link(place))),
    ),
    h('p', { class: 'quiet' }, capital(ends(train.heading))),
    aheadLine(id),
    trainFacts(id),
    h(
      'div',
      { class: 'acts' },
      h(
        'button',
        {
          type: 'button',
          'data-act': 'name',
          'data-id': id,
          'aria-label': `${train.name ? 'Rename' : 'Name it'}: ${trainName(id)}`,
        },
        train.name ? 'Rename' : 'Name it',
      ),
    ),
  );
}

export const trains = listView(
  ['train'],
  () => Object.keys(known.trains),
  trainRow,
  () => big(count(Object.keys(known.trains).length, 'train')),
  'No train is seen.',
);

// ---- points ------------------------------------------------------------------------------------

const POINTS_STATE = {
  normal: 'Set straight',
  reverse: 'Set diverging',
  moving: 'Moving',
  unknown: 'Position unknown',
};

function pointsRow(id) {
  const item = known.turnouts[id];
  const facts = [
    FROM[item.from],
    item.in_charge && `${item.in_charge.who || 'somebody'} is in charge`,
    item.remembered && 'remembered',
  ]
    .filter(Boolean)
    .join(' · ');
  return h(
    'li',
    { class: `item points-item at-${item.position} is-${item.state}` },
    h(
      'a',
      { class: 'item-head', href: `#turnout/${id}` },
      h(
        'span',
        { class: 'item-form' },
        pointsForm(item.position, { told: item.assumed || item.remembered }),
      ),
      h(
        'span',
        { class: 'item-text' },
        h('b', null, pointsName(id)),
        h('span', { class: 'state' }, POINTS_STATE[item.position]),
        h('span', null, CLEARANCE[item.state]),
        h('small', null, 'for ', lasting(item.since), facts && ` · ${facts}`),
      ),
    ),
  );
}

function pointsHead() {
  const all = Object.values(known.turnouts);
  const off = all.filter((item) => item.position !== 'normal').length;
  const pairs = Object.entries(known.layout.crossovers ?? {}).map(([id, { name, turnouts }]) => {
    const [p, q] = turnouts.map((t) => known.turnouts[t]?.position ?? 'unknown');
    const word = p !== q ? 'its ends do not agree' : `both ends ${POSITION[p]}`;
    return h(
      'li',
      { class: p === q ? null : 'odd' },
      h('b', null, capital(name ?? id)),
      `: ${word}`,
    );
  });
  return [
    big(off ? `${off} of ${all.length} not straight` : `All ${all.length} straight`),
    pairs.length ? h('ul', { class: 'pairs', 'aria-label': 'Crossovers' }, pairs) : null,
  ];
}

export const points = listView(
  ['turnout'],
  () => {
    const ids = Object.keys(known.turnouts);
    const straight = (id) => known.turnouts[id].position === 'normal';
    return [...ids.filter((id) => !straight(id)), ...ids.filter(straight)];
  },
  pointsRow,
  pointsHead,
  'This layout has no points.',
);

// ---- power -------------------------------------------------------------------------------------

/** A switch's form: a closed or an open blade. */
const feedForm = (on) =>
  s(
    'svg',
    {
      class: `feed-form ${on === true ? 'on' : on === false ? 'off' : 'doubt'}`,
      viewBox: '0 0 60 44',
      'aria-hidden': 'true',
    },
    s('path', { d: 'M2 30H16M44 30H58' }),
    s('circle', { cx: 18, cy: 30, r: 4 }),
    s('circle', { cx: 42, cy: 30, r: 4 }),
    s('path', { class: 'blade', d: on === true ? 'M18 30H42' : 'M18 30L38 8' }),
  );

function feedRow(id) {
  const item = known.feeds[id];
  const { rest, blocks = [] } = plan('feeds', id);
  const odd = !atRest(id, item);
  return h(
    'li',
    { class: `item feed-item ${item.failed ? 'failed' : ''}` },
    h(
      'a',
      { class: 'item-head', href: `#feed/${id}` },
      h('span', { class: 'item-form' }, feedForm(item.on)),
      h(
        'span',
        { class: 'item-text' },
        h('b', null, itemName(id)),
        h(
          'span',
          { class: 'state' },
          capital(feedWord(item)),
          item.volts === null || item.volts === undefined ? '' : `, ${reading(item.volts, 'V')}`,
        ),
        odd ? h('span', { class: 'odd' }, `at rest it is ${rest}`) : null,
        h('small', null, 'for ', lasting(item.since)),
      ),
    ),
    h(
      'ul',
      { class: 'feeds-places', 'aria-label': 'Feeds' },
      blocks.map((block) => h('li', null, link(block), ` ${placeWord(known.blocks[block])}`)),
    ),
  );
}

export const power = listView(
  ['feed', 'block'],
  () => Object.keys(known.feeds),
  feedRow,
  () => {
    const on = Object.values(known.feeds).filter((item) => item.on).length;
    return big(`${on} of ${Object.keys(known.feeds).length} on`);
  },
  'This layout has no switched power.',
  (id) =>
    isDirty('feed', id) ||
    (plan('feeds', id).blocks ?? []).some((block) => isDirty('block', block)),
);

// ---- detectors ---------------------------------------------------------------------------------

/** The reading against its thresholds. The scale is a square root, so that small currents show. */
function gauge(item, { on, off }) {
  if (typeof on !== 'number') return null;
  const top = Math.max(Math.abs(on), Math.abs(off ?? on)) * 4 || 1;
  const at = (v) => `${(Math.sqrt(Math.min(1, Math.abs(v) / top)) * 100).toFixed(1)}%`;
  const value = item.reading;
  return h(
    'span',
    { class: 'gauge', 'aria-hidden': 'true' },
    h('span', {
      class: 'gauge-fill',
      style: { width: typeof value === 'number' ? at(value) : '0' },
    }),
    typeof off === 'number' ? h('span', { class: 'tick off', style: { left: at(off) } }) : null,
    h('span', { class: 'tick on', style: { left: at(on) } }),
  );
}

/** What a detector watches, in words. */
function watches(subject = '') {
  const [kind, rest = ''] = subject.split(':');
  const [id, leg] = rest.split('.');
  if (kind === 'beam')
    return [
      'a beam on the ',
      { normal: 'straight', reverse: 'diverging', toe: 'toe' }[leg] ?? leg,
      ' leg of ',
      link(id),
    ];
  if (kind === 'points') return ['the points of ', link(id)];
  return [link(id)];
}

function detectorRow(id) {
  const item = known.detectors[id];
  const about = plan('detectors', id);
  const bad = item.health !== 'ok';
  const limits =
    typeof about.on === 'number'
      ? `on ${about.on >= (about.off ?? about.on) ? 'from' : 'down to'} ` +
        `${reading(about.on, about.unit)}${
          typeof about.off === 'number' ? `, off at ${reading(about.off, about.unit)}` : ''
        }`
      : about.kind;
  return h(
    'li',
    { class: `item detector-item ev-${item.evidence} ${bad ? 'bad' : ''}` },
    h(
      'div',
      { class: 'item-head' },
      h('a', { class: 'item-name', href: `#detector/${id}` }, itemName(id)),
      h(
        'span',
        { class: 'state' },
        bad ? capital(HEALTH[item.health] ?? item.health) : EVIDENCE[item.evidence],
      ),
    ),
    h('p', { class: 'quiet' }, 'watches ', watches(about.subject)),
    typeof about.on === 'number' ? plotOf(id) : gauge(item, about),
    h(
      'p',
      { class: 'gauge-words' },
      typeof about.on === 'number'
        ? h('b', null, reading(item.reading, about.unit ?? item.unit))
        : null,
      typeof about.on === 'number' ? ', ' : '',
      limits,
    ),
  );
}

export const detectors = listView(
  ['detector'],
  () => {
    const ids = Object.keys(known.detectors);
    const bad = (id) => known.detectors[id].health !== 'ok';
    return [...ids.filter(bad), ...ids.filter((id) => !bad(id))];
  },
  detectorRow,
  () => {
    const all = Object.values(known.detectors);
    const bad = all.filter((item) => item.health !== 'ok').length;
    return big(bad ? `${bad} of ${all.length} need a look` : `All ${all.length} ok`);
  },
  'This layout has no detectors.',
);
