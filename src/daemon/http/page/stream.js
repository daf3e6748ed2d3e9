// The live stream from the daemon: reads `/events` and never gives up.
//
// Inputs: the bytes of a server-sent event stream (WHATWG HTML, section 9.2). Outputs: one call a
// message, one call for every sign of life, and whether the stream is live. The stream is read
// with `fetch` and not with `EventSource`, because that hides the comments which keep a quiet
// stream alive, and a page that cannot tell 'quiet' from 'dead' must not look live.

/** Without any byte for this long the stream is not live; the daemon writes every 5 s. */
export const SILENCE_MS = 12_000;
const FIRST_RETRY_MS = 500;
const LAST_RETRY_MS = 8_000;
/** A single message longer than this is not from our daemon. */
const LINE_CHARS_MAX = 16_000_000;

/** A parser of event stream text that may arrive in any pieces. */
export class EventParser {
  constructor(onMessage) {
    this.onMessage = onMessage;
    this.rest = '';
    this.started = false;
    this.lastId = '';
    this.reset();
  }

  reset() {
    this.data = [];
    this.event = '';
  }

  push(text) {
    if (!this.started && text) {
      this.started = true;
      text = text.replace(/^\uFEFF/, '');
    }
    this.rest += text;
    // A carriage return at the very end may be half of a line end: it waits for the next piece.
    const lines = this.rest.split(/\r\n|\n|\r(?!$)/);
    this.rest = lines.pop();
    if (this.rest.length > LINE_CHARS_MAX) throw new Error('the daemon sent an endless line');
    for (const line of lines) this.line(line);
  }

  line(line) {
    if (line === '') {
      if (this.data.length) {
        this.onMessage({
          event: this.event || 'message',
          data: this.data.join('\n'),
          id: this.lastId,
        });
      }
      this.reset();
      return;
    }
    const colon = line.indexOf(':');
    if (colon === 0) return;
    const field = colon < 0 ? line : line.slice(0, colon);
    const value = colon < 0 ? '' : line.slice(colon + 1).replace(/^ /, '');
    if (field === 'data') this.data.push(value);
    else if (field === 'event') this.event = value;
    else if (field === 'id' && !value.includes('\0')) this.lastId = value;
  }
}

/** The connection. `onMessage({event, data, id})`, `onLive(bool, since)`. */
export class Stream {
  constructor(url, { onMessage, onLive }) {
    Object.assign(this, { url, onMessage, onLive });
    this.live = null;
    this.heard = Date.now();
    this.lastId = '';
    this.retryMs = FIRST_RETRY_MS;
    this.problem = '';
    this.listening = false;
    setInterval(() => this.check(), 1_000);
    document.addEventListener('listening', ({ detail }) => this.listen(detail));
    addEventListener('online', () => this.again());
    document.addEventListener('visibilitychange', () => {
      if (document.visibilityState === 'visible') this.check();
    });
    this.open();
  }

  say(live) {
    if (this.live === live) return;
    this.live = live;
    this.onLive(live, this.heard);
  }

  check() {
    if (Date.now() - this.heard <= SILENCE_MS) return;
    this.problem = `nothing was heard for ${SILENCE_MS / 1000} seconds`;
    this.say(false);
    // A stream that has been silent for so long will not speak again.
    if (this.abort && Date.now() - this.opened > SILENCE_MS) this.again();
  }

  /** Somebody hears this page, or not any more: the daemon is told by a stream that says so. */
  listen(on) {
    if (this.listening === on) return;
    this.listening = on;
    this.again();
  }

  /** Tries at once. */
  again() {
    this.abort?.abort();
    clearTimeout(this.timer);
    this.open();
  }

  async open() {
    const abort = new AbortController();
    this.abort = abort;
    this.opened = Date.now();
    try {
      const headers = { Accept: 'text/event-stream' };
      if (this.lastId) headers['Last-Event-ID'] = this.lastId;
      const url = this.listening ? `${this.url}?listening=1` : this.url;
      const answer = await fetch(url, { headers, cache: 'no-store', signal: abort.signal });
      if (!answer.ok || !answer.body) throw new Error(`the daemon answered ${answer.status}`);
      // A stream that resumes where it was is silent until something changes.
      this.heard = Date.now();
      this.retryMs = FIRST_RETRY_MS;
      this.say(true);
      await this.read(answer.body.getReader(), abort.signal);
      throw new Error('the daemon closed the connection');
    } catch (error) {
      // A newer attempt has taken over.
      if (this.abort !== abort) return;
      this.abort = null;
      this.problem = error instanceof TypeError ? 'the daemon does not answer' : error.message;
      this.say(false);
      this.timer = setTimeout(() => this.open(), this.retryMs);
      this.retryMs = Math.min(LAST_RETRY_MS, this.retryMs * 2);
    }
  }

  async read(reader, signal) {
    const text = new TextDecoder();
    const parser = new EventParser((message) => {
      if (message.id) this.lastId = message.id;
      this.onMessage(message);
    });
    parser.lastId = this.lastId;
    for (;;) {
      const { value, done } = await reader.read();
      if (signal.aborted) throw new Error('given up');
      if (done) return;
      this.heard = Date.now();
      this.say(true);
      parser.push(text.decode(value, { stream: true }));
    }
  }
}
