// Setup: language, name, light, PIN, outlets, the computer's clock; and the keys that ask for the PIN.
import { h, ask, text, flag, dialog, notice } from "./dom.js";
import { t, LANGUAGES, code, clock, day, colon } from "./words.js";
import { look } from "./main.js";
import { play, wake } from "./sound.js";

export async function setup(_, state) {
  const access = await ask("GET", "/access");
  const pick = (label, key, options, then) => {
    const select = h("select", { onchange: () => { localStorage.setItem(key, select.value); then(); } },
      Object.entries(options).map(([v, name]) => h("option", { value: v }, name)));
    select.value = localStorage.getItem(key) ?? (key === "language" ? code() : "auto");
    return h("label", {}, label, select);
  };
  const name = h("input", { value: localStorage.getItem("name") ?? "", maxlength: 60, autocomplete: "name",
    onchange: () => localStorage.setItem("name", name.value.trim()) });
  const pin = h("input", { inputmode: "numeric", pattern: "[0-9]*", minlength: 4, maxlength: 64, autocomplete: "off" });
  const pinSays = h("p", { class: "quiet" }, t(access.pin_set ? "setup-pin-is-set" : "setup-pin-none"));
  // The daemon refuses others too, but in English.
  const setPin = () => (/^\d{4,64}$/.test(pin.value) ? ask("PUT", "/pin", { pin: pin.value }).then(
    () => { pin.value = ""; pinSays.textContent = t("setup-pin-is-set"); }, (e) => notice(e.message)) : lacks(pin, t("pin-lacks")));
  const outlets = h("ul", { class: "log" });
  const testAll = h("button", { onclick: () => ask("POST", "/outlets/test", {}).catch((e) => notice(e.message)) }, t("outlets-test"));
  const clockLine = h("p", { class: "hand" });
  const update = (s) => {
    if (!s) return;
    clockLine.textContent = `${day(s.time, true)}, ${clock(s.time)}${s.clock_sure ? "" : ` — ${t("clock-unsure")}`}`;
    outlets.replaceChildren(...(s.outlets.length ? s.outlets : []).map((o) => h("li", {}, h("b", { class: "hand" }, o.name),
      h("span", { class: o.well ? "" : "failed" }, o.well ? t("outlet-well") : `${t("outlet-failed")}${colon()}${o.text}`))));
    if (!s.outlets.length) outlets.replaceChildren(h("li", { class: "quiet" }, t("outlets-none")));
    testAll.hidden = !s.outlets.length;
  };
  update(state());
  const el = h("div", { class: "page" }, h("h1", {}, t("page-setup")),
    h("div", { class: "fields" },
      pick(t("setup-language"), "language", LANGUAGES, () => location.reload()),
      pick(t("setup-look"), "look", { auto: t("setup-look-auto"), day: t("setup-look-day"), night: t("setup-look-night") }, look),
      h("label", {}, t("setup-name"), name)),
    h("button", { onclick: () => testSounds() }, t("sound-test")),
    mayDoze(),
    h("h2", {}, t("outlets")), outlets,
    testAll,
    h("h2", {}, t("setup-pin")), pinSays,
    h("div", { class: "fields" }, h("label", {}, t("setup-pin"), pin), h("button", { onclick: setPin }, t("setup-pin-set"))),
    h("h2", {}, t("setup-clock")), clockLine,
    h("p", { class: "quiet" }, `curdtrace ${access.version}`));
  return { el, update };
}

// Says beside a field what it lacks, and leads the keyboard there.
export function lacks(input, words) {
  input.parentNode.querySelector(".lacks")?.remove();
  const said = h("span", { class: "lacks", role: "alert" }, words);
  input.after(said);
  input.setAttribute("aria-invalid", "true");
  input.focus();
  input.addEventListener("input", () => { said.remove(); input.removeAttribute("aria-invalid"); }, { once: true });
}

// The three sounds one after another, each with what it says.
export async function testSounds() {
  const all = ["ready", "now", "fault"];
  const names = all.map((n) => h("p", { class: "mid" }, t(`sound-${n}`)));
  const asked = dialog(t("sound-test"), h("div", {}, names, mayDoze()), [[t("sound-heard"), true, "main"]]);
  const only = (at) => names.forEach((el, i) => { el.style.opacity = at === undefined || at === i ? 1 : 0.35; });
  await wake();
  for (const [at, name] of all.entries()) {
    only(at);
    play(name);
    await new Promise((r) => setTimeout(r, 2300));
  }
  only();
  await asked;
}

// Over a house's plain http no browser keeps the screen on by itself.
const mayDoze = () => navigator.wakeLock ? "" : h("p", { class: "quiet" }, t("awake-no"));

// The dairy's PIN by big keys, which stay until it is right or given up; true once it was right.
export async function typePin() {
  let typed = "";
  const out = h("output", { role: "status", "aria-label": t("pin-ask") });
  const says = (words, wrong) => { text(out, words); flag(out, "failed", wrong); };
  const press = (d) => { typed = d === "⌫" ? typed.slice(0, -1) : typed + d; says("•".repeat(typed.length), false); };
  const keys = h("div", { class: "keys" }, out, [..."123456789", "⌫", "0"].map((d) => h("button", { type: "button", onclick: () => press(d) }, d)));
  keys.addEventListener("keydown", (e) => { if (/^\d$/.test(e.key)) press(e.key); else if (e.key === "Backspace") press("⌫"); });
  const tryIt = async () => {
    const answer = await fetch("/api/v1/pin", { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify({ pin: typed }) }).catch(() => null);
    if (answer?.ok) return true;
    typed = "";
    says(!answer ? t("no-answer") : answer.status === 403 ? t("pin-wrong") : (await answer.json()).error, true);
    return null;
  };
  return Boolean(await dialog(t("pin-ask"), keys, [[t("cancel"), false], [t("pin-go"), () => tryIt(), "main"]]));
}
