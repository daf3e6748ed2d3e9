// 'Start watching': tones, speech, vibration and a screen that stays on, behind one button.
//
// Inputs: the alarms of the snapshot and whether the page is live. Outputs: sound, and a list in
// words of what this device or a plain HTTP address refuses. Which sentence comes when is decided
// in announcer.js; browsers allow sound only after a touch, hence the button.

import { Announcer, RANKS, sentence } from './announcer.js';
import { known } from './store.js';
import { isUnseen, itemName, secondsLeft, trainName } from './words.js';

/** Some speech engines never say that they have finished: a sentence is over after this. */
const SENTENCE_MS_MAX = 9_000;
const TONES = { 1: [520], 2: [520, 660], 3: [880, 660, 880, 660] };
const BUZZ = { 2: [120, 80, 120], 3: [300, 100, 300, 100, 300] };
const TONE_MS = 170;

export const watch = { on: false, refused: [] };

let audio = null;
let lock = null;
let timer = null;
let announcer = null;
let isLive = true;

function tone(rank) {
  if (!audio) return 0;
  const at = audio.currentTime;
  TONES[rank].forEach((hertz, i) => {
    const from = at + (i * TONE_MS) / 1000;
    const source = new OscillatorNode(audio, { type: 'triangle', frequency: hertz });
    const level = new GainNode(audio, { gain: 0 });
    level.gain.setTargetAtTime(0.5, from, 0.01);
    level.gain.setTargetAtTime(0, from + TONE_MS / 1250, 0.02);
    source.connect(level).connect(audio.destination);
    source.start(from);
    source.stop(from + 0.4);
  });
  return TONES[rank].length * TONE_MS;
}

function speak(text, rank, done) {
  let over = false;
  const finish = () => {
    if (over) return;
    over = true;
    clearTimeout(deadline);
    done();
  };
  const deadline = setTimeout(finish, SENTENCE_MS_MAX);
  if (BUZZ[rank]) navigator.vibrate?.(BUZZ[rank]);
  clearTimeout(timer);
  const utter = () => {
    if (!globalThis.speechSynthesis) {
      finish();
      return;
    }
    const utterance = new SpeechSynthesisUtterance(text);
    utterance.lang = 'en';
    utterance.onend = finish;
    utterance.onerror = finish;
    speechSynthesis.speak(utterance);
  };
  // The test phrase has no tone before it: some phones speak later only what follows a sentence
  // that was spoken within the touch itself.
  if (rank === 0) utter();
  else timer = setTimeout(utter, tone(rank));
  document.dispatchEvent(new CustomEvent('spoken', { detail: text }));
}

function hush() {
  clearTimeout(timer);
  globalThis.speechSynthesis?.cancel();
}

/** The stream tells the daemon whether somebody hears this page. */
function tellListening() {
  document.dispatchEvent(new CustomEvent('listening', { detail: watch.on }));
}

async function keepAwake() {
  if (!navigator.wakeLock) return false;
  try {
    lock = await navigator.wakeLock.request('screen');
    return true;
  } catch {
    return false;
  }
}

/** Starts, on a touch; what is refused is then in `watch.refused`, in words. */
export async function startWatching() {
  watch.on = true;
  watch.refused = [];
  announcer = new Announcer({ speak, hush, now: () => performance.now() });
  announcer.trial();
  tellListening();
  try {
    audio = new AudioContext();
    await Promise.race([
      audio.resume(),
      new Promise((go) => {
        setTimeout(go, 800);
      }),
    ]);
    if (audio.state !== 'running') throw new Error('no sound');
  } catch {
    audio = null;
    watch.refused.push('This device plays no tones.');
  }
  if (!globalThis.speechSynthesis) watch.refused.push('This browser does not speak: tones only.');
  if (!navigator.vibrate) watch.refused.push('This device does not vibrate for a page.');
  if (!(await keepAwake())) {
    watch.refused.push(
      globalThis.isSecureContext
        ? 'This device may go to sleep: keep its screen on in its settings.'
        : 'Over plain HTTP the screen may not be kept on: set its time-out to never.',
    );
  }
  clearInterval(watch.tick);
  watch.tick = setInterval(() => announcer?.tick(), 500);
  updateWatch(isLive);
}

export function stopWatching() {
  watch.on = false;
  clearInterval(watch.tick);
  hush();
  announcer = null;
  tellListening();
  lock?.release();
  lock = null;
  audio?.close();
  audio = null;
}

/** The train that an alarm about points or track speaks of. */
function trainBoundFor(alarm) {
  const bound = Object.entries(known.trains).find(
    ([, train]) => train.ahead?.at === alarm.subject && train.ahead.what === alarm.type,
  );
  return bound ? trainName(bound[0]) : null;
}

export function sayAlarm(alarm) {
  const isTrain = Boolean(known.trains[alarm.subject]);
  return sentence({
    type: alarm.type,
    text: alarm.text,
    subject: { broker: 'Broker', journal: 'Journal' }[alarm.subject] ?? itemName(alarm.subject),
    seconds: secondsLeft(alarm)?.[0] ?? null,
    train: isTrain ? null : trainBoundFor(alarm),
  });
}

/** Tells the announcer what stands now. */
export function updateWatch(live) {
  isLive = live;
  if (!announcer) return;
  const alarms = Object.values(known.alarms)
    // What the daemon keeps quiet (said a moment ago, or a flood) is shown and not spoken.
    .filter((alarm) => alarm.active && isUnseen(alarm) && !alarm.quiet)
    .map((alarm) => ({
      id: alarm.id,
      rank: RANKS[alarm.priority] ?? 1,
      since: alarm.since,
      say: () => sayAlarm(known.alarms[alarm.id] ?? alarm),
    }));
  if (!live) {
    // What was known a while ago must not be spoken as if it were so; that it is old must be.
    announcer.update([
      {
        id: 'not-live',
        rank: RANKS.high,
        since: '',
        say: () => 'Page is not live, look before moving',
      },
    ]);
  } else announcer.update(alarms);
}

document.addEventListener('visibilitychange', () => {
  if (watch.on && document.visibilityState === 'visible') {
    keepAwake();
    audio?.resume();
  }
});
