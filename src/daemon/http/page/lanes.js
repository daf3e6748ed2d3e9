// What the charts of the History view show: lanes of places, and the graph of a line's trains.
//
// Inputs: the layout, and the history with absolute times. Outputs: models for chart.js: how high,
// what is where, what lies under a touch. Knows no canvas state but what it is handed.

import { known, plan } from './store.js';
import { stripsOf } from './topology.js';
import { AHEAD, POSITION, clock, itemName, placeWord, pointsName } from './words.js';

const LANE_PX = 24;
/** More lanes than this stand on several canvases. */
const LANES_MAX = 40;
const UNKNOWN_LENGTH_MM = 1500;
const NEAR_PX = 22;

const seconds = (ms) =>
  ms < 10_000 ? `${(ms / 1000).toFixed(1)} s` : `${Math.round(ms / 1000)} s`;

/** A moment with tenths of a second. */
export const exactly = (at) =>
  `${clock(at)}.${Math.floor((new Date(at).getTime() % 1000) / 100)}`;

/** A lane's points as stretches: `{ from, to, ...state }`; the last one ends at `end`. */
export const stretchesOf = (points, end) =>
  points.map((point, i) => ({ ...point, from: point.at, to: points[i + 1]?.at ?? end }));

const fromTo = ({ from, to }) => `${exactly(from)} to ${exactly(to)}, ${seconds(to - from)}`;

/** The ids of blocks in the order in which the strips show them, by line. */
function placesByLine() {
  const { strips } = stripsOf(known.layout);
  return strips.map(({ name, chains, fan, fans, tables }) => {
    const tiles = [
      ...chains.flatMap((chain) => [chain, ...(chain.fan?.rows ?? [])]),
      ...fan,
      ...fans.flatMap(({ rows }) => rows),
    ].flatMap((row) => row.tiles);
    const ids = tiles.filter(({ kind }) => kind === 'place').map(({ id }) => id);
    return [name, [...ids, ...tables.flatMap(({ own, bridge }) => [...own, bridge])]];
  });
}

/** One model for each line, or for each forty places of a long one. */
export function lanesOf() {
  return placesByLine()
    .filter(([, ids]) => ids.length)
    .flatMap(([name, ids]) => {
      const out = [];
      for (let i = 0; i < ids.length; i += LANES_MAX) {
        out.push(laneModel(i ? '' : name, name, ids.slice(i, i + LANES_MAX)));
      }
      return out;
    });
}

function laneModel(title, line, ids) {
  const lane = (data, id) => stretchesOf(data.blocks[id] ?? [], data.to);
  return {
    title,
    label: `${line}: what each of ${ids.length} places was over time`,
    height: ids.length * LANE_PX,
    names: ids.map((id, i) => [itemName(id), (i + 0.5) * LANE_PX]),
    rows: ids.length,
    draw(pen, data) {
      ids.forEach((id, i) => {
        const y = i * LANE_PX;
        pen.rule(y + LANE_PX - 0.5);
        for (const one of lane(data, id)) {
          pen.bar(one.from, one.to, y + 4, LANE_PX - 8, formOf(one));
        }
      });
      for (const alarm of data.alarms) {
        const i = ids.indexOf(alarm.subject);
        if (i >= 0) pen.mark(alarm.from, (i + 0.5) * LANE_PX, alarm.priority);
      }
    },
    at(time, y, data) {
      const id = ids[Math.floor(y / LANE_PX)];
      const found = id && lane(data, id).find(({ from, to }) => from <= time && time < to);
      if (!found)
        return id ? [`${itemName(id)}: nothing is known of ${exactly(time)}`, time] : null;
      return [
        `${itemName(id)}: ${placeWord(found)}, ${fromTo(found)}`,
        Math.max(found.from, data.from),
      ];
    },
    /** The next change of the row, for the keyboard. */
    next(time, y, forward, data) {
      const all = lane(data, ids[Math.floor(y / LANE_PX)]).map(({ from }) => from);
      return forward ? all.find((at) => at > time) : all.findLast((at) => at < time);
    },
  };
}

const formOf = ({ state, kept }) =>
  state === 'dark' || state === 'unknown'
    ? kept === 'occupied' || kept === 'lost'
      ? `${state}-kept`
      : state
    : state;

// ---- the train graph ---------------------------------------------------------------------------

/** A line as a length: where each of its places and points begins and ends, in millimetres. */
export function rulerOf(layout, line) {
  const strip = stripsOf(layout).strips.find(({ name }) => name === line);
  const at = new Map();
  let mm = 0;
  let circuit = false;
  for (const chain of strip?.chains ?? []) {
    circuit ||= chain.circuit;
    for (const tile of chain.tiles) {
      const long =
        tile.kind === 'place' ? (layout.blocks[tile.id].length_mm ?? UNKNOWN_LENGTH_MM) : 0;
      at.set(tile.id, { kind: tile.kind, from: mm, to: mm + long, left: tile.left });
      mm += long;
    }
  }
  return { at, length: mm || 1, circuit };
}

/**
 * The points of one train's graph, as pieces of line: it enters a place where that meets the place
 * before, and is anywhere in a place that it stands in: there its middle is drawn. On a circuit the
 * line breaks where the ruler ends.
 */
