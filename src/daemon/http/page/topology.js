// From the plan's joins to a drawing: which places follow each other, what branches off where.
//
// Input: the `layout` of the snapshot; its `lines` and `left` are what the plan wants of the
// drawing. Output: for every `line` a strip of chains (places in order,
// with the turnouts between them) and fans (a ladder of points with its parallel tracks), for
// tables their stops, and links: every join that no strip shows as 'next to each other'. Purely a
// matter of drawing: nothing here decides where a train can go.

/** Turnouts and crossings that one path may run through; a longer one is not followed. */
const STEPS_MAX = 40;
/** Tracks of one fan. */
const FAN_MAX = 60;

const OTHER = { a: 'b', b: 'a' };
const OTHER_LEG = { normal: 'reverse', reverse: 'normal' };
const PARKED = ['yard', 'stub', 'siding'];

const splitEnd = (end) => {
  const dot = end.indexOf('.');
  return [end.slice(0, dot), end.slice(dot + 1)];
};

/** A track plan that can be asked what lies beyond an end. */
class Track {
  constructor(layout) {
    this.layout = layout;
    this.join = new Map();
    this.ways = new Map();
    for (const [x, y] of layout.joins ?? []) {
      this.join.set(x, y);
      this.join.set(y, x);
    }
    /** Ends that a table's stop joins to its bridge, by the table's name. */
    this.atTable = new Map();
    for (const [id, table] of Object.entries(layout.tables ?? {})) {
      for (const { a, b } of table.stops ?? []) {
        for (const end of [a, b].filter(Boolean)) this.atTable.set(end, table.name ?? id);
      }
    }
    // A lift-out bridge has one stop that joins both its ends: it is part of its line.
    for (const table of Object.values(layout.tables ?? {})) {
      if (!isInline(table)) continue;
      const [{ a, b }] = table.stops;
      for (const [side, end] of [
        ['a', a],
        ['b', b],
      ]) {
        this.join.set(`${table.bridge}.${side}`, end);
        this.join.set(end, `${table.bridge}.${side}`);
      }
    }
  }

  /** The end that an end meets, crossings taken as what they are: track. */
  far(end) {
    let far = this.join.get(end);
    for (let steps = 0; far && steps < STEPS_MAX; steps += 1) {
      const [id, side] = splitEnd(far);
      if (!this.layout.crossings?.[id]) return far;
      const [track, at] = side.split('.');
      far = this.join.get(`${id}.${track}.${OTHER[at]}`);
    }
    return far;
  }

  /**
   * The way from the end of a block to the next block: `{ block, end, via }`, `block` null where
   * the track ends. At a toe the straight leg comes first, unless only the other leads to `line`.
   */
  next(end, line) {
    const key = `${end} ${line}`;
    if (!this.ways.has(key)) this.ways.set(key, this.follow(end, line, 0));
    return this.ways.get(key);
  }

  follow(end, line, steps) {
    const far = this.join.get(end);
    if (!far || steps > STEPS_MAX) {
      return { block: null, end: null, via: [], table: this.atTable.get(end) };
    }
    const [id, side] = splitEnd(far);
    if (this.layout.blocks?.[id]) return { block: id, end: side, via: [] };
    if (this.layout.turnouts?.[id]) {
      if (side !== 'toe') {
        const rest = this.follow(`${id}.toe`, line, steps + 1);
        return { ...rest, via: [{ kind: 'turnout', id, toe: 'far', leg: side }, ...rest.via] };
      }
      const ways = ['normal', 'reverse'].map((leg) => {
        const rest = this.follow(`${id}.${leg}`, line, steps + 1);
        return { ...rest, via: [{ kind: 'turnout', id, toe: 'near', leg }, ...rest.via] };
      });
      return ways.find((way) => this.lineOf(way.block) === line) ?? ways[0];
    }
    if (this.layout.crossings?.[id]) {
      const [track, at] = side.split('.');
      const rest = this.follow(`${id}.${track}.${OTHER[at]}`, line, steps + 1);
      return { ...rest, via: [{ kind: 'crossing', id }, ...rest.via] };
    }
    return { block: null, end: null, via: [] };
  }

  lineOf(block) {
    const item = block && this.layout.blocks[block];
    if (!item) return null;
    // A lift-out bridge of no line of its own is a part of the line that it carries on.
    const [beside] = splitEnd(this.join.get(`${block}.a`) ?? '.');
    const carried = item.bridge_of && !item.line ? this.layout.blocks[beside] : null;
    return lineName(carried ?? item);
  }
}

