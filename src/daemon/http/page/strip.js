// Draws strips: the places of one line in order, points between them, trains across them.
//
// Inputs: `stripsOf(layout)` and the snapshot. Outputs: elements that are built once for a layout
// and a width, and refreshed tile by tile afterwards, so that a large layout stays quick. State
// is said by form and word first (outline, fill, hatch, dashes), by colour second.

import { TURN_MS, afterFrame, h, morph } from './dom.js';
import { isDirty, known, plan, touched } from './store.js';
import { endTowards, endsOf, rowsOf, stretches, stripSteps } from './topology.js';
import { CROSSING_PX, tableRing, tileOf } from './tiles.js';
import { itemName, trainName } from './words.js';

const FLOOR_PX = 58;
const POINTS_PX = 64;
/** Points of a fan have their words beside the leg that goes down. */
const LADDER_PX = 72;
/** A link between strips: its lanes beside the rows and its slots below a row's track. */
const LANE_PX = 6;
const LANES_MAX = 6;
const SLOT_PX = 7;
const SLOTS_MAX = 4;
/** The least room for a track of a fan behind its points. */
const TRACK_PX = 84;
/** Bands that are laid out together. */
const PART_BANDS = 4;
/** Parts that may be on the screen at the beginning: each is laid out by itself. */
const NEAR_PARTS = 6;
const SHOWN = 'shown';
const ENOUGH = 'enough';
const UNKNOWN_LENGTH_MM = 1500;

let drawing = null;

/**
 * Builds everything for a width in pixels; called anew when the layout or the width changes. It is
 * done in turns, so that a large layout does not hold up what is more urgent.
 */
export function buildStrips(root, width) {
  const mine = {
    rows: [],
    tiles: new Map(),
    stale: new Set(),
    waiting: false,
    bands: [],
    tables: [],
    cards: new Map(),
    lanes: 0,
  };
  drawing = mine;
  const sizing = {
    perMm: scaleFor(width),
    floor: FLOOR_PX,
    lengthOf: (id) => plan('blocks', id).length_mm ?? UNKNOWN_LENGTH_MM,
    fixed: (tile) => (tile.kind === 'turnout' ? POINTS_PX : CROSSING_PX),
  };
  inTurns(mine, function* () {
    const { strips, tables, links } = yield* stripSteps(known.layout);
    mine.tables = tables;
    yield;
    // Room for the links is kept beside the rows: first as much as there may be, then what is used.
    let gutter = links.length ? LANES_MAX * LANE_PX : 0;
    yield* planAll(strips, links, width - gutter);
    const used = mine.lanes * LANE_PX + (mine.lanes ? 4 : 0);
    if (used < gutter) {
      gutter = used;
      yield* planAll(strips, links, width - gutter);
    }
    root.style.setProperty('--gutter', `${gutter}px`);
    root.replaceChildren();
    yield* buildBands(mine, root);
  });

  function* planAll(strips, links, inner) {
    mine.bands = [];
    for (const strip of strips) {
      planStrip(strip, inner, sizing);
      yield;
    }
    planLinks(links);
    yield;
  }
}

/**
 * Goes on with a drawing, a little at a time, until another one has taken its place. A step that
 * yields SHOWN has put something into the document: that is laid out and painted before the next
 * turn, or the browser would do all of it at a stretch. ENOUGH ends the turn.
 */
function inTurns(mine, work) {
  const steps = work();
  const turn = () => {
    const until = performance.now() + TURN_MS;
    let shown = false;
    while (drawing === mine) {
      const { value, done } = steps.next();
      if (done) return;
      shown ||= value === SHOWN || value === ENOUGH;
      if (value === ENOUGH || performance.now() > until) {
        if (shown) afterFrame(turn);
        else setTimeout(turn);
        return;
      }
    }
  };
  setTimeout(turn);
}

