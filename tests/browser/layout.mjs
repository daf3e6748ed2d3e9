// A fictional layout for the mock server: invented names, invented railway, no real place meant.
//
// Input: nothing. Output: the `layout` of a snapshot as the daemon writes it, with two running
// lines and a double crossover between them, a goods yard, an upper branch with a lift-out
// bridge, and a turntable.

const block = (name, line, length_mm, use = 'running', more = {}) => ({
  name,
  line,
  length_mm,
  use,
  fiddle: false,
  bridge_of: null,
  ...more,
});

const blocks = {
  'outer-1': block('Outer Mill', 'Outer', 2400),
  'outer-2': block('Outer Quay', 'Outer', 1800),
  'outer-3': block('Outer Heath', 'Outer', 3200),
  'outer-4': block('Outer Tunnel', 'Outer', 4100),
  'outer-5': block('Outer Ford', 'Outer', 1500),
  'outer-6': block('Outer Bank', 'Outer', 2200),
  'inner-1': block('Inner Mill', 'Inner', 2300),
  'inner-2': block('Inner Quay', 'Inner', 1700),
  'inner-3': block('Inner Heath', 'Inner', 3000),
  'inner-4': block('Inner Tunnel', 'Inner', 3900),
  'inner-5': block('Inner Bank', 'Inner', 2600),
  'goods-lead': block('Goods Lead', 'Goods', 900, 'siding'),
  'goods-1': block('Goods 1', 'Goods', 1600, 'yard'),
  'goods-2': block('Goods 2', 'Goods', 1500, 'yard'),
  'goods-3': block('Goods 3', 'Goods', 1400, 'yard'),
  'goods-4': block('Goods 4', 'Goods', 1200, 'yard'),
  'upper-1': block('Upper Foot', 'Upper', 1900),
  'upper-bridge': block('Upper Bridge', 'Upper', 800, 'running', { bridge_of: 'gate' }),
  'upper-2': block('Upper Ledge', 'Upper', 2100),
  'upper-3': block('Upper End', 'Upper', 1100, 'stub'),
  'shed-lead': block('Shed Lead', 'Shed', 1000, 'siding'),
  'stub-1': block('Shed 1', 'Shed', 420, 'stub'),
  'stub-2': block('Shed 2', 'Shed', 420, 'stub'),
  'stub-3': block('Shed 3', 'Shed', 380, 'stub'),
  'tt-bridge': block('Turntable bridge', 'Shed', 320, 'stub', { bridge_of: 'tt' }),
};

const turnout = (name, covered_by, rest = 'normal') => ({
  name,
  rest,
  covered_by,
  position: 'detected',
});

const turnouts = {
  'dx-a1': turnout('Points 1', 'outer-1'),
  'dx-a2': turnout('Points 2', 'outer-2'),
  'dx-b1': turnout('Points 3', 'inner-1'),
  'dx-b2': turnout('Points 4', 'inner-2'),
  w5: turnout('Points 5', 'inner-4'),
  w6: turnout('Points 6', 'inner-5'),
  w7: turnout('Points 7', 'outer-5'),
  w8: turnout('Points 8', 'goods-lead', 'none'),
  w9: turnout('Points 9', 'goods-lead', 'none'),
  w10: turnout('Points 10', 'goods-lead', 'none'),
};

const joins = [
  ['outer-1.b', 'dx-a1.toe'],
  ['dx-a1.normal', 'dx-a2.normal'],
  ['dx-a2.toe', 'outer-2.a'],
  ['inner-1.b', 'dx-b1.toe'],
  ['dx-b1.normal', 'dx-b2.normal'],
  ['dx-b2.toe', 'inner-2.a'],
  ['dx-a1.reverse', 'dx-k.first.a'],
  ['dx-k.first.b', 'dx-b2.reverse'],
  ['dx-b1.reverse', 'dx-k.second.a'],
  ['dx-k.second.b', 'dx-a2.reverse'],
  ['outer-2.b', 'outer-3.a'],
  ['outer-3.b', 'outer-4.a'],
  ['outer-4.b', 'outer-5.a'],
  ['outer-5.b', 'w7.toe'],
  ['w7.normal', 'outer-6.a'],
  ['outer-6.b', 'outer-1.a'],
  ['w7.reverse', 'goods-lead.a'],
  ['goods-lead.b', 'w8.toe'],
  ['w8.normal', 'goods-1.a'],
  ['w8.reverse', 'w9.toe'],
  ['w9.normal', 'goods-2.a'],
  ['w9.reverse', 'w10.toe'],
  ['w10.normal', 'goods-3.a'],
  ['w10.reverse', 'goods-4.a'],
  ['inner-2.b', 'inner-3.a'],
  ['inner-3.b', 'inner-4.a'],
  ['inner-4.b', 'w5.toe'],
  ['w5.normal', 'inner-5.a'],
  ['w5.reverse', 'upper-1.a'],
  ['inner-5.b', 'w6.normal'],
  ['w6.toe', 'inner-1.a'],
  ['w6.reverse', 'shed-lead.b'],
  ['upper-2.b', 'upper-3.a'],
];

