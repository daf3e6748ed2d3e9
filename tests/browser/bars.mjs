// Measures the page: what the first sight of it costs, how soon it is painted, how soon a change is
// on the glass, and fifty pages at once. Prints; judges nothing. Called by tests/bars.
//
// Inputs: `BASE_URL`, a running daemon's page; `MQTT_PORT` and `PREFIX`, its broker and its topics,
// where changes are to be made (detectors d1, d2, ... of blocks b1, b2, ...). The browser's own
// counters are used: network totals of the DevTools protocol, paint timing, the Long Tasks API.

import { connect } from 'node:net';
import { createGunzip } from 'node:zlib';
import { get } from 'node:http';

import { launch } from './browser.mjs';

const base = process.env.BASE_URL;
const SLOW = 4;
const PHONES = 50;
const CHANGES = 30;
const GAP_MS = 400;
const QUIET_MS = 1_500;
// A browser that has opened a window loads pages of its own for a while, beside ours.
const SETTLED_MS = 2_500;
const ROUNDS = 7;
const DEADLINE_MS = 60_000;

const wait = (ms) => new Promise((done) => setTimeout(done, ms));
const browser = await launch();
const context = { viewport: { width: 360, height: 740 }, reducedMotion: 'reduce' };

/** A page, with what came over the network until it was shown and nothing more was asked for. */
async function firstSight(slow) {
  const page = await (await browser.newContext(context)).newPage();
  const cdp = await page.context().newCDPSession(page);
  await cdp.send('Network.enable');
  if (slow > 1) await cdp.send('Emulation.setCPUThrottlingRate', { rate: slow });
  let [bytes, requests, last] = [0, 0, Date.now()];
  const open = new Map();
  cdp.on('Network.responseReceived', ({ requestId, response }) => {
    requests += 1;
    last = Date.now();
    // What has come so far: the head. The rest is told at the end, or piece by piece.
    open.set(requestId, response.encodedDataLength);
  });
  cdp.on('Network.dataReceived', ({ requestId, encodedDataLength }) => {
    open.set(requestId, (open.get(requestId) ?? 0) + encodedDataLength);
  });
  cdp.on('Network.loadingFinished', ({ requestId, encodedDataLength }) => {
    open.delete(requestId);
    bytes += encodedDataLength;
    last = Date.now();
  });
  await page.addInitScript(() => {
    globalThis.longTasks = [];
    new PerformanceObserver((list) => {
      for (const { duration } of list.getEntries())
        globalThis.longTasks.push(Math.round(duration));
    }).observe({ type: 'longtask', buffered: true });
  });
  await wait(SETTLED_MS);
  const began = Date.now();
  await page.goto(`${base}/#now`);
  // Asked in the smallest way: what playwright would put into the page is a long task by itself.
  const expression = `Boolean(document.querySelector('.strips .tile'))`;
  const isShown = async () => (await cdp.send('Runtime.evaluate', { expression })).result.value;
  while (!(await isShown())) {
    if (Date.now() - began > DEADLINE_MS) throw new Error('no track is shown');
    await wait(20);
  }
  const shown = Date.now() - began;
  while (Date.now() - last < QUIET_MS) await wait(50);
  const total = bytes + [...open.values()].reduce((sum, part) => sum + part, 0);
  // Asked in the smallest way again.
  const ask = async (expression) => {
    const { result } = await cdp.send('Runtime.evaluate', { expression, returnByValue: true });
    return result.value;
  };
  const seen = await ask(`({
    paint: Math.round(
      performance.getEntriesByType('paint').find(({ name }) => /contentful/.test(name)).startTime,
    ),
    tasks: globalThis.longTasks,
    tiles: document.querySelectorAll('.strips .tile').length,
  })`);
  return { page, cdp, ask, total, requests, shown, ...seen };
}

const list = (tasks) =>
  tasks.length ? `${tasks.length}, longest ${Math.max(...tasks)} ms` : 'none';

const plain = await firstSight(1);
console.log(
  `  first sight: ${(plain.total / 1000).toFixed(1)} kB in ${plain.requests} answers, heads and ` +
    `the beginning of the stream included; ${plain.tiles} tiles`,
);
console.log(`  first paint: ${plain.paint} ms; track shown ${plain.shown} ms after the address`);
await plain.page.context().close();
const rounds = [];
let slow;
for (let round = 0; round < ROUNDS; round += 1) {
  if (slow) await slow.page.context().close();
  slow = await firstSight(SLOW);
  rounds.push(slow);
}
const sorted = (key) => rounds.map((one) => one[key]).sort((x, y) => x - y);
const spread = (key) => {
  const all = sorted(key);
  return `${all[0]} to ${all.at(-1)} ms, middle ${all[all.length >> 1]}`;
};
console.log(`  ${SLOW} times slower, ${ROUNDS} times: first paint ${spread('paint')}; track shown`);
console.log(
  `  after ${spread('shown')}; tasks over 50 ms: ` + rounds.map(({ tasks }) => list(tasks)).join('; '),
);
const tasksOf = async (milliseconds, first) => {
  await slow.ask(`globalThis.longTasks.length = 0; ${first}`);
  await wait(milliseconds);
  return list(await slow.ask('globalThis.longTasks'));
};
console.log(`  the same while it runs, 6 s: tasks over 50 ms: ${await tasksOf(6_000, '0')}`);
for (const view of ['detectors', 'points', 'history']) {
  const tasks = await tasksOf(1_500, `location.hash = '${view}'; 0`);
  console.log(`  ${view}, ${SLOW} times slower: tasks over 50 ms: ${tasks}`);
}
await slow.page.context().close();