function* buildBands(mine, root) {
  let section;
  let part;
  for (const one of mine.bands) {
    if (one.starts) {
      section = h('section', { class: 'strip' });
      root.append(section);
    }
    // Off the screen the browser leaves a part alone; a whole strip would be too much at once.
    if (one.starts || part.childElementCount === PART_BANDS) {
      part = h('div', { class: 'part' });
      section.append(part);
    }
    const first = mine.rows.length;
    part.append(bandElement(one));
    refreshTrains(mine.rows.slice(first));
    const near = root.getElementsByClassName('part').length <= NEAR_PARTS;
    yield near && part.childElementCount === PART_BANDS ? ENOUGH : SHOWN;
  }
}

/** Pixels for a millimetre: a usual block takes a sixth of a phone's width, or more. */
function scaleFor(width) {
  const lengths = Object.values(known.layout.blocks ?? {})
    .map((block) => block.length_mm ?? UNKNOWN_LENGTH_MM)
    .sort((x, y) => x - y);
  const median = lengths[Math.floor(lengths.length / 2)] || UNKNOWN_LENGTH_MM;
  return Math.max(FLOOR_PX, Math.min(120, width / 8)) / median;
}

function stripNote(strip) {
  const [chain] = strip.chains;
  if (!chain) {
    const reached = new Set(strip.fan.flatMap((c) => [c.from, c.to]).filter(Boolean));
    return reached.size ? `from ${[...reached].join(' and ')}` : '';
  }
  if (chain.circuit) return 'a circuit';
  if (chain.fan && chain.from) return `from ${chain.from}`;
  const end = (name) => name || 'end of track';
  return chain.from || chain.to ? `${end(chain.from)} to ${end(chain.to)}` : '';
}

// ---- bands: what lies one below the other ------------------------------------------------------

const band = (what) => {
  drawing.bands.push({ pieces: [], slots: 0, ...what });
  return drawing.bands.at(-1);
};

function planStrip(strip, width, sizing) {
  band({ starts: true, title: strip.name, note: stripNote(strip) });
  for (const chain of strip.chains) {
    const rows = rowsOf(chain.tiles, width, { ...sizing, stretch: !chain.fan });
    const label = (i) => `${strip.name}, part ${i + 1} of ${rows.length}`;
    rows.forEach((tiles, i) => planRow(tiles, 0, strip, label(i)));
    if (chain.fan) planFan(chain.fan, strip, width);
  }
  for (const fan of strip.fans) planFan(fan, strip, width);
  if (strip.fan.length) planParallel(strip, width, sizing);
  for (const table of strip.tables) planTable(table, strip, width);
}

function planRow(tiles, left, strip, label) {
  let x = left;
  const placed = tiles.map((tile) => {
    const at = { ...tile, x };
    x += tile.width;
    return at;
  });
  return band({ row: placed, left, right: x, line: strip.name, label });
}

/** Parallel tracks without points of their own: as many side by side as fit. */
function planParallel(strip, width, sizing) {
  const columns = Math.max(1, Math.floor(width / 150));
  const each = Math.floor(width / columns);
  for (let i = 0; i < strip.fan.length; i += columns) {
    const tiles = strip.fan.slice(i, i + columns).flatMap((chain) => {
      const used = chain.tiles
        .filter((t) => t.kind !== 'place')
        .reduce((n, t) => n + sizing.fixed(t), 0);
      const room = Math.max(FLOOR_PX, each - used - 10);
      return chain.tiles.map((tile, n) => ({
        ...tile,
        width: tile.kind === 'place' ? room : sizing.fixed(tile),
        apart: n === chain.tiles.length - 1,
      }));
    });
    planRow(tiles, 0, strip, `${strip.name}, tracks`);
  }
}

