// Plans: chosen, and edited with their points and bands. The text is what is kept; the form writes it.
import { h, ask, enc, who, notice, confirm } from "./dom.js";
import { lacks } from "./setup.js";
import { t, number, colon } from "./words.js";

const KINDS = ["warming", "ripening", "setting", "cutting", "cooking", "stirring", "settling", "drawing", "whey-heating", "whey-resting"];

export async function plans(_, state) {
  const { plans: all } = await ask("GET", "/plans");
  const kettles = state()?.kettles ?? [];
  const follow = async (id, k, act) => {
    // In the middle of a make its target goes with the plan, and with it the call before it.
    const now = state()?.kettles.find((one) => one.kettle === k);
    if (now && now.stage !== "idle") {
      const target = now.target_celsius === undefined ? "" : ` ${t("plan-change-target", { target: number(now.target_celsius) })}`;
      if (!(await confirm(t("plan-change-sure") + target, act))) return;
    }
    await ask("POST", `/kettles/${enc(k)}/plan`, { plan: id, by: who() }).then(() => { location.hash = ""; }, (e) => notice(e.message));
  };
  // Says on the button what it does, and again where it is asked whether it shall be done.
  const choice = (id, k, act, cls) => h("button", { class: cls, onclick: () => follow(id, k, act) }, act);
  const el = h("div", { class: "page" }, h("h1", {}, t("page-plans")),
    kettles.map((k) => h("p", {}, h("b", {}, k.kettle), `${colon()}${k.plan ?? t("no-plan")}`)),
    all.length ? "" : h("p", {}, t("nothing-yet")),
    all.map((p) => h("section", { class: "piece", "aria-label": p.name }, h("h2", {}, p.name),
      p.faults ? h("p", { class: "faults" }, p.faults.join("\n")) : h("p", {}, p.stages.map(words).join(" → ")),
      h("div", { class: "acts" },
        p.faults ? "" : kettles.map((k) => choice(p.id, k.kettle, t("plan-follow", { kettle: k.kettle }), "main")),
        h("button", { onclick: () => { location.hash = `#plan/${enc(p.id)}`; } }, t("plan-edit"))))),
    h("div", { class: "acts" }, h("button", { onclick: () => { location.hash = "#plan/"; } }, t("plan-new")),
      kettles.map((k) => choice(null, k.kettle, `${t("plan-none")}${colon()}${k.kettle}`))));
  return { el };
}

const words = (s) => [t(`stage-${s.stage}`), s.to_celsius != null && `${number(s.to_celsius)} °C`, s.minutes != null && `${s.minutes} min`].filter(Boolean).join(" ");

const blank = () => ({ name: "", reaction_s: 18, tolerance_celsius: 0.5, get_ready_minutes: 5, stages: [
  { kind: "warming", to_celsius: 32, points: [] }, { kind: "setting", minutes: 35, points: [] }, { kind: "cutting", minutes: 10, points: [] },
  { kind: "cooking", to_celsius: 41, minutes: 30, points: [] }, { kind: "drawing", points: [] }] });

