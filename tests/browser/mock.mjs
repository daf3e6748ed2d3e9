// A stand-in for the daemon, so that the page can be looked at and tested without one.
//
// Serves the page's folder with the daemon's security headers, a snapshot of an invented layout,
// a live stream of changes, and the operator's acts. What it 'decides' is a fixed story, no
// detection. `node mock.mjs [PORT]`; `MOCK_PIN=1234` asks for a PIN, `MOCK_PLACES=2000` makes a
// large layout, `MOCK_STILL=1` lets nothing move, `MOCK_CALM=1` starts without an alarm.

import { readFile } from 'node:fs/promises';
import { createServer } from 'node:http';
import { extname } from 'node:path';
import { fileURLToPath } from 'node:url';

import { largeLayout, layout as small } from './layout.mjs';
import { MEASURES, Past } from './past.mjs';

const FOLDER = new URL('../../src/daemon/http/page/', import.meta.url);
const TYPES = {
  '.html': 'text/html; charset=utf-8',
  '.js': 'text/javascript; charset=utf-8',
  '.css': 'text/css; charset=utf-8',
  '.svg': 'image/svg+xml',
  '.webmanifest': 'application/manifest+json',
};
const HEADERS = {
  'Content-Security-Policy':
    "default-src 'self'; base-uri 'none'; form-action 'none'; " +
    "frame-ancestors 'none'; object-src 'none'",
  'X-Content-Type-Options': 'nosniff',
  'Referrer-Policy': 'no-referrer',
  'Cache-Control': 'no-cache',
};
const STEP_MS = 1_500;
const KEEP_ALIVE_MS = 5_000;
const RING = 4_096;

/** The whole stand-in; answers `{ url, close, send, state }`. */
export async function startMock(options = {}) {
  const world = new World(options);
  const server = createServer((request, response) =>
    answer(world, request, response).catch((error) => problem(response, 500, String(error))),
  );
  await new Promise((done) => {
    server.listen(options.port ?? 0, '127.0.0.1', done);
  });
  const { port } = server.address();
  return {
    url: `http://127.0.0.1:${port}`,
    world,
    close: () => {
      world.stop();
      server.closeAllConnections();
      server.close();
    },
  };
}

const iso = (ms) => new Date(ms).toISOString();

class World {
  constructor({ places = 0, still = false, calm = false, pin = null, drawing = {} }) {
    this.layout = { ...(places ? largeLayout(places) : small), ...drawing };
    this.pin = pin;
    this.clients = new Set();
    this.ring = [];
    this.listening = 0;
    this.id = 0;
    this.step = 0;
    this.began = Date.now();
    this.snapshot = this.start(calm, places);
    this.past = new Past(structuredClone(this.snapshot), this.began);
    /** The stream stays open and says nothing. */
    this.mute = false;
    const keepAlive = () => this.mute || this.toAll(': still here\n\n');
    this.timers = [setInterval(keepAlive, KEEP_ALIVE_MS)];
    if (!still) this.timers.push(setInterval(() => this.move(), STEP_MS));
  }

  stop() {
    this.timers.forEach(clearInterval);
    for (const client of this.clients) client.destroy();
  }

  start(calm, places) {
    const at = iso(this.began - 95_000);
    const { layout } = this;
    const map = (items, make) =>
      Object.fromEntries(Object.keys(items).map((id) => [id, make(id)]));
    const blocks = map(layout.blocks, (id) => ({
      state: 'vacant',
      since: at,
      trains: [],
      kept: null,
      remembered: false,
      told: false,
      why: `d-${id} 0.3 mA, off at 1.5`,
    }));
    const turnouts = map(layout.turnouts, () => ({
      position: 'normal',
      from: 'message',
      assumed: false,
      state: 'free',
      since: at,
      why: 'reported normal',
      remembered: false,
      in_charge: null,
      movements: 2,
    }));
    const snapshot = {
      at: iso(Date.now()),
      layout,
      broker: 'connected',
      waiting: null,
      blocks,
      turnouts,
      tables: map(layout.tables, (id) => ({
        position: layout.tables[id].rest,
        state: 'free',
        since: at,
        why: 'reported at rest',
      })),
      feeds: map(layout.feeds, (id) => ({
        on: layout.feeds[id].rest !== 'off',
        live: layout.feeds[id].rest !== 'off',
        failed: false,
        volts: id === 'main-power' ? 15.2 : null,
        since: at,
      })),
      detectors: map(layout.detectors, (id) => ({
        evidence: 'off',
        health: 'ok',
        reading: layout.detectors[id].unit === '%' ? 88 : layout.detectors[id].unit ? 0.3 : null,
        unit: layout.detectors[id].unit ?? '',
        heard: iso(Date.now() - 900),
        since: at,
        dropouts: 0,
        late: 0,
        implausible: 0,
        clock_steps: 0,
      })),
      trains: {},
      alarms: {},
      line_up: { ready: false, exceptions: [] },
    };
    if (places) this.peopleLarge(snapshot, at);
    else this.people(snapshot, at, calm);
    return snapshot;
  }