/** A fan: each row a track, the ladder of points down its left side. */
function planFan(fan, strip, room) {
  const levels = fan.rows.length;
  const step = Math.max(8, Math.min(30, (room - LADDER_PX - TRACK_PX) / 2 / levels));
  const lead = drawing.bands.at(-1);
  const joins = fan.lead && lead.right + 2 * LADDER_PX + TRACK_PX + step < room;
  const placed = new Map();
  const bands = fan.rows.map((row, i) => {
    const above = row.under && placed.get(row.under);
    const left = i === 0 ? (joins ? lead.right : 0) : above.x + step;
    const drop = Math.round(step * 0.6);
    let x = left;
    const tiles = row.tiles.map((tile) => {
      const wide =
        tile.kind === 'turnout' ? LADDER_PX : Math.min(240, Math.max(FLOOR_PX, room - x));
      const at = { ...tile, x, width: wide, drop };
      x += wide;
      return at;
    });
    let mine = lead;
    if (i === 0 && joins) {
      lead.row.push(...tiles);
      lead.right = x;
    } else {
      mine = planRow([], left, strip, `${strip.name}, track ${i + 1}`);
      mine.row = tiles;
    }
    const index = drawing.bands.indexOf(mine);
    for (const tile of tiles) {
      if (tile.kind === 'turnout') placed.set(tile.id, { x: tile.x, drop, index });
    }
    return { row, mine, index };
  });
  // The other leg goes down to the row that comes from it.
  for (const { row, index } of bands) {
    const above = row.under && placed.get(row.under);
    if (!above) continue;
    const x = above.x + above.drop;
    const id = row.under;
    const leg = fan.rows.flatMap((r) => r.tiles).find((tile) => tile.id === id).leg;
    const ends = [`${id}.${leg === 'normal' ? 'reverse' : 'normal'}`];
    for (let i = above.index; i <= index; i += 1) {
      const part = i === above.index ? 'drop-from' : i === index ? 'drop-to' : 'drop-by';
      const width = i === index ? drawing.bands[i].left - x : 0;
      drawing.bands[i].pieces.push({ part, ends, style: { left: x, width } });
    }
  }
}

/** A table: its ring, and beside it a row for each track that only the table reaches. */
function planTable(table, strip, width) {
  band({ table: table.id, line: strip.name });
  const left = Math.min(width - 150, 40);
  for (const id of table.own) {
    const wide = Math.min(240, width - left);
    const reach = table.stops.filter(({ leads }) => leads.includes(id));
    const stop = reach.find(({ leads }) => leads.length === 1) ?? reach[0];
    const end = stop.ends[stop.leads.indexOf(id)].split('.')[1];
    const tile = { kind: 'place', id, left: end, x: left, width: wide };
    const mine = planRow([], left, strip, `${strip.name}, stop ${stop.at}`);
    mine.row = [tile];
    mine.stop = { table: table.id, at: stop.at };
  }
}

// ---- links between strips ----------------------------------------------------------------------

/** Where the ends of tiles lie: `end` to `{ index, x }`. */
function endsByPlace() {
  const at = new Map();
  drawing.bands.forEach(({ row = [] }, index) => {
    for (const tile of row) {
      if (tile.kind === 'crossing') continue;
      const [left, right] = endsOf(tile);
      at.set(left, { index, x: tile.x + 8, tile });
      at.set(right, { index, x: tile.x + tile.width - 8, tile });
      if (tile.kind !== 'turnout') continue;
      const other = `${tile.id}.${tile.leg === 'reverse' ? 'normal' : 'reverse'}`;
      const drop = tile.drop ?? 48;
      at.set(other, {
        index,
        x: tile.x + (tile.toe === 'left' ? drop : tile.width - drop),
        tile,
      });
    }
  });
  return at;
}