export async function plan(id) {
  const kept = id ? await ask("GET", `/plans/${enc(id)}`) : { plan: blank() };
  const el = h("div", { class: "page" });
  const area = h("textarea", { rows: 24, spellcheck: "false", "aria-label": t("plan-as-text"), value: kept.toml ?? "" });
  const faults = h("p", { class: "faults", role: "alert", hidden: true });
  const model = kept.plan ?? null;
  const asText = { on: !model };

  const save = async () => {
    const toml = asText.on ? area.value : written(model, kept.toml);
    const called = asText.on ? toml.match(/^\s*name\s*=\s*["'](.*)["']/m)?.[1] : model.name;
    if (!called?.trim() && !(id && asText.on)) {
      lacks(asText.on ? area : el.querySelector(".fields input"), t("plan-nameless"));
      return;
    }
    const name = id || slug(called);
    try {
      // A new plan must not take the place of another unasked.
      if (!id && (await ask("GET", "/plans")).plans.some((p) => p.id === name) && !(await confirm(t("plan-replace-sure"), t("plan-save")))) return;
      await ask("PUT", `/plans/${enc(name)}`, { toml });
      notice(t("plan-kept"));
      location.hash = "#plans";
    } catch (e) {
      faults.hidden = false;
      faults.textContent = [t("plan-faults"), ...(e.faults ?? [e.message])].join("\n");
    }
  };
  const remove = async () => {
    if (await confirm(t("plan-delete-sure"), t("plan-delete"))) await ask("DELETE", `/plans/${enc(id)}`).then(() => { location.hash = "#plans"; }, (e) => notice(e.message));
  };
  const draw = () => el.replaceChildren(h("h1", {}, model?.name || id || t("plan-new")), faults,
    asText.on ? area : form(model, draw),
    h("div", { class: "acts" }, h("button", { class: "main", onclick: save }, t("plan-save")),
      asText.on ? "" : h("button", { onclick: () => { area.value = written(model, kept.toml); asText.on = true; draw(); } }, t("plan-as-text")),
      id ? h("button", { onclick: remove }, t("plan-delete")) : ""));
  draw();
  return { el };
}

function form(model, draw) {
  const field = (label, owner, key, type = "number", step = "any") => {
    const input = h("input", { type, step, value: owner[key] ?? "", inputmode: type === "number" ? "decimal" : null,
      onchange: () => { owner[key] = type !== "number" ? input.value : input.value === "" ? undefined : Number(input.value); } });
    return h("label", {}, label, input);
  };
  const move = (i, d) => () => { const [s] = model.stages.splice(i, 1); model.stages.splice(Math.max(0, i + d), 0, s); draw(); };
  const stage = (s, i) => {
    const kind = h("select", { "aria-label": t("stage"), onchange: () => { s.kind = kind.value; } }, KINDS.map((k) => h("option", { value: k }, t(`stage-${k}`))));
    kind.value = s.kind;
    const tick = h("input", { type: "checkbox", onchange: () => { s.optional = tick.checked; } });
    tick.checked = Boolean(s.optional);
    return h("section", { class: "piece", "aria-label": t(`stage-${s.kind}`) }, h("div", { class: "fields" }, kind, field(t("plan-to"), s, "to_celsius"), field(t("plan-minutes"), s, "minutes"),
      field(t("plan-band"), s, "band_celsius"), h("label", { class: "tick" }, tick, t("plan-optional"))),
    s.points.length ? h("p", { class: "print" }, t("plan-points")) : "",
    s.points.map((p, n) => h("div", { class: "fields" }, field(t("plan-minute"), p, 0), field("°C", p, 1),
      h("button", { onclick: () => { s.points.splice(n, 1); draw(); } }, t("plan-remove")))),
    h("div", { class: "acts" }, h("button", { onclick: () => { s.points.push([(s.points.at(-1)?.[0] ?? -10) + 10, s.points.at(-1)?.[1] ?? s.to_celsius ?? 32]); draw(); } }, t("plan-add-point")),
      i ? h("button", { onclick: move(i, -1) }, t("plan-up")) : "",
      h("button", { onclick: () => { model.stages.splice(i, 1); draw(); } }, t("plan-remove"))));
  };
  return h("div", { class: "page" }, h("div", { class: "fields" }, field(t("plan-name"), model, "name", "text"), field(t("plan-reaction"), model, "reaction_s"),
    field(t("plan-tolerance"), model, "tolerance_celsius"), field(t("plan-ready"), model, "get_ready_minutes")),
  model.stages.map(stage),
  h("div", { class: "acts" }, h("button", { onclick: () => { model.stages.push({ kind: "stirring", points: [] }); draw(); } }, t("plan-add-stage"))));
}

const slug = (name) => name.toLowerCase().normalize("NFD").replace(/[^a-z0-9]+/g, "-").replace(/^-+|-+$/g, "").slice(0, 60) || "plan";

// The form's plan as TOML. Sections that the form does not show (rennet, alarms) are carried over as they stand.
function written(m, before) {
  const out = [];
  const put = (key, v) => { if (v !== undefined && v !== null && v !== "") out.push(`${key} = ${typeof v === "string" ? JSON.stringify(v) : Array.isArray(v) ? JSON.stringify(v.map(([a, b]) => [a, b])) : v}`); };
  put("name", m.name); put("reaction-s", m.reaction_s); put("tolerance-celsius", m.tolerance_celsius);
  put("get-ready-minutes", m.get_ready_minutes);
  if (m.altitude_m) put("altitude-m", m.altitude_m);
  put("litres", m.litres);
  const rest = keptSections(before);
  if (rest.head) out.push(rest.head);
  for (const s of m.stages) {
    out.push("", "[[stage]]");
    put("kind", s.kind); put("to-celsius", s.to_celsius); put("minutes", s.minutes);
    if (s.optional) put("optional", true);
    if (s.points?.length) put("points", s.points);
    put("band-celsius", s.band_celsius);
  }
  if (rest.tables) out.push("", rest.tables);
  return out.join("\n") + "\n";
}

const SHOWN = /^(name|reaction-s|tolerance-celsius|get-ready-minutes|altitude-m|litres)\s*=/;
function keptSections(before) {
  const head = [], tables = [];
  let into = head;
  for (const line of (before ?? "").split("\n")) {
    const table = line.match(/^\s*\[+\s*([\w.-]+)/);
    if (table) into = table[1] === "stage" ? null : tables;
    if (into === tables || (into === head && /^[\w-]+\s*=/.test(line) && !SHOWN.test(line))) into.push(line);
  }
  return { head: head.join("\n"), tables: tables.join("\n").trim() };
}
