// Lots, a lot's sheet, the season.
import { h, ask, enc, who, dialog, notice } from "./dom.js";
import { lacks } from "./setup.js";
import { t, number, day, clock, code, colon } from "./words.js";

export async function lots() {
  const first = await ask("GET", "/lots?limit=50");
  const list = h("div", { class: "menu" });
  let last = "";
  const more = h("button", { onclick: async () => add((await ask("GET", `/lots?limit=50&before=${enc(last)}`)).lots) }, "…");
  const add = (some) => {
    for (const l of some) {
      list.append(h("a", { class: "line", href: `#lot/${enc(l.id)}` },
        h("span", {}, l.id, h("span", { class: "print" }, ` ${l.product ?? ""} ${l.opened ? clock(l.opened) : ""}`)),
        h("span", { class: "print" }, l.deviations ? h("span", { class: "failed" }, `${t("season-deviations")}${colon()}${l.deviations}`) : "", t(l.closed ? "lot-closed" : "lot-open"))));
      last = l.id;
    }
    more.hidden = list.children.length >= first.count;
  };
  add(first.lots);
  // Opened, sealed or corrected meanwhile: drawn anew, unless older ones were asked for.
  const update = often(async () => {
    const now = await ask("GET", "/lots?limit=50");
    if (JSON.stringify(now) === JSON.stringify(first) || list.children.length > 50) return;
    Object.assign(first, now);
    list.replaceChildren();
    add(first.lots);
    count.textContent = counted();
  });
  const counted = () => (first.count ? t(first.count === 1 ? "lots-one" : "lots-count", { n: first.count }) : t("nothing-yet"));
  const count = h("p", { class: "quiet" }, counted());
  return { update, el: h("div", { class: "page" }, h("h1", {}, t("page-lots")),
    count, list, more) };
}

// Asks again at most every five seconds, while the page is looked at.
function often(again) {
  let asked = performance.now();
  return () => {
    if (performance.now() - asked < 5000) return;
    asked = performance.now();
    again().catch(() => { /* the live line says when the box is not there */ });
  };
}

export async function lot(id) {
  const el = h("div", { class: "page" });
  let shown;
  const again = async () => {
    shown = await ask("GET", `/lots/${enc(id)}?language=${code()}`);
    el.replaceChildren(...leaf(id, shown, again));
  };
  // Sealed meanwhile: drawn anew, unless somebody is writing. Who ends a make comes here when the
  // kettle has let go of the lot and its seal is still to come.
  const soon = often(again);
  const update = (now) => {
    if (!shown.closed && !now.kettles.some((k) => k.lot === id) && !el.querySelector("details[open]")) soon();
  };
  await again();
  return { update, el };
}

function leaf(id, { lot: l, closed }, again) {
  const sheet = `/api/v1/lots/${enc(id)}/sheet.html?language=${code()}`;
  const move = async (m) => {
    const when = h("input", { type: "time", step: "1", value: clock(m.at) });
    const asked = await reasoned(t(`mark-${m.name}`), [[t("lot-strike"), ""], [t("keep"), () => when.value || null, "main"]], h("label", {}, t("lot-when"), when));
    if (asked) await entered(id, { [`mark.${m.name}.${m.at}`]: asked.value }, asked.reason, again, t(`mark-${m.name}`));
  };
  const marks = (l.mark ?? []).map((m) => h("li", {}, h("time", {}, clock(m.at)), h("span", {}, t(`mark-${m.name}`), m.value === undefined ? "" : ` ${number(m.value, 2)}`,
    m.text ? `: ${m.text}` : ""), m.by ? h("span", { class: "quiet" }, m.by) : "",
    // A pH is corrected by its own field.
    m.name === "ph" ? "" : h("button", { class: "small", "aria-label": `${t("plan-edit")}${colon()}${t(`mark-${m.name}`)} ${clock(m.at)}`, onclick: () => move(m) }, t("plan-edit"))));
  return [h("h1", {}, id),
    h("p", { class: "two" }, h("span", { class: "hand" }, `${l.product ?? ""} · ${day(l.opened)}`), h("span", { class: "print" }, t(closed ? "lot-closed" : "lot-open"))),
    (l.deviations ?? []).length ? h("section", { class: "faults" }, h("h2", {}, t("lot-deviations")), l.deviations.join("\n")) : "",
    entries(id, l, again),
    // On a telephone the sheet is read in a window of its own, where two fingers make it larger.
    h("a", { class: "line", href: sheet, target: "_blank" }, t("lot-sheet")), closed ? h("iframe", { src: sheet, title: t("lot-sheet"), sandbox: "" }) : "",
    marks.length ? h("h2", {}, t("marks")) : "", h("ol", { class: "log" }, marks)];
}

