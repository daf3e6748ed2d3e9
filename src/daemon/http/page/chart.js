// A chart over time on a canvas: drawn for the stretch in sight, moved by a finger, zoomed by two.
//
// Inputs: a model of lanes.js and the stretch of time. Outputs: an element, and calls of `look`,
// `move`, `zoom`, `tell`. Forms first: full, hatched, dotted, dashed; colour second. Knows nothing
// of trains or places.

import { h } from './dom.js';
import { clock } from './words.js';

const NAME_PX = 96;
const AXIS_PX = 22;
const TAP_PX = 8;
const TICKS_MS = [
  1, 2, 5, 10, 30, 60, 120, 300, 600, 1_800, 3_600, 7_200, 21_600, 43_200, 86_400, 604_800,
].map((s) => s * 1000);
/** Each train's line: dashes and a colour, so that neither is needed alone. */
const LINES = [
  ['--train', []],
  ['--high', [8, 4]],
  ['--ink', [2, 3]],
  ['--medium', [12, 3, 2, 3]],
  ['--low', [5, 2]],
];

const paper = () => {
  const style = getComputedStyle(document.documentElement);
  return (name) => style.getPropertyValue(name).trim();
};

/** A pattern of slanted lines or of dots, for what is not known. */
function pattern(context, colour, dots) {
  const tile = document.createElement('canvas');
  tile.width = 8;
  tile.height = 8;
  const pen = tile.getContext('2d');
  pen.strokeStyle = colour;
  pen.fillStyle = colour;
  pen.lineWidth = 2;
  pen.beginPath();
  if (dots) {
    pen.arc(4, 4, 1.6, 0, 7);
    pen.fill();
  } else {
    for (const x of [-4, 4, 12]) {
      pen.moveTo(x - 4, 12);
      pen.lineTo(x + 8, 0);
    }
    pen.stroke();
  }
  return context.createPattern(tile, 'repeat');
}

/** The forms of stretches: what they are filled and edged with. */
function formsOf(context, colour) {
  const [ink, line] = [colour('--ink'), colour('--line')];
  const hatch = pattern(context, line, false);
  const dots = pattern(context, line, true);
  return {
    vacant: { edge: line, thin: true },
    occupied: { fill: colour('--fill') },
    dark: { fill: hatch, edge: line },
    'dark-kept': { fill: pattern(context, ink, false), edge: ink },
    unknown: { fill: dots, edge: line, dash: [2, 3] },
    'unknown-kept': { fill: pattern(context, ink, true), edge: ink, dash: [2, 3] },
    lost: { fill: colour('--high-wash'), edge: colour('--high'), dash: [6, 4] },
    points: { fill: colour('--medium'), edge: ink },
  };
}

/** What a model draws with: times and pixels in, ink out. */
function penFor(context, { x, right, colour }) {
  const forms = formsOf(context, colour);
  return {
    rule(y) {
      context.fillStyle = colour('--hair');
      context.fillRect(NAME_PX, y, right - NAME_PX, 1);
    },
    bar(from, to, y, high, name) {
      const [x0, x1] = [Math.max(NAME_PX, x(from)), Math.min(right, x(to))];
      if (x1 <= x0) return;
      const form = forms[name] ?? forms.unknown;
      const wide = Math.max(1, x1 - x0);
      if (form.thin) {
        context.fillStyle = form.edge;
        context.fillRect(x0, y + high / 2 - 0.5, wide, 1);
        return;
      }
      context.fillStyle = form.fill;
      context.fillRect(x0, y, wide, high);
      if (!form.edge || wide < 3) return;
      context.strokeStyle = form.edge;
      context.setLineDash(form.dash ?? []);
      context.lineWidth = 1.5;
      context.strokeRect(x0 + 0.5, y + 0.5, wide - 1, high - 1);
      context.setLineDash([]);
    },
    line(pieces, y, name, style) {
      const [ink, dash] = LINES[style % LINES.length];
      context.save();
      context.beginPath();
      context.rect(NAME_PX, 0, right - NAME_PX, 1e5);
      context.clip();
      context.strokeStyle = colour(ink);
      context.lineWidth = 3;
      context.lineJoin = 'round';
      context.setLineDash(dash);
      let label = null;
      for (const piece of pieces) {
        context.beginPath();
        for (const { at, mm } of piece) {
          context.lineTo(x(at), y(mm));
          if (!label && x(at) >= NAME_PX && x(at) < right - 40) label = [x(at), y(mm)];
        }
        context.stroke();
      }
      if (label) tag(context, colour, name, label[0] + 4, label[1]);
      context.restore();
    },
    mark(at, y, priority) {
      const at_ = x(at);
      if (at_ < NAME_PX || at_ > right) return;
      context.beginPath();
      if (priority === 'high')
        shape(context, at_, y, [
          [0, -8],
          [8, 7],
          [-8, 7],
        ]);
      else if (priority === 'medium')
        shape(context, at_, y, [
          [0, -8],
          [8, 0],
          [0, 8],
          [-8, 0],
        ]);
      else context.arc(at_, y, 6, 0, 7);
      context.fillStyle = colour(`--${priority}`) || colour('--low');
      context.fill();
      context.strokeStyle = colour('--ink');
      context.lineWidth = 2;
      context.stroke();
    },
  };
}

