// One kettle's sheet. Built once, then only its words change, so that nothing jumps under a thumb.
import { h, icon, text, flag, ask, enc, who, confirm, notice } from "./dom.js";
import { t, has, code, colon, number, clock, sentence } from "./words.js";

const MARKS = ["rennet", "floc", "cut", "heat-on", "heat-off", "wash", "culture", "lift", "acid", "ph", "target", "note"];
const HOLD_S = 6;
const CURVE_MS = 5000;

// The two marks that come next, by stage: always in the same place.
const NEXT = {
  idle: ["heat-on", "culture"], warming: ["culture", "rennet", "heat-off"], ripening: ["culture", "rennet", "ph"], setting: ["floc", "cut", "note"],
  cutting: ["heat-on", "wash"], cooking: ["heat-off", "wash"], stirring: ["heat-off", "lift", "ph"], settling: ["lift", "note"],
  drawing: ["lift", "note", "ph"], "whey-heating": ["acid", "heat-off", "note"], "whey-resting": ["lift", "note"],
};

const CALLED = ["heat-off", "rennet", "culture"]; // in the warming, once its call stands
const RENNETED = ["heat-off", "floc", "cut"]; // and before the milk stands

// What comes next: what was done gives its place to what was not. A fire is off until it is heated again.
const HEATED = ["warming", "cooking", "whey-heating"];
function next(k, among) {
  const made = k.marks.filter((m) => m.held_s === undefined);
  const fire = lastFire(k);
  const isDone = (name) => (name.startsWith("heat-") ? name === fire : ["culture", "rennet", "floc", "cut", "lift", "acid"].includes(name) && made.some((m) => m.name === name));
  return [...among.filter((m) => !isDone(m)), ...among.filter(isDone)].slice(0, 2);
}

function lastFire(k) {
  const heated = k.stages.filter((s) => HEATED.includes(s.stage)).at(-1)?.began ?? "";
  return k.marks.filter((m) => m.held_s === undefined && m.name.startsWith("heat-") && m.time >= heated).at(-1)?.name;
}
export const fireIsOff = (k) => lastFire(k) === "heat-off";

export class Sheet {
  constructor(kettle) {
    this.kettle = kettle;
    this.base = `/kettles/${enc(kettle)}`;
    const p = (key) => h("span", { class: "print" }, t(key));
    this.cheese = h("b"); this.lot = h("b"); this.age = h("span", { class: "age" });
    this.digits = h("span"); this.big = h("div", { class: "big" }, this.digits, h("sup", {}, "°C")); this.hushed = h("p", { class: "hushed" });
    this.moveLabel = h("span", { class: "print" }); this.move = h("div", { class: "mid" }); this.why = h("div", { class: "why" });
    this.goalLabel = h("span", { class: "print" }); this.goal = h("div", { class: "mid" });
    this.goalBox = h("div", { class: "goal" }, this.goalLabel, this.goal);
    this.stage = h("b"); this.stageFor = h("span");
    this.now = h("div", { class: "now" },
      h("div", { class: "number" }, h("div", { class: "line" }, p("temperature"), this.age), this.big, this.hushed),
      h("div", { class: "move" }, this.moveLabel, this.move, this.why), this.goalBox,
      h("div", { class: "stage-line" }, this.stage, this.stageFor));
    this.todo = h("p", { class: "todo", "aria-live": "polite" });
    this.also = h("ul", { class: "also" });
    this.quick = [0, 1].map(() => h("button", { onclick: (e) => this.mark(e.currentTarget.dataset.mark) }));
    this.curve = h("figure", { class: "curve", role: "img", "aria-label": t("curve") }, h("p", {}, t("curve-empty")));
    this.write = h("button", { onclick: () => { location.hash = `#lot/${enc(this.state.lot)}`; } }, t("lot-enter"));
    this.rows = h("tbody"); this.log = h("ol", { class: "log" });
    const th = (key, n) => h("th", { scope: "col", class: n ? "n" : "" }, t(key));
    this.el = h("article", { class: "sheet", "aria-label": kettle }, h("div", { class: "form" },
      h("div", { class: "left" },
        h("div", { class: "head" }, h("h1", { class: "whose" }, p("kettle"), " ", h("b", {}, kettle)), h("span", {}, p("cheese"), " ", this.cheese),
          h("span", {}, p("lot"), " ", this.lot)),
        this.now, this.todo, h("div", { class: "quick" }, this.quick)),
      h("div", { class: "right" }, this.curve,
        h("div", { class: "marks" }, h("h2", { class: "print" }, t("marks")), MARKS.map((m) => this.button(h("button", { onclick: () => this.mark(m) }), m))),
        h("div", { class: "made" }, h("table", {}, h("caption", { class: "print" }, t("stages")),
          h("thead", {}, h("tr", {}, th("stage"), th("planned", 1), th("began", 1), th("took", 1))), this.rows), this.also, this.log,
          h("div", { class: "acts" }, this.write,
            h("button", { onclick: () => { location.hash = "#plans"; } }, t("choose-plan")),
            h("button", { onclick: () => { location.hash = "#reckon"; } }, t("page-reckon")),
            h("button", { onclick: () => this.end() }, t("end-make")))))));
    this.drawn = -Infinity;
    // The number is as large as its box takes, measured once a size and never by its own digits.
    new ResizeObserver(() => this.fit()).observe(this.now);
  }

