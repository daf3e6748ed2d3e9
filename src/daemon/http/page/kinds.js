// Every type of alarm, as the daemon documents it: cause, consequence, what to do, how soon, and
// why it is as urgent as it is.
//
// Input: `/api/v1/alarm-kinds`, which is made from the daemon's own table. Output: a section for the
// Help view, which fills itself when the answer is there.

import { h } from './dom.js';

const entry = (kind) =>
  h(
    'details',
    { class: 'kind' },
    h('summary', null, `${kind.cause} (${kind.priority}${kind.latched ? ', until reset' : ''})`),
    h('p', null, kind.consequence),
    h('p', null, h('b', null, kind.do), ` Within ${kind.respond_within_s} s.`),
    h('p', null, `Why ${kind.priority}: ${kind.priority_reason}`),
  );

/** The section. */
export function everyAlarm() {
  const list = h('div', null, h('p', null, 'Asking the daemon.'));
  fetch('/api/v1/alarm-kinds')
    .then((answer) => answer.json())
    .then(({ kinds }) => list.replaceChildren(...kinds.map(entry)))
    .catch(() => list.replaceChildren(h('p', null, 'The daemon does not answer.')));
  return h('section', null, h('h2', null, 'Every alarm'), list);
}
