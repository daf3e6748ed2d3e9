// The attention line: answers 'is everything all right?' in one second.
//
// Inputs: alarms, broker, places and whether the page is live. Output: one card in plain words
// with the next thing to do, and below it every further alarm as a row of its own. 'All is well'
// is said only where nothing is unacknowledged, nothing is lost and every running place is known.

import { h, s } from './dom.js';
import { known, plan } from './store.js';
import {
  ALARM_STATE,
  PRIORITY,
  age,
  count,
  isUnseen,
  itemName,
  kindOf,
  left,
  rankedAlarms,
} from './words.js';

const ROWS_SHOWN = 2;
const ROWS_MAX = 100;

/** A priority's form: a triangle, a square on its corner, a ring. */
export function priorityForm(priority) {
  const shape = { high: 'M24 5L45 42H3Z', medium: 'M24 3L45 24L24 45L3 24Z' }[priority];
  return s(
    'svg',
    { class: 'form', viewBox: '0 0 48 48', 'aria-hidden': 'true' },
    shape ? s('path', { d: shape }) : s('circle', { cx: 24, cy: 24, r: 18 }),
    priority === 'low'
      ? null
      : s('path', {
          class: 'form-mark',
          d: priority === 'high' ? 'M24 18V30M24 35V37' : 'M24 14V27M24 32V34',
        }),
  );
}

const sentenceEnd = (text) => (/[.!?]$/.test(text) ? text : `${text}.`);

/** Since when, or the seconds that remain: refreshed every second. */
export function alarmTime(alarm) {
  const remaining = alarm.active ? left(alarm) : '';
  return remaining || `for ${age(alarm.since)}`;
}

function mainAct(alarm) {
  const name = alarm.text;
  if (isUnseen(alarm)) {
    return h(
      'button',
      {
        type: 'button',
        class: 'main',
        'data-act': 'acknowledge',
        'data-id': alarm.id,
        'aria-label': `Acknowledge: ${name}`,
      },
      'Acknowledge',
    );
  }
  if (/^latched/.test(alarm.state)) {
    return h(
      'button',
      {
        type: 'button',
        class: 'main',
        'data-act': 'reset',
        'data-id': alarm.id,
        'aria-label': `Reset: ${name}`,
      },
      'Reset',
    );
  }
  return null;
}

function note(alarm) {
  const word = ALARM_STATE[alarm.state];
  const by = alarm.by && !isUnseen(alarm) ? ` by ${alarm.by}` : '';
  return word ? `${word}${by}` : PRIORITY[alarm.priority];
}

function alarmCard(alarm) {
  const loud = isUnseen(alarm) && alarm.active;
  return h(
    'section',
    { class: `card ${loud ? 'loud' : 'calm'} ${alarm.priority}`, 'aria-label': 'Attention' },
    h(
      'div',
      { class: 'card-head' },
      priorityForm(alarm.priority),
      h('span', null, note(alarm)),
      h('span', { class: 'card-time', 'data-time': alarm.id }, alarmTime(alarm)),
    ),
    h(
      'p',
      { class: 'card-text' },
      h('a', { href: `#alarm/${alarm.id}` }, sentenceEnd(alarm.text)),
    ),
    alarm.active
      ? h('p', { class: 'card-do' }, sentenceEnd(alarm.do ?? 'Look before you move'))
      : null,
    h('div', { class: 'acts' }, mainAct(alarm), showAct(alarm)),
  );
}

/** A link to the item that the alarm is about. */
function showAct(alarm) {
  const kind = kindOf(alarm.subject);
  return kind
    ? h(
        'a',
        {
          class: 'button',
          href: `#${kind}/${alarm.subject}`,
          'aria-label': `Show ${itemName(alarm.subject)}`,
        },
        'Show',
      )
    : null;
}

