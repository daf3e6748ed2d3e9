// The service worker: keeps the page's own files, so that it opens while the daemon is away.
//
// Inputs: requests for the page's files. Outputs: the daemon's answer, or the kept one when there
// is none. What is asked of the API or the stream never goes through here: old news must not look
// new. It works where a browser allows it: over TLS, or on the daemon's own computer.

const KEPT = 'page';

self.addEventListener('install', () => self.skipWaiting());
self.addEventListener('activate', (event) => event.waitUntil(self.clients.claim()));

const isFile = ({ pathname }) =>
  pathname === '/' || /^\/[a-z-]+\.(js|css|svg|webmanifest)$/.test(pathname);

async function answer(request) {
  const kept = await caches.open(KEPT);
  try {
    const fresh = await fetch(request);
    if (fresh.ok) await kept.put(request, fresh.clone());
    return fresh;
  } catch (error) {
    const old = await kept.match(request);
    if (old) return old;
    throw error;
  }
}

self.addEventListener('fetch', (event) => {
  const url = new URL(event.request.url);
  if (event.request.method === 'GET' && url.origin === self.location.origin && isFile(url)) {
    event.respondWith(answer(event.request));
  }
});