  fit() {
    const pen = document.createElement("canvas").getContext("2d");
    const style = getComputedStyle(this.big);
    pen.font = `${style.fontWeight} 100px ${style.fontFamily}`;
    const room = this.now.clientWidth - 24;
    const unit = pen.measureText("°C").width * 0.2 + 8;
    const most = innerWidth >= 960 ? innerHeight * 0.3 : innerHeight * 0.34;
    const px = (digits) => Math.min((room / (pen.measureText(digits).width * 0.955 + unit)) * 100, most);
    this.el.style.setProperty("--big", `${Math.floor(px("88.8"))}px`);
    this.el.style.setProperty("--long", `${Math.floor(px("188.8"))}px`);
    fitted(this.todo);
    fitted(this.why);
  }

  button(el, mark) {
    if (el.dataset.mark !== mark) {
      el.dataset.mark = mark;
      el.replaceChildren(icon(mark), h("span", {}, t(`mark-${mark}`)));
    }
    return el;
  }

  update(k, state) {
    this.state = k;
    this.time = state.time;
    text(this.cheese, k.plan ?? t("no-plan"));
    text(this.lot, k.lot ?? "–");
    this.write.hidden = !k.lot;
    text(this.stage, t(`stage-${k.stage}`));
    flag(this.stage.parentNode, "long", this.stage.textContent.length >= 12);
    const far = k.stage_for_s === undefined || k.stage === "idle" ? "" : t("stage-for", { min: Math.floor(Math.max(k.stage_for_s, 0) / 60) });
    const doubt = k.stage_basis === "plan" ? t("inferred") : k.stage_confidence < 0.7 ? t("unsure") : "";
    text(this.stageFor, [doubt, far].filter(Boolean).join(" · "));
    this.countdown(k);
    const words = sentence(k.say);
    if (this.todo.textContent !== words) { this.todo.textContent = words; fitted(this.todo); }
    const calls = k.alarms.some((a) => a.state === "unacknowledged" && a.sounds);
    // Nothing is wrong where no number is looked for; and an order that was taken is calmer, not gone.
    const quiet = k.trusted || k.stage === "drawing" || (k.stage === "idle" && k.health !== "failure");
    const taken = k.alarms.some((a) => a.alarm === "heat-off" && ["acknowledged", "shelved"].includes(a.state));
    flag(this.todo, "calm", !calls && quiet && !k.say.key.startsWith("do-over-target") && (taken || k.say.key !== "do-heat-off"));
    const called = k.stage === "warming" && k.heat_off_called_at;
    const renneted = ["warming", "ripening"].includes(k.stage) && k.marks.some((m) => m.name === "rennet");
    next(k, renneted ? RENNETED : called ? CALLED : NEXT[k.stage] ?? NEXT.idle).forEach((m, i) => this.button(this.quick[i], m));
    this.alarms([...k.alarms.map((a) => ({ ...a, of: this.base })), ...state.alarms.map((a) => ({ ...a, of: "/house" }))]);
    this.table(k);
    this.marks(k);
    this.tick(0, null);
    this.draw();
  }