/** A table of one stop that joins both ends of its bridge: a lift-out bridge. */
export const isInline = (table) =>
  Boolean(table.stops?.length === 1 && table.stops[0].a && table.stops[0].b);

const USE_LINE = { yard: 'Yard', stub: 'Stub tracks', siding: 'Sidings' };
const lineName = (block) => block.line ?? USE_LINE[block.use] ?? 'Track';

/** Everything that is drawn, in the order of the plan. */
export function stripsOf(layout) {
  const steps = stripSteps(layout);
  for (;;) {
    const { done, value } = steps.next();
    if (done) return value;
  }
}

/** The same with a pause after each part of the work. */
export function* stripSteps(layout) {
  const track = new Track(layout);
  yield;
  const drawn = new Set();
  const rings = Object.entries(layout.tables ?? {}).filter(([, table]) => !isInline(table));
  const bridges = new Set(rings.map(([, table]) => table.bridge));
  const fans = fansOf(track, drawn);
  const inFan = new Set(fans.flatMap((fan) => fan.leaves));
  const shed = new Set(rings.flatMap(([id]) => tableRing(id, layout.tables[id]).parked(layout)));
  const lines = new Map();
  const line = (name) => {
    if (!lines.has(name)) lines.set(name, { ids: [], fans: [], tables: [] });
    return lines.get(name);
  };
  for (const id of Object.keys(layout.blocks ?? {})) {
    if (bridges.has(id) || inFan.has(id) || (shed.has(id) && !drawn.has(id))) continue;
    line(track.lineOf(id)).ids.push(id);
  }
  for (const fan of fans) line(track.lineOf(fan.leaves[0])).fans.push(fan);
  for (const [id, table] of rings) {
    line(track.lineOf(table.bridge) ?? 'Tables').tables.push(tableRing(id, table, layout, inFan));
  }
  // Lines that trains run on come first, and claim the turnouts that they share with sidings.
  const running = ({ ids }) =>
    ids.filter((id) => (layout.blocks[id].use ?? 'running') === 'running').length;
  const order = [...lines.entries()].sort(([, x], [, y]) => running(y) - running(x));
  yield;
  const strips = [];
  const left = leftOf(layout);
  for (const [name, what] of order) {
    strips.push(lineStrip(track, name, what, { drawn, left }));
    yield;
  }
  inOrder(strips, layout.lines ?? []);
  const alone = Object.keys(layout.turnouts ?? {}).filter((id) => !drawn.has(id));
  if (alone.length) {
    const tiles = alone.map((id) => ({ kind: 'turnout', id, toe: 'left', leg: 'normal' }));
    strips.push({
      name: 'Other points',
      chains: [{ tiles, places: [], circuit: false, from: '', to: '' }],
      fans: [],
      fan: [],
      tables: [],
    });
  }
  yield;
  return {
    strips,
    tables: strips.flatMap((strip) => strip.tables),
    links: linksOf(track, strips),
  };
}

/** Lines that the plan names come first, as it names them; the others stay as they are. */
function inOrder(strips, wanted) {
  const rank = ({ name }) => (wanted.includes(name) ? wanted.indexOf(name) : wanted.length);
  strips.sort((x, y) => rank(x) - rank(y));
}

/** Block to the end that the plan wants on the left, in the plan's order. */
const leftOf = (layout) => new Map((layout.left ?? []).map(splitEnd));

function lineStrip(track, name, { ids, fans, tables }, { drawn, left }) {
  const visited = new Set();
  const mine = new Set(ids);
  const inside = (end) => mine.has(track.next(end, name).block);
  const startOf = (id) => (!inside(`${id}.a`) ? 'a' : !inside(`${id}.b`) ? 'b' : null);
  const chains = [];
  // Ends of chains first, so that no chain is started in its middle; circuits are what is left.
  const asked = [...left.keys()].filter((id) => mine.has(id));
  const starts = ids.filter((id) => startOf(id)).concat(asked, ids);
  for (const start of starts) {
    if (visited.has(start)) continue;
    const from = startOf(start) ?? left.get(start) ?? 'a';
    const chain = chainFrom(track, name, start, from, { visited, drawn, mine });
    chains.push(turnAsAsked(chain, left) ?? turnToApproach(chain));
  }
  for (const chain of chains) joinFan(chain, fans);
  const blocks = track.layout.blocks;
  const parked = (chain) =>
    !chain.fan && chain.places.length === 1 && PARKED.includes(blocks[chain.places[0]].use);
  const fan = chains.filter(parked);
  // One dead end alone is no group of parallel tracks.
  const group = fan.length > 1;
  return {
    name,
    tables,
    chains: group ? chains.filter((chain) => !parked(chain)) : chains,
    fan: group ? fan : [],
    fans: fans.filter((one) => !one.lead),
  };
}

