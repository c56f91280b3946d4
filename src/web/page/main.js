// The page's door: what is shown, what sounds, what is cut off.
import { h, text, flag, ask, dialog, notice, who, enc, onPin } from "./dom.js";
import * as words from "./words.js";
import { t, number, clock, sentence, colon } from "./words.js";
import { Live } from "./live.js";
import { Sheet, aged, fireIsOff, isOvertaken, markWords, sendMark } from "./sheet.js";
import * as sound from "./sound.js";

const $ = (id) => document.getElementById(id);
const main = $("main");
const sheets = new Map();
const FAULT_AFTER_S = 15; // cut off during a make sounds after this
const page = { live: null, chosen: localStorage.getItem("kettle"), link: { cut: false, waking: true, silent: 0 }, held: new Map(), run: null, view: null };

// Pages that are not needed at the kettle load when they are asked for.
const PAGES = {
  lots: () => import("./lots.js").then((m) => m.lots), lot: () => import("./lots.js").then((m) => m.lot),
  season: () => import("./lots.js").then((m) => m.season), plans: () => import("./plans.js").then((m) => m.plans),
  plan: () => import("./plans.js").then((m) => m.plan), reckon: () => import("./reckon.js").then((m) => m.reckon), probes: () => import("./probes.js").then((m) => m.probes),
  setup: () => import("./setup.js").then((m) => m.setup),
};

export function look() {
  const wanted = localStorage.getItem("look");
  const night = wanted === "night" || (wanted !== "day" && matchMedia("(prefers-color-scheme: dark)").matches);
  flag(document.documentElement, "night", night);
}

async function start() {
  look();
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", look);
  // Nothing waits for anything that it does not need.
  const asked = ask("GET", "/access").catch(() => ({}));
  page.live = new Live(onState, onLink, () => ask("GET", "/access").then(lookAllowed, () => {}));
  await words.load(() => asked.then((a) => a.language));
  page.ready = true;
  $("menu-button").querySelector(".say").textContent = t("menu");
  $("menu-button").addEventListener("click", menu);
  onPin(typePin);
  // What lies over the sheet's foot has room below it, so that everything can be drawn out from under it.
  new ResizeObserver(() => document.body.style.setProperty("--foot", `${$("foot").offsetHeight}px`)).observe($("foot"));
  window.addEventListener("hashchange", route);
  route();
  asked.then(lookAllowed);
  sounds();
  stayAwake();
}

// Before the PIN there is nothing to see: that is said, and is no line that was cut.
function lookAllowed(access) {
  if (!page.ready || access.may_read !== false || page.live.locked) return;
  page.live.locked = true;
  for (const id of ["cut", "undo", "slip"]) $(id).hidden = true;
  sound.sounding(null);
  document.body.classList.remove("cut");
  page.view = null;
  main.className = "";
  main.dataset.shown = "";
  main.replaceChildren(h("div", { class: "page" }, h("h1", {}, "curdtrace"), h("button", { class: "main", onclick: typePin }, t("pin-look"))));
  typePin();
}

function onState(state) {
  if (!page.ready) return; // the words are on their way; the state is kept
  if (page.run && page.run !== state.run) restarted();
  page.run = state.run;
  words.setOffset(state.utc_offset_s);
  text($("clock"), clock(state.time));
  flag($("clock"), "unsure", !state.clock_sure);
  tabs(state);
  if (!page.view) sheetsNow(state);
  else page.view.update?.(state);
  undo(state);
  slip(state);
}