// What persons know of a lot, read when it is opened.
function entries(id, l, again) {
  const body = h("div", { class: "piece" });
  const box = h("details", { ontoggle: () => { if (box.open && !body.children.length) fill().catch((e) => notice(e.message)); } }, h("summary", {}, t("lot-enter")), body);
  const fill = async () => {
    const { fields, closed } = await ask("GET", `/lots/${enc(id)}/fields?language=${code()}`);
    const unit = (label) => /, (L|mL|h|°C|°SH)$|10$/.test(label);
    const all = fields.map((f) => ({ ...f, input: h("input", { value: f.value ?? "", autocomplete: "off", inputmode: unit(f.label) ? "decimal" : undefined }) }));
    const keep = async () => {
      const changed = all.filter((f) => f.input.value.trim() !== (f.value ?? ""));
      if (!changed.length) return;
      // The daemon refuses it too, but in English and without leading there.
      const odd = changed.find((f) => unit(f.label) && isNaN(f.input.value.trim().replace(",", ".")));
      if (odd) { lacks(odd.input, t("number-lacks")); return; }
      const stands = closed || changed.some((f) => f.value !== null);
      const asked = stands ? await reasoned(t("lot-enter"), [[t("keep"), () => "", "main"]]) : {};
      const values = Object.fromEntries(changed.map((f) => [f.field, f.input.value.trim()]));
      if (asked) await entered(id, values, asked.reason, again, changed.map((f) => f.label).join(", "));
    };
    const wheel = h("input", { value: String((l.wheel ?? []).length + 1), autocomplete: "off" });
    const kg = h("input", { inputmode: "decimal", autocomplete: "off" });
    const weighed = () => {
      const weight = Number(kg.value.trim().replace(",", "."));
      if (!(weight > 0)) { lacks(kg, t("number-lacks")); return; }
      kept(again, `${t("lot-wheel")} ${wheel.value}`, () => ask("POST", `/lots/${enc(id)}/wheels`, { wheel: wheel.value.trim(), kg: weight, by: who() }));
    };
    body.append(h("div", { class: "fields" }, all.map((f) => h("label", {}, f.label[0].toUpperCase() + f.label.slice(1), f.input))), h("div", { class: "acts" }, h("button", { class: "main", onclick: keep }, t("keep"))),
      (l.wheel ?? []).length ? h("p", {}, l.wheel.map((w) => `${w.wheel}: ${w.kg === undefined ? "–" : `${number(w.kg, 2)} kg`}`).join(" · ")) : "",
      h("div", { class: "fields" }, h("label", {}, t("lot-wheel"), wheel), h("label", {}, t("lot-kg"), kg), h("button", { onclick: weighed }, t("keep"))));
  };
  return box;
}

// Asks why something that stands is changed, and who changes it where that is not known.
async function reasoned(title, buttons, more) {
  const [why, name] = [h("input", { autocomplete: "off" }), h("input", { maxlength: 60, autocomplete: "name", value: who() ?? "" })];
  const whole = (value) => () => {
    const said = typeof value === "function" ? value() : value;
    if (said === null) return null;
    for (const [input, words] of [[why, "lot-why-lacks"], [name, "lot-who-lacks"]]) if (!input.value.trim()) { lacks(input, t(words)); return null; }
    localStorage.setItem("name", name.value.trim());
    return { value: said, reason: why.value.trim() };
  };
  return dialog(title, h("div", { class: "fields" }, more, h("label", {}, t("lot-why"), why), who() ? "" : h("label", {}, t("setup-name"), name)),
    [[t("cancel"), undefined], ...buttons.map(([label, value, kind]) => [label, whole(value), kind])]);
}

