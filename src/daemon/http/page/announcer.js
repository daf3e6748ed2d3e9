// Which warning is spoken when.
//
// Inputs: the alarms that stand, and the time. Outputs: calls of `speak(sentence, rank, done)`
// and `hush()`. Rules: the highest first; never two at once; a higher one interrupts; one repeat
// after ten seconds while it is high and unacknowledged; silence for what is over or
// acknowledged. Does not know how sound is made; runs on any clock.

/** A spoken sentence has at most this many words. */
export const WORDS_MAX = 8;
const REPEAT_MS = 10_000;
/** The test phrase: below every warning, and nothing but a warning ends it. */
const TRIAL = { id: 'trial', rank: 0, say: () => 'Watching. Warnings will sound like this' };

export const RANKS = { low: 1, medium: 2, high: 3 };

const words = (text) => text.split(/\s+/).filter(Boolean).length;

/** The first of several wordings that is short enough; else the shortest, cut. */
export function shortEnough(...wordings) {
  const fit = wordings.filter(Boolean).find((text) => words(text) <= WORDS_MAX);
  return fit ?? wordings.filter(Boolean).at(-1).split(/\s+/).slice(0, WORDS_MAX).join(' ');
}

/** Seconds for speech: rounded down to five above ten; what is near is said exactly. */
export function spokenSeconds(sec) {
  const whole = Math.max(0, Math.floor(sec));
  return whole > 10 ? Math.floor(whole / 5) * 5 : whole;
}

const SAY = {
  'left-diverging': 'left diverging',
  'bound-for-diverging': 'left diverging',
  'set-against': 'set against a train',
  'moved-under-train': 'moved under a train',
  'crossover-split': 'ends do not agree',
  'no-correspondence': 'not where asked',
  'set-no-train': 'diverging, no train came',
  'occupied-ahead': 'track ahead occupied',
  opposing: 'train coming towards it',
  'fouled-ahead': 'fouled track ahead',
  'no-road': 'no road',
  'dark-ahead': 'dark track ahead',
  'will-not-fit': 'too long for its track',
  'train-lost': 'train lost',
  'train-parted': 'has parted',
  unannounced: 'unknown train',
  'power-lost': 'power lost',
  'power-where-off': 'current where power is off',
  short: 'short circuit',
  'feed-left-on': 'left on',
  'not-at-rest': 'not set back',
  'detector-fault': 'cannot be believed',
  'broker-lost': 'lost, nothing is live',
  'journal-behind': 'falls behind, note where trains stand',
};

/** One sentence, its subject first: 'Points 7 left diverging, express in 12 seconds'. */
export function sentence({ type, subject, seconds, train, text }) {
  const clause = SAY[type];
  if (!clause) return shortEnough(text ?? `${subject} needs a look`);
  const base = `${subject} ${clause}`;
  if (seconds === null || seconds === undefined) return shortEnough(base, text);
  const sec = spokenSeconds(seconds);
  const time = sec === 0 ? 'now' : `in ${sec} ${sec === 1 ? 'second' : 'seconds'}`;
  return shortEnough(train ? `${base}, ${train} ${time}` : null, `${base}, ${time}`, base);
}

export class Announcer {
  constructor({ speak, hush, now }) {
    Object.assign(this, { speak, hush, now });
    this.speaking = null;
    this.said = new Map();
    this.standing = new Map();
    this.turn = 0;
  }

  /** `alarms`: `{ id, rank, since, say }`, those active and unacknowledged only. */
  update(alarms) {
    this.standing = new Map(alarms.map((alarm) => [alarm.id, alarm]));
    for (const id of this.said.keys()) if (!this.standing.has(id)) this.said.delete(id);
    const { speaking } = this;
    if (speaking && speaking.id !== TRIAL.id && !this.standing.has(speaking.id)) this.stop();
    this.tick();
  }

  /** Speaks the test phrase; to be called on a touch, which lets a browser speak at all. */
  trial() {
    if (!this.speaking) this.start(TRIAL);
  }

  /** To be called now and then, for repeats. */
  tick() {
    const due = [...this.standing.values()]
      .filter((alarm) => this.isDue(alarm))
      .sort((x, y) => y.rank - x.rank || (x.since < y.since ? -1 : 1));
    const [next] = due;
    if (!next) return;
    if (this.speaking) {
      if (next.rank <= this.speaking.rank) return;
      this.stop();
    }
    this.start(next);
  }

  isDue(alarm) {
    if (this.speaking?.id === alarm.id && this.speaking.rank >= alarm.rank) return false;
    const said = this.said.get(alarm.id);
    if (!said || said.rank < alarm.rank) return true;
    return alarm.rank === RANKS.high && said.times < 2 && this.now() - said.at >= REPEAT_MS;
  }

  start(alarm) {
    this.turn += 1;
    const { turn } = this;
    this.speaking = { id: alarm.id, rank: alarm.rank };
    this.speak(alarm.say(), alarm.rank, () => {
      // A sentence that was cut short is not said.
      if (turn !== this.turn || !this.speaking) return;
      if (alarm.id === TRIAL.id) {
        this.speaking = null;
        this.tick();
        return;
      }
      const before = this.said.get(alarm.id);
      const times = before && before.rank >= alarm.rank ? before.times + 1 : 1;
      this.said.set(alarm.id, { times, at: this.now(), rank: alarm.rank });
      this.speaking = null;
      this.tick();
    });
  }

  stop() {
    this.speaking = null;
    this.turn += 1;
    this.hush();
  }
}
