// Tests the page's modules that need no browser: the stream's parser, the strips, the order of
// spoken warnings, and the contrast of the palette. Run with `node --test units.mjs`.

import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { test } from 'node:test';

import { layout, largeLayout } from './layout.mjs';

const PAGE = '../../src/daemon/http/page/';
const { Announcer, RANKS, WORDS_MAX, sentence, spokenSeconds } = await import(
  `${PAGE}announcer.js`
);
const { day } = await import(`${PAGE}words.js`);
const { EventParser } = await import(`${PAGE}stream.js`);
const { endTowards, endsOf, legsOf, rowsOf, stretches, stripsOf } = await import(
  `${PAGE}topology.js`
);
const { piecesOf, rulerOf, stretchesOf } = await import(`${PAGE}lanes.js`);

// ---- words -------------------------------------------------------------------------------------

// Source: ECMA-402 with the Unicode CLDR data for en-GB, as this Node has them.
test('days are written as the locale data of English write them', () => {
  const [named, short] = [{ weekday: 'short' }, {}].map((more) => ({
    ...more,
    day: 'numeric',
    month: 'short',
  }));
  for (let n = 0; n < 400; n += 1) {
    const at = new Date(2026, 0, 1 + n, 12);
    // CLDR abbreviates September to four letters in British English.
    const wanted = (form) => at.toLocaleDateString('en-GB', form).replace('Sept', 'Sep');
    assert.equal(day(at), wanted(named).replace(',', ''));
    assert.equal(day(at, false), wanted(short));
  }
});

// ---- the stream --------------------------------------------------------------------------------

function parsed(text, piece = text.length || 1) {
  const got = [];
  const parser = new EventParser((message) => got.push(message));
  for (let i = 0; i < text.length; i += piece) parser.push(text.slice(i, i + piece));
  return got;
}

// Source: WHATWG HTML, section 9.2.6, the examples of the text.
test("the standard's examples of event streams", () => {
  assert.deepEqual(
    parsed('data: YHOO\ndata: +2\ndata: 10\n\n').map((m) => m.data),
    ['YHOO\n+2\n10'],
  );
  const four =
    ': test stream\n\ndata: first event\nid: 1\n\ndata:second event\nid\n\n' +
    'data:  third event\n\n';
  assert.deepEqual(parsed(four), [
    { event: 'message', data: 'first event', id: '1' },
    { event: 'message', data: 'second event', id: '' },
    { event: 'message', data: ' third event', id: '' },
  ]);
  // An unfinished block at the end is not an event.
  assert.deepEqual(
    parsed('data\n\ndata\ndata\n\ndata:').map((m) => m.data),
    ['', '\n'],
  );
  assert.deepEqual(
    parsed('data:test\n\ndata: test\n\n').map((m) => m.data),
    ['test', 'test'],
  );
});

// Source: web-platform-tests, eventsource/format-*: a field name with a space is another field;
// CR, LF and CRLF all end a line; a byte order mark in front is dropped; NUL in an id ignores it.
test('line ends, byte order mark, odd fields, in pieces of any size', () => {
  const text = '\uFEFFdata:a\r\ndata : x\rdata:b\n\r\nid:7\0\nevent:e\ndata:c\r\r:';
  const expected = [
    { event: 'message', data: 'a\nb', id: '' },
    { event: 'e', data: 'c', id: '' },
  ];
  for (let piece = 1; piece <= text.length; piece += 1) {
    assert.deepEqual(parsed(text, piece), expected, `in pieces of ${piece}`);
  }
  // A carriage return at the very end may be half of a line end, and waits for what follows.
  assert.equal(parsed(text.slice(0, -1)).length, 1);
});

// ---- strips ------------------------------------------------------------------------------------

const ids = (chain) => chain.tiles.map((tile) => tile.id);

/** Every row of tiles that a strip shows. */
const rowsIn = (strip) => [
  ...strip.chains.flatMap((chain) => [chain, ...(chain.fan?.rows ?? [])]),
  ...strip.fan,
  ...strip.fans.flatMap((fan) => fan.rows),
  ...strip.tables.map(({ own }) => ({ tiles: own.map((id) => ({ kind: 'place', id })) })),
];