  countdown(k) {
    const c = k.countdown;
    const target = k.target_celsius === undefined ? undefined : number(k.target_celsius);
    // Beyond its target it counts to nothing any more: how far beyond is what counts.
    const over = k.trusted && k.celsius > k.target_celsius && k.alarms.some((a) => a.alarm === "over-target" && a.state !== "returned-unacknowledged");
    const due = c?.key === "count-curd" && c.seconds <= 0; // "in" goes with no "now"
    text(this.goalLabel, over ? t("count-over-target") : due ? t("alarm-curd-check") : c ? t(c.key, { target }) : target ? t("to-target", { target }) : t("no-target"));
    const min = c?.seconds < 60 ? "<\u00a01" : c ? Math.round(c.seconds / 60) : 0;
    text(this.goal, over ? `+${number(k.celsius - k.target_celsius)}\u00a0°C` : !c ? "–" : c.seconds <= 0 ? t("now-word") : t("minutes", { min }));
    flag(this.goal, "long", this.goal.textContent.length > 7);
    flag(this.goalBox, "blind", over || ["count-target", "count-heat-off"].includes(c?.key)); // rests on the number, and falls with it
    flag(this.goalBox, "near", over || c && ["count-heat-off", "count-off-now", "count-curd"].includes(c.key) && c.seconds < 120);
  }

  // Between two words of the daemon only the age grows. `extra` is the silence since the last one.
  // `lost` names why the line is not live: `cut-off`, `waking`, or nothing.
  tick(extra, lost) {
    const k = this.state;
    if (!k) return;
    const age = k.age_s === undefined ? undefined : k.age_s + extra;
    const shown = k.celsius !== undefined;
    const old = shown && age > k.old_after_s;
    const bad = Boolean(lost) || old || !k.trusted;
    flag(this.now, "bad", bad && (shown || k.stage !== "idle" || k.health === "failure"));
    flag(this.now, "drawn", k.stage === "drawing" && k.reason_key === "why-lifted");
    flag(this.big, "none", !shown);
    text(this.digits, shown ? number(k.celsius) : `––${number(0.1)[1]}–`);
    flag(this.big, "long", shown && number(k.celsius).length > 4);
    // A number is never without its age. The daemon may find it old a moment before we do; then the age says more than a good health.
    const badge = k.health === "good" ? "" : health(k);
    const short = age === undefined ? "" : age < 120 ? `${Math.round(age)} s` : t("minutes", { min: Math.floor(age / 60) });
    text(this.age, shown && (old || lost || !bad || !badge) ? aged(age) : [badge || t("no-number"), short].filter(Boolean).join(" · "));
    text(this.moveLabel, t(bad ? "why" : "in-a-minute"));
    const why = lost ? t(lost) : k.health !== "good" ? reason(k) || t(`health-${k.health}`) : t(shown ? "why-old" : "no-number");
    const anew = this.why.textContent !== why || this.why.hidden === bad;
    text(this.why, why);
    this.why.title = k.reason || why;
    this.move.hidden = bad; this.why.hidden = !bad;
    if (bad && anew) fitted(this.why);
    const r = k.rate_celsius_per_min;
    const steady = r !== undefined && Math.abs(r) < 0.05;
    text(this.move, r === undefined ? "–" : steady ? "→ 0" + number(0.1).slice(1, 2) + "0" : `${r > 0 ? "↗" : "↘"} ${number(Math.abs(r))}`);
  }