function sheetsNow(state) {
  const names = state.kettles.map((k) => k.kettle);
  if (!names.includes(page.chosen)) page.chosen = names[0];
  const wide = innerWidth >= 1180 && names.length > 1;
  const shown = names.length === 0 ? [] : wide ? names : [page.chosen];
  const key = [...shown, names.length].join("\n");
  if (main.dataset.shown !== key || !main.classList.contains("make")) {
    main.dataset.shown = key;
    main.className = `make ${shown.length === 1 ? "one" : ""} ${names.length === 1 ? "alone" : ""}`;
    for (const n of shown) if (!sheets.has(n)) sheets.set(n, new Sheet(n));
    main.replaceChildren(...(shown.length ? shown.map((n) => sheets.get(n).el)
      : [h("div", { class: "page" }, h("h1", {}, t("no-kettle")), h("p", { class: "todo calm" }, t("no-kettle-do")))]));
  }
  for (const k of state.kettles) if (shown.includes(k.kettle)) sheets.get(k.kettle).update(k, state);
  if (!page.interactive) page.interactive = performance.mark("interactive");
}

function tabs(state) {
  const bar = $("tabs");
  if (state.kettles.length < 2) {
    // On the sheet the name alone; on other pages a tab with the number, which leads back.
    const name = state.kettles[0]?.kettle ?? "curdtrace";
    if (!page.view || !state.kettles.length) {
      if (bar.dataset.key !== name) { bar.dataset.key = name; bar.replaceChildren(h("h1", { title: name, class: name.length > 28 ? "longer" : name.length > 14 ? "long" : "" }, name)); }
      return;
    }
  }
  const key = state.kettles.map((k) => k.kettle).join("\n") + page.chosen + Boolean(page.view);
  if (bar.dataset.key !== key) {
    bar.dataset.key = key;
    bar.replaceChildren(...state.kettles.map((k) => h("button", {
      "aria-current": k.kettle === page.chosen && !page.view ? "true" : null,
      onclick: () => { page.chosen = k.kettle; localStorage.setItem("kettle", k.kettle); location.hash = ""; route(); },
    }, h("span", { class: "name" }, k.kettle), h("span", { class: "read" }, h("span", { class: "deg" }), h("span", { class: "aged print" })))));
  }
  state.kettles.forEach((k, i) => {
    const tab = bar.children[i];
    const shown = k.celsius !== undefined;
    text(tab.querySelector(".deg"), shown ? `${number(k.celsius)}\u00a0°C` : t("no-number"));
    text(tab.querySelector(".aged"), shown ? aged(k.age_s) : "");
    flag(tab, "none", !shown);
    flag(tab, "bad", !k.trusted);
    flag(tab, "calls", k.alarms.some((a) => a.untaken && a.priority === "high"));
  });
}

function onLink(link) {
  if (!page.ready) return;
  page.link = link;
  undoLeft();
  document.body.classList.toggle("cut", link.cut);
  const cut = $("cut");
  const state = page.live?.state;
  if (link.cut && state !== undefined) {
    const s = Number.isFinite(link.silent) ? Math.floor(link.silent) : 0;
    const lines = [h("b", { class: t("cut-off").length > 9 ? "long" : "" }, t("cut-off")), h("span", {}, t("cut-off-since", { s })), h("span", {}, t("trust-own"))];
    if (!cut.dataset.on) { cut.dataset.on = "1"; cut.replaceChildren(...lines); }
    else text(cut.children[1], t("cut-off-since", { s }));
    cut.hidden = false;
  } else {
    cut.hidden = true;
    delete cut.dataset.on;
  }
  const extra = Number.isFinite(link.silent) ? Math.max(0, link.silent - 0.5) : 0;
  for (const one of [...sheets.values(), page.view]) one?.tick?.(extra, link.cut ? "cut-off" : link.waking ? "waking" : null);
  hush(state, link);
}

// What sounds now: the gravest tune of the untaken alarms that sound, as at the box; and being cut off in the middle of a make.
function hush(state, link) {
  if (!state) return;
  const alarms = [...state.kettles.flatMap((k) => k.alarms.filter((a) => !isOvertaken(k, a))), ...state.alarms].filter((a) => a.state === "unacknowledged" && a.sounds && !page.quiet?.has(a.alarm));
  const inMake = state.kettles.some((k) => k.stage !== "idle");
  const gravest = ["now", "fault", "ready"].find((tune) => alarms.some((a) => a.tune === tune));
  const lost = link.cut && inMake && link.silent > FAULT_AFTER_S;
  sound.sounding(lost ? "fault" : link.cut ? null : gravest);
}

