// Takes screenshots of every view in the sizes and conditions that people meet.
//
// Input: `BASE_URL`, or the mock server. Output: PNG files in tests/out. Judges nothing: to be
// looked at. `node shots.mjs [NAME-PART]` takes only those whose name contains the part.

import { mkdir } from 'node:fs/promises';

import { launch, VIEWS } from './browser.mjs';
import { startMock } from './mock.mjs';

const OUT = new URL('../out/', import.meta.url).pathname;
const only = process.argv[2] ?? '';
const SIZES = { phone: [360, 740], tablet: [768, 1024], wall: [1280, 800] };

const mock = process.env.BASE_URL ? null : await startMock({ still: true });
const calm = process.env.BASE_URL ? null : await startMock({ still: true, calm: true });
const browser = await launch();
await mkdir(OUT, { recursive: true });

async function shot(
  name,
  { base, size, scheme = 'light', view = 'now', vision, full = true, zoom, then },
) {
  if (!name.includes(only)) return;
  const [width, height] = SIZES[size];
  const page = await browser.newPage({
    viewport: { width, height },
    colorScheme: scheme,
    deviceScaleFactor: size === 'phone' ? 2 : 1,
    reducedMotion: 'reduce',
    hasTouch: true,
  });
  const cdp = await page.context().newCDPSession(page);
  if (vision) await cdp.send('Emulation.setEmulatedVisionDeficiency', { type: vision });
  await page.goto(`${base}/#${view}`);
  await page.waitForSelector('.card, .rows, .help, .big, .more, .time-chart', { timeout: 8_000 });
  // A picture of the whole page does not scroll: what is off the screen must be laid out.
  await page.evaluate(() => {
    for (const el of document.querySelectorAll('.part, .item'))
      el.style.contentVisibility = 'visible';
  });
  await page.waitForTimeout(300);
  if (then) await then(page);
  if (zoom)
    await page.evaluate((z) => {
      document.documentElement.style.fontSize = z;
    }, zoom);
  await page.screenshot({ path: `${OUT}${name}.png`, fullPage: full });
  await page.close();
}

const base = process.env.BASE_URL ?? mock.url;
for (const size of Object.keys(SIZES)) {
  for (const scheme of ['light', 'dark']) {
    for (const view of size === 'phone' ? VIEWS : ['now']) {
      await shot(`${size}-${scheme}-${view}`, { base, size, scheme, view });
    }
  }
}
const tapTrains = (page) => page.locator('.kinds button', { hasText: 'Trains' }).tap();
await shot('phone-graph', { base, size: 'phone', view: 'history', then: tapTrains });
await shot('phone-graph-dark', {
  base,
  size: 'phone',
  scheme: 'dark',
  view: 'history',
  then: tapTrains,
});
await shot('phone-past', {
  base,
  size: 'phone',
  view: 'history',
  full: false,
  then: async (page) => {
    await page.locator('button', { hasText: 'Play from here' }).tap();
    await page.waitForSelector('.past-when');
    await page.locator('[data-past="on"]').tap();
    await page.evaluate(() => {
      location.hash = 'now';
    });
    await page.waitForTimeout(500);
  },
});
if (calm) {
  const drawing = { lines: ['Upper', 'Goods', 'Inner'], left: ['outer-4.a', 'upper-3.b'] };
  const asked = await startMock({ still: true, calm: true, drawing });
  await shot('phone-asked', { base: asked.url, size: 'phone' });
  asked.close();
}
await shot('phone-fold', { base, size: 'phone', full: false });
await shot('phone-sheet', { base, size: 'phone', view: 'turnout/w7', full: false });
await shot('phone-grey', { base, size: 'phone', vision: 'achromatopsia' });
await shot('phone-deuteranopia', { base, size: 'phone', vision: 'deuteranopia' });
await shot('phone-large-text', { base, size: 'phone', zoom: '200%' });
if (calm) {
  await shot('phone-calm', { base: calm.url, size: 'phone', full: false });
  await shot('phone-calm-dark', { base: calm.url, size: 'phone', scheme: 'dark', full: false });
}
await browser.close();
mock?.close();
calm?.close();
