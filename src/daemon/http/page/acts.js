// What each button of an item says to the daemon, and what it asks the operator first.
//
// Inputs: the item's id and the button's data. Outputs: one act, carried out in act.js.

import { act, ask, who } from './act.js';
import { known } from './store.js';
import { itemName, trainName } from './words.js';

const askWho = () => ({
  name: 'who',
  label: 'Your name (kept on this device)',
  value: who.name,
  maxlength: 60,
});
const minutes = (value) => ({
  name: 'minutes',
  label: 'For how long',
  value,
  options: [
    ['5', '5 minutes'],
    ['15', '15 minutes'],
    ['60', '1 hour'],
    ['240', '4 hours'],
  ],
});
const reason = { name: 'why', label: 'Why (may stay empty)', maxlength: 200 };

async function sayWith(path, title, text, fields, done, extra = {}) {
  const given = await ask(title, text, [...fields, askWho()], 'Say so');
  if (!given) return;
  who.name = given.who.trim();
  const body = { ...extra };
  for (const [key, value] of Object.entries(given)) {
    if (value.trim()) body[key] = key === 'minutes' ? Number(value) : value.trim();
  }
  await act(path, body, done);
}

export const ACTS = {
  acknowledge: (id) => act(`/api/v1/alarms/${id}/acknowledge`, {}, 'Acknowledged.'),
  reset: (id) => act(`/api/v1/alarms/${id}/reset`, {}, 'Reset.'),
  unshelve: (id) => act(`/api/v1/alarms/${id}/unshelve`, {}, 'Shelving ended.'),
  shelve: (id) =>
    sayWith(
      `/api/v1/alarms/${id}/shelve`,
      'Shelve',
      known.alarms[id]?.text,
      [minutes('15'), reason],
      'Shelved.',
    ),
  name: (id) =>
    sayWith(
      `/api/v1/trains/${id}/name`,
      `Name ${trainName(id)}`,
      '',
      [
        {
          name: 'name',
          label: 'Name',
          value: known.trains[id]?.name ?? '',
          required: true,
          maxlength: 60,
        },
      ],
      'Named.',
    ),
  divide: (id) => {
    const held = known.trains[id]?.blocks ?? [];
    return sayWith(
      `/api/v1/trains/${id}/divide`,
      `Divide ${trainName(id)}`,
      'What stays where it is becomes a train of its own.',
      [
        {
          name: 'block',
          label: 'What stays, stands in',
          value: held[0],
          options: held.map((block) => [block, itemName(block)]),
        },
        { name: 'name', label: 'Its name (may stay empty)', maxlength: 60 },
      ],
      'Divided.',
    );
  },
  'stands-here': (id) =>
    sayWith(
      `/api/v1/blocks/${id}/stands-here`,
      'A train stands here',
      `${itemName(id)}: you have looked, and a train stands there.`,
      [{ name: 'name', label: 'Which train (may stay empty)', maxlength: 60 }],
      'Taken down.',
    ),
  empty: (id) =>
    sayWith(
      `/api/v1/blocks/${id}/empty`,
      'It is empty',
      `${itemName(id)}: you have looked, and nothing stands there.`,
      [],
      'Taken down.',
    ),
  'removed-by-hand': (id) =>
    sayWith(
      `/api/v1/blocks/${id}/removed-by-hand`,
      'Lifted off by hand',
      `${itemName(id)}: what stood there was lifted off.`,
      [],
      'Taken down.',
    ),
  seen: (id, { position }) =>
    sayWith(
      `/api/v1/turnouts/${id}/seen`,
      'You have looked',
      `${itemName(id)} set ${position === 'normal' ? 'straight' : 'diverging'}.`,
      [],
      'Taken down.',
      { position },
    ),
  'in-charge': (id, data) =>
    data.minutes === '0'
      ? act(`/api/v1/turnouts/${id}/in-charge`, { minutes: 0 }, 'Given back.')
      : sayWith(
          `/api/v1/turnouts/${id}/in-charge`,
          'In charge',
          `You answer for ${itemName(id)}: no warning that they are left diverging meanwhile.`,
          [minutes('15'), reason],
          'You are in charge.',
        ),
  'out-of-service': (id) =>
    sayWith(
      `/api/v1/detectors/${id}/out-of-service`,
      'Out of service',
      `${itemName(id)} is not believed until it is put back in service.`,
      [reason],
      'Out of service.',
    ),
  'in-service': (id) => act(`/api/v1/detectors/${id}/in-service`, {}, 'Back in service.'),
};