test('every place and every turnout is drawn exactly once', () => {
  for (const plan of [layout, largeLayout(200)]) {
    const { strips, tables } = stripsOf(plan);
    const drawn = strips
      .flatMap(rowsIn)
      .flatMap((row) => row.tiles)
      .filter((tile) => tile.kind !== 'crossing')
      .map((tile) => tile.id);
    const bridges = tables.filter((table) => !table.inline).map((table) => table.bridge);
    const all = [...Object.keys(plan.blocks), ...Object.keys(plan.turnouts)].filter(
      (id) => !bridges.includes(id),
    );
    assert.deepEqual([...drawn].sort(), all.sort());
  }
});

test('a running line is one circuit in the order of its joins', () => {
  const outer = stripsOf(layout).strips.find((strip) => strip.name === 'Outer');
  assert.equal(outer.chains.length, 1);
  assert.equal(outer.chains[0].circuit, true);
  assert.deepEqual(ids(outer.chains[0]), [
    'outer-1',
    'dx-a1',
    'dx-a2',
    'outer-2',
    'outer-3',
    'outer-4',
    'outer-5',
    'w7',
    'outer-6',
  ]);
  const toes = outer.chains[0].tiles.filter((tile) => tile.kind === 'turnout').map((t) => t.toe);
  assert.deepEqual(toes, ['left', 'right', 'left']);
});

test('the plan says which line comes first, where a circuit begins and what lies left', () => {
  const places = (strip) => strip.chains.map(({ places: all }) => all);
  const usual = stripsOf(layout).strips;
  const named = (strips) => strips.map(({ name }) => name);
  const asked = stripsOf({ ...layout, lines: ['Upper', 'Inner'] }).strips;
  const rest = named(usual).filter((name) => !['Upper', 'Inner'].includes(name));
  assert.notDeepEqual(named(usual).slice(0, 2), ['Upper', 'Inner']);
  assert.deepEqual(named(asked), ['Upper', 'Inner', ...rest]);
  const of = (left, line) => {
    const found = stripsOf({ ...layout, left });
    return found.strips.find(({ name }) => name === line);
  };
  // A circuit begins with the block, and runs from that end.
  const outer = ['outer-1', 'outer-2', 'outer-3', 'outer-4', 'outer-5', 'outer-6'];
  const from3 = [...outer.slice(2), ...outer.slice(0, 2)];
  assert.deepEqual(places(of(['outer-3.a'], 'Outer')), [from3]);
  const back = [...outer.slice(0, 3).reverse(), ...outer.slice(3).reverse()];
  assert.deepEqual(places(of(['outer-3.b'], 'Outer')), [back]);
  const turnouts = of(['outer-3.b'], 'Outer').chains[0].tiles.filter(
    ({ kind }) => kind === 'turnout',
  );
  assert.deepEqual(
    turnouts.map(({ id, toe }) => [id, toe]),
    [
      ['dx-a2', 'left'],
      ['dx-a1', 'right'],
      ['w7', 'right'],
    ],
  );
  // Other track is turned, also from its middle; of two that disagree the first counts.
  const upper = ['upper-1', 'upper-bridge', 'upper-2', 'upper-3'];
  assert.deepEqual(places(of([], 'Upper')), [upper]);
  assert.deepEqual(places(of(['upper-2.b'], 'Upper')), [[...upper].reverse()]);
  assert.deepEqual(places(of(['upper-2.a', 'upper-1.b'], 'Upper')), [upper]);
  // A yard that then lies on the left has rows of its own, and nothing is lost or drawn twice.
  const goods = of(['goods-lead.b'], 'Goods');
  assert.equal(goods.chains[0].fan, undefined);
  assert.deepEqual(goods.fans[0].rows.map(ids).flat().length, 7);
  const tiles = (strips) =>
    strips
      .flatMap(rowsIn)
      .flatMap((row) => row.tiles.map(({ id }) => id))
      .sort();
  const turned = { ...layout, left: ['goods-lead.b', 'outer-3.b', 'inner-4.b', 'upper-2.b'] };
  assert.deepEqual(tiles(stripsOf(turned).strips), tiles(usual));
});

