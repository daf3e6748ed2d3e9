// From the plan's joins to strips: which places follow each other on each line.
//
// Input: the `layout` of the snapshot. Output: for every `line` a list of chains (places in
// order, with the turnouts and crossings between them), for parallel dead-end tracks a fan, for
// tables their stops. Purely a matter of drawing: nothing here decides where a train can go.

/** Turnouts and crossings that one path may run through; a longer one is not followed. */
const STEPS_MAX = 40;

const OTHER = { a: 'b', b: 'a' };

const splitEnd = (end) => {
  const dot = end.indexOf('.');
  return [end.slice(0, dot), end.slice(dot + 1)];
};

/** A track plan that can be asked what lies beyond an end. */
class Track {
  constructor(layout) {
    this.layout = layout;
    this.join = new Map();
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

  /**
   * The way from the end of a block to the next block: `{ block, end, via }`, `block` null where
   * the track ends. At a toe the straight leg comes first, unless only the other leads to `line`.
   */
  next(end, line, steps = 0) {
    const far = this.join.get(end);
    if (!far || steps > STEPS_MAX) {
      return { block: null, end: null, via: [], table: this.atTable.get(end) };
    }
    const [id, side] = splitEnd(far);
    if (this.layout.blocks?.[id]) return { block: id, end: side, via: [] };
    if (this.layout.turnouts?.[id]) {
      if (side !== 'toe') {
        const rest = this.next(`${id}.toe`, line, steps + 1);
        return { ...rest, via: [{ kind: 'turnout', id, toe: 'far', leg: side }, ...rest.via] };
      }
      const ways = ['normal', 'reverse'].map((leg) => {
        const rest = this.next(`${id}.${leg}`, line, steps + 1);
        return { ...rest, via: [{ kind: 'turnout', id, toe: 'near', leg }, ...rest.via] };
      });
      return ways.find((way) => this.lineOf(way.block) === line) ?? ways[0];
    }
    if (this.layout.crossings?.[id]) {
      const [track, at] = side.split('.');
      const rest = this.next(`${id}.${track}.${OTHER[at]}`, line, steps + 1);
      return { ...rest, via: [{ kind: 'crossing', id }, ...rest.via] };
    }
    return { block: null, end: null, via: [] };
  }

  lineOf(block) {
    const item = block && this.layout.blocks[block];
    return item ? lineName(item) : null;
  }
}

const isInline = (table) => table.stops?.length === 1 && table.stops[0].a && table.stops[0].b;

const USE_LINE = { yard: 'Yard', stub: 'Stub tracks', siding: 'Sidings' };
const lineName = (block) => block.line ?? USE_LINE[block.use] ?? 'Track';

/** Everything that is drawn, in the order of the plan. */
export function stripsOf(layout) {
  const track = new Track(layout);
  const ringBridges = new Set(
    Object.values(layout.tables ?? {})
      .filter((table) => !isInline(table))
      .map((table) => table.bridge),
  );
  const lines = new Map();
  for (const [id, block] of Object.entries(layout.blocks ?? {})) {
    if (ringBridges.has(id)) continue;
    const name = lineName(block);
    if (!lines.has(name)) lines.set(name, []);
    lines.get(name).push(id);
  }
  const drawn = new Set();
  // Lines that trains run on come first, and claim the turnouts that they share with sidings.
  const running = (ids) => ids.filter((id) => (layout.blocks[id].use ?? 'running') === 'running');
  const order = [...lines.entries()].sort((x, y) => running(y[1]).length - running(x[1]).length);
  const strips = order.map(([name, ids]) => lineStrip(track, name, ids, drawn));
  const alone = Object.keys(layout.turnouts ?? {}).filter((id) => !drawn.has(id));
  if (alone.length) {
    const tiles = alone.map((id) => ({ kind: 'turnout', id, toe: 'left', leg: 'normal' }));
    strips.push({
      name: 'Other points',
      chains: [{ tiles, circuit: false, from: '', to: '' }],
      fan: [],
    });
  }
  return { strips, tables: tableRings(layout) };
}

function lineStrip(track, name, ids, drawn) {
  const visited = new Set();
  const inside = (end) => track.lineOf(track.next(end, name).block) === name;
  const startOf = (id) => (!inside(`${id}.a`) ? 'a' : !inside(`${id}.b`) ? 'b' : null);
  const chains = [];
  // Ends of chains first, so that no chain is started in its middle; circuits are what is left.
  const starts = ids.filter((id) => startOf(id)).concat(ids);
  for (const start of starts) {
    if (visited.has(start)) continue;
    const chain = chainFrom(track, name, start, startOf(start) ?? 'a', visited, drawn);
    chains.push(turnToApproach(chain));
  }
  const blocks = track.layout.blocks;
  const parked = (chain) =>
    chain.places.length === 1 && ['yard', 'stub', 'siding'].includes(blocks[chain.places[0]].use);
  const fan = chains.filter(parked);
  // One dead end alone is no fan.
  if (fan.length < 2 && chains.length > fan.length) return { name, chains, fan: [] };
  return { name, chains: chains.filter((chain) => !parked(chain)), fan };
}

/** Follows a line from one block on: `left` is the end of the first block that is drawn left. */
function chainFrom(track, name, start, left, visited, drawn) {
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
    const onward = track.lineOf(way.block) === name;
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

/** A chain that ends at the end of track is drawn from where trains come, left to right. */
function turnToApproach(chain) {
  if (chain.from || !chain.to) return chain;
  const tiles = [...chain.tiles]
    .reverse()
    .map((tile) =>
      tile.kind === 'place'
        ? { ...tile, left: OTHER[tile.left] }
        : { ...tile, toe: tile.toe === 'left' ? 'right' : 'left' },
    )
    .map((tile, index) => ({ ...tile, index }));
  return { ...chain, tiles, from: chain.to, to: chain.from };
}

function tableRings(layout) {
  return Object.entries(layout.tables ?? {}).map(([id, table]) => ({
    id,
    bridge: table.bridge,
    inline: Boolean(isInline(table)),
    stops: (table.stops ?? []).map(({ at, a, b }) => ({
      at,
      leads: [a, b].filter(Boolean).map((end) => splitEnd(end)[0]),
    })),
  }));
}

/**
 * Rows for one chain: tiles get a width to scale (`mm` to pixels by one factor a chain, never
 * under `floor`), and the factor is the largest that needs no more rows than `perMm` would.
 */
export function rowsOf(tiles, width, { perMm, floor, lengthOf, fixed }) {
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
  const most = pack(widths(perMm)).length;
  let low = perMm;
  let high = perMm * 8;
  for (let i = 0; i < 14; i += 1) {
    const middle = (low + high) / 2;
    if (pack(widths(middle)).length <= most) low = middle;
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
