// The views that list things: trains, points, power, detectors, line-up.
//
// Inputs: the snapshot and what of it is dirty. Outputs: elements. Each view has `mount(root)`,
// which builds it once, and `paint()`, which refreshes only what changed. Decides nothing.

import { h, morphInto, s, syncList } from './dom.js';
import { road } from './road.js';
import { isDirty, known, plan, touched } from './store.js';
import { pointsForm } from './strip.js';
import {
  AHEAD,
  CLEARANCE,
  EVIDENCE,
  FROM,
  HEALTH,
  POSITION,
  age,
  capital,
  count,
  feedWord,
  itemName,
  kindOf,
  left,
  placeWord,
  pointsName,
  reading,
  trainName,
} from './words.js';

/** A list view: `keys()` in order, `row(id)`; refreshed by item. */
function listView(kinds, keys, row, head, empty, changed = (id) => isDirty(kinds[0], id)) {
  let list;
  let top;
  return {
    mount(root) {
      top = h('div', { class: 'list-head' });
      list = h('ol', { class: 'rows' });
      root.replaceChildren(top, list);
      this.paint();
    },
    paint() {
      if (!touched(...kinds)) return;
      const ids = keys();
      morphInto(top, ids.length ? head() : h('p', { class: 'quiet' }, empty));
      syncList(list, ids, changed, row);
    },
  };
}

const big = (text, small) =>
  h('p', { class: 'big' }, text, small ? h('small', null, small) : null);
/** How long something has lasted; kept current by the second. */
export const lasting = (since) => h('span', { 'data-since': since }, age(since));
/** Several items for people. */
export const names = (ids) => ids.map(itemName).join(', ');

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

/** A link to an item by its id, or its name where it has no page. */
export function link(id) {
  const kind = kindOf(id);
  return kind ? h('a', { href: `#${kind}/${id}` }, itemName(id)) : itemName(id);
}

/** What is known of a train, as lines. */
export function trainFacts(id) {
  const train = known.trains[id];
  const facts = [
    [
      'Speed',
      train.scale_kmh === null || train.scale_kmh === undefined
        ? 'unknown'
        : `${Math.round(train.scale_kmh)} km/h to scale, ` +
          `${Math.round(train.speed_mm_s ?? 0)} mm/s`,
    ],
    [
      'Length',
      train.length_mm
        ? `${Math.round(train.length_mm)} mm${
            train.length_sd_mm ? `, give or take ${Math.round(train.length_sd_mm)}` : ''
          }`
        : 'unknown',
    ],
  ];
  if (train.sure === false) facts.push(['Could be', names(train.or ?? []) || 'another train']);
  if (train.unconfirmed) facts.push(['Seen', 'it went where nothing watches']);
  if (train.remembered) facts.push(['Seen', 'not since the start: remembered']);
  if (train.parent) facts.push(['Parted from', itemName(train.parent)]);
  return h(
    'dl',
    { class: 'facts' },
    facts.map(([k, v]) => [h('dt', null, k), h('dd', null, v)]),
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
        pointsForm(item.position, 'left', item.assumed || item.remembered),
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

/** Whether a feed is as it should be when nothing runs. */
export function atRest(id, item) {
  const { rest } = plan('feeds', id);
  return !rest || rest === 'any' || (item.on !== null && item.on === (rest === 'on'));
}

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
    gauge(item, about),
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

// ---- line-up -----------------------------------------------------------------------------------

function exceptionRow(exception) {
  const item = known.blocks[exception.id];
  // A note about a place: nobody knows what a dark siding holds, and the operator can say.
  const unknown = item?.state === 'dark' || item?.state === 'unknown';
  const asks = exception.level === 'note' && unknown && !item.kept;
  const button = (verb, word) =>
    h(
      'button',
      {
        type: 'button',
        'data-act': verb,
        'data-id': exception.id,
        'aria-label': `${itemName(exception.id)}: ${word}`,
      },
      word,
    );
  return h(
    'li',
    { class: `item exception ${exception.level}` },
    h('b', null, exception.text),
    h('p', null, exception.do),
    kindOf(exception.id) ? h('p', { class: 'quiet' }, 'Show ', link(exception.id)) : null,
    asks
      ? h(
          'div',
          { class: 'acts' },
          button('empty', 'Empty'),
          button('stands-here', 'A train stands here'),
        )
      : null,
  );
}

export const lineUp = {
  mount(root) {
    this.root = h('div', null);
    root.replaceChildren(this.root, road.mount());
    this.paint();
  },
  paint() {
    road.paint();
    if (!touched('line-up', 'block')) return;
    const { ready, exceptions } = known.line_up;
    const stops = exceptions.filter((e) => e.level === 'stops');
    const notes = exceptions.filter((e) => e.level !== 'stops');
    const section = (title, list) =>
      list.length
        ? h(
            'section',
            null,
            h('h2', null, title),
            h('ol', { class: 'rows' }, list.map(exceptionRow)),
          )
        : null;
    morphInto(
      this.root,
      big(
        ready ? 'Ready to run' : 'Not ready to run',
        ready ? 'Nothing stops you.' : `${count(stops.length, 'thing')} to put right first`,
      ),
      section('To put right', stops),
      section('To know', notes),
    );
  },
};