test('a lift-out bridge is part of its line; a yard is a fan entered from its lead', () => {
  const { strips } = stripsOf(layout);
  const upper = strips.find((strip) => strip.name === 'Upper');
  assert.deepEqual(ids(upper.chains[0]), ['upper-1', 'upper-bridge', 'upper-2', 'upper-3']);
  assert.equal(upper.chains[0].to, '');
  const goods = strips.find((strip) => strip.name === 'Goods');
  assert.deepEqual(ids(goods.chains[0]), ['goods-lead']);
  const { rows } = goods.chains[0].fan;
  assert.deepEqual(rows.map(ids), [
    ['w8', 'goods-1'],
    ['w9', 'goods-2'],
    ['w10', 'goods-3'],
    ['goods-4'],
  ]);
  // Each further row comes down from the points above it.
  assert.deepEqual(
    rows.map(({ under }) => under),
    [null, 'w8', 'w9', 'w10'],
  );
});

test('a table has its own tracks with it, and no place is drawn twice', () => {
  const { strips } = stripsOf(layout);
  const shed = strips.find((strip) => strip.name === 'Shed');
  assert.deepEqual(shed.chains.map(ids), [['shed-lead']]);
  assert.deepEqual(
    shed.tables.map(({ id, own }) => [id, [...own].sort()]),
    [['tt', ['stub-1', 'stub-2', 'stub-3']]],
  );
});

test('every join is drawn: side by side, in a fan, at a table or as a link', () => {
  const { strips, links } = stripsOf(layout);
  const said = links.map(({ ends }) => [...ends].sort().join(' ')).sort();
  assert.deepEqual(said, [
    'dx-a1.reverse dx-b2.reverse',
    'dx-a2.reverse dx-b1.reverse',
    'goods-lead.a w7.reverse',
    'shed-lead.b w6.reverse',
    'upper-1.a w5.reverse',
  ]);
  // What is shown side by side is joined, straight or through a crossing.
  const joined = new Set(layout.joins.map((ends) => [...ends].sort().join(' ')));
  joined.add('upper-1.b upper-bridge.a').add('upper-2.a upper-bridge.b');
  for (const { tiles } of strips.flatMap(rowsIn)) {
    const all = tiles.filter(({ kind, left }) => kind === 'turnout' || left);
    all.slice(1).forEach((tile, i) => {
      const ends = [endsOf(all[i])[1], endsOf(tile)[0]].sort().join(' ');
      assert.ok(joined.has(ends), ends);
    });
  }
});

test('a fan away from its lead hangs on one link; a bridge belongs to the line it carries', () => {
  const plan = {
    blocks: {
      lead: { name: 'Lead', line: 'Main' },
      t1: { name: '1', use: 'yard' },
      t2: { name: '2', use: 'yard' },
      far: { name: 'Far', line: 'Main' },
      lift: { name: 'Lift', bridge_of: 'gate' },
    },
    turnouts: { y: { name: 'y' } },
    tables: { gate: { bridge: 'lift', stops: [{ at: 'in', a: 'lead.a', b: 'far.a' }] } },
    joins: [
      ['lead.b', 'y.toe'],
      ['y.normal', 't1.a'],
      ['y.reverse', 't2.a'],
    ],
  };
  const { strips, links } = stripsOf(plan);
  assert.deepEqual(
    links.map(({ ends }) => ends),
    [['lead.b', 'y.toe']],
  );
  const main = strips.find((strip) => strip.name === 'Main');
  assert.deepEqual([...ids(main.chains[0])].sort(), ['far', 'lead', 'lift']);
  const yard = strips.find((strip) => strip.name === 'Yard');
  assert.deepEqual(yard.fans[0].rows.map(ids), [['y', 't1'], ['t2']]);
});