/** Follows a line from one block on: `left` is the end of the first block that is drawn left. */
function chainFrom(track, name, start, left, { visited, drawn, mine }) {
  const tiles = [];
  const places = [];
  const approach = track.next(`${start}.${left}`, name);
  let at = { block: start, end: left };
  let circuit = false;
  let last;
  for (;;) {
    visited.add(at.block);
    places.push(at.block);
    tiles.push({ kind: 'place', id: at.block, left: at.end });
    const way = track.next(`${at.block}.${OTHER[at.end]}`, name);
    last = way;
    const onward = mine.has(way.block);
    circuit = onward && way.block === start;
    // Points on the way to another line belong to that line, whose trains run over them more.
    if (onward || way.block === null) tiles.push(...claim(way.via, drawn, false));
    if (!onward || visited.has(way.block)) break;
    at = { block: way.block, end: way.end };
  }
  // On a circuit what lies before the beginning has been drawn as what lies behind the end.
  const lead = circuit ? [] : claim([...approach.via].reverse(), drawn, true);
  const all = [...lead, ...tiles].map((tile, index) => ({ ...tile, index }));
  return {
    places,
    tiles: all,
    circuit,
    from: neighbour(track, approach, name),
    to: neighbour(track, last, name),
  };
}

/** The turnouts on a way that no other chain shows yet, with the side on which the toe lies. */
function claim(via, drawn, backwards) {
  const mine = via.filter(({ id }) => !drawn.has(id));
  for (const { kind, id } of mine) if (kind === 'turnout') drawn.add(id);
  return mine.map((step) => ({
    ...step,
    toe: (step.toe === 'near') !== backwards ? 'left' : 'right',
  }));
}

/** What a chain's end leads to, in words; empty where the track ends. */
function neighbour(track, way, name) {
  if (!way?.block) return way?.table ?? '';
  const line = track.lineOf(way.block);
  return line === name ? (track.layout.blocks[way.block].name ?? way.block) : line;
}

/** A chain with an end that the plan wants on the left; nothing where it says nothing of it. */
function turnAsAsked(chain, left) {
  for (const [id, side] of left) {
    const tile = chain.tiles.find((one) => one.kind === 'place' && one.id === id);
    if (tile) return { ...(tile.left === side ? chain : turned(chain)), asked: true };
  }
  return null;
}

/** A chain that ends at the end of track is drawn from where trains come, left to right. */
function turnToApproach(chain) {
  return chain.from || !chain.to ? chain : turned(chain);
}

/** The same chain, seen from the other side of the layout. */
function turned(chain) {
  const tiles = [...chain.tiles]
    .reverse()
    .map((tile) =>
      tile.kind === 'place'
        ? { ...tile, left: OTHER[tile.left] }
        : { ...tile, toe: tile.toe === 'left' ? 'right' : 'left' },
    )
    .map((tile, index) => ({ ...tile, index }));
  return { ...chain, tiles, places: [...chain.places].reverse(), from: chain.to, to: chain.from };
}

// ---- fans --------------------------------------------------------------------------------------

/** Ladders of points whose every track is one to stand on. */
function fansOf(track, drawn) {
  const { blocks = {}, turnouts = {} } = track.layout;
  const fans = [];
  const taken = new Set();
  for (const lead of Object.keys(blocks)) {
    for (const side of ['a', 'b']) {
      const root = `${lead}.${side}`;
      const [id, at] = splitEnd(track.far(root) ?? '.');
      if (at !== 'toe' || !turnouts[id]) continue;
      const fan = { root, rows: [], leaves: [], points: [] };
      if (!grow(track, fan, id, null, taken) || fan.leaves.includes(lead)) continue;
      fans.push(fan);
      for (const leaf of fan.leaves) taken.add(leaf);
      for (const turnout of fan.points) drawn.add(turnout);
    }
  }
  return fans;
}

