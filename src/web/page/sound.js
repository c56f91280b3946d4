// Three sounds that cannot be taken for one another, made here and fetched from nowhere.
// ready: two rising bell strokes. now: a fast high-low call. fault: a low, rough, falling drone.
// Which alarm has which the state says (`tune`).
let ctx = null;
let playing = null;

export const awake = () => ctx?.state === "running";

let changed = () => {};
export const onChange = (then) => { changed = then; };

export async function wake() {
  if (!ctx) {
    ctx = new AudioContext();
    ctx.onstatechange = () => changed();
  }
  if (ctx.state !== "running") await ctx.resume().catch(() => {});
  return awake();
}

function tone(type, freq, at, length, loud, slideTo) {
  const osc = ctx.createOscillator();
  const gain = ctx.createGain();
  const start = ctx.currentTime + at;
  osc.type = type;
  osc.frequency.setValueAtTime(freq, start);
  if (slideTo) osc.frequency.exponentialRampToValueAtTime(slideTo, start + length);
  gain.gain.setValueAtTime(0.0001, start);
  gain.gain.exponentialRampToValueAtTime(loud, start + 0.015);
  gain.gain.exponentialRampToValueAtTime(0.0001, start + length);
  osc.connect(gain).connect(ctx.destination);
  osc.start(start);
  osc.stop(start + length + 0.02);
}

const SOUNDS = {
  ready: { every: 6, play() {
    for (const [f, at] of [[659, 0], [880, 0.45]]) {
      tone("sine", f, at, 1.4, 0.6);
      tone("sine", f * 2.76, at, 0.5, 0.15); // a bell's inharmonic partial
    }
  } },
  now: { every: 1.8, play() {
    for (let i = 0; i < 6; i += 1) tone("square", i % 2 ? 988 : 1480, i * 0.16, 0.15, 0.5);
  } },
  fault: { every: 4, play() {
    tone("sawtooth", 220, 0, 0.9, 0.5, 110);
    tone("sawtooth", 227, 0, 0.9, 0.5, 113);
    tone("sawtooth", 220, 1.0, 0.9, 0.5, 110);
  } },
};

export function play(name) {
  if (awake()) SOUNDS[name].play();
}

// Sounds until silenced; one sound at a time.
export function sounding(name) {
  if (playing?.name === name) return;
  clearInterval(playing?.timer);
  playing = null;
  if (!name) return;
  play(name);
  playing = { name, timer: setInterval(() => play(name), SOUNDS[name].every * 1000) };
}