test('the way from a place to the next one, and what the legs of points lead to', () => {
  assert.equal(endTowards(layout, 'outer-5', 'goods-lead'), 'b');
  assert.equal(endTowards(layout, 'outer-5', 'outer-6'), 'b');
  assert.equal(endTowards(layout, 'outer-6', 'outer-5'), 'a');
  assert.equal(endTowards(layout, 'outer-1', 'inner-2'), 'b');
  assert.equal(endTowards(layout, 'outer-1', 'stub-1'), null);
  assert.deepEqual(legsOf(layout, 'w7'), {
    toe: 'outer-5',
    normal: 'outer-6',
    reverse: 'goods-lead',
  });
});

// ---- the train graph ---------------------------------------------------------------------------

test('a train graph goes from edge to edge, and breaks where the circuit closes', () => {
  const ruler = rulerOf(layout, 'Outer');
  // 2400 + 1800 + 3200 + 4100 + 1500 + 2200: the lengths in the plan.
  assert.equal(ruler.length, 15_200);
  const track = [
    { at: 0, event: 'here', blocks: ['outer-5'] },
    { at: 10, event: 'entered', blocks: ['outer-5', 'outer-6'] },
    { at: 14, event: 'vacated', blocks: ['outer-6'] },
    { at: 20, event: 'entered', blocks: ['outer-6', 'outer-1'] },
    { at: 30, event: 'entered', blocks: ['outer-1', 'outer-2'] },
    { at: 40, event: 'gone', blocks: [] },
  ];
  const pieces = piecesOf(track, ruler, 50).map((piece) => piece.map(({ at, mm }) => [at, mm]));
  assert.deepEqual(pieces, [
    [
      [0, 12_250],
      [10, 13_000],
      [20, 15_200],
    ],
    [
      [20, 0],
      [30, 2_400],
      [40, 3_300],
    ],
  ]);
});

test('a train that leaves the line leaves the graph; lanes end with what is known', () => {
  const ruler = rulerOf(layout, 'Outer');
  const track = [
    { at: 0, event: 'here', blocks: ['outer-5'] },
    { at: 10, event: 'entered', blocks: ['outer-5', 'goods-lead'] },
  ];
  const pieces = piecesOf(track, ruler, 50);
  assert.equal(pieces.length, 1);
  assert.equal(pieces[0].at(-1).at, 10);
  const points = [
    { at: 5, state: 'vacant' },
    { at: 9, state: 'occupied' },
  ];
  assert.deepEqual(
    stretchesOf(points, 20).map(({ from, to, state }) => [from, to, state]),
    [
      [5, 9, 'vacant'],
      [9, 20, 'occupied'],
    ],
  );
});

// ---- rows --------------------------------------------------------------------------------------

test('no row is wider than the screen, no place under its floor, lengths to one scale', () => {
  const [
    {
      chains: [{ tiles }],
    },
  ] = stripsOf(layout).strips;
  const lengthOf = (id) => layout.blocks[id].length_mm;
  for (const width of [296, 336, 700, 1200]) {
    const rows = rowsOf(tiles, width, { perMm: 0.03, floor: 58, lengthOf, fixed: () => 68 });
    assert.deepEqual(
      rows.flat().map((tile) => tile.id),
      tiles.map((tile) => tile.id),
    );
    const factors = new Set();
    for (const row of rows) {
      const used = row.reduce((sum, tile) => sum + tile.width, 0);
      assert.ok(used <= width, `${used} of ${width}`);
      for (const tile of row.filter((t) => t.kind === 'place')) {
        assert.ok(tile.width >= 58);
        if (tile.width > 58 && tile.width < width) {
          factors.add(Math.round((tile.width / lengthOf(tile.id)) * 100) / 100);
        }
      }
    }
    assert.ok(factors.size <= 2, [...factors].join(' '));
  }
});

test('a train spans the points between its places, not what it does not hold', () => {
  const row = [
    { kind: 'place', id: 'a' },
    { kind: 'turnout', id: 'w' },
    { kind: 'place', id: 'b' },
    { kind: 'place', id: 'c' },
    { kind: 'place', id: 'd' },
  ];
  assert.deepEqual(stretches(row, new Set(['a', 'b', 'd'])), [
    { first: 0, last: 2 },
    { first: 4, last: 4 },
  ]);
});