  // The kettle's alarms and the house's own, which stand on every sheet.
  alarms(alarms) {
    const over = (a) => a.state === "returned-unacknowledged";
    const words = (a) => over(a) ? t(a.sounds ? "gone-not-taken" : "gone-shown") : a.untaken ? t("not-taken-yet") : a.state === "shelved" ? t("shelved", { at: a.shelved_until ? clock(a.shelved_until) : "?" }) : a.state === "acknowledged" ? t("taken") : "";
    const hushed = alarms.filter((a) => a.state === "shelved" || (a.state === "acknowledged" && a.priority === "high"));
    text(this.hushed, hushed.map((a) => `${t(`alarm-${a.alarm}`)} – ${words(a)}`).join(" · "));
    const key = alarms.map((a) => a.alarm + a.state + a.shelved_until).join();
    if (this.alarmKey === key) return;
    this.alarmKey = key;
    this.also.replaceChildren(...alarms.filter((a) => !["suppressed", "out-of-service"].includes(a.state)).map((a) =>
      h("li", { class: a.priority }, t(`alarm-${a.alarm}`), h("span", { class: "print" }, words(a)),
        a.untaken && (!a.sounds || isOvertaken(this.state, a)) ? h("button", { onclick: () => this.take(a) }, t("take")) : "",
        over(a) ? "" : a.state === "shelved" ? h("button", { onclick: () => this.silent(a, 0) }, t("unshelve")) : h("button", { onclick: () => this.shelve(a) }, t("shelve")))));
  }

  // The plan's lines, filled in by what was found.
  table(k) {
    const lines = (k.planned ?? []).map((p) => ({ ...p }));
    let at = 0;
    const found = k.stages.filter((s) => s.stage !== "idle");
    found.forEach((s, i) => {
      const ended = found[i + 1]?.began;
      const next = lines.findIndex((l, n) => n >= at && l.stage === s.stage && !l.began);
      const line = { ...s, ended, running: i === found.length - 1 && k.stage === s.stage };
      if (next < 0) lines.splice(at++, 0, line);
      else { Object.assign(lines[next], line); at = next + 1; }
    });
    const rows = lines.map((l, i) => {
      const plan = [l.to_celsius != null && `${number(l.to_celsius)}\u00a0°C`, l.minutes != null && `${l.minutes}\u00a0min`].filter(Boolean).join(" · ");
      const took = l.running ? Math.floor(Math.max(k.stage_for_s ?? 0, 0) / 60) : l.began && l.ended ? Math.round((Date.parse(l.ended) - Date.parse(l.began)) / 60000) : "";
      return { cls: l.running ? "running" : l.began ? "done" : i < at ? "skipped" : "ahead",
        cells: [t(`stage-${l.stage}`), l.began || !l.optional || i < at ? plan : `${plan} ${t("if-wanted")}`, l.began ? clock(l.began) : i < at ? t("left-out") : "", String(took)] };
    });
    const key = JSON.stringify(rows);
    if (key === this.tableKey) return;
    this.tableKey = key;
    this.rows.replaceChildren(...rows.map((r) => h("tr", { class: r.cls, "aria-current": r.cls === "running" ? "step" : null },
      r.cells.map((c, i) => h("td", { class: i === 0 ? "" : i === 1 ? "n plan" : "n hand" }, c)))));
  }

  marks(k) {
    const made = k.marks.filter((m) => m.held_s === undefined || m.failed);
    const key = JSON.stringify(made.map((m) => [m.name, m.time, m.id, m.failed]));
    if (key === this.marksKey) return;
    this.marksKey = key;
    this.log.replaceChildren(...made.map((m) => h("li", {}, h("time", {}, clock(m.time)),
      m.failed ? h("span", { class: "failed" }, t("failed-mark", { mark: markWords(m), why: m.failed })) : h("span", {}, markWords(m)),
      m.by ? h("span", { class: "quiet" }, m.by) : "")));
  }