function quietCard(form, big, small, calm = true) {
  return h(
    'section',
    { class: calm ? 'card well' : 'card calm medium', 'aria-label': 'Attention' },
    h('div', { class: 'card-head' }, form, h('span', null, small)),
    h('p', { class: 'card-text' }, big),
  );
}

const ring = () =>
  s(
    'svg',
    { class: 'form ring-form', viewBox: '0 0 48 48', 'aria-hidden': 'true' },
    s('circle', { cx: 24, cy: 24, r: 18 }),
    s('circle', { class: 'core', cx: 24, cy: 24, r: 6 }),
  );

/** The places that trains run on and about which nothing is proven. */
function unproven() {
  return Object.entries(known.blocks)
    .filter(
      ([id, item]) =>
        (item.state === 'unknown' || item.state === 'lost') &&
        (plan('blocks', id).use ?? 'running') === 'running',
    )
    .map(([id]) => id);
}

/** What the card says, and the rest of the alarms below it. */
export function attention() {
  const { live, aside } = rankedAlarms();
  const [first, ...rest] = live;
  if (first) {
    const more = rest.slice(ROWS_SHOWN, ROWS_MAX);
    return [
      alarmCard(first),
      rest.length
        ? h('ol', { class: 'more-alarms' }, rest.slice(0, ROWS_SHOWN).map(alarmRow))
        : null,
      more.length
        ? h(
            'details',
            { class: 'aside-alarms' },
            h('summary', null, `${rest.length - ROWS_SHOWN} more`),
            h('ol', { class: 'more-alarms' }, more.map(alarmRow)),
          )
        : null,
      asideLine(aside),
    ];
  }
  return [calmCard(), asideLine(aside)];
}

function calmCard() {
  const trains = count(Object.keys(known.trains).length, 'train');
  if (known.broker !== 'connected') {
    return quietCard(priorityForm('high'), 'No broker: nothing shown is live.', 'Waiting', false);
  }
  if (known.waiting) {
    const { heard, of } = known.waiting;
    return quietCard(
      priorityForm('low'),
      `Waiting for ${of - heard} of ${count(of, 'node')}.`,
      'Just started',
      false,
    );
  }
  const open = unproven();
  if (open.length) {
    const names = open.slice(0, 3).map(itemName).join(', ');
    return quietCard(
      priorityForm('low'),
      `No alarm, but ${count(open.length, 'running place is', 'running places are')} unknown.`,
      `${names}${open.length > 3 ? ' and more' : ''}`,
      false,
    );
  }
  return quietCard(
    ring(),
    known.past ? 'All was well.' : 'All is well.',
    `${trains}, ${count(Object.keys(known.blocks).length, 'place')} watched`,
  );
}

function alarmRow(alarm) {
  const loud = isUnseen(alarm) && alarm.active;
  return h(
    'li',
    { class: `alarm-row ${loud ? 'loud' : 'calm'} ${alarm.priority}` },
    priorityForm(alarm.priority),
    h(
      'a',
      { class: 'alarm-text', href: `#alarm/${alarm.id}` },
      sentenceEnd(alarm.text),
      h(
        'small',
        null,
        note(alarm),
        ' · ',
        h('span', { 'data-time': alarm.id }, alarmTime(alarm)),
      ),
    ),
    mainAct(alarm),
  );
}

const asideLine = (aside) =>
  aside.length
    ? h(
        'details',
        { class: 'aside-alarms' },
        h('summary', null, `${count(aside.length, 'alarm')} put aside`),
        h(
          'ol',
          { class: 'more-alarms' },
          aside
            .slice(0, ROWS_MAX)
            .map((alarm) =>
              h(
                'li',
                { class: `alarm-row calm ${alarm.priority}` },
                priorityForm(alarm.priority),
                h(
                  'a',
                  { class: 'alarm-text', href: `#alarm/${alarm.id}` },
                  sentenceEnd(alarm.text),
                  h('small', null, note(alarm)),
                ),
              ),
            ),
        ),
      )
    : null;
