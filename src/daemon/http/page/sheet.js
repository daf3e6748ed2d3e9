// The sheet of one item: everything that is known of it, why, and what the operator can say about
// it.
//
// Inputs: the page's address (`#turnout/w1`) and the snapshot. Outputs: a dialog that stays
// current while it is open. The acts are carried out in act.js.

import { alarmTime } from './attention.js';
import { h, morphInto } from './dom.js';
import { known, plan, touched } from './store.js';
import { lasting, link, trainFacts } from './parts.js';
import { plotOf } from './plot.js';
import { legsOf } from './topology.js';
import {
  ALARM_STATE,
  EVIDENCE,
  FROM,
  HEALTH,
  PRIORITY,
  TABLE_STATE,
  capital,
  clock,
  feedWord,
  isUnseen,
  itemName,
  placeWord,
  pointsName,
  pointsState,
  reading,
  trainName,
} from './words.js';

const dialog = () => document.getElementById('sheet');
let open = null;

const facts = (...pairs) =>
  h(
    'dl',
    { class: 'facts' },
    pairs.filter((pair) => pair?.[1]).map(([k, ...v]) => [h('dt', null, k), h('dd', null, ...v)]),
  );
const since = (item) =>
  item.since === undefined || item.since === null
    ? null
    : ['Since', `${clock(item.since)}, for `, lasting(item.since)];
const why = (item) => ['Why', item.why];
const button = (act, id, word, extra) =>
  h('button', { type: 'button', 'data-act': act, 'data-id': id, ...extra }, word);
const list = (ids) => ids.map((id, i) => [i ? ', ' : '', link(id)]);

/** Alarms about this item. */
function alarmsOf(id) {
  const mine = Object.values(known.alarms).filter((alarm) => alarm.subject === id);
  return mine.length
    ? h(
        'ul',
        { class: 'sheet-alarms' },
        mine.map((alarm) => h('li', null, h('a', { href: `#alarm/${alarm.id}` }, alarm.text))),
      )
    : null;
}

/** What a leg of points leads to. */
function leadsTo(id, leg) {
  const next = legsOf(known.layout, id)[leg];
  return next ? ['to ', link(next)] : 'to the end of the track';
}

/** How a detector is measured anew. */
const calibrate = (id) => [
  h('code', null, `taillamp calibrate --plan FILE --detector ${id}`),
  ' measures it and proposes thresholds.',
];

