// The readings of a detector over the last two minutes, against its thresholds.
//
// Inputs: every change of a detector that arrives. Outputs: a small drawing. Keeps a bounded number
// of readings for each detector, on this device only. Decides nothing.

import { s } from './dom.js';
import { known, plan } from './store.js';

const WINDOW_MS = 120_000;
const KEPT = 120;
const [WIDTH, HEIGHT] = [320, 56];

const kept = new Map();

/** Remembers a reading that has just arrived. */
export function noteReading(id, item) {
  if (typeof item?.reading !== 'number') return;
  if (!kept.has(id)) kept.set(id, []);
  const mine = kept.get(id);
  mine.push([performance.now(), item.reading, item.evidence]);
  if (mine.length > KEPT) mine.shift();
}

/** The plot; its scale is a square root, so that small currents show. */
export function plotOf(id) {
  const { on, off } = plan('detectors', id);
  const item = known.detectors[id];
  const now = performance.now();
  const mine = (known.past ? [] : (kept.get(id) ?? [])).filter(([at]) => now - at < WINDOW_MS);
  if (!mine.length && typeof item?.reading === 'number') mine.push([now, item.reading]);
  const most = Math.max(...mine.map(([, value]) => Math.abs(value)), 0);
  const top = Math.max(most * 1.1, Math.max(Math.abs(on), Math.abs(off ?? on)) * 2) || 1;
  const x = (at) => (WIDTH - ((now - at) / WINDOW_MS) * WIDTH).toFixed(1);
  const y = (value) =>
    (HEIGHT - 3 - Math.sqrt(Math.min(1, Math.abs(value) / top)) * (HEIGHT - 8)).toFixed(1);
  const steps = mine.map(([at, value], i) => `${i ? `H${x(at)}V` : `M${x(at)} `}${y(value)}`);
  const level = (value, cls) =>
    typeof value === 'number'
      ? s('path', { class: `level ${cls}`, d: `M0 ${y(value)}H${WIDTH}` })
      : null;
  return s(
    'svg',
    {
      class: `plot ev-${item?.evidence}`,
      viewBox: `0 0 ${WIDTH} ${HEIGHT}`,
      preserveAspectRatio: 'none',
      'aria-hidden': 'true',
    },
    level(on, 'on'),
    level(off, 'off'),
    mine.length ? s('path', { class: 'trace', d: `${steps.join('')}H${WIDTH}` }) : null,
    mine.length ? s('path', { class: 'dot', d: `M${WIDTH - 4} ${y(mine.at(-1)[1])}h.01` }) : null,
  );
}