// ---- changes -----------------------------------------------------------------------------------

/** A publisher of the smallest kind: MQTT 3.1.1 (OASIS), CONNECT and PUBLISH with QoS 0. */
async function publisher(port) {
  const socket = connect(port, '127.0.0.1').setNoDelay(true);
  const text = (value) => {
    const bytes = Buffer.from(value);
    return Buffer.concat([Buffer.from([bytes.length >> 8, bytes.length & 255]), bytes]);
  };
  const packet = (type, ...parts) => {
    const body = Buffer.concat(parts);
    const length = [];
    for (let n = body.length; ; n >>= 7) {
      length.push((n & 127) | (n > 127 ? 128 : 0));
      if (n <= 127) break;
    }
    socket.write(Buffer.concat([Buffer.from([type, ...length]), body]));
  };
  packet(0x10, text('MQTT'), Buffer.from([4, 2, 0, 0]), text('bars'));
  await new Promise((done) => socket.once('data', done));
  return {
    publish: (topic, value) => packet(0x30, text(topic), Buffer.from(JSON.stringify(value))),
    close: () => socket.destroy(),
  };
}

/** One phone's stream: counts events and the most bundles in any second. */
function phone() {
  const url = new URL(`${base}/events`);
  const seen = { bytes: 0, events: 0, bundles: [] };
  const request = get(url, { headers: { 'Accept-Encoding': 'gzip' } }, (answer) => {
    answer.on('data', (piece) => {
      seen.bytes += piece.length;
      seen.bundles.push(Date.now());
    });
    answer.pipe(createGunzip()).on('data', (text) => {
      seen.events +=
        String(text).split('\nevent: ').length - 1 + Number(String(text).startsWith('event'));
    });
  });
  request.on('error', () => {});
  return { seen, close: () => request.destroy() };
}

const most = (times) =>
  Math.max(0, ...times.map((at) => times.filter((t) => t >= at && t < at + 1000).length));
const rank = (sorted, share) =>
  sorted[Math.min(sorted.length - 1, Math.floor(sorted.length * share))];

async function changes(page, mqtt, prefix, from) {
  const times = [];
  const sample = (n, amperes) =>
    mqtt.publish(`${prefix}/detector/d${n}`, [{ n: 'current', u: 'A', v: amperes }]);
  for (let n = from; n < from + CHANGES; n += 1) {
    const done = page.evaluate(
      (id) =>
        new Promise((found) => {
          const tile = document.querySelector(`.tile[href="#block/${id}"]`);
          new MutationObserver((_, watcher) => {
            if (!tile.classList.contains('is-occupied')) return;
            watcher.disconnect();
            requestAnimationFrame(() => found(performance.timeOrigin + performance.now()));
          }).observe(tile, { attributes: true });
        }),
      `b${n}`,
    );
    await wait(GAP_MS);
    const sent = performance.timeOrigin + performance.now();
    sample(n, 0.0124);
    times.push((await done) - sent);
  }
  return times.sort((x, y) => x - y);
}

if (process.env.MQTT_PORT) {
  const mqtt = await publisher(Number(process.env.MQTT_PORT));
  const tell = (word, times) =>
    console.log(
      `  ${word}: message to glass, ${times.length} single changes: middle ` +
        `${rank(times, 0.5).toFixed(0)} ms, p95 ${rank(times, 0.95).toFixed(0)} ms, ` +
        `worst ${times.at(-1).toFixed(0)} ms`,
    );
  const { page } = await firstSight(1);
  tell('one page', await changes(page, mqtt, process.env.PREFIX, 1));
  const phones = Array.from({ length: PHONES }, phone);
  await wait(2_000);
  tell(`${PHONES} more pages`, await changes(page, mqtt, process.env.PREFIX, 1 + CHANGES));
  for (const { seen } of phones) seen.bundles.length = 0;
  const began = Date.now();
  for (let n = 0; Date.now() - began < 3_000; n += 1) {
    mqtt.publish(`${process.env.PREFIX}/detector/d${100 + (n % 50)}`, [
      { n: 'current', u: 'A', v: n % 2 ? 0.012 : 0.011 },
    ]);
    await wait(4);
  }
  await wait(300);
  const least = Math.min(...phones.map(({ seen }) => seen.events));
  const bundles = Math.max(...phones.map(({ seen }) => most(seen.bundles)));
  const kilobytes = phones.reduce((sum, { seen }) => sum + seen.bytes, 0) / PHONES / 1000;
  console.log(
    `  ${PHONES} pages at about 250 samples/s: most bundles in a second ${bundles}; each got at ` +
      `least ${least} events, ${kilobytes.toFixed(0)} kB`,
  );
  phones.forEach((one) => one.close());
  mqtt.close();
}
await browser.close();