test('a loop of points alone, a dangling join, no line at all: still drawn', () => {
  const odd = {
    blocks: { x: { name: 'X' } },
    turnouts: { v: { name: 'v' }, w: { name: 'w' } },
    joins: [
      ['x.a', 'v.toe'],
      ['v.normal', 'w.normal'],
      ['v.reverse', 'w.reverse'],
      ['w.toe', 'gone.a'],
    ],
  };
  const { strips } = stripsOf(odd);
  assert.deepEqual(strips.flatMap(rowsIn).flatMap(ids).sort(), ['v', 'w', 'x']);
});

// ---- spoken warnings ---------------------------------------------------------------------------

function stage() {
  const log = [];
  const state = { now: 0, done: null };
  const announcer = new Announcer({
    speak: (text, rank, done) => {
      log.push(text);
      state.done = done;
    },
    hush: () => {
      log.push('(hush)');
      state.done = null;
    },
    now: () => state.now,
  });
  const finish = () => {
    const { done } = state;
    state.done = null;
    done();
  };
  return { announcer, log, state, finish };
}

const warning = (id, rank, since = '0') => ({ id, rank: RANKS[rank], since, say: () => id });

test('the highest is spoken first, one at a time, each once', () => {
  const { announcer, log, finish } = stage();
  announcer.update([warning('low', 'low'), warning('high', 'high'), warning('medium', 'medium')]);
  assert.deepEqual(log, ['high']);
  finish();
  assert.deepEqual(log, ['high', 'medium']);
  finish();
  finish();
  announcer.tick();
  assert.deepEqual(log, ['high', 'medium', 'low']);
});

test('a higher one interrupts, a lower or equal one waits, the cut one is said again', () => {
  const { announcer, log, finish } = stage();
  announcer.update([warning('medium', 'medium')]);
  announcer.update([warning('medium', 'medium'), warning('other', 'medium')]);
  assert.deepEqual(log, ['medium']);
  announcer.update([warning('medium', 'medium'), warning('high', 'high')]);
  assert.deepEqual(log, ['medium', '(hush)', 'high']);
  finish();
  assert.deepEqual(log.at(-1), 'medium');
});

test('a high one is repeated once after ten seconds, a medium one is not', () => {
  const { announcer, log, state, finish } = stage();
  announcer.update([warning('high', 'high'), warning('medium', 'medium')]);
  finish();
  finish();
  state.now = 9_999;
  announcer.tick();
  assert.deepEqual(log, ['high', 'medium']);
  state.now = 10_000;
  announcer.tick();
  assert.deepEqual(log, ['high', 'medium', 'high']);
  finish();
  state.now = 60_000;
  announcer.tick();
  assert.equal(log.length, 3);
});

test('what is over or acknowledged falls silent in the middle of its sentence', () => {
  const { announcer, log, finish } = stage();
  announcer.update([warning('high', 'high')]);
  announcer.update([]);
  assert.deepEqual(log, ['high', '(hush)']);
  announcer.update([warning('high', 'high')]);
  finish();
  announcer.update([warning('high', 'high')]);
  assert.deepEqual(log, ['high', '(hush)', 'high']);
});

test('the test phrase is one of eight words at most, and any warning ends it', () => {
  const { announcer, log, finish } = stage();
  announcer.trial();
  assert.equal(log.length, 1);
  assert.ok(log[0].split(' ').length <= WORDS_MAX, log[0]);
  announcer.update([]);
  assert.equal(log.length, 1, 'nothing to warn of does not end it');
  announcer.update([warning('low', 'low')]);
  assert.deepEqual(log.slice(1), ['(hush)', 'low']);
  finish();
  announcer.trial();
  finish();
  announcer.tick();
  assert.equal(log.length, 4, 'it is not repeated');
});

test('a rise of priority is spoken anew', () => {
  const { announcer, log, finish } = stage();
  announcer.update([warning('x', 'medium')]);
  finish();
  announcer.update([warning('x', 'high')]);
  assert.deepEqual(log, ['x', 'x']);
});

