// Draws strips: the places of one line in order, points between them, trains across them.
//
// Inputs: `stripsOf(layout)` and the snapshot. Outputs: elements that are built once for a layout
// and a width, and refreshed tile by tile afterwards, so that a large layout stays quick. State
// is said by form and word first (outline, fill, hatch, dashes), by colour second.

import { h, morph, s } from './dom.js';
import { isDirty, known, plan, touched } from './store.js';
import { rowsOf, stretches, stripsOf } from './topology.js';
import {
  CLEARANCE_SHORT,
  POSITION,
  TABLE_STATE,
  capital,
  placeWord,
  pointsName,
  trainName,
} from './words.js';

const FLOOR_PX = 58;
const POINTS_PX = 72;
/** A longer name of points stands on their tile without the word 'Points'. */
const POINTS_NAME_MAX = 9;
const CROSSING_PX = 30;
const UNKNOWN_LENGTH_MM = 1500;

let drawing = null;

/** A name without the line's, which stands above the strip, nor the whole's before a colon. */
function without(line, name) {
  const own = name.slice(name.lastIndexOf(': ') + 1).trim();
  const rest = own.toLowerCase().startsWith(line.toLowerCase()) ? own.slice(line.length) : own;
  // The line's name may be a part of a longer word, or the whole name.
  return capital(/^[ ,]/.test(rest) ? rest.replace(/^[ ,]+/, '') : own);
}

const shortName = (id, line) => without(line, plan('blocks', id).name ?? id);

function shortPoints(id, line) {
  const full = without(line, pointsName(id));
  return full.length > POINTS_NAME_MAX ? full.replace(/^points /i, '') : full;
}

export function placeTile(tile, line) {
  const item = known.blocks[tile.id];
  const state = item?.state ?? 'unknown';
  const marks = [item?.kept && `kept-${item.kept}`, item?.remembered && 'remembered'];
  const word = placeWord(item) + (item?.remembered ? ', remembered' : '');
  return h(
    'a',
    {
      class: ['tile place', `is-${state}`, ...marks.filter(Boolean)].join(' '),
      href: `#block/${tile.id}`,
      style: { width: tile.width ? `${tile.width}px` : null },
    },
    h('span', { class: 'tile-name' }, shortName(tile.id, line)),
    h('span', { class: 'lane' }, state === 'lost' ? h('b', { class: 'lost-mark' }, '?') : null),
    h('span', { class: 'tile-word' }, word),
  );
}

/**
 * The form of points: the road that is set is broad, the other thin; both thin when not known.
 * What is taken as done or remembered, and not detected (`told`), is broken.
 */
