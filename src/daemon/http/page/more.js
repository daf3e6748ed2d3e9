// The More view: on a narrow screen the way to what the navigation has no room for, each with the
// one line that tells whether it needs a look.
//
// Inputs: the snapshot. Outputs: elements. Decides nothing.

import { h, morphInto } from './dom.js';
import { atRest } from './parts.js';
import { known, touched } from './store.js';
import { count } from './words.js';

const off = (items, odd) => Object.entries(items).filter(([id, item]) => odd(id, item)).length;
const all = (items) => Object.keys(items).length;

function rows() {
  const { trains, turnouts, feeds, detectors } = known;
  const diverging = off(turnouts, (_, item) => item.position !== 'normal');
  const odd = off(feeds, (id, item) => item.failed || !atRest(id, item));
  const bad = off(detectors, (_, item) => item.health !== 'ok');
  return [
    ['trains', 'Trains', count(all(trains), 'train')],
    [
      'points',
      'Points',
      diverging ? `${diverging} of ${all(turnouts)} not straight` : 'all straight',
    ],
    ['power', 'Power', odd ? `${odd} of ${all(feeds)} not at rest` : 'every feed at rest'],
    [
      'detectors',
      'Detectors',
      bad ? `${bad} of ${all(detectors)} need a look` : `all ${all(detectors)} ok`,
    ],
    ['shut-down', 'Shut-down', 'what is left on, and where trains stand'],
    ['maintenance', 'Maintenance', 'alarms by the hour, what needs a hand'],
    ['help', 'Help', 'cautions, forms, words'],
  ];
}

export const more = {
  mount(root) {
    this.list = h('ul', { class: 'more' });
    root.replaceChildren(this.list);
    this.paint();
  },
  paint() {
    if (!touched('train', 'turnout', 'feed', 'detector', 'block')) return;
    morphInto(
      this.list,
      rows().map(([view, word, line]) =>
        h('li', null, h('a', { href: `#${view}` }, h('b', null, word), h('span', null, line))),
      ),
    );
  },
};