  peopleLarge(snapshot, at) {
    for (let i = 3; i < Object.keys(snapshot.blocks).length; i += 40) {
      const id = `t${i}`;
      snapshot.trains[id] = train(`Train ${i}`, [`p-${i}`], `p-${i}.b`, at);
      Object.assign(snapshot.blocks[`p-${i}`], { state: 'occupied', trains: [id] });
    }
  }

  /** What stands where when the story begins. */
  people(s, at, calm) {
    const occupy = (id, ...trains) =>
      Object.assign(s.blocks[id], { state: 'occupied', trains, why: `d-${id} 84 mA, on at 3.0` });
    for (const i of [1, 2, 3, 4]) {
      Object.assign(s.blocks[`goods-${i}`], {
        state: 'dark',
        why: `goods-${i}-power is off`,
        kept: [null, 'occupied', 'vacant', 'occupied', null][i],
      });
    }
    s.trains.t1 = train('Heron', ['outer-2', 'outer-3'], 'outer-3.b', at, {
      speed_mm_s: 410,
      scale_kmh: 128.6,
      length_mm: 1720,
      length_sd_mm: 40,
    });
    s.trains.t2 = train('Coal empties', ['inner-4', 'inner-3'], 'inner-3.a', at, {
      speed_mm_s: 240,
      scale_kmh: 75.3,
      length_mm: 2100,
      length_sd_mm: 90,
    });
    s.trains.t3 = train(null, ['goods-lead'], 'goods-lead.b', at, { stopped: true });
    s.trains.t4 = train('Shunter', ['stub-2'], null, at, { stopped: true });
    occupy('outer-2', 't1');
    occupy('outer-3', 't1');
    occupy('inner-3', 't2');
    occupy('inner-4', 't2');
    occupy('goods-lead', 't3');
    occupy('stub-2', 't4');
    Object.assign(s.turnouts.w7, {
      position: 'reverse',
      state: calm ? 'awaiting' : 'left-diverging',
      since: iso(this.began - 14_000),
      why: 'not set back within 10 s',
    });
    Object.assign(s.turnouts.w8, { position: 'reverse', state: 'awaiting' });
    if (calm) return;
    Object.assign(s.blocks['upper-3'], {
      state: 'lost',
      why: 'off, and nothing left by an exit',
    });
    s.trains.t5 = train('Railbus', ['upper-3'], 'upper-3.b', at, { lost: true, stopped: true });
    Object.assign(s.detectors['d-shed-lead'], {
      health: 'silent',
      evidence: 'none',
      reading: null,
    });
    Object.assign(s.blocks['shed-lead'], {
      state: 'unknown',
      kept: 'vacant',
      why: 'd-shed-lead has been silent for 31 s',
    });
    Object.assign(s.feeds['hut-lights'], { on: true, live: true });
    const raise = (...args) => Object.assign(s.alarms, { [args[0]]: alarm(...args) });
    raise(
      'bound-for-diverging:w7',
      'high',
      'Points 7 left diverging, Heron is bound for them',
      'Set the points straight, or stop the train.',
      this.began - 2_000,
      [12, 17],
    );
    s.trains.t1.ahead = { what: 'bound-for-diverging', at: 'w7', seconds: [12, 17] };
    raise(
      'train-lost:upper-3',
      'high',
      'Railbus was lost in Upper End',
      'Look for it, then say what you found.',
      this.began - 41_000,
    );
    raise(
      'left-diverging:w7',
      'medium',
      'Points 7 left diverging',
      'Set the points straight.',
      this.began - 14_000,
    );
    raise(
      'detector-fault:d-shed-lead',
      'low',
      'Detector Shed Lead is silent',
      'Look at its power, its wiring, its lens.',
      this.began - 60_000,
    );
    s.alarms['detector-fault:d-shed-lead'].state = 'acknowledged';
    s.alarms['detector-fault:d-shed-lead'].by = 'Ada';
    s.line_up.exceptions = [
      { id: 'w7', level: 'stops', text: 'Points 7 are diverging', do: 'Set them straight.' },
      {
        id: 'upper-3',
        level: 'stops',
        text: 'Upper End: a train was lost there',
        do: 'Look for it, then say what you found.',
      },
      { id: 'hut-lights', level: 'note', text: 'Hut lights are on', do: 'Switch them off.' },
      {
        id: 'goods-4',
        level: 'note',
        text: 'Goods 4 is dark, and what stands there is unknown',
        do: 'Say what stands there.',
      },
    ];
  }

