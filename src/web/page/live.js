// The state, live. Says when it is cut off, and never counts on this device's wall clock.
const SILENCE_MS = 5000; // the computer speaks at least every second
const SLOW_RETRY_MS = 3000;

export class Live {
  constructor(onState, onLink, onRefused) {
    this.onState = onState;
    this.onLink = onLink;
    this.onRefused = onRefused;
    this.locked = false; // nothing is to be had before the PIN
    this.state = null;
    this.heardMono = -Infinity;
    this.heardWall = -Infinity;
    this.fresh = false; // heard since the screen woke
    this.open();
    setInterval(() => this.beat(), 500);
    for (const [target, name] of [[document, "visibilitychange"], [window, "online"], [window, "pageshow"]]) {
      target.addEventListener(name, () => this.wake());
    }
  }

  open() {
    this.source?.close();
    this.opened = performance.now();
    this.locked = false;
    const source = new EventSource("/api/v1/live");
    source.addEventListener("error", () => { if (source.readyState === EventSource.CLOSED) this.onRefused(); });
    this.source = source;
    source.addEventListener("state", (e) => {
      this.state = JSON.parse(e.data);
      this.heardMono = performance.now();
      this.heardWall = Date.now();
      this.fresh = true;
      this.onState(this.state);
      this.beat();
    });
  }

  // Seconds since the last word. A sleeping phone may stop either clock, and a person may set one:
  // the larger of the two never shows an old number as live.
  silence() {
    const ms = Math.max(performance.now() - this.heardMono, Date.now() - this.heardWall);
    return Number.isFinite(ms) ? Math.max(ms, 0) / 1000 : Infinity;
  }

  wake() {
    if (document.visibilityState !== "visible") { this.fresh = false; return; }
    if (this.silence() > 2 && !this.locked) { this.fresh = false; this.open(); }
    this.beat();
  }

  beat() {
    if (this.locked) return;
    const silent = this.silence() * 1000;
    const cut = silent > SILENCE_MS;
    if (cut && performance.now() - this.opened > SLOW_RETRY_MS) this.open();
    this.onLink({ cut, waking: !this.fresh && !cut, silent: silent / 1000 });
  }
}