  async mark(name) {
    const body = { name };
    if (["ph", "target", "note"].includes(name)) {
      // The keys to enter something load when they are asked for.
      const keys = await import("./reckon.js").catch(() => notice(t("no-answer")));
      if (!keys) return;
      if (name === "ph") body.value = await keys.stepper(t("enter-ph"), 6.5, 0.05, 2, 0, 14);
      else if (name === "target") body.celsius = await keys.stepper(t("enter-target"), this.state?.target_celsius ?? 40, 0.5, 1, 0, 110);
      else body.text = await keys.writing(t("enter-note"));
      if (body.value === undefined && body.celsius === undefined && !body.text) return;
    }
    sendMark(this.kettle, body);
  }

  take({ of, alarm }) {
    ask("POST", `${of}/take`, { alarm, by: who() }).catch((e) => notice(e.message));
  }

  // One touch must not silence what a make hangs on.
  async shelve(a) {
    const at = clock(this.time && new Date(Date.parse(this.time) + 30 * 60000).toISOString());
    if (a.priority !== "high" || (await confirm(t("shelve-sure", { alarm: t(`alarm-${a.alarm}`), at }), t("shelve")))) this.silent(a, 30);
  }

  silent({ of, alarm }, minutes) {
    ask("POST", `${of}/shelve`, { alarm, minutes, by: who() }).catch((e) => notice(e.message));
  }

  async end() {
    const { lot } = this.state;
    if (!(await confirm(t("end-make-sure"), t("end-make")))) return;
    await ask("POST", `${this.base}/end`, { by: who() }).then(() => { if (lot) location.hash = `#lot/${enc(lot)}`; }, (e) => notice(e.message));
  }

  // Drawn by the daemon with the code that draws the printed sheet.
  async draw() {
    const now = performance.now();
    if (now - this.drawn < CURVE_MS || document.visibilityState !== "visible") return;
    this.drawn = now;
    const box = this.curve.getBoundingClientRect();
    if (!box.width) return;
    const zoom = box.width < 500 ? 1.25 : 1.6; // the sheet's letters, read from further away
    try {
      const answer = await fetch(`/api/v1${this.base}/curve.svg?width=${Math.round(box.width / zoom)}&height=${Math.round(box.height / zoom)}&language=${code()}`);
      if (answer.status !== 200) return;
      const svg = new DOMParser().parseFromString(await answer.text(), "image/svg+xml").documentElement;
      if (svg.nodeName === "svg") this.curve.replaceChildren(document.importNode(svg, true));
    } catch { /* the live line says when the box is not there */ }
  }
}

// The largest of three sizes in which the words keep to their place; letters may stand out of a tight line, lines may not.
function fitted(el) {
  if (el.hidden) return;
  for (const size of ["", "wordy", "wordier"]) {
    flag(el, "wordy", size === "wordy");
    flag(el, "wordier", size === "wordier");
    if (el.scrollHeight <= el.clientHeight + 4 && el.scrollWidth <= el.clientWidth + 1) return;
  }
}

export const aged = (age) => (age === undefined ? "" : age < 120 ? t("old-age", { s: Math.round(age) }) : t("old-age-min", { min: Math.floor(age / 60) }));

// To get ready is past once the heat was called off, and nothing to take when it is past.
export const isOvertaken = (k, a) => a.alarm === "get-ready" && (Boolean(k.heat_off_called_at) || a.state === "returned-unacknowledged");

// Sends a mark, which waits a few seconds for its undo.
export const sendMark = (kettle, body) => ask("POST", `/kettles/${enc(kettle)}/marks`, { ...body, by: who(), hold_s: HOLD_S })
  .catch((e) => notice(t("failed-mark", { mark: t(`mark-${body.name}`), why: e.message })));

// Who was lifted out is not being checked.
export const health = (k) => t(k.reason_key === "why-lifted" ? "health-lifted" : `health-${k.health}`);

// A few words that can be read across the kettle; a foreign box's own as they came.
export const reason = (k) => (k.reason_key ? t(k.reason_key) : k.reason);

export function markWords(m) {
  const name = has(`mark-${m.name}`) ? t(`mark-${m.name}`) : m.name;
  if (m.value !== undefined) return `${name} ${number(m.value, 2)}`;
  if (m.celsius !== undefined) return `${name} ${number(m.celsius)} °C`;
  return m.text ? name + colon() + m.text : name;
}
