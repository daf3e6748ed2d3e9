// Takes the README's screenshots from the running demo.
//
// Input: `BASE_URL`, the page of the demo. Output: tests/browser/shots/now-light.png and
// track-dark.png, phone-sized, as soon as points are left diverging; the second one is pulled down
// to the track. From the root of the repository:
//   python3 tests/house/demo.py target/debug/demo beside node tests/house/shots.mjs

import { mkdir } from 'node:fs/promises';

import { launch } from '../browser/browser.mjs';

const OUT = new URL('../browser/shots/', import.meta.url).pathname;
const DEADLINE_MS = 60_000;

const browser = await launch();
await mkdir(OUT, { recursive: true });
const pages = [];
for (const colorScheme of ['light', 'dark']) {
  const context = await browser.newContext({
    viewport: { width: 360, height: 740 },
    deviceScaleFactor: 1.5,
    colorScheme,
    reducedMotion: 'reduce',
  });
  const page = await context.newPage();
  await page.goto(`${process.env.BASE_URL}/#now`);
  pages.push([colorScheme, page]);
}
for (const [, page] of pages)
  await page
    .getByText(/left diverging/)
    .first()
    .waitFor({ timeout: DEADLINE_MS });
const [[, light], [, dark]] = pages;
await light.screenshot({ path: `${OUT}now-light.png` });
const from = dark.locator('.strip', { has: dark.locator('.is-left-diverging') }).first();
await from.waitFor({ timeout: DEADLINE_MS });
await from.evaluate((el) => el.scrollIntoView({ block: 'start' }));
await dark.screenshot({ path: `${OUT}track-dark.png` });
await browser.close();