/** Gives every link a lane beside the rows that is free on its way; a word where none is. */
function planLinks(links) {
  drawing.lanes = 0;
  const at = endsByPlace();
  const found = links
    .map(({ ends }) => ({ ends, from: at.get(ends[0]), to: at.get(ends[1]) }))
    .filter(({ from, to }) => from && to)
    .map((link) =>
      link.from.index > link.to.index ? { ...link, from: link.to, to: link.from } : link,
    )
    .sort((p, q) => p.to.index - p.from.index - (q.to.index - q.from.index));
  const busy = Array.from({ length: LANES_MAX }, () => []);
  for (const link of found) {
    const [first, last] = [link.from.index, link.to.index];
    const free = (lane) => lane.every(([a, b]) => last < a || first > b);
    const lane = first === last ? 0 : busy.findIndex(free);
    if (lane < 0) {
      for (const [own, other] of [
        [link.from, link.to],
        [link.to, link.from],
      ]) {
        own.tile.flag = itemName(other.tile.id);
      }
      continue;
    }
    if (first !== last) busy[lane].push([first, last]);
    if (first !== last) drawing.lanes = Math.max(drawing.lanes, lane + 1);
    drawLink(link, LANE_PX * (lane + 1));
  }
}

function drawLink({ ends, from, to }, lane) {
  const slot = ({ index }) => {
    const mine = drawing.bands[index];
    const n = Math.min(mine.slots, SLOTS_MAX - 1);
    mine.slots += 1;
    return (n + 1) * SLOT_PX;
  };
  const piece = (index, part, style) => drawing.bands[index].pieces.push({ part, ends, style });
  if (from.index === to.index) {
    const [x, y] = [from.x, to.x].sort((p, q) => p - q);
    piece(from.index, 'bow', { left: x, width: y - x, height: slot(from) });
    return;
  }
  const right = `calc(var(--gutter) - ${lane}px)`;
  const [y0, y1] = [slot(from), slot(to)];
  piece(from.index, 'out', { left: from.x, right, height: y0 });
  piece(from.index, 'down', { right, '--y': y0 });
  for (let i = from.index + 1; i < to.index; i += 1) piece(i, 'by', { right });
  piece(to.index, 'up', { right, '--y': y1 });
  piece(to.index, 'in', { left: to.x, right, height: y1 });
}

/** How a link is drawn now: set by all its points, by none, or wrongly left. */
function pieceClass({ part, ends }) {
  const legs = ends.map((end) => end.split('.')).filter(([id]) => plan('turnouts', id).name);
  const state = ([id]) => known.turnouts[id]?.state;
  const set = legs.every(([id, leg]) => leg === 'toe' || known.turnouts[id]?.position === leg);
  const odd = set && legs.some((leg) => state(leg) === 'left-diverging');
  // Track that no points open or close is neither set nor not.
  const plain = legs.every(([, leg]) => leg === 'toe');
  const how = plain ? ' is-plain' : set ? ' is-set' : '';
  return `link ${part}${how}${odd ? ' is-odd' : ''}`;
}

function pieceElement(piece) {
  const style = Object.fromEntries(
    Object.entries(piece.style).map(([k, v]) => [k, typeof v === 'number' ? `${v}px` : v]),
  );
  piece.node = h('span', { class: pieceClass(piece), style, 'aria-hidden': 'true' });
  return piece.node;
}

function bandElement(mine) {
  const links = mine.pieces.map(pieceElement);
  if (mine.title) {
    return h(
      'div',
      { class: 'band' },
      h('h3', null, mine.title, h('small', null, mine.note)),
      links,
    );
  }
  if (mine.table) {
    const table = drawing.tables.find(({ id }) => id === mine.table);
    const node = tableRing(table);
    drawing.cards.set(mine.table, { table, node });
    return h('div', { class: 'band' }, node, links);
  }
  const style = {
    '--channel': `${Math.min(mine.slots, SLOTS_MAX) * SLOT_PX + (mine.slots ? 3 : 0)}px`,
  };
  const element = h('div', { class: 'band row', role: 'group', 'aria-label': mine.label, style });
  if (mine.left && mine.row[0]?.x === mine.left) {
    element.append(
      h(
        'span',
        { class: mine.stop ? 'stop-name' : 'indent', style: { width: `${mine.left}px` } },
        mine.stop?.at ?? '',
      ),
    );
  }
  for (const tile of mine.row) {
    const node = tileOf(tile, mine.line);
    if (tile.apart) node.style.marginRight = '10px';
    element.append(node);
    if (tile.kind !== 'crossing') drawing.tiles.set(tile.id, { tile, line: mine.line, node });
  }
  element.append(...links);
  drawing.rows.push({ row: mine.row, element, trains: new Map() });
  return element;
}