export function pointsForm(position, toe = 'left', told = false) {
  const road = (set) => (set ? `road set${told ? ' told' : ''}` : 'road');
  return s(
    'svg',
    {
      class: `lane points-form pos-${position}`,
      viewBox: '0 0 60 44',
      'aria-hidden': 'true',
      focusable: 'false',
    },
    s(
      'g',
      { transform: toe === 'left' ? null : 'matrix(-1 0 0 1 60 0)' },
      s('path', { class: road(position === 'normal'), d: 'M0 31H60' }),
      s('path', { class: road(position === 'reverse'), d: 'M0 31H10C28 31 30 9 60 9' }),
      position === 'normal' || position === 'reverse'
        ? null
        : s('circle', { class: 'doubt', cx: 21, cy: 25, r: 9 }),
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
      class: `tile points at-${position} is-${state}`,
      href: `#turnout/${tile.id}`,
      style: { width: tile.width ? `${tile.width}px` : null },
    },
    h('span', { class: 'tile-name' }, shortPoints(tile.id, line)),
    pointsForm(position, tile.toe, item?.assumed || item?.remembered),
    h(
      'span',
      { class: 'tile-word' },
      state === 'left-diverging' ? null : POSITION[position],
      CLEARANCE_SHORT[state] && position !== 'unknown'
        ? h('i', null, CLEARANCE_SHORT[state])
        : null,
      item?.in_charge ? h('i', null, 'in charge') : null,
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

const tileOf = (tile, line) =>
  tile.kind === 'place'
    ? placeTile(tile, line)
    : tile.kind === 'turnout'
      ? pointsTile(tile, line)
      : crossingTile(tile);

/** Builds everything for a width in pixels; called anew when the layout or the width changes. */
export function buildStrips(root, width) {
  const { strips, tables } = stripsOf(known.layout);
  drawing = { rows: [], tiles: new Map(), chains: new Map(), tables };
  for (const chain of strips.flatMap((strip) => [...strip.chains, ...strip.fan])) {
    for (const tile of chain.tiles)
      if (tile.kind !== 'crossing') drawing.chains.set(tile.id, chain);
  }
  const sizing = {
    perMm: scaleFor(width),
    floor: FLOOR_PX,
    lengthOf: (id) => plan('blocks', id).length_mm ?? UNKNOWN_LENGTH_MM,
    fixed: (tile) => (tile.kind === 'turnout' ? POINTS_PX : CROSSING_PX),
  };
  const parts = strips.map((strip) =>
    h(
      'section',
      { class: 'strip' },
      h('h3', null, strip.name, h('small', null, stripNote(strip))),
      strip.chains.map((chain) => chainRows(chain, strip, width, sizing)),
      strip.fan.length ? fanRows(strip, width, sizing) : null,
    ),
  );
  root.replaceChildren(...parts);
  refreshTrains();
}

/** Pixels for a millimetre: a usual block takes a good quarter of a phone's width. */
function scaleFor(width) {
  const lengths = Object.values(known.layout.blocks ?? {})
    .map((block) => block.length_mm ?? UNKNOWN_LENGTH_MM)
    .sort((x, y) => x - y);
  const median = lengths[Math.floor(lengths.length / 2)] || UNKNOWN_LENGTH_MM;
  return Math.max(72, Math.min(120, width / 8)) / median;
}

function stripNote(strip) {
  const [chain] = strip.chains;
  if (!chain) {
    const reached = new Set(strip.fan.flatMap((c) => [c.from, c.to]).filter(Boolean));
    return reached.size ? `from ${[...reached].join(' and ')}` : '';
  }
  if (chain.circuit) return 'a circuit';
  const end = (name) => name || 'end of track';
  return chain.from || chain.to ? `${end(chain.from)} to ${end(chain.to)}` : '';
}

function rowElement(row, line, label) {
  const element = h('div', { class: 'row', role: 'group', 'aria-label': label });
  for (const tile of row) {
    const node = tileOf(tile, line);
    element.append(node);
    if (tile.kind !== 'crossing') drawing.tiles.set(tile.id, { tile, line, node });
  }
  drawing.rows.push({ row, element, trains: new Map() });
  return element;
}

const chainRows = (chain, strip, width, sizing) =>
  h(
    'div',
    { class: chain.circuit ? 'chain circuit' : 'chain' },
    rowsOf(chain.tiles, width, sizing).map((row, i, all) =>
      rowElement(row, strip.name, `${strip.name}, part ${i + 1} of ${all.length}`),
    ),
  );

/** Parallel tracks stand under each other, entered from the left, in as many columns as fit. */
function fanRows(strip, width, sizing) {
  const columns = Math.max(1, Math.floor(width / 168));
  const each = Math.floor((width - (columns - 1) * 12) / columns);
  return h(
    'div',
    { class: 'fan' },
    strip.fan.map((chain) => {
      const used = chain.tiles
        .filter((t) => t.kind !== 'place')
        .reduce((n, t) => n + sizing.fixed(t), 0);
      const row = chain.tiles.map((tile) => ({
        ...tile,
        width: tile.kind === 'place' ? Math.max(FLOOR_PX, each - used) : sizing.fixed(tile),
      }));
      const element = rowElement(
        row,
        strip.name,
        `${strip.name}, ${shortName(chain.places[0], '')}`,
      );
      element.style.width = `${each}px`;
      return element;
    }),
  );
}

/** Refreshes what is dirty. */
export function refreshStrips() {
  if (!drawing) return;
  for (const [id, entry] of drawing.tiles) {
    const kind = entry.tile.kind === 'place' ? 'block' : 'turnout';
    if (isDirty(kind, id)) entry.node = morph(entry.node, tileOf(entry.tile, entry.line));
  }
  if (touched('train', 'block')) refreshTrains();
}

// ---- trains ------------------------------------------------------------------------------------

function refreshTrains() {
  const holders = new Map();
  for (const [id, train] of Object.entries(known.trains)) {
    for (const place of train.blocks ?? []) {
      if (!holders.has(place)) holders.set(place, []);
      holders.get(place).push(id);
    }
  }
  for (const entry of drawing.rows) {
    const here = new Set(entry.row.flatMap((tile) => holders.get(tile.id) ?? []));
    const wanted = new Map();
    for (const id of here) {
      const held = new Set(known.trains[id].blocks);
      stretches(entry.row, held).forEach((run, i) =>
        wanted.set(`${id}/${i}`, trainShape(id, entry.row, run, holders)),
      );
    }
    for (const [key, node] of entry.trains) {
      if (!wanted.has(key)) {
        node.remove();
        entry.trains.delete(key);
      }
    }
    for (const [key, fresh] of wanted) {
      const node = entry.trains.get(key);
      if (node) entry.trains.set(key, morph(node, fresh));
      else {
        entry.element.append(fresh);
        entry.trains.set(key, fresh);
      }
    }
  }
}

/** Which part of a tile a train takes where several stand in it: [from, to] of its width. */
function shareOf(tile, id, holders) {
  const order = known.blocks[tile.id]?.trains ?? [];
  const all = order.length > 1 && order.includes(id) ? order : (holders.get(tile.id) ?? [id]);
  const place = all.indexOf(id);
  const at = tile.left === 'b' ? all.length - 1 - place : place;
  return [at / all.length, (at + 1) / all.length];
}

function trainShape(id, row, run, holders) {
  const train = known.trains[id];
  const before = (i) => row.slice(0, i).reduce((sum, tile) => sum + tile.width, 0);
  const start =
    before(run.first) + row[run.first].width * shareOf(row[run.first], id, holders)[0];
  const end = before(run.last) + row[run.last].width * shareOf(row[run.last], id, holders)[1];
  const ids = row.slice(run.first, run.last + 1).map((tile) => tile.id);
  const nose = noseOf(train, row.slice(run.first, run.last + 1));
  const hasHead = nose && train.heading && ids.includes(train.heading.split('.', 1)[0]);
  const hasTail = ids.includes(train.blocks[0]);
  const classes = [
    'train',
    nose && `to-${nose}`,
    hasHead && 'head',
    hasTail && nose && 'tail',
    train.stopped && 'stopped',
    train.lost && 'lost',
    train.sure === false && 'unsure',
    (train.remembered || train.unconfirmed) && 'remembered',
  ];
  const going = train.lost ? 'lost' : train.stopped || !nose ? 'standing' : 'moving';
  return h(
    'a',
    {
      class: classes.filter(Boolean).join(' '),
      href: `#train/${id}`,
      'aria-label': `${trainName(id)}, ${going}`,
      style: { left: `${Math.round(start) + 3}px`, width: `${Math.round(end - start) - 6}px` },
    },
    h(
      'span',
      { class: 'train-body' },
      h('span', { class: 'train-name' }, trainName(id), train.sure === false ? '?' : ''),
    ),
    hasTail && nose ? h('span', { class: 'lamp' }) : null,
  );
}

/** To which side of this stretch a train runs: 'left', 'right' or null. */
function noseOf(train, tiles) {
  const [head, end] = (train.heading ?? '').split('.');
  const tile = tiles.find((t) => t.id === head);
  if (tile?.kind === 'place') return end === tile.left ? 'left' : 'right';
  if (tile?.kind === 'turnout') {
    const opposite = tile.toe === 'left' ? 'right' : 'left';
    return end === 'toe' ? tile.toe : opposite;
  }
  if (!train.heading) return null;
  // Without the head here: the side on which the next place towards the head lies.
  const at = tiles.find((t) => train.blocks.includes(t.id));
  const chain = drawing.chains.get(at.id);
  const index = (id) =>
    id && drawing.chains.get(id) === chain ? chain.tiles.find((t) => t.id === id).index : null;
  const place = train.blocks.indexOf(at.id);
  const ahead = index(train.blocks[place + 1]);
  const behind = index(train.blocks[place - 1]);
  if (ahead === null && behind === null) return null;
  let step = ahead === null ? index(at.id) - behind : ahead - index(at.id);
  if (chain.circuit && Math.abs(step) > chain.tiles.length / 2) step = -step;
  return step > 0 ? 'right' : 'left';
}

// ---- tables ------------------------------------------------------------------------------------

/** A table as a ring: its stops around it, the bridge as a beam to the stop it is lined up to. */
export function tableRing({ id, bridge, inline, stops }) {
  const item = known.tables[id];
  const position = item?.position ?? 'unknown';
  const state = item?.state ?? 'unknown';
  const at = stops.findIndex((stop) => stop.at === position);
  const angle = (i) => (inline ? 0 : (i / stops.length) * 2 * Math.PI - Math.PI / 2);
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
        d: spoke(i, 46, 56) + (inline ? spoke(i, -46, -56) : ''),
      }),
    ),
    inline ? null : stops.map(label),
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

/** The tables of the layout. */
export const tablesOf = () => drawing?.tables ?? [];
