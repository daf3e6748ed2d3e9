// The tiles that strips are made of: places, points, crossings, and the rings of tables.
//
// Inputs: a tile of topology.js and the snapshot. Outputs: one element each, made anew whenever
// something of it has changed. State is said by form and word first (outline, fill, hatch,
// dashes), by colour second.

import { h, s } from './dom.js';
import { known, plan } from './store.js';
import {
  CLEARANCE_SHORT,
  POSITION,
  TABLE_STATE,
  capital,
  placeWord,
  pointsName,
  trainName,
} from './words.js';

/** A longer name of points stands on their tile without the word 'Points'. */
const POINTS_NAME_MAX = 9;
export const CROSSING_PX = 30;

/** A name without the line's, which stands above the strip, nor the whole's before a colon. */
function without(line, name) {
  const own = name.slice(name.lastIndexOf(': ') + 1).trim();
  const rest = own.toLowerCase().startsWith(line.toLowerCase()) ? own.slice(line.length) : own;
  // The line's name may be a part of a longer word, or the whole name.
  return capital(/^[ ,]/.test(rest) ? rest.replace(/^[ ,]+/, '') : own);
}

const shortName = (id, line) => without(line, plan('blocks', id).name ?? id);
// A word this long breaks in the middle of a narrow tile, unless its letters are a little smaller.
const LONG_WORD = 9;
const nameClass = (name) =>
  `tile-name${name.split(' ').some((word) => word.length >= LONG_WORD) ? ' is-tight' : ''}`;

function shortPoints(id, line) {
  const own = without(line, plan('turnouts', id).name ?? id);
  const full = own.length > 2 ? own : pointsName(id);
  return full.length > POINTS_NAME_MAX ? full.replace(/^points /i, '') : full;
}

export function placeTile(tile, line) {
  const item = known.blocks[tile.id];
  const state = item?.state ?? 'unknown';
  const marks = [item?.kept && `kept-${item.kept}`, item?.remembered && 'remembered'];
  const bridge = plan('blocks', tile.id).bridge_of;
  const gap = bridge && known.tables[bridge]?.position !== plan('tables', bridge).stops?.[0].at;
  if (gap) marks.push('gap');
  const word =
    placeWord(item) + (item?.remembered ? ', remembered' : '') + (gap ? ', bridge not in' : '');
  const name = shortName(tile.id, line);
  return h(
    'a',
    {
      class: ['tile place', `is-${state}`, ...marks.filter(Boolean)].join(' '),
      href: `#block/${tile.id}`,
      style: { width: tile.width ? `${tile.width}px` : null },
    },
    h('span', { class: nameClass(name) }, h('span', null, name)),
    h('span', { class: 'lane' }, state === 'lost' ? h('b', { class: 'lost-mark' }, '?') : null),
    h('span', { class: 'tile-word' }, word),
  );
}

/**
 * The form of points: the road that is set is broad, the other thin; both thin when not known.
 * What is taken as done or remembered, and not detected (`told`), is broken. The leg that goes on
 * in the row is drawn across, the other one leaves it at `drop` pixels from the toe.
 */
export function pointsForm(
  position,
  { toe = 'left', told = false, leg = 'normal', drop = 48, width = 64 } = {},
) {
  const road = (set) => (set ? `road set${told ? ' told' : ''}` : 'road');
  const from = Math.max(1, drop - 34);
  return s(
    'svg',
    {
      class: `lane points-form pos-${position}`,
      viewBox: `0 0 ${width} 44`,
      'aria-hidden': 'true',
      focusable: 'false',
    },
    s(
      'g',
      { transform: toe === 'left' ? null : `matrix(-1 0 0 1 ${width} 0)` },
      s('path', { class: road(position === leg), d: `M0 22H${width}` }),
      s('path', {
        class: road(position !== leg && (position === 'normal' || position === 'reverse')),
        d: `M0 22H${from}C${from + 20} 22 ${drop} 26 ${drop} 44`,
      }),
      position === 'normal' || position === 'reverse'
        ? null
        : s('circle', { class: 'doubt', cx: 24, cy: 22, r: 10 }),
    ),
  );
}

