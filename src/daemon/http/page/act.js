// What the operator says to the daemon: one POST an act, the PIN where it asks for one.
//
// Inputs: a verb, an item, a body. Outputs: a sentence in the status line, whether it worked or
// not. The daemon alone decides whether an act can be carried out; the page changes nothing by
// itself and waits for the change to arrive on the live stream. Keeps the operator's name on this
// device only.

import { h } from './dom.js';

const ANSWER_MS_MAX = 8_000;

const byId = (id) => document.getElementById(id);
let statusTimer = null;

/** Says something in the status line for a while. */
export function say(text, bad = false) {
  const status = byId('status');
  status.textContent = text;
  status.classList.toggle('bad', bad);
  status.classList.add('shown');
  clearTimeout(statusTimer);
  statusTimer = setTimeout(() => status.classList.remove('shown'), bad ? 9_000 : 4_000);
}

/** The operator's name, as kept on this device. */
export const who = {
  get name() {
    try {
      return localStorage.getItem('who') ?? '';
    } catch {
      return '';
    }
  },
  set name(value) {
    try {
      localStorage.setItem('who', value);
    } catch {
      // A device that keeps nothing is asked again next time.
    }
  },
};

async function post(path, body) {
  const answer = await fetch(path, {
    method: 'POST',
    headers: { 'Content-Type': 'application/json' },
    body: JSON.stringify(body),
    signal: AbortSignal.timeout(ANSWER_MS_MAX),
  });
  if (answer.ok) return { ok: true };
  let problem = {};
  try {
    problem = await answer.json();
  } catch {
    // An answer without a body still has its number.
  }
  return {
    ok: false,
    status: answer.status,
    text: problem.detail || problem.title || `the daemon answered ${answer.status}`,
  };
}

/** Carries out one act. `done` is what to say when it worked. Answers whether it did. */
export async function act(path, body, done) {
  try {
    const full = who.name ? { who: who.name, ...body } : body;
    let result = await post(path, full);
    if (result.status === 401) {
      if (!(await askPin())) {
        say('Nothing was sent: the PIN is needed for that.', true);
        return false;
      }
      result = await post(path, full);
    }
    say(result.ok ? done : `Not done: ${result.text}`, !result.ok);
    return result.ok;
  } catch (error) {
    say(
      error.name === 'TimeoutError'
        ? 'Not done: the daemon did not answer in time.'
        : 'Not done: the daemon cannot be reached.',
      true,
    );
    return false;
  }
}

/**
 * Asks for some fields in a dialog. Answers their values, or null where it was closed.
 * `check(values)` may answer a sentence that says what is wrong.
 */
export function ask(title, text, fields, go, check) {
  const dialog = byId('ask');
  const problem = h('p', { class: 'problem', role: 'alert' });
  const inputs = fields.map(({ name, label, ...rest }) =>
    h(
      'label',
      null,
      label,
      rest.options
        ? h(
            'select',
            { name },
            rest.options.map(([value, word]) =>
              h('option', { value, selected: value === rest.value }, word),
            ),
          )
        : h('input', { name, autocomplete: 'off', ...rest }),
    ),
  );
  const form = h(
    'form',
    { method: 'dialog' },
    h('h2', { id: 'ask-title' }, title),
    text ? h('p', null, text) : null,
    inputs,
    problem,
    h(
      'div',
      { class: 'acts' },
      h('button', { class: 'main', value: 'go' }, go),
      h('button', { value: 'no', formnovalidate: true }, 'Cancel'),
    ),
  );
  dialog.replaceChildren(form);
  return new Promise((resolve) => {
    let values = null;
    form.addEventListener('submit', async (event) => {
      event.preventDefault();
      if (event.submitter?.value !== 'go') {
        dialog.close();
        return;
      }
      const given = Object.fromEntries(new FormData(form));
      const wrong = await check?.(given);
      if (wrong) {
        problem.textContent = wrong;
        return;
      }
      values = given;
      dialog.close();
    });
    dialog.addEventListener('close', () => resolve(values), { once: true });
    dialog.showModal();
  });
}

async function askPin() {
  const given = await ask(
    'PIN',
    'This layout asks for its PIN before it takes your word.',
    [
      {
        name: 'pin',
        label: 'PIN',
        type: 'password',
        inputmode: 'numeric',
        required: true,
        maxlength: 64,
      },
    ],
    'Go on',
    async ({ pin }) => {
      const result = await post('/api/v1/session', { pin });
      return result.ok ? null : `Not taken: ${result.text}`;
    },
  );
  return given !== null;
}