function tag(context, colour, text, x, y) {
  context.font = '600 12px system-ui, sans-serif';
  const wide = context.measureText(text).width + 8;
  context.setLineDash([]);
  context.fillStyle = colour('--sheet');
  context.fillRect(x, y - 9, wide, 18);
  context.strokeStyle = colour('--line');
  context.lineWidth = 1;
  context.strokeRect(x + 0.5, y - 8.5, wide - 1, 17);
  context.fillStyle = colour('--ink');
  context.fillText(text, x + 4, y + 4);
}

function shape(context, x, y, points) {
  points.forEach(([dx, dy]) => context.lineTo(x + dx, y + dy));
  context.closePath();
}

/** The axis: a tick where a round time is. */
function axis(context, { x, right, colour, height, from, to }) {
  const wanted = ((to - from) / (right - NAME_PX)) * 74;
  const step = TICKS_MS.find((ms) => ms >= wanted) ?? TICKS_MS.at(-1);
  const offset = new Date(to).getTimezoneOffset() * 60_000;
  context.fillStyle = colour('--soft');
  context.font = '12px system-ui, sans-serif';
  for (let at = Math.ceil((from - offset) / step) * step + offset; at <= to; at += step) {
    const px = x(at);
    context.fillRect(px, height, 1, 5);
    const text = step < 60_000 ? clock(at) : clock(at).slice(0, 5);
    const wide = context.measureText(text).width;
    if (px + wide < right) context.fillText(text, px + 3, height + 15);
  }
}

/** Builds one chart. */
export function chartOf(model, { sight, data, look, move, zoom, tell }) {
  const canvas = h('canvas', {
    class: 'time-chart',
    tabindex: '0',
    role: 'img',
    'aria-label':
      `${model.label}. Arrow keys go from change to change; ` +
      'the list of events says the same in words.',
  });
  canvas.style.height = `${model.height + AXIS_PX}px`;
  let width = 0;
  let visible = false;
  let cursor = null;
  const msPx = () => (sight.to - sight.from) / Math.max(1, width - NAME_PX);
  const x = (at) => NAME_PX + (at - sight.from) / msPx();
  const time = (px) => sight.from + (px - NAME_PX) * msPx();

  function draw() {
    if (!visible || !width) return;
    const ratio = devicePixelRatio || 1;
    const high = model.height + AXIS_PX;
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(high * ratio);
    const context = canvas.getContext('2d');
    context.scale(ratio, ratio);
    const colour = paper();
    const known = data();
    const area = { x, right: width, colour, height: model.height, ...sight };
    if (known) {
      model.draw(penFor(context, area), known);
      gaps(context, area, known);
    }
    context.fillStyle = colour('--paper');
    context.fillRect(0, 0, NAME_PX - 4, high);
    context.fillStyle = colour('--ink');
    context.font = '600 12px system-ui, sans-serif';
    for (const [name, y] of model.names) context.fillText(fit(context, name), 0, y + 4);
    axis(context, area);
    if (cursor) cross(context, area);
  }

  /** When nothing was written down: crossed out. */
  function gaps(context, { colour }, known) {
    context.strokeStyle = colour('--line');
    context.lineWidth = 1;
    for (const { from, to } of known.gaps) {
      const [x0, x1] = [Math.max(NAME_PX, x(from)), Math.min(width, x(to ?? sight.to))];
      if (x1 <= x0) continue;
      context.fillStyle = colour('--hair');
      context.fillRect(x0, 0, x1 - x0, model.height);
      context.beginPath();
      context.moveTo(x0, 0);
      context.lineTo(x1, model.height);
      context.moveTo(x1, 0);
      context.lineTo(x0, model.height);
      context.stroke();
    }
  }

  function cross(context, { colour }) {
    context.strokeStyle = colour('--ink');
    context.setLineDash([4, 3]);
    context.lineWidth = 1.5;
    context.strokeRect(Math.round(x(cursor.at)) + 0.5, 0, 0, model.height);
    context.strokeRect(NAME_PX, Math.round(cursor.y) + 0.5, width - NAME_PX, 0);
    context.setLineDash([]);
  }

  function point(at, y) {
    const known = data();
    const found = known && model.at(at, y, known, msPx());
    cursor = { at, y };
    tell(found ? found[0] : '', found ? found[1] : null);
    draw();
  }

  hand(canvas, { sight, look, time, msPx, tap: (px, py) => point(time(px), py) });
  keys(canvas, { model, data, move, zoom, point, cursor: () => cursor, sight });
  new ResizeObserver(() => {
    width = Math.floor(canvas.clientWidth);
    draw();
  }).observe(canvas);
  new IntersectionObserver(([{ isIntersecting }]) => {
    visible = isIntersecting;
    draw();
  }).observe(canvas);
  return { node: canvas, title: model.title, draw };
}

