// The Now view: the attention line, the strips, and in short what else there is.
//
// Inputs: the snapshot and what of it is dirty. Outputs: elements, built once for a layout and a
// width and refreshed where something changed. Decides nothing.

import { attention } from './attention.js';
import { h, morphInto } from './dom.js';
import { known, touched } from './store.js';
import { buildStrips, refreshStrips } from './strip.js';
import { atRest, names } from './parts.js';
import { itemName, trainName } from './words.js';

const SIDE_MS = 500;
const CAUTION =
  'A hobby aid for indoor model layouts, not a safety system. It never throws a ' +
  'point or switches power. Look before you move.';

export const now = (() => {
  let parts;
  let width = 0;
  const measure = () => {
    const inner = Math.floor(parts.strips.clientWidth);
    if (inner > 0 && inner !== width) {
      width = inner;
      buildStrips(parts.strips, width);
    }
  };
  // What stands beside the track is read, not watched: twice a second is enough.
  let waiting = null;
  const sideSoon = () => {
    waiting ??= setTimeout(() => {
      waiting = null;
      if (parts.side.isConnected) morphInto(parts.side, side());
    }, SIDE_MS);
  };
  const observer = new ResizeObserver(measure);
  return {
    mount(root) {
      parts = {
        attention: h('div', { class: 'attention' }),
        missed: h('div', { id: 'missed' }),
        strips: h('div', { class: 'strips' }),
        side: h('div', { class: 'side' }),
      };
      root.replaceChildren(
        h(
          'div',
          { class: 'now' },
          parts.attention,
          parts.missed,
          h(
            'section',
            { class: 'track', 'aria-labelledby': 'track-title' },
            h('h2', { id: 'track-title', class: 'unseen' }, 'Track'),
            parts.strips,
          ),
          parts.side,
          h('p', { class: 'caution' }, CAUTION),
        ),
      );
      width = 0;
      observer.disconnect();
      observer.observe(parts.strips);
      morphInto(parts.attention, attention());
      // What is urgent stands first; the rest comes with the next turns.
      setTimeout(() => {
        measure();
        morphInto(parts.side, side());
      });
    },
    relayout() {
      width = 0;
      measure();
    },
    paint() {
      if (touched('alarm', 'broker', 'block', 'train', 'missed')) {
        morphInto(parts.attention, attention());
      }
      refreshStrips();
      if (touched('block', 'train', 'feed', 'detector')) sideSoon();
    },
  };
})();

function side() {
  const trains = Object.keys(known.trains);
  const off = Object.entries(known.detectors).filter(([, item]) => item.health !== 'ok');
  const feeds = Object.entries(known.feeds);
  const odd = feeds.filter(([id, item]) => item.failed || !atRest(id, item));
  return [
    h(
      'section',
      null,
      h('h3', null, 'Trains'),
      trains.length
        ? h(
            'ul',
            { class: 'chips' },
            trains.map((id) =>
              h(
                'li',
                null,
                h(
                  'a',
                  { href: `#train/${id}` },
                  h('b', null, trainName(id)),
                  h('span', null, trainLine(known.trains[id])),
                ),
              ),
            ),
          )
        : h('p', { class: 'quiet' }, 'No train is seen.'),
    ),
    feeds.length
      ? h(
          'section',
          null,
          h('h3', null, 'Power'),
          h(
            'p',
            { class: 'side-line' },
            h(
              'a',
              { href: '#power' },
              odd.length
                ? `Not at rest: ${names(odd.slice(0, 6).map(([id]) => id))}` +
                    `${odd.length > 6 ? ' and more' : ''}`
                : 'Every feed at rest',
            ),
          ),
        )
      : null,
    h(
      'section',
      null,
      h('h3', null, 'Detectors'),
      h(
        'p',
        { class: 'side-line' },
        h(
          'a',
          { href: '#detectors' },
          off.length
            ? `Need a look: ${names(off.slice(0, 6).map(([id]) => id))}` +
                `${off.length > 6 ? ` and ${off.length - 6} more` : ''}`
            : `All ${Object.keys(known.detectors).length} ok`,
        ),
      ),
    ),
  ];
}

function trainLine(train) {
  if (train.lost) return 'lost';
  const where = itemName(train.blocks?.at(-1) ?? '');
  if (train.stopped || !train.heading) return `stands in ${where}`;
  const speed = train.scale_kmh ? `${Math.round(train.scale_kmh)} km/h, ` : '';
  return `${speed}${where}`;
}
