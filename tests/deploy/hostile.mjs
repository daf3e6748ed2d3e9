// Words from a hostile plan, board and operator on the page: shown as they are, run by nobody.
//
// hostile.mjs URL - prints `ok ...` or `FAIL ...` lines. Every view of the page is opened.

import { createRequire } from 'node:module';
import { pathToFileURL } from 'node:url';
import { join } from 'node:path';

const folder = join(import.meta.dirname, '../browser');
// Its packages lie with the page's tests.
process.chdir(folder);
createRequire(join(folder, 'package.json'));
const { launch } = await import(pathToFileURL(join(folder, 'browser.mjs')));

const url = process.argv[2];
const check = (what, held, why = '') => {
  console.log(`${held ? 'ok' : 'FAIL'} ${what}${held ? '' : `: ${why}`}`);
  if (!held) process.exitCode = 1;
};

const browser = await launch();
try {
  const page = await browser.newPage({ viewport: { width: 390, height: 800 } });
  const asked = [];
  const thrown = [];
  page.on('request', (request) => asked.push(request.url()));
  page.on('dialog', (dialog) => dialog.dismiss());
  page.on('pageerror', (error) => thrown.push(String(error)));
  await page.goto(`${url}/`);
  await page.locator('#layout-name', { hasText: 'onerror' }).waitFor({ timeout: 20_000 });
  let seen = '';
  const views = await page.locator('nav.views a').evaluateAll((all) => all.map((a) => a.hash));
  for (const view of [...views, '#block/east', '#detector/d-east', '#turnout/w1',
    '#<img src=x onerror=hit()>', '#block/%3Cimg%20src%3Dx%3E']) {
    await page.evaluate((hash) => { location.hash = hash; }, view);
    await page.evaluate(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))));
    seen += await page.locator('body').innerText();
    const built = await page.locator('img[src="x"], svg[onload], [onerror], script:not([src])').count();
    check(`${view}: no element is made of a name`, built === 0, String(built));
  }
  check('names are shown as they are written', seen.includes('<img src=x onerror=hit()>'));
  const hit = await page.evaluate(() => window.hit === undefined && document.title !== 'hit');
  check('nothing of it has run', hit);
  const foreign = asked.filter((to) => !to.startsWith(url) && !to.startsWith('data:'));
  check('the page asks nobody but the daemon', foreign.length === 0, foreign.join(' '));
  check('and nothing is thrown', thrown.length === 0, thrown.join(' '));
  // The second door, were the first ever open: a script in the page is refused by the policy.
  const refused = await page.evaluate(() => {
    const script = document.createElement('script');
    script.textContent = 'document.title = "hit"';
    document.body.append(script);
    return document.title !== 'hit';
  });
  check('a script in the page would be refused', refused);
} finally {
  await browser.close();
}