  send(kind, id, item) {
    const key = {
      block: 'blocks',
      turnout: 'turnouts',
      table: 'tables',
      feed: 'feeds',
      detector: 'detectors',
      train: 'trains',
      alarm: 'alarms',
    }[kind];
    if (key && item === null) delete this.snapshot[key][id];
    else if (key) this.snapshot[key][id] = item;
    this.id += 1;
    const frame = `id: ${this.id}\nevent: ${kind}\ndata: ${JSON.stringify({ id, item })}\n\n`;
    this.ring.push({ id: this.id, frame });
    if (this.ring.length > RING) this.ring.shift();
    this.toAll(frame);
  }

  toAll(text) {
    for (const client of this.clients) client.write(text);
  }

  stream(request, response) {
    response.writeHead(200, { ...HEADERS, 'Content-Type': 'text/event-stream' });
    const last = Number(request.headers['last-event-id']);
    const first = this.ring[0]?.id ?? this.id + 1;
    if (request.headers['last-event-id'] && last <= this.id && last >= first - 1) {
      response.write(': resumed\n\n');
      for (const { id, frame } of this.ring) if (id > last) response.write(frame);
    } else {
      this.snapshot.at = iso(Date.now());
      response.write(`id: ${this.id}\nevent: state\ndata: ${JSON.stringify(this.snapshot)}\n\n`);
    }
    this.clients.add(response);
    const listens = /[?&]listening=1/.test(request.url);
    if (listens) this.listening += 1;
    response.on('close', () => {
      this.clients.delete(response);
      if (listens) this.listening -= 1;
    });
  }

  /** One step of the story: trains go round, a reading here and there changes. */
  move() {
    this.step += 1;
    const now = iso(Date.now());
    if (!this.snapshot.blocks['outer-1']) {
      this.moveLarge(now);
      return;
    }
    this.run('t1', ['outer-1', 'outer-2', 'outer-3', 'outer-4', 'outer-5', 'outer-6'], 'b', now);
    this.run('t2', ['inner-1', 'inner-5', 'inner-4', 'inner-3', 'inner-2'], 'a', now);
    const detector = {
      ...this.snapshot.detectors['o-w7-n'],
      reading: 85 + (this.step % 5),
      heard: now,
    };
    this.send('detector', 'o-w7-n', detector);
  }

  run(id, ring, end, now) {
    const t = this.snapshot.trains[id];
    const head = ring.indexOf(t.blocks.at(-1));
    const next = ring[(head + 1) % ring.length];
    const grows = t.blocks.length === 1;
    const left = grows ? null : t.blocks[0];
    const held = grows ? [...t.blocks, next] : t.blocks.slice(1);
    const set = (block, state, trains) => {
      const reading = state === 'occupied' ? 84 : 0.3;
      this.send('block', block, {
        ...this.snapshot.blocks[block],
        state,
        trains,
        since: now,
        why: `d-${block} ${reading} mA`,
      });
      this.send('detector', `d-${block}`, {
        ...this.snapshot.detectors[`d-${block}`],
        reading,
        evidence: state === 'occupied' ? 'on' : 'off',
        heard: now,
      });
    };
    if (grows) set(next, 'occupied', [id]);
    if (left) set(left, 'vacant', []);
    this.send('train', id, { ...t, blocks: held, heading: `${held.at(-1)}.${end}`, ahead: null });
  }