/**
 * Adds points and what lies behind them: the first leg goes on in the same row, the other one in
 * a row below. `under` is the tile from which a new row comes down. False: it is no fan.
 */
function grow(track, fan, id, under, taken) {
  if (fan.points.includes(id) || fan.points.length > FAN_MAX) return false;
  fan.points.push(id);
  const leg = (name) => track.far(`${id}.${name}`) ?? '.';
  const isBlock = (end) => Boolean(track.layout.blocks[splitEnd(end)[0]]);
  // A track goes on in the row of its points, the rest of the ladder below.
  const across = isBlock(leg('reverse')) && !isBlock(leg('normal')) ? 'reverse' : 'normal';
  const tile = { kind: 'turnout', id, toe: 'left', leg: across, ladder: true };
  const row = under?.across ?? { tiles: [], under: under?.below ?? null };
  if (!under?.across) fan.rows.push(row);
  row.tiles.push(tile);
  for (const name of [across, OTHER_LEG[across]]) {
    const below = name === across ? { across: row } : { below: id };
    const [next, side] = splitEnd(leg(name));
    if (track.layout.turnouts?.[next]) {
      if (side !== 'toe' || !grow(track, fan, next, below, taken)) return false;
    } else if (!leaf(track, fan, next, side, below, taken)) return false;
  }
  return true;
}

function leaf(track, fan, id, side, below, taken) {
  const block = track.layout.blocks[id];
  if (!block || !PARKED.includes(block.use) || block.bridge_of) return false;
  if (taken.has(id) || fan.leaves.includes(id)) return false;
  fan.leaves.push(id);
  const row = below.across ?? { tiles: [], under: below.below };
  if (!below.across) fan.rows.push(row);
  row.tiles.push({ kind: 'place', id, left: side });
  return true;
}

/** A fan whose lead ends a chain is drawn behind it. */
function joinFan(chain, fans) {
  const end = (tile, right) =>
    tile?.kind === 'place' ? `${tile.id}.${right ? OTHER[tile.left] : tile.left}` : null;
  for (const fan of fans) {
    if (chain.fan || fan.lead || chain.circuit) continue;
    if (!chain.asked && end(chain.tiles[0], false) === fan.root)
      Object.assign(chain, turned(chain));
    if (end(chain.tiles.at(-1), true) === fan.root) {
      chain.fan = fan;
      fan.lead = true;
      chain.to = '';
    }
  }
}

const roads = new WeakMap();

/** The end of a block behind which, through points alone, another block lies; or null. */
export function endTowards(layout, block, wanted) {
  if (!roads.has(layout)) roads.set(layout, { track: new Track(layout), found: new Map() });
  const { track, found } = roads.get(layout);
  if (!found.has(block))
    found.set(block, { a: reach(track, `${block}.a`), b: reach(track, `${block}.b`) });
  const { a, b } = found.get(block);
  return a.has(wanted) ? (b.has(wanted) ? null : 'a') : b.has(wanted) ? 'b' : null;
}

/** The blocks that are reached from an end without turning back. */
export function reach(track, end, steps = 0, out = new Set()) {
  const [id, side] = splitEnd(track.far(end) ?? '.');
  out.add(id);
  if (track.layout.turnouts?.[id] && steps < 12) {
    const onward = side === 'toe' ? ['normal', 'reverse'] : ['toe'];
    for (const leg of onward) reach(track, `${id}.${leg}`, steps + 1, out);
  }
  return out;
}

/** What each leg of points leads to: `{ toe, normal, reverse }`, block or points ids or null. */
export function legsOf(layout, id) {
  const track = new Track(layout);
  const at = (leg) => splitEnd(track.far(`${id}.${leg}`) ?? '.')[0] || null;
  return { toe: at('toe'), normal: at('normal'), reverse: at('reverse') };
}

// ---- links -------------------------------------------------------------------------------------

/** The two ends of a tile as they are drawn, left and right. */
export function endsOf(tile) {
  if (tile.kind === 'place') return [`${tile.id}.${tile.left}`, `${tile.id}.${OTHER[tile.left]}`];
  if (tile.kind !== 'turnout') return [null, null];
  const leg = `${tile.id}.${tile.leg ?? 'normal'}`;
  return tile.toe === 'left' ? [`${tile.id}.toe`, leg] : [leg, `${tile.id}.toe`];
}

const pair = (x, y) => (x < y ? `${x} ${y}` : `${y} ${x}`);