const tables = {
  gate: {
    name: 'Upper Bridge',
    bridge: 'upper-bridge',
    rest: 'in',
    stops: [{ at: 'in', a: 'upper-1.b', b: 'upper-2.a' }],
  },
  tt: {
    name: 'Shed turntable',
    bridge: 'tt-bridge',
    rest: 'lead',
    stops: [
      { at: 'lead', a: 'shed-lead.a', b: 'stub-2.a' },
      { at: '1', a: null, b: 'stub-1.a' },
      { at: '2', a: null, b: 'stub-2.a' },
      { at: '3', a: null, b: 'stub-3.a' },
      { at: 'back', a: 'stub-2.a', b: 'shed-lead.a' },
    ],
  },
};

const feed = (name, ids, rest = 'on') => ({ name, blocks: ids, rest });
const on = (prefix) => Object.keys(blocks).filter((id) => id.startsWith(prefix));

const feeds = {
  'main-power': feed('Main lines', [...on('outer'), ...on('inner')]),
  'upper-power': feed('Upper branch', on('upper')),
  'goods-1-power': feed('Goods 1 switch', ['goods-1'], 'off'),
  'goods-2-power': feed('Goods 2 switch', ['goods-2'], 'off'),
  'goods-3-power': feed('Goods 3 switch', ['goods-3'], 'off'),
  'goods-4-power': feed('Goods 4 switch', ['goods-4'], 'off'),
  'shed-power': feed('Shed', ['shed-lead', ...on('stub'), 'tt-bridge'], 'any'),
  'hut-lights': feed('Hut lights', [], 'off'),
};

const nodes = {
  'esp-1': { name: 'Board under the quay' },
  'esp-2': { name: 'Board in the shed' },
};

const detectors = Object.fromEntries(
  Object.entries(blocks).map(([id, { name }]) => [
    `d-${id}`,
    {
      name,
      kind: 'current',
      subject: `block:${id}`,
      on: 3,
      off: 1.5,
      unit: 'mA',
      node: id.startsWith('s') || id.startsWith('tt') ? 'esp-2' : 'esp-1',
    },
  ]),
);
Object.assign(detectors, {
  'o-w7-n': {
    name: 'Beam 7 straight',
    kind: 'optical',
    subject: 'beam:w7.normal',
    on: 40,
    off: 60,
    unit: '%',
    node: 'esp-1',
  },
  'o-w7-r': {
    name: 'Beam 7 diverging',
    kind: 'optical',
    subject: 'beam:w7.reverse',
    on: 40,
    off: 60,
    unit: '%',
    node: 'esp-1',
  },
  'c-w5-n': {
    name: 'Blade 5 straight',
    kind: 'contact',
    subject: 'points:w5.normal',
    on: null,
    off: null,
    unit: null,
    node: 'esp-1',
  },
});

export const layout = {
  name: 'Osiermere (invented)',
  scale: 'HO',
  scale_ratio: 87.1,
  equipped: 'ends',
  blocks,
  turnouts,
  tables,
  joins,
  feeds,
  detectors,
  nodes,
  crossovers: {
    'dx-ab': { name: 'Crossover outer to inner', turnouts: ['dx-a1', 'dx-b2'] },
    'dx-ba': { name: 'Crossover inner to outer', turnouts: ['dx-a2', 'dx-b1'] },
  },
  crossings: { 'dx-k': { name: 'Crossing of the quay crossovers' } },
};

/** A layout of any size, for measuring: `n` places on lines of fifty, points after every fifth. */
export function largeLayout(n) {
  const large = {
    ...layout,
    name: `${n} places (invented)`,
    blocks: {},
    turnouts: {},
    tables: {},
    feeds: {},
    detectors: {},
    crossovers: {},
    crossings: {},
    joins: [],
  };
  for (let i = 0; i < n; i += 1) {
    const line = `Line ${String(Math.floor(i / 50) + 1).padStart(2, '0')}`;
    large.blocks[`p-${i}`] = block(`${line} ${(i % 50) + 1}`, line, 900 + ((i * 37) % 11) * 200);
    large.detectors[`d-${i}`] = {
      name: `Detector ${i}`,
      kind: 'current',
      subject: `block:p-${i}`,
      on: 3,
      off: 1.5,
      unit: 'mA',
      node: null,
    };
    if (i % 50 === 49) continue;
    if (i % 5 === 4) {
      large.turnouts[`w-${i}`] = turnout(`Points ${i}`, `p-${i}`);
      large.joins.push([`p-${i}.b`, `w-${i}.toe`], [`w-${i}.normal`, `p-${i + 1}.a`]);
    } else large.joins.push([`p-${i}.b`, `p-${i + 1}.a`]);
  }
  return large;
}