  moveLarge(now) {
    const ids = Object.keys(this.snapshot.blocks);
    for (let i = 0; i < 40; i += 1) {
      const id = ids[(this.step * 97 + i * 53) % ids.length];
      const was = this.snapshot.blocks[id];
      if (was.trains.length) continue;
      this.send('block', id, {
        ...was,
        since: now,
        state: was.state === 'vacant' ? 'unknown' : 'vacant',
      });
    }
  }

  /** What the operator says. Answers an error sentence, or null. */
  act(kind, id, verb, body) {
    const item = this.snapshot[kind]?.[decodeURIComponent(id)];
    if (!item) return `there is no ${id} among the ${kind}`;
    if (verb === 'acknowledge') {
      const active = item.active
        ? { ...item, state: 'acknowledged', by: body.who ?? null }
        : null;
      this.send('alarm', id, active);
    } else if (verb === 'shelve') {
      this.send('alarm', id, {
        ...item,
        state: 'shelved',
        by: body.who ?? null,
        until: iso(Date.now() + body.minutes * 60_000),
      });
    } else if (verb === 'name') this.send('train', id, { ...item, name: body.name });
    else if (verb === 'seen') {
      this.send('turnout', id, {
        ...item,
        position: body.position,
        from: 'operator',
        state: body.position === 'normal' ? 'free' : 'awaiting',
      });
    } else if (verb === 'in-charge') {
      this.send('turnout', id, {
        ...item,
        in_charge:
          body.minutes === 0
            ? null
            : { who: body.who ?? '', until: iso(Date.now() + body.minutes * 60_000) },
      });
    } else if (verb === 'out-of-service' || verb === 'in-service') {
      this.send('detector', id, { ...item, health: verb === 'in-service' ? 'ok' : verb });
    } else if (verb === 'stands-here' || verb === 'empty') {
      this.send('block', id, {
        ...item,
        told: true,
        kept: verb === 'empty' ? 'vacant' : 'occupied',
      });
    } else return `${verb} cannot be carried out on ${id}`;
    return null;
  }
}

const train = (name, blocks, heading, since, more = {}) => ({
  name,
  blocks,
  heading,
  stopped: false,
  lost: false,
  speed_mm_s: null,
  scale_kmh: null,
  length_mm: null,
  length_sd_mm: null,
  unconfirmed: false,
  sure: true,
  or: [],
  parent: null,
  ahead: null,
  remembered: false,
  since,
  ...more,
});

const alarm = (id, priority, text, toDo, since, seconds = null) => ({
  id,
  type: id.split(':')[0],
  subject: id.split(':')[1],
  priority,
  state: 'unacknowledged',
  active: true,
  since: iso(since),
  text,
  do: toDo,
  seconds,
  by: null,
  until: null,
});

/** One type of alarm, as the daemon documents it. */
const KINDS = [
  {
    type: 'left-diverging',
    subject: 'turnout',
    priority: 'medium',
    priority_reason: 'It hurts when the next train comes.',
    latched: false,
    cause: 'Points are still diverging and the train that needed them has passed.',
    consequence: 'The next train on the line is turned into a siding.',
    do: 'Set the points straight.',
    respond_within_s: 60,
    on_delay_s: 0,
    off_delay_s: 0,
    re_alarm_limit_s: 30,
  },
];

function problem(response, status, detail) {
  response.writeHead(status, { ...HEADERS, 'Content-Type': 'application/problem+json' });
  response.end(JSON.stringify({ type: 'about:blank', title: 'Refused', status, detail }));
}

async function bodyOf(request) {
  let text = '';
  for await (const piece of request) text += piece;
  return text ? JSON.parse(text) : {};
}

