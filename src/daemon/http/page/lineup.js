// Line-up and shut-down: what is not as it should be before running, and after.
//
// Inputs: the daemon's list of exceptions, trains, feeds. Outputs: elements. Whether the layout is
// ready is the daemon's word; nothing is decided here.

import { h, morphInto } from './dom.js';
import { atRest, big, link } from './parts.js';
import { known, touched } from './store.js';
import { capital, count, feedWord, itemName, kindOf, trainName } from './words.js';

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

const section = (title, list) =>
  list.length ? h('section', null, h('h2', null, title), h('ol', { class: 'rows' }, list)) : null;

const turns = (here) =>
  h(
    'p',
    { class: 'turns' },
    [
      ['line-up', 'Before running'],
      ['shut-down', 'After running'],
    ].map(([view, word]) =>
      h('a', { href: `#${view}`, 'aria-current': view === here ? 'true' : null }, word),
    ),
  );

const split = () => {
  const { exceptions } = known.line_up;
  return [
    exceptions.filter((e) => e.level === 'stops'),
    exceptions.filter((e) => e.level !== 'stops'),
  ];
};

/** The journal keeps states, not what was made of them. */
const notKept = () => big('Not kept', 'What was to be put right then is not written down.');

export const lineUp = {
  mount(root) {
    this.root = h('div', null);
    root.replaceChildren(this.root);
    this.paint();
  },
  paint() {
    if (!touched('line-up', 'block')) return;
    if (known.past) return morphInto(this.root, turns('line-up'), notKept());
    const [stops, notes] = split();
    const { ready } = known.line_up;
    morphInto(
      this.root,
      turns('line-up'),
      big(
        ready ? 'Ready to run' : 'Not ready to run',
        ready ? 'Nothing stops you.' : `${count(stops.length, 'thing')} to put right first`,
      ),
      section('To put right', stops.map(exceptionRow)),
      section('To know', notes.map(exceptionRow)),
    );
  },
};

function standing(id) {
  const train = known.trains[id];
  const places = train.blocks ?? [];
  const state = train.lost
    ? 'lost, last seen in '
    : train.stopped || !train.heading
      ? 'stands in '
      : 'still moves, in ';
  return h(
    'li',
    { class: 'item' },
    h('b', null, link(id)),
    h(
      'p',
      null,
      capital(state),
      places.map((place, i) => [i ? ', ' : '', link(place)]),
    ),
  );
}

const feedLine = (id) =>
  h(
    'li',
    { class: 'item' },
    h('b', null, link(id)),
    h('p', null, capital(feedWord(known.feeds[id]))),
  );

export const shutDown = {
  mount(root) {
    this.root = h('div', null);
    root.replaceChildren(this.root);
    this.paint();
  },
  paint() {
    if (!touched('line-up', 'block', 'train', 'feed')) return;
    if (known.past) return morphInto(this.root, turns('shut-down'), notKept());
    const all = known.line_up.exceptions;
    const trains = Object.keys(known.trains);
    const byName = (x, y) => trainName(x).localeCompare(trainName(y), 'en', { numeric: true });
    // A feed of which the list already speaks is not said twice.
    const said = new Set(all.map(({ id }) => id));
    const odd = Object.entries(known.feeds)
      .filter(([id, item]) => !said.has(id) && !atRest(id, item))
      .map(([id]) => id);
    const left = all.length + odd.length;
    morphInto(
      this.root,
      turns('shut-down'),
      big(
        left ? `${count(left, 'thing')} not at rest` : 'Everything is at rest',
        `${count(trains.length, 'train')} on the layout`,
      ),
      section('Not at rest', [...all.map(exceptionRow), ...odd.map(feedLine)]),
      section('Where every train stands', trains.sort(byName).map(standing)),
    );
  },
};
