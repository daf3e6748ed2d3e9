// What several views are made of: lists that refresh by item, links, and lines of facts.
//
// Inputs: the snapshot. Outputs: elements. Decides nothing.

import { afterFrame, h, morphInto, syncList } from './dom.js';
import { isDirty, known, plan, touched } from './store.js';
import { age, itemName, kindOf } from './words.js';

/** A list view: `keys()` in order, `row(id)`; refreshed by item, a long list in turns. */
export function listView(kinds, keys, row, head, empty, changed = (id) => isDirty(kinds[0], id)) {
  let list;
  let top;
  let left = new Set();
  let waiting = false;
  const fill = (isStale) => {
    const ids = keys();
    morphInto(top, ids.length ? head() : h('p', { class: 'quiet' }, empty));
    const before = left;
    left = syncList(list, ids, (id) => before.has(id) || isStale(id), row);
    if (left.size === 0 || waiting) return;
    waiting = true;
    afterFrame(() => {
      waiting = false;
      // Another view may be shown by now.
      if (list.isConnected) fill(() => false);
    });
  };
  return {
    mount(root) {
      left = new Set();
      top = h('div', { class: 'list-head' });
      list = h('ol', { class: 'rows' });
      root.replaceChildren(top, list);
      this.paint();
    },
    paint() {
      if (touched(...kinds)) fill(changed);
    },
  };
}

/** A view's one sentence. */
export const big = (text, small) =>
  h('p', { class: 'big' }, text, small ? h('small', null, small) : null);
/** How long something has lasted; kept current by the second. */
export const lasting = (since) => h('span', { 'data-since': since }, age(since));
/** Several items for people. */
export const names = (ids) => ids.map(itemName).join(', ');

/** A link to an item by its id, or its name where it has no page. */
export function link(id) {
  const kind = kindOf(id);
  return kind ? h('a', { href: `#${kind}/${id}` }, itemName(id)) : itemName(id);
}

/** The trains that it could be instead, each with how likely that is. */
function couldBe(train) {
  const rivals = (train.or ?? []).map((id) => {
    const weight = train.weights?.[id];
    return weight === undefined ? itemName(id) : `${itemName(id)} (${Math.round(weight * 100)} %)`;
  });
  return rivals.join(', ') || 'another train';
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
  if (train.sure === false) facts.push(['Could be', couldBe(train)]);
  if (train.unconfirmed) facts.push(['Seen', 'it went where nothing watches']);
  if (train.remembered) facts.push(['Seen', 'not since the start: remembered']);
  if (train.parent) facts.push(['Parted from', itemName(train.parent)]);
  return h(
    'dl',
    { class: 'facts' },
    facts.map(([k, v]) => [h('dt', null, k), h('dd', null, v)]),
  );
}

/** Whether a feed is as it should be when nothing runs. */
export function atRest(id, item) {
  const { rest } = plan('feeds', id);
  return !rest || rest === 'any' || (item.on !== null && item.on === (rest === 'on'));
}