test('a late end of a sentence that was cut does not count for its successor', () => {
  const { announcer, log, state } = stage();
  announcer.update([warning('medium', 'medium')]);
  const late = state.done;
  announcer.update([warning('medium', 'medium'), warning('high', 'high')]);
  late();
  announcer.tick();
  assert.deepEqual(log, ['medium', '(hush)', 'high']);
});

test('sentences: subject first, at most eight words, seconds rounded down', () => {
  assert.equal(
    sentence({ type: 'left-diverging', subject: 'Points 7', train: 'express', seconds: 12.9 }),
    'Points 7 left diverging, express in 10 seconds',
  );
  assert.equal(spokenSeconds(24.9), 20);
  assert.equal(spokenSeconds(10.2), 10);
  assert.equal(spokenSeconds(9.9), 9);
  assert.equal(
    sentence({
      type: 'bound-for-diverging',
      subject: 'Points 7',
      seconds: 8,
      train: 'the long slow coal empties',
    }),
    'Points 7 left diverging, in 8 seconds',
  );
  const long = sentence({
    type: 'opposing',
    seconds: 14,
    subject: 'Train with a very long name of many words',
  });
  assert.equal(long.split(' ').length, WORDS_MAX);
});

// ---- colours -----------------------------------------------------------------------------------

// Source: WCAG 2.2, relative luminance and contrast ratio; its worked pairs are checked first.
function luminance(hex) {
  const [r, g, b] = [1, 3, 5]
    .map((i) => parseInt(hex.slice(i, i + 2), 16) / 255)
    .map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4));
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}
const contrast = (x, y) => {
  const [a, b] = [luminance(x), luminance(y)].sort((p, q) => q - p);
  return (a + 0.05) / (b + 0.05);
};

test('contrast of every colour pair of the style sheet, light and dark', () => {
  assert.ok(Math.abs(contrast('#000000', '#ffffff') - 21) < 0.005);
  assert.ok(Math.abs(contrast('#767676', '#ffffff') - 4.542) < 0.005);
  assert.ok(Math.abs(contrast('#777777', '#ffffff') - 4.478) < 0.005);
  assert.ok(Math.abs(contrast('#949494', '#ffffff') - 3.033) < 0.005);
  const css = readFileSync(new URL(`${PAGE}style.css`, import.meta.url), 'utf8');
  const blocks = [...css.matchAll(/:root \{([^}]*)\}/g)].map((m) => m[1]);
  const read = (text) =>
    Object.fromEntries(
      [...text.matchAll(/--([a-z-]+): (#[0-9a-f]{6})/g)].map((m) => [m[1], m[2]]),
    );
  const light = read(blocks[0]);
  const dark = { ...light, ...read(blocks[1]) };
  const TEXT = [
    ['ink', 'paper'],
    ['ink', 'sheet'],
    ['soft', 'paper'],
    ['soft', 'sheet'],
    ['link', 'sheet'],
    ['link', 'paper'],
    ['on-train', 'train'],
    ['on-colour', 'high'],
    ['on-colour', 'medium'],
    ['on-colour', 'low'],
    ['ink', 'high-wash'],
    ['ink', 'medium-wash'],
    ['soft', 'high-wash'],
    ['soft', 'medium-wash'],
  ];
  // What a state is known by, against what it stands on.
  const FORMS = [
    ['line', 'paper'],
    ['line', 'sheet'],
    ['fill', 'paper'],
    ['train', 'paper'],
    ['high', 'paper'],
  ];
  for (const [scheme, colours] of [
    ['light', light],
    ['dark', dark],
  ]) {
    for (const [pairs, least] of [
      [TEXT, 4.5],
      [FORMS, 3],
    ]) {
      for (const [x, y] of pairs) {
        const ratio = contrast(colours[x], colours[y]);
        assert.ok(ratio >= least, `${scheme}: ${x} on ${y} ${ratio.toFixed(2)} < ${least}`);
      }
    }
  }
});
