// The Help view: cautions first, then what every form means, then how to be warned.
//
// Input: nothing but the layout's name; output: static elements, drawn with the same functions as
// the live ones so that the legend cannot differ from what it explains.

import { h } from './dom.js';
import { everyAlarm } from './kinds.js';
import { pointsForm } from './tiles.js';
import { priorityForm } from './attention.js';
import { watch } from './watch.js';

const CAUTIONS = [
  'A hobby aid for indoor model layouts. Not a safety system, not for ' +
    'railways or rides that carry ' +
    'people, not for live steam or outdoor lines with people on or near the track.',
  'It watches and warns; it never throws a point or switches power.',
  'Wiring mains supplies, transformers and fuses is work for a qualified ' +
    'person under local codes; ' +
    'detectors belong on the low-voltage side only, with over-current ' +
    'protection on every district.',
  '\u2018Vacant\u2019 is only as good as the detectors: cars without ' +
    'resistor wheelsets are invisible ' +
    'to current sensing. Look before you move.',
];

const PLACES = [
  ['is-vacant', 'Vacant', 'proven empty'],
  ['is-occupied', 'Occupied', 'a vehicle is there'],
  ['is-dark kept-vacant', 'Was empty', 'power off: it was empty before'],
  ['is-dark kept-occupied', 'Dark, train kept', 'power off: a train stood there'],
  ['is-lost', 'Train lost', 'a train was here and was not seen to leave'],
  ['is-unknown', 'Unknown', 'nothing is proven: treat it as occupied'],
];

const POINTS = [
  ['normal', 'Set straight'],
  ['reverse', 'Set diverging'],
  ['unknown', 'Moving or unknown'],
];

const ALARMS = [
  ['high', 'Act now'],
  ['medium', 'Before the next train'],
  ['low', 'Soon'],
];

function legend() {
  return h(
    'section',
    null,
    h('h2', null, 'What the forms mean'),
    h(
      'ul',
      { class: 'legend' },
      PLACES.map(([cls, word, text]) =>
        h(
          'li',
          null,
          h(
            'span',
            { class: `tile place ${cls}`, 'aria-hidden': 'true' },
            h(
              'span',
              { class: 'lane' },
              cls === 'is-lost' ? h('b', { class: 'lost-mark' }, '?') : null,
            ),
          ),
          h('span', null, h('b', null, word), `: ${text}`),
        ),
      ),
      h(
        'li',
        null,
        h(
          'span',
          { class: 'legend-train', 'aria-hidden': 'true' },
          h(
            'span',
            { class: 'train to-right head tail' },
            h('span', { class: 'train-body' }, h('span', { class: 'train-name' }, 'Train')),
            h('span', { class: 'lamp' }),
          ),
        ),
        h(
          'span',
          null,
          h('b', null, 'A train'),
          ': the point is its head, the lamp its tail. It spans ' +
            'every place that it holds. A question mark: it could be another one.',
        ),
      ),
      POINTS.map(([position, word]) =>
        h(
          'li',
          null,
          h(
            'span',
            { class: `tile points at-${position} is-free`, 'aria-hidden': 'true' },
            pointsForm(position),
          ),
          h('span', null, h('b', null, word)),
        ),
      ),
      ALARMS.map(([priority, word]) =>
        h(
          'li',
          null,
          h('span', { class: `legend-form alarm-row loud ${priority}` }, priorityForm(priority)),
          h('span', null, h('b', null, word)),
        ),
      ),
    ),
  );
}

const para = (title, ...texts) =>
  h(
    'section',
    null,
    h('h2', null, title),
    texts.map((text) => h('p', null, text)),
  );

export const help = {
  mount(root) {
    root.replaceChildren(
      h(
        'div',
        { class: 'help' },
        h(
          'section',
          null,
          h('h2', null, 'Cautions'),
          h(
            'ul',
            null,
            CAUTIONS.map((text) => h('li', null, text)),
          ),
        ),
        legend(),
        para(
          'Being warned',
          'Touch \u2018Start watching\u2019 and leave the page open: warnings are ' +
            'then spoken, the most urgent first, each in one short sentence. A ' +
            'high one that nobody ' +
            'acknowledges is said once more after ten seconds. What is over is not spoken.',
          watch.on && watch.refused.length
            ? watch.refused.join(' ')
            : 'If this device refuses sound or goes to sleep, that is said here once ' +
                'you have started.',
        ),
        para(
          'Acknowledge, shelve, reset',
          'Acknowledge says \u2018seen\u2019; the alarm stays until ' +
            'its cause is gone. Shelve puts one aside for some minutes. Reset ends ' +
            'an alarm that stays ' +
            'on purpose: points that moved under a train, and a train that has parted.',
        ),
        everyAlarm(),
        para(
          'Not live',
          'When nothing was heard from the daemon for twelve seconds the page fades and ' +
            'says since when. What it shows then is old: look at the track. It ' +
            'comes back by itself.',
        ),
        para(
          'Addresses',
          'Every item has an address of its own that can be kept: #train/t1, ' +
            '#turnout/ID, #block/ID, #feed/ID, #detector/ID, #table/ID, #alarm/ID.',
        ),
      ),
    );
  },
  paint() {},
};