export function piecesOf(track, ruler, end) {
  const pieces = [];
  let piece = null;
  let last = null;
  const place = (id) => {
    const found = id && ruler.at.get(id);
    return found?.kind === 'place' ? found : null;
  };
  const break_ = () => {
    if (piece && last) piece.push({ at: piece.until, mm: (last.from + last.to) / 2 });
    piece = null;
    last = null;
  };
  for (const { at, event, blocks } of track) {
    const head = place(blocks?.at(-1));
    if (piece) piece.until = at;
    if (!head || event === 'gone' || event === 'lost') {
      break_();
      continue;
    }
    if (head === last) continue;
    if (!last) {
      piece = [{ at, mm: (head.from + head.to) / 2 }];
      pieces.push(piece);
    } else if (Math.abs(head.from - last.to) < 1) piece.push({ at, mm: head.from });
    else if (Math.abs(head.to - last.from) < 1) piece.push({ at, mm: head.to });
    else {
      // Round the circuit's end, or by a way that this line does not show.
      const down = last.to >= ruler.length - 1 && head.from < 1;
      const up = last.from < 1 && head.to >= ruler.length - 1;
      if (down || up) piece.push({ at, mm: down ? ruler.length : 0 });
      piece = [{ at, mm: down ? 0 : up ? ruler.length : (head.from + head.to) / 2 }];
      pieces.push(piece);
    }
    piece.until = at;
    last = head;
  }
  if (piece && last) {
    piece.until = end;
    break_();
  }
  return pieces;
}

/** Trains of a line: distance downwards, time to the right. */
export function graphOf(line) {
  const ruler = rulerOf(known.layout, line);
  const places = [...ruler.at].filter(([, { kind }]) => kind === 'place');
  const height = Math.max(260, Math.min(640, places.length * 44));
  const y = (mm) => (mm / ruler.length) * height;
  const points = [...ruler.at].filter(([, { kind }]) => kind === 'turnout');
  const marks = (data) =>
    data.alarms
      .map((alarm) => ({ alarm, y: placeOf(alarm, data) }))
      .filter((mark) => mark.y !== null);
  const placeOf = ({ subject, from }, data) => {
    const found = ruler.at.get(subject);
    if (found) return y((found.from + found.to) / 2);
    const track = data.trains[subject]?.track;
    const then = track?.findLast(({ at }) => at <= from);
    const head = ruler.at.get(then?.blocks?.at(-1));
    return head ? y((head.from + head.to) / 2) : null;
  };
  const diverging = (data, id) =>
    stretchesOf(data.turnouts[id] ?? [], data.to).filter(({ position }) => position !== 'normal');
  const graphs = (data) =>
    Object.entries(data.trains).map(([id, train], i) => ({
      name: train.name || `Train ${id.replace(/^t(?=\d)/, '')}`,
      style: i,
      pieces: piecesOf(train.track, ruler, data.to),
    }));
  return {
    title: '',
    label: `${line}: where each train was over time`,
    height,
    names: places.map(([id, { from, to }]) => [itemName(id), y((from + to) / 2)]),
    rows: places.length,
    draw(pen, data) {
      for (const [, { to }] of places) pen.rule(Math.round(y(to)) - 0.5);
      for (const [id, { from }] of points) {
        for (const one of diverging(data, id)) {
          pen.bar(
            one.from,
            one.to,
            y(from) - 4,
            8,
            one.position === 'reverse' ? 'points' : 'unknown',
          );
        }
      }
      for (const { name, style, pieces } of graphs(data)) pen.line(pieces, y, name, style);
      for (const { alarm, y: at } of marks(data)) pen.mark(alarm.from, at, alarm.priority);
    },
    at(time, at, data, msPx) {
      const near = marks(data)
        .map((mark) => [Math.hypot((mark.alarm.from - time) / msPx, mark.y - at), mark.alarm])
        .sort(([p], [q]) => p - q)[0];
      if (near && near[0] < NEAR_PX) {
        const { text, type, from, to } = near[1];
        const until = to === null ? 'and lasts' : `to ${exactly(to)}`;
        return [`${text || AHEAD[type] || type}: ${exactly(from)} ${until}`, from];
      }
      for (const [id, { from }] of points) {
        if (Math.abs(y(from) - at) > 8) continue;
        const one = diverging(data, id).find((s) => s.from <= time && time < s.to);
        if (one)
          return [`${pointsName(id)}: ${POSITION[one.position]}, ${fromTo(one)}`, one.from];
      }
      const found = passingNear(data, time, at);
      return found ?? [`${exactly(time)}: nothing here`, time];
    },
    next(time, _, forward, data) {
      const all = Object.values(data.trains)
        .flatMap(({ track }) => track.map(({ at }) => at))
        .sort((p, q) => p - q);
      return forward ? all.find((at) => at > time) : all.findLast((at) => at < time);
    },
  };

  /** The train that held the touched place, and from when to when. */
  function passingNear(data, time, at) {
    const mm = (at / height) * ruler.length;
    const [id] = places.find(([, { from, to }]) => from <= mm && mm < to) ?? [];
    if (!id) return null;
    for (const [train, { name, track }] of Object.entries(data.trains)) {
      const all = stretchesOf(track, data.to);
      const i = all.findIndex(({ from, to }) => from <= time && time < to);
      if (i < 0 || !all[i].blocks?.includes(id)) continue;
      let [first, last] = [i, i];
      while (all[first - 1]?.blocks?.includes(id)) first -= 1;
      while (all[last + 1]?.blocks?.includes(id)) last += 1;
      const who = name || `Train ${train.replace(/^t(?=\d)/, '')}`;
      const where = plan('blocks', id).name ?? id;
      return [
        `${who} in ${where}: ${fromTo({ from: all[first].from, to: all[last].to })}`,
        all[first].from,
      ];
    }
    return null;
  }
}
