// Rennet and wash water: figures with big keys, the daemon's own sums.
import { h, ask, text, flag, dialog } from "./dom.js";
import { t, code, number } from "./words.js";

const typed = (v) => (code() === "en" ? String(v) : String(v).replace(".", ","));

// One figure: a key for less, the figure itself, a key for more. It is remembered on this device.
function figure(label, key, first, step, changed, fixed) {
  const kept = `reckon-${key}`;
  const input = h("input", { inputmode: "decimal", autocomplete: "off", "aria-label": label, value: typed(fixed ?? localStorage.getItem(kept) ?? first) });
  const value = () => Number(input.value.replace(",", "."));
  const set = () => { localStorage.setItem(kept, value()); changed(); };
  input.addEventListener("input", set);
  const by = (sign) => () => {
    input.value = typed(Number((Math.max(0, Math.round(value() / step) + sign) * step).toFixed(2)) || 0);
    set();
  };
  const press = (sign, words, d) => h("button", { type: "button", "aria-label": `${label}: ${words}`, onclick: by(d) }, sign);
  return { key, value, el: h("div", { class: "figure" }, h("span", { class: "print" }, label),
    h("div", { class: "stepper" }, press("−", t("less"), -1), input, press("+", t("more"), 1))) };
}

// A piece of the page: common figures, a choice of ways with figures of their own, the answer in large.
function piece(title, path, note, say, common, choice, ways) {
  const answer = h("p", { class: "mid", role: "status" });
  const own = h("div", { class: "figures" });
  const way = h("select", { "aria-label": choice, onchange: () => draw() }, ways.map(([name], i) => h("option", { value: i }, name)));
  let asked = 0;
  const reckon = async () => {
    const mine = (asked += 1);
    const figures = [...common, ...ways[way.value][1]];
    const query = new URLSearchParams([["language", code()], ...figures.map((f) => [f.key, f.value()])]);
    const [said, refused] = await ask("GET", `${path}?${query}`).then((a) => [say(a), false], (e) => [e.message, true]);
    if (mine !== asked) return; // a later figure has been given meanwhile
    text(answer, said);
    flag(answer, "failed", refused);
    flag(answer, "long", said.length > 22);
  };
  const draw = () => { own.replaceChildren(...ways[way.value][1].map((f) => f.el)); reckon(); };
  return { reckon, draw, el: h("section", { class: "piece", "aria-label": title }, h("h2", {}, title), answer,
    h("div", { class: "figures" }, common.map((f) => f.el)), h("label", {}, choice, way), own, h("p", { class: "quiet" }, note)) };
}

export async function reckon(_, state) {
  const kettles = state()?.kettles ?? [];
  const k = kettles.find((one) => one.kettle === localStorage.getItem("kettle")) ?? kettles[0];
  const now = k?.trusted ? Math.round(k.celsius * 10) / 10 : undefined;
  // An aim that lies behind already is no aim.
  const aim = now >= Number(localStorage.getItem("reckon-to_celsius") ?? 37) ? Math.max(Math.round(now) + 3, k.target_celsius ?? 0) : undefined;
  let pieces = [];
  const changed = () => pieces.forEach((p) => p.reckon());
  const f = (label, key, first, step, fixed) => figure(t(label), key, first, step, changed, fixed);
  const dose = piece(t("reckon-dose"), "/dose", t("reckon-dose-note"), (a) => t("reckon-ml", { ml: number(a.ml) }),
    [f("reckon-milk", "milk_litres", 100, 10)], t("reckon-by"), [
      [t("reckon-by-strength"), [f("reckon-strength", "strength", 10000, 500), f("reckon-floc", "floc_minutes", 12, 1), f("reckon-milk-celsius", "celsius", 32, 0.5, now >= 25 && now <= 42 ? now : undefined)]],
      [t("reckon-by-supplier"), [f("reckon-supplier", "ml_per_100l", 20, 1)]],
      [t("reckon-by-imcu"), [f("reckon-imcu-ml", "imcu_per_ml", 200, 5), f("reckon-imcu-litre", "imcu_per_litre", 35, 1)]],
    ]);
  const wash = piece(t("reckon-wash"), "/wash", t("reckon-wash-note"), (a) => t("reckon-washed", { litres: number(a.litres), celsius: number(a.celsius) }),
    [f("reckon-milk", "milk_litres", 100, 10), f("reckon-drawn", "drawn_litres", 30, 5), f("reckon-curd-celsius", "celsius", 32, 0.5, now), f("reckon-water", "water_celsius", 60, 1)],
    t("reckon-aim"), [[t("reckon-aim-celsius"), [f("reckon-to", "to_celsius", 37, 0.5, aim)]], [t("reckon-aim-litres"), [f("reckon-litres", "litres", 20, 1)]]]);
  pieces = [dose, wash];
  pieces.forEach((p) => p.draw());
  return { el: h("div", { class: "page" }, h("h1", {}, t("page-reckon")), pieces.map((p) => p.el)) };
}

// What a mark at the kettle says beside its name.
export function stepper(title, value, step, decimals, low, high) {
  const out = h("output", {}, number(value, decimals));
  const by = (d) => () => { value = Math.min(high, Math.max(low, Math.round((value + d) / step) * step)); text(out, number(value, decimals)); };
  const key = (label, words, d) => h("button", { type: "button", "aria-label": words, onclick: by(d) }, label);
  return dialog(title, h("div", { class: "stepper" }, key("−", t("less"), -step), out, key("+", t("more"), step)),
    [[t("cancel"), undefined], [t("keep"), () => Number(value.toFixed(decimals)), "main"]]);
}

export function writing(title) {
  const area = h("textarea", { maxlength: 500, "aria-label": title });
  return dialog(title, area, [[t("cancel"), undefined], [t("keep"), () => area.value.replace(/\s+/g, " ").trim(), "main"]]);
}
