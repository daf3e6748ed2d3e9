// The beginning: what stands in the document is painted first, then the modules run. They are fetched
// meanwhile, and come after the style sheet (`fetchpriority`).
//
// A page that nobody looks at paints nothing; it begins all the same, a moment later.

const HIDDEN_MS = 1_000;

let begun = false;

function begin() {
  if (begun) return;
  begun = true;
  import('./app.js');
}

requestAnimationFrame(() => setTimeout(begin));
setTimeout(begin, HIDDEN_MS);