function slip(state) {
  const box = $("slip");
  const order = { high: 3, medium: 2, low: 1 };
  const all = [...state.kettles, house(state)].flatMap((k) => k.alarms.filter((a) => a.untaken && a.sounds && !isOvertaken(k, a)).map((a) => ({ ...a, k })));
  all.sort((a, b) => order[b.priority] - order[a.priority] || b.sounds - a.sounds);
  const first = all[0];
  box.hidden = !first;
  if (!first) { box.dataset.key = ""; return; }
  const key = [first.k.kettle, first.alarm, first.state, all.length].join();
  const isPast = first.state === "returned-unacknowledged";
  const whole = first.say ? sentence(first.say) : first.k.kettle || isPast ? "" : t(`do-${first.alarm}`);
  // That nobody answered stands above it, in large.
  const what = isPast && first.alarm === "heat-off" ? whole.replace(/^[^.]*\. /, "") : whole;
  if (box.dataset.key !== key) {
    box.dataset.key = key;
    box.className = `${first.priority} ${first.alarm} ${isPast ? "past" : first.state === "unacknowledged" ? "calls" : ""}`;
    // A call that is past is no order any more: that it is past stands large, what it was small.
    const named = t(`alarm-${first.alarm}`);
    const beside = [state.kettles.length > 1 ? first.k.kettle : "", all.length > 1 ? t("more-alarms", { n: all.length - 1 }) : ""].filter(Boolean).join(" · ");
    const name = isPast ? t("gone-not-taken") : named;
    box.replaceChildren(
      h("div", {}, h("div", { class: "small" }, isPast ? h("span", { class: "was" }, named + (beside && " · ")) : "", beside),
      h("div", { class: `name ${name.length > 11 ? "wordy" : ""}` }, name), h("div", { class: "what" })),
      h("div", { class: "both" }, h("button", { onclick: () => take(first) }, t("take")),
        // The slip lies over the button that it asks for.
        first.k.kettle && (first.alarm === "heat-off" || (first.alarm === "over-target" && !fireIsOff(first.k))) ? h("button", { onclick: () => { sendMark(first.k.kettle, { name: "heat-off" }); take(first); } }, t("mark-heat-off")) : ""));
  }
  // Where the sheet behind the slip says the same sentence, and it is in sight, the slip leaves it to be read there.
  const sheet = !page.view && main.dataset.shown.split("\n").includes(first.k.kettle) && first.say && first.k.say.key === first.say.key ? sheets.get(first.k.kettle) : null;
  const at = sheet?.todo.getBoundingClientRect();
  text(box.querySelector(".what"), at && at.top >= 0 && at.bottom <= box.getBoundingClientRect().top + 8 ? "" : what);
}

// The house's own alarms (store, clock), which no kettle owns.
const house = (state) => ({ kettle: "", say: { key: "" }, alarms: state.alarms });

async function take(a) {
  (page.quiet ??= new Set()).add(a.alarm); // silent at the touch, not at the answer
  sound.sounding(null);
  setTimeout(() => page.quiet.delete(a.alarm), 4000);
  try {
    await ask("POST", a.k.kettle ? `/kettles/${enc(a.k.kettle)}/take` : "/house/take", { alarm: a.alarm, by: who() });
  } catch (e) {
    page.quiet.delete(a.alarm);
    notice(e.message);
  }
}

