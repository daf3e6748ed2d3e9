// Small helpers for building and refreshing the document.
//
// `h` and `s` build elements; `morph` makes an element that is shown equal to a fresh one without
// replacing it, so that focus, scroll and screen reader position survive a refresh; `syncList`
// keeps a list of keyed rows in order and refreshes only the rows that changed. Knows nothing of
// layouts. Styles are set through the object model alone: the page is served with a content
// security policy that refuses style attributes in markup.

const SVG = 'http://www.w3.org/2000/svg';

function fill(el, props, children) {
  for (const [key, value] of Object.entries(props ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (key === 'style')
      for (const [k, v] of Object.entries(value)) el.style.setProperty(k, v ?? '');
    else el.setAttribute(key, value === true ? '' : value);
  }
  for (const child of children.flat(3)) {
    if (child === null || child === undefined || child === false || child === '') continue;
    el.append(child);
  }
  return el;
}

/** An HTML element: `h('a', { href }, 'text', child)`. Empty children are left out. */
export const h = (tag, props, ...children) => fill(document.createElement(tag), props, children);

/** An SVG element. */
export const s = (tag, props, ...children) =>
  fill(document.createElementNS(SVG, tag), props, children);

const keyOf = (node) => node.getAttribute?.('data-key');

/** Makes `from` equal to `to`, keeping `from` in the document; answers what is there now. */
export function morph(from, to) {
  if (from.nodeName !== to.nodeName || keyOf(from) !== keyOf(to)) {
    from.replaceWith(to);
    return to;
  }
  if (from.nodeType === Node.TEXT_NODE) {
    if (from.data !== to.data) from.data = to.data;
    return from;
  }
  for (const { name, value } of [...to.attributes]) {
    if (name === 'style') {
      if (from.getAttribute(name) !== value) from.style.cssText = value;
    } else if (from.getAttribute(name) !== value) from.setAttribute(name, value);
  }
  for (const { name } of [...from.attributes]) {
    // Whether details are unfolded is the reader's, not ours.
    if (!to.hasAttribute(name) && name !== 'open') from.removeAttribute(name);
  }
  const old = [...from.childNodes];
  const fresh = [...to.childNodes];
  fresh.forEach((node, i) => (old[i] ? morph(old[i], node) : from.append(node)));
  for (const node of old.slice(fresh.length)) node.remove();
  return from;
}

/** Replaces what an element contains by `children`, in place. */
export function morphInto(el, ...children) {
  const shell = el.cloneNode(false);
  for (const child of children.flat(2)) if (child) shell.append(child);
  morph(el, shell);
}

/** What may be built at a stretch; the rest waits for the next turn. */
export const TURN_MS = 8;

/** When what was changed is on the screen; a page that nobody sees is given no frames. */
export function afterFrame(run) {
  if (document.hidden) setTimeout(run);
  else requestAnimationFrame(() => setTimeout(run));
}

/**
 * Keeps one child of `el` per key, in the order of `keys`. A row is built when it is new or when
 * `changed(key)` says so. Answers the keys whose rows were not built because a turn was over.
 */
export function syncList(el, keys, changed, build) {
  const until = performance.now() + TURN_MS;
  const left = new Set();
  const rows = new Map([...el.children].map((row) => [row.dataset.key, row]));
  const wanted = new Set(keys);
  for (const [key, row] of rows) if (!wanted.has(key)) row.remove();
  let at = el.firstElementChild;
  for (const key of keys) {
    let row = rows.get(key);
    if ((!row || changed(key)) && performance.now() > until) {
      left.add(key);
      if (!row) continue;
    } else if (!row || changed(key)) {
      const fresh = build(key);
      fresh.dataset.key = key;
      row = row ? morph(row, fresh) : fresh;
    }
    if (row === at) at = at.nextElementSibling;
    else el.insertBefore(row, at);
  }
  return left;
}