/** A name, cut to the room that it has. */
function fit(context, name) {
  let text = name;
  while (text.length > 2 && context.measureText(text).width > NAME_PX - 8) {
    text = `${text.slice(0, -2)}…`;
  }
  return text;
}

/** Fingers: one pulls, two pinch, a touch asks. */
function hand(canvas, { sight, look, time, msPx, tap }) {
  const down = new Map();
  let start = null;
  const here = (event) => event.clientX - canvas.getBoundingClientRect().left;
  const begin = () => {
    const xs = [...down.values()].map(({ x }) => x);
    start = { from: sight.from, to: sight.to, xs, times: xs.map(time), moved: false };
  };
  canvas.addEventListener('pointerdown', (event) => {
    canvas.setPointerCapture(event.pointerId);
    down.set(event.pointerId, { x: here(event), x0: here(event) });
    begin();
  });
  canvas.addEventListener('pointermove', (event) => {
    const finger = down.get(event.pointerId);
    if (!finger || !start) return;
    finger.x = here(event);
    if (Math.abs(finger.x - finger.x0) > TAP_PX) finger.moved = true;
    const xs = [...down.values()].map(({ x }) => x);
    if (xs.length === 1 && finger.moved) {
      const by = start.times[0] - time(xs[0]);
      look(sight.from + by, sight.to + by);
    } else if (xs.length === 2 && Math.abs(xs[0] - xs[1]) > 20) {
      // What is under each finger stays under it.
      const each = (start.times[1] - start.times[0]) / (xs[1] - xs[0]);
      if (each <= 0) return;
      const from = start.times[0] - (xs[0] - NAME_PX) * each;
      look(from, from + ((sight.to - sight.from) / msPx()) * each);
    }
  });
  const end = (event) => {
    const finger = down.get(event.pointerId);
    down.delete(event.pointerId);
    if (!finger) return;
    if (event.type === 'pointerup' && !finger.moved && down.size === 0 && start.xs.length === 1) {
      tap(here(event), event.clientY - canvas.getBoundingClientRect().top);
    }
    begin();
  };
  canvas.addEventListener('pointerup', end);
  canvas.addEventListener('pointercancel', end);
  canvas.addEventListener(
    'wheel',
    (event) => {
      if (!event.ctrlKey) return;
      event.preventDefault();
      const at = time(here(event));
      const factor = event.deltaY > 0 ? 1.25 : 0.8;
      look(at - (at - sight.from) * factor, at + (sight.to - at) * factor);
    },
    { passive: false },
  );
}

/** Keys: from change to change, from row to row, nearer and farther. */
function keys(canvas, { model, data, move, zoom, point, cursor, sight }) {
  canvas.addEventListener('keydown', (event) => {
    const known = data();
    const row = model.height / Math.max(1, model.rows);
    const now = cursor() ?? { at: sight.to, y: row / 2 };
    const go = {
      ArrowLeft: () => point(model.next(now.at, now.y, false, known) ?? now.at, now.y),
      ArrowRight: () => point(model.next(now.at, now.y, true, known) ?? now.at, now.y),
      ArrowUp: () => point(now.at, Math.max(row / 2, now.y - row)),
      ArrowDown: () => point(now.at, Math.min(model.height - row / 2, now.y + row)),
      PageUp: () => move(-0.5),
      PageDown: () => move(0.5),
      '+': () => zoom(0.5),
      '-': () => zoom(2),
    }[event.key];
    if (!go || !known) return;
    event.preventDefault();
    go();
  });
}