function undo(state) {
  const box = $("undo");
  const held = state.kettles.flatMap((k) => k.marks).filter((m) => m.held_s !== undefined && !m.failed);
  page.held = new Map(held.map((m) => [m.id, m]));
  const last = held.at(-1);
  box.hidden = !last;
  if (!last) { box.dataset.key = ""; return; }
  if (box.dataset.key !== String(last.id)) {
    box.dataset.key = last.id;
    box.replaceChildren(h("span", {}), h("button", { onclick: () => takeBack(last) }));
  }
  text(box.firstChild, t("marked", { mark: markWords(last) }));
  page.undoUntil = performance.now() + last.held_s * 1000;
  undoLeft();
}

// The seconds go on between two words of the daemon; without it there is nothing to take back.
function undoLeft() {
  const box = $("undo");
  const left = Math.ceil((page.undoUntil - performance.now()) / 1000);
  if (page.link.cut || left <= 0) box.hidden = true;
  else if (!box.hidden) text(box.lastChild, `${t("undo")} (${left}\u00a0s)`);
}

async function takeBack(mark) {
  await ask("DELETE", `/marks/${mark.id}`).then(() => notice(t("undone") + colon() + markWords(mark)), (e) => notice(e.message));
}

// Another run of the daemon: marks that still waited are gone, and are said to be.
function restarted() {
  const lost = [...page.held.values()];
  page.held.clear();
  if (lost.length) notice(lost.map((m) => t("not-taken", { mark: markWords(m) })).join(" "));
  for (const s of sheets.values()) s.drawn = -Infinity;
}

async function route() {
  if (page.live?.locked) return;
  const [name, ...rest] = location.hash.slice(1).split("/");
  const make = PAGES[name];
  if (!make) {
    page.view = null;
    if (page.live?.state) onState(page.live.state);
    return;
  }
  page.view = {};
  main.className = "";
  main.dataset.shown = "";
  main.replaceChildren(h("p", { class: "page" }, t("loading")));
  try {
    const build = await make();
    const view = await build(decodeURIComponent(rest.join("/")), () => page.live?.state);
    if (location.hash.slice(1).split("/")[0] !== name) return;
    page.view = view;
    main.replaceChildren(view.el);
    main.focus({ preventScroll: true });
    scrollTo(0, 0);
  } catch (e) {
    main.replaceChildren(h("p", { class: "page faults" }, e instanceof TypeError ? t("no-answer") : e.message)); // a leaf that did not load
  }
  if (page.live?.state) tabs(page.live.state);
}

function menu() {
  const list = h("nav", { class: "menu", "aria-label": t("menu") });
  const here = location.hash.slice(1).split("/")[0];
  for (const name of ["sheet", "lots", "season", "plans", "reckon", "probes", "setup"]) {
    const hash = name === "sheet" ? "" : name;
    list.append(h("a", { href: `#${hash}`, "aria-current": here === hash ? "page" : null,
      onclick: () => { list.closest("dialog").close(); list.closest("dialog").remove(); } }, t(`page-${name}`)));
  }
  dialog(t("menu"), list, [[t("close"), undefined]]);
}

// Its keys load when they are asked for; whoever else asks meanwhile waits for the same answer.
function typePin() {
  page.asking ??= import("./setup.js").then((m) => m.typePin()).catch(() => false).then((typed) => {
    page.asking = null;
    if (typed && page.live.locked) { page.live.open(); route(); }
    return typed;
  });
  return page.asking;
}

// Browsers sleep sounds until a touch. The first touch anywhere wakes them; the bar also plays them.
function sounds() {
  const bar = $("wake");
  text(bar, t("sound-asleep"));
  const show = () => { bar.hidden = sound.awake(); };
  sound.onChange(show);
  show();
  bar.addEventListener("click", async () => { await sound.wake(); await (await import("./setup.js")).testSounds(); show(); });
  for (const e of ["pointerup", "keyup"]) addEventListener(e, (ev) => { if (ev.target !== bar) sound.wake().then(show); });
}

async function stayAwake() {
  if (!navigator.wakeLock) return;
  const lock = () => { if (document.visibilityState === "visible") navigator.wakeLock.request("screen").catch(() => {}); };
  document.addEventListener("visibilitychange", lock);
  lock();
}

start();