const entered = (id, fields, reason, again, words) => kept(again, words, () => ask("POST", `/lots/${enc(id)}/fields`, { fields, reason, by: who() }));

async function kept(again, words, sent) {
  try {
    await sent();
    notice(t("marked", { mark: words }));
    await again();
  } catch (e) {
    notice(e.message);
  }
}

export async function season() {
  const { lots: all } = await ask("GET", "/season");
  const byScore = { on: false };
  const body = h("tbody");
  const draw = () => body.replaceChildren(...[...all].sort((a, b) => (byScore.on ? (b.score ?? -1) - (a.score ?? -1) : 0)).map((l) => h("tr", {},
    h("th", { scope: "row" }, h("a", { href: `#lot/${enc(l.id)}` }, l.id)), h("td", { class: "n hand" }, l.over_celsius == null ? "" : (l.over_celsius >= 0.05 ? "+" : "") + number(l.over_celsius)),
    h("td", { class: "n hand" }, l.peak_celsius == null ? "" : number(l.peak_celsius)), h("td", { class: "n" }, l.minutes == null ? "" : String(l.minutes)),
    h("td", { class: "n" }, l.kg_per_100l == null ? "" : number(l.kg_per_100l)), h("td", { class: "n" }, l.deviations ? String(l.deviations) : ""))));
  draw();
  const th = (key) => h("th", { scope: "col", class: "n" }, t(key));
  return { el: h("div", { class: "page" }, h("h1", {}, t("page-season")), all.length ? picture(all) : h("p", {}, t("nothing-yet")),
    h("button", { onclick: () => { byScore.on = !byScore.on; draw(); } }, t("season-best")),
    h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": t("page-season") }, h("table", {}, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, t("lot")), th("season-over"), th("season-peak"), th("season-length"),
      th("season-yield"), th("season-deviations"))), body))) };
}

// How far each cook ended from its target, the oldest left: the season at a glance.
function picture(all) {
  const shown = all.filter((l) => l.over_celsius != null).slice(0, 120).reverse();
  if (shown.length < 2) return "";
  const ns = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(ns, "svg");
  const make = (name, attributes, words) => { const e = document.createElementNS(ns, name); for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v); if (words) e.textContent = words; svg.append(e); };
  const [width, mid, high] = [Math.min(980, innerWidth - 26), 76, 56];
  svg.setAttribute("viewBox", `0 0 ${width} 172`);
  svg.setAttribute("class", "season");
  svg.setAttribute("role", "img");
  const far = shown.map((l) => Math.abs(l.over_celsius));
  svg.setAttribute("aria-label", `${t("season-over")}, °C: ${shown.map((l) => `${l.id} ${number(l.over_celsius)}`).join(", ")}`);
  const most = Math.max(1, ...far);
  const y = (celsius) => mid - (celsius / most) * high;
  const signed = (celsius) => (celsius > 0 ? "+" : "") + number(celsius);
  for (const c of [most, most / 2, 0, -most / 2, -most]) {
    make("path", { d: `M52 ${y(c)}H${width}`, stroke: "var(--rule)", "stroke-width": c ? 0.6 : 2 });
    make("text", { x: 46, y: y(c) + 4.5, "text-anchor": "end" }, signed(c));
  }
  const apart = (width - 90) / (shown.length - 1);
  shown.forEach((l, i) => {
    const [x, colour] = [68 + i * apart, far[i] > 0.5 ? "var(--crayon)" : "var(--hand)"];
    make("path", { d: `M${x} ${mid}V${y(l.over_celsius)}`, stroke: colour, "stroke-width": 3 });
    make("circle", { cx: x, cy: y(l.over_celsius), r: Math.min(6, Math.max(2.5, apart / 2.4)), fill: colour });
  });
  make("text", { x: 52, y: 160 }, day(shown[0].opened));
  make("text", { x: width - 8, y: 160, "text-anchor": "end" }, day(shown.at(-1).opened));
  return h("figure", {}, h("figcaption", { class: "print" }, `${t("season-over")}, °C`), svg);
}