async function answer(world, request, response) {
  const path = new URL(request.url, 'http://mock').pathname;
  if (path === '/events') return world.stream(request, response);
  if (request.method === 'POST') return takeAct(world, path, request, response);
  if (path === '/api/v1/state') {
    response.writeHead(200, { ...HEADERS, 'Content-Type': 'application/json' });
    return response.end(JSON.stringify(world.snapshot));
  }
  if (path === '/api/v1/alarm-kinds') {
    response.writeHead(200, { ...HEADERS, 'Content-Type': 'application/json' });
    return response.end(JSON.stringify({ kinds: KINDS }));
  }
  if (path === '/api/v1/road') return answerRoad(world, request, response);
  if (path === '/api/v1/measures') return json(response, MEASURES);
  if (path.startsWith('/api/v1/history')) return answerHistory(world, request, response);
  const name = path === '/' ? 'index.html' : path.slice(1);
  if (!/^[a-z-]+\.[a-z]+$/.test(name)) return problem(response, 404, `nothing at ${path}`);
  const bytes = await readFile(new URL(name, FOLDER)).catch(() => null);
  if (!bytes) return problem(response, 404, `nothing at ${path}`);
  response.writeHead(200, { ...HEADERS, 'Content-Type': TYPES[extname(name)] ?? 'text/plain' });
  return response.end(bytes);
}

function json(response, value) {
  response.writeHead(200, { ...HEADERS, 'Content-Type': 'application/json' });
  response.end(JSON.stringify(value));
}

function answerHistory({ past }, request, response) {
  const { pathname, searchParams: query } = new URL(request.url, 'http://mock');
  const time = (name, other) => (query.get(name) ? Date.parse(query.get(name)) : other);
  const [from, to] = [time('from', past.first), time('to', past.last)];
  if (pathname.endsWith('/extent')) {
    const [first, last] = [past.first, past.last].map(iso);
    return json(response, { first, last, boots: [{ boot: 1, from: first, to: last }] });
  }
  if (pathname.endsWith('/state')) return json(response, past.state(time('at', past.last)));
  if (Number.isNaN(from) || Number.isNaN(to)) return problem(response, 400, 'that is not a time');
  if (query.get('view') !== 'events') return json(response, past.lanes(from, to));
  const after = query.get('after') ? Number(query.get('after')) : null;
  return json(response, past.list(from, to, Number(query.get('limit') ?? 1_000), after));
}

/** One way that is not ready, or the problem that the daemon answers with. */
function answerRoad(world, request, response) {
  const query = new URL(request.url, 'http://mock').searchParams;
  const [from, to] = ['from', 'to'].map((name) => query.get(name));
  if (!world.snapshot.blocks[from] || !world.snapshot.blocks[to])
    return problem(response, 400, 'the plan has no such block');
  const way = {
    text: `${from}, ${to}`,
    places: [from, to],
    leaving_by: `${from}.b`,
    entering_by: `${to}.a`,
    settings: [{ kind: 'turnout', id: 'w1', text: 'Points 1 set diverging' }],
    length_mm: 3200,
    in_the_way: [{ id: to, text: `${to}: occupied by Train 2` }],
    ready: false,
    reverses: false,
  };
  response.writeHead(200, { ...HEADERS, 'Content-Type': 'application/json' });
  return response.end(JSON.stringify({ from, to, live: true, cut: null, ways: [way] }));
}

async function takeAct(world, path, request, response) {
  const body = await bodyOf(request);
  if (path === '/api/v1/session') {
    if (body.pin !== world.pin) return problem(response, 403, 'that is not the PIN');
    response.writeHead(200, {
      ...HEADERS,
      'Set-Cookie': 'session=ok; HttpOnly; SameSite=Strict',
    });
    return response.end('{}');
  }
  if (world.pin && !request.headers.cookie?.includes('session=ok')) {
    return problem(response, 401, 'the PIN is needed');
  }
  const [, , , kind, id, verb] = path.split('/');
  const wrong = world.act(kind, decodeURIComponent(id ?? ''), verb, body);
  if (wrong) return problem(response, 409, wrong);
  response.writeHead(200, { ...HEADERS, 'Content-Type': 'application/json' });
  return response.end('{}');
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  const { env } = process;
  const mock = await startMock({
    port: Number(process.argv[2] ?? 8090),
    pin: env.MOCK_PIN ?? null,
    places: Number(env.MOCK_PLACES ?? 0),
    still: Boolean(env.MOCK_STILL),
    calm: Boolean(env.MOCK_CALM),
  });
  process.stdout.write(`${mock.url}\n`);
}