export function pointsTile(tile, line) {
  const item = known.turnouts[tile.id];
  const position = item?.position ?? 'unknown';
  const state = item?.state ?? 'unknown';
  return h(
    'a',
    {
      class: `tile points at-${position} is-${state}${tile.ladder ? ' ladder' : ''}`,
      href: `#turnout/${tile.id}`,
      style: {
        width: tile.width ? `${tile.width}px` : null,
        '--drop': tile.ladder ? `${tile.drop}px` : null,
      },
    },
    h('span', { class: 'tile-name' }, h('span', null, shortPoints(tile.id, line))),
    pointsForm(position, { ...tile, told: item?.assumed || item?.remembered }),
    h(
      'span',
      { class: 'tile-word' },
      state === 'left-diverging' ? null : POSITION[position],
      CLEARANCE_SHORT[state] && position !== 'unknown'
        ? h('i', null, CLEARANCE_SHORT[state])
        : null,
      item?.in_charge ? h('i', null, 'in charge') : null,
      tile.flag ? h('small', null, `to ${tile.flag}`) : null,
    ),
  );
}

function crossingTile(tile) {
  return h(
    'span',
    { class: 'tile crossing', style: { width: `${tile.width ?? CROSSING_PX}px` } },
    h('span', { class: 'tile-name' }, ''),
    s(
      'svg',
      {
        class: 'lane',
        viewBox: '0 0 30 44',
        role: 'img',
        'aria-label': plan('crossings', tile.id).name ?? tile.id,
      },
      s('path', { class: 'road', d: 'M0 31H30M4 9L26 42' }),
    ),
    h('span', { class: 'tile-word' }, ''),
  );
}

/** The element of any tile. */
export const tileOf = (tile, line) =>
  tile.kind === 'place'
    ? placeTile(tile, line)
    : tile.kind === 'turnout'
      ? pointsTile(tile, line)
      : crossingTile(tile);

// ---- tables ------------------------------------------------------------------------------------

/** A table as a ring: its stops around it, the bridge as a beam to the stop it is lined up to. */
export function tableRing({ id, bridge, stops }) {
  const item = known.tables[id];
  const position = item?.position ?? 'unknown';
  const state = item?.state ?? 'unknown';
  const at = stops.findIndex((stop) => stop.at === position);
  const angle = (i) => (i / stops.length) * 2 * Math.PI - Math.PI / 2;
  const spoke = (i, r0, r1) => {
    const [x, y] = [Math.cos(angle(i)), Math.sin(angle(i))];
    return `M${60 + r0 * x} ${60 + r0 * y}L${60 + r1 * x} ${60 + r1 * y}`;
  };
  const bridgeState = known.blocks[bridge]?.state ?? 'unknown';
  const where = at >= 0 ? `at ${position}` : position === 'between' ? 'between stops' : 'unknown';
  const anchor = (x) => (x > 0.3 ? 'start' : x < -0.3 ? 'end' : 'middle');
  const label = (stop, i) =>
    s(
      'text',
      {
        x: 60 + 62 * Math.cos(angle(i)),
        y: 65 + 67 * Math.sin(angle(i)),
        'text-anchor': anchor(Math.cos(angle(i))),
        class: i === at ? 'stop set' : 'stop',
      },
      stop.at.slice(0, 4),
    );
  const ring = s(
    'svg',
    { viewBox: '-34 -14 188 148', class: `ring bridge-${bridgeState}`, 'aria-hidden': 'true' },
    stops.map((stop, i) =>
      s('path', {
        class: i === at ? 'spoke set' : 'spoke',
        d: spoke(i, 46, 56),
      }),
    ),
    stops.map(label),
    s('circle', { class: 'ring-edge', cx: 60, cy: 60, r: 43 }),
    at >= 0
      ? s('path', { class: 'bridge', d: spoke(at, -36, 36) })
      : s('circle', { class: 'doubt', cx: 60, cy: 60, r: 24 }),
  );
  const holds = known.blocks[bridge]?.trains?.map(trainName).join(', ');
  return h(
    'a',
    { class: `table-card is-${state}`, href: `#table/${id}` },
    ring,
    h(
      'span',
      { class: 'table-text' },
      h('b', null, plan('tables', id).name ?? id),
      h('span', null, capital(where), `, ${TABLE_STATE[state]}`),
      h('span', null, 'Bridge: ', placeWord(known.blocks[bridge]), holds ? `, ${holds}` : ''),
      at >= 0
        ? h(
            'span',
            { class: 'quiet' },
            'joins ',
            stops[at].leads.map((lead) => plan('blocks', lead).name ?? lead).join(' and '),
          )
        : null,
    ),
  );
}