const SHEETS = {
  block(id) {
    const item = known.blocks[id];
    const about = plan('blocks', id);
    const feeds = Object.entries(known.layout.feeds ?? {}).filter(([, f]) =>
      f.blocks?.includes(id),
    );
    const watching = Object.entries(known.layout.detectors ?? {})
      .filter(([, d]) => d.subject === `block:${id}`)
      .map(([d]) => d);
    return [
      about.name ?? id,
      capital(placeWord(item)),
      facts(
        since(item),
        ['Trains', item.trains?.length ? list(item.trains) : null],
        why(item),
        [
          'Known',
          item.told ? 'you said so' : item.remembered ? 'remembered from before the start' : null,
        ],
        ['Detectors', watching.length ? list(watching) : 'none watch it'],
        ['Power', feeds.length ? list(feeds.map(([f]) => f)) : null],
        ['Length', about.length_mm ? `${about.length_mm} mm` : null],
      ),
      [
        button('stands-here', id, 'A train stands here'),
        button('empty', id, 'It is empty'),
        button('removed-by-hand', id, 'Lifted off by hand'),
      ],
    ];
  },
  turnout(id) {
    const item = known.turnouts[id];
    const charge = item.in_charge;
    return [
      pointsName(id),
      capital(pointsState(item)),
      facts(
        since(item),
        [
          'Position',
          [FROM[item.from] ?? 'not known from anything', item.assumed ? ', assumed' : ''],
        ],
        why(item),
        [
          'In charge',
          charge ? `${charge.who || 'somebody'}, until ${clock(charge.until)}` : null,
        ],
        ['Straight', leadsTo(id, 'normal')],
        ['Diverging', leadsTo(id, 'reverse')],
        ['Known', item.remembered ? 'remembered from before the start' : null],
        [
          'Moved',
          item.movements === undefined ? null : `${item.movements} times since the start`,
        ],
        ['At rest', plan('turnouts', id).rest === 'none' ? 'either way' : 'straight'],
      ),
      [
        button('seen', id, 'I see them straight', { 'data-position': 'normal' }),
        button('seen', id, 'I see them diverging', { 'data-position': 'reverse' }),
        charge
          ? button('in-charge', id, 'Give them back', { 'data-minutes': 0 })
          : button('in-charge', id, 'I answer for them'),
      ],
    ];
  },
  table(id) {
    const item = known.tables[id];
    const { stops = [], bridge, rest } = plan('tables', id);
    return [
      itemName(id),
      capital(
        `${
          item.position === 'between'
            ? 'between stops'
            : item.position === 'unknown'
              ? 'position unknown'
              : `at ${item.position}`
        }, ` + `${TABLE_STATE[item.state]}`,
      ),
      facts(
        since(item),
        why(item),
        ['At rest', rest],
        ['Bridge', bridge ? [link(bridge), ` ${placeWord(known.blocks[bridge])}`] : null],
        ...stops.map(({ at, a, b }) => [
          `Stop ${at}`,
          list([a, b].filter(Boolean).map((end) => end.split('.')[0])),
        ]),
      ),
      [],
    ];
  },
  feed(id) {
    const item = known.feeds[id];
    const { blocks = [], rest } = plan('feeds', id);
    return [
      itemName(id),
      capital(feedWord(item)),
      facts(
        since(item),
        ['Voltage', typeof item.volts === 'number' ? reading(item.volts, 'V') : null],
        [
          'Proves',
          item.live ? 'current sensing counts' : 'nothing: current sensing does not count',
        ],
        ['At rest', rest && rest !== 'any' ? rest : null],
        ['Feeds', blocks.length ? list(blocks) : 'no track'],
      ),
      [],
    ];
  },
  detector(id) {
    const item = known.detectors[id];
    const about = plan('detectors', id);
    const out = item.health === 'out-of-service';
    return [
      itemName(id),
      capital(`${EVIDENCE[item.evidence]}, ${HEALTH[item.health] ?? item.health}`),
      [
        typeof about.on === 'number' ? plotOf(id) : null,
        facts(
          since(item),
          ['Reading', reading(item.reading, about.unit ?? item.unit)],
          [
            'On, off',
            typeof about.on === 'number'
              ? `${reading(about.on, about.unit)}, ${reading(about.off, about.unit)}`
              : null,
          ],
          ['Heard', item.heard ? [lasting(item.heard), ' ago'] : 'never'],
          ['Drop-outs', item.dropouts ? String(item.dropouts) : null],
          [
            'Not counted',
            item.late || item.implausible
              ? `${item.late} late, ${item.implausible} implausible`
              : null,
          ],
          ['Kind', about.kind],
          ['Node', about.node ? itemName(about.node) : null],
          ['Calibrate', about.kind === 'contact' ? null : calibrate(id)],
        ),
      ],
      [
        out
          ? button('in-service', id, 'Back in service')
          : button('out-of-service', id, 'Out of service'),
      ],
    ];
  },
  train(id) {
    const item = known.trains[id];
    return [
      trainName(id),
      item.lost ? 'Lost' : item.stopped || !item.heading ? 'Stands' : 'Moves',
      [facts(since(item), ['Places', list(item.blocks ?? [])]), trainFacts(id)],
      [
        button('name', id, item.name ? 'Rename' : 'Name it'),
        item.lost ? null : button('divide', id, 'Divide'),
      ],
    ];
  },
  alarm(id) {
    const item = known.alarms[id];
    return [
      item.text,
      PRIORITY[item.priority],
      facts(
        ['Do', item.do],
        since(item),
        ['Time left', item.seconds ? alarmTime(item) : null],
        ['State', ALARM_STATE[item.state] || 'nobody has acknowledged it'],
        ['By', item.by],
        ['Until', item.until ? clock(item.until) : null],
        ['About', link(item.subject)],
      ),
      [
        isUnseen(item) ? button('acknowledge', id, 'Acknowledge', { class: 'main' }) : null,
        /^latched/.test(item.state) ? button('reset', id, 'Reset') : null,
        item.state === 'shelved'
          ? button('unshelve', id, 'End shelving')
          : button('shelve', id, 'Shelve for a while'),
      ],
    ];
  },
};

const exists = ({ kind, id }) => Boolean(known[`${kind}s`]?.[id]);

function draw() {
  const gone = !exists(open);
  const [title, state, body, acts] = gone
    ? [itemName(open.id), 'Gone', h('p', null, 'It is no longer there.'), []]
    : SHEETS[open.kind](open.id);
  morphInto(
    dialog(),
    h(
      'div',
      { class: 'sheet-head' },
      h('h2', { id: 'sheet-title' }, title),
      h('button', { type: 'button', 'data-act': 'close', 'aria-label': 'Close' }, '\u00d7'),
    ),
    h('p', { class: 'sheet-state' }, state),
    open.kind === 'alarm' ? null : alarmsOf(open.id),
    h('div', { class: 'sheet-body' }, body),
    acts.length ? h('div', { class: 'acts' }, acts) : null,
  );
}

export function openSheet(kind, id) {
  open = { kind, id };
  draw();
  if (!dialog().open) dialog().showModal();
}

/** The address of the open sheet, or an empty text. */
export const openAddress = () => (open ? `#${open.kind}/${open.id}` : '');

export function closeSheet() {
  open = null;
  if (dialog().open) dialog().close();
}

/** Keeps an open sheet current. */
export function paintSheet() {
  if (open && (touched(open.kind, 'alarm') || touched('tick'))) draw();
}