/** Joins between things that are not drawn side by side: `{ ends: [end, end] }`. */
function linksOf(track, strips) {
  const shown = new Set();
  const side = (tiles, circuit) => {
    const all = tiles.filter((tile) => tile.kind !== 'crossing');
    all.forEach((tile, i) => {
      const next = all[i + 1] ?? (circuit ? all[0] : null);
      if (next) shown.add(pair(endsOf(tile)[1], endsOf(next)[0]));
    });
  };
  const ladder = (fan) => {
    for (const { tiles, under } of fan.rows) {
      side(tiles, false);
      const above = under && fan.rows.flatMap((row) => row.tiles).find(({ id }) => id === under);
      if (above) shown.add(pair(`${under}.${OTHER_LEG[above.leg]}`, endsOf(tiles[0])[0]));
    }
    if (fan.lead) shown.add(pair(fan.root, endsOf(fan.rows[0].tiles[0])[0]));
  };
  for (const strip of strips) {
    for (const chain of [...strip.chains, ...strip.fan]) {
      side(chain.tiles, chain.circuit);
      if (chain.fan) ladder(chain.fan);
    }
    strip.fans.forEach(ladder);
  }
  const links = new Map();
  for (const end of track.join.keys()) {
    const [id] = splitEnd(end);
    if (track.layout.crossings?.[id]) continue;
    const far = track.far(end);
    if (!far) continue;
    const key = pair(end, far);
    if (!shown.has(key) && !links.has(key)) links.set(key, { ends: [end, far] });
  }
  return [...links.values()];
}

// ---- tables ------------------------------------------------------------------------------------

/** A table's stops; `parked(layout)`: the tracks that are reached by it alone. */
function tableRing(id, table, layout = { blocks: {} }, inFan = new Set()) {
  const stops = (table.stops ?? []).map(({ at, a, b }) => ({
    at,
    leads: [a, b].filter(Boolean).map((end) => splitEnd(end)[0]),
    ends: [a, b].filter(Boolean),
  }));
  const parked = ({ blocks = {}, joins = [] }) => {
    const joined = new Set(joins.flat().map((end) => splitEnd(end)[0]));
    return stops
      .flatMap((stop) => stop.leads)
      .filter((lead) => PARKED.includes(blocks[lead]?.use) && !joined.has(lead));
  };
  const own = parked(layout).filter((lead) => !inFan.has(lead));
  return { id, bridge: table.bridge, inline: false, stops, parked, own: [...new Set(own)] };
}

/**
 * Rows for one chain: tiles get a width to scale (`mm` to pixels by one factor a chain, never
 * under `floor`), and the factor is the largest that needs no more rows than `perMm` would.
 */
export function rowsOf(tiles, width, { perMm, floor, lengthOf, fixed, stretch = true }) {
  const widths = (factor) =>
    tiles.map((tile) =>
      Math.min(
        width,
        tile.kind === 'place' ? Math.max(floor, lengthOf(tile.id) * factor) : fixed(tile),
      ),
    );
  const pack = (sizes) => {
    const rows = [[]];
    let used = 0;
    sizes.forEach((size, i) => {
      if (used + size > width && rows.at(-1).length) {
        rows.push([]);
        used = 0;
      }
      rows.at(-1).push(i);
      used += size;
    });
    return rows;
  };
  const rowsIn = (sizes) => {
    let [rows, used] = [1, 0];
    for (const size of sizes) {
      if (used && used + size > width) {
        rows += 1;
        used = 0;
      }
      used += size;
    }
    return rows;
  };
  const most = rowsIn(widths(perMm));
  let low = perMm;
  let high = perMm * 8;
  for (let i = 0; stretch && i < 10; i += 1) {
    const middle = (low + high) / 2;
    if (rowsIn(widths(middle)) <= most) low = middle;
    else high = middle;
  }
  const sizes = widths(low);
  return pack(sizes).map((row) => row.map((i) => ({ ...tiles[i], width: Math.floor(sizes[i]) })));
}

/** The stretches of a row that a train holds: `{ first, last }`, gaps of points included. */
export function stretches(row, held) {
  const runs = [];
  let open = null;
  row.forEach((tile, i) => {
    if (held.has(tile.id)) {
      if (open) open.last = i;
      else runs.push((open = { first: i, last: i }));
    } else if (tile.kind === 'place') open = null;
  });
  return runs;
}