/** Refreshes what is dirty. */
export function refreshStrips() {
  if (!drawing?.rows.length) return;
  for (const [id, entry] of drawing.tiles) {
    const kind = entry.tile.kind === 'place' ? 'block' : 'turnout';
    const about = kind === 'block' && plan('blocks', id).bridge_of;
    if (isDirty(kind, id) || (about && isDirty('table', about))) drawing.stale.add(id);
  }
  freshen(drawing);
  if (touched('turnout')) {
    for (const piece of drawing.bands.flatMap((mine) => mine.pieces)) {
      const cls = pieceClass(piece);
      if (piece.node && piece.node.className !== cls) piece.node.className = cls;
    }
  }
  if (touched('table', 'block', 'train')) {
    for (const card of drawing.cards.values())
      card.node = morph(card.node, tableRing(card.table));
  }
  if (touched('train', 'block')) refreshTrains(drawing.rows);
}

/** Draws tiles that are stale; where many are (a layout wakes up), the rest in later turns. */
function freshen(mine) {
  if (drawing !== mine) return;
  const until = performance.now() + TURN_MS;
  for (const id of mine.stale) {
    if (performance.now() > until) break;
    mine.stale.delete(id);
    const entry = mine.tiles.get(id);
    const fresh = tileOf(entry.tile, entry.line);
    if (entry.tile.apart) fresh.style.marginRight = '10px';
    entry.node = morph(entry.node, fresh);
  }
  if (mine.stale.size === 0 || mine.waiting) return;
  mine.waiting = true;
  afterFrame(() => {
    mine.waiting = false;
    freshen(mine);
  });
}

// ---- trains ------------------------------------------------------------------------------------

function refreshTrains(rows) {
  const holders = new Map();
  for (const [id, train] of Object.entries(known.trains)) {
    for (const place of train.blocks ?? []) {
      if (!holders.has(place)) holders.set(place, []);
      holders.get(place).push(id);
    }
  }
  for (const entry of rows) {
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
  const [first, last] = [row[run.first], row[run.last]];
  const start = first.x + first.width * shareOf(first, id, holders)[0];
  const end = last.x + last.width * shareOf(last, id, holders)[1];
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
  const wide = Math.round(end - start) - 6;
  // A train without a name has its number alone where there is no room.
  const label = train.name || wide > 92 ? trainName(id) : trainName(id).replace(/^Train /, '');
  const going = train.lost ? 'lost' : train.stopped || !nose ? 'standing' : 'moving';
  return h(
    'a',
    {
      class: classes.filter(Boolean).join(' '),
      href: `#train/${id}`,
      'aria-label': `${trainName(id)}, ${going}`,
      style: { left: `${Math.round(start) + 3}px`, width: `${wide}px` },
    },
    h(
      'span',
      { class: 'train-body' },
      h('span', { class: 'train-name' }, label, train.sure === false ? '?' : ''),
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
  const at = tiles.filter(({ kind, id }) => kind === 'place' && train.blocks.includes(id));
  const index = (id) => train.blocks.indexOf(id);
  const here = at.reduce((most, t) => (most && index(most.id) > index(t.id) ? most : t), null);
  if (!here) return null;
  const end_ = (id) => id && endTowards(known.layout, here.id, id);
  const ahead = end_(train.blocks[index(here.id) + 1]);
  const behind = end_(train.blocks[index(here.id) - 1]);
  const towards = ahead ?? (behind && (behind === 'a' ? 'b' : 'a'));
  return towards ? (towards === here.left ? 'left' : 'right') : null;
}
