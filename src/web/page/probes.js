// The probes: what each reads, its health, its calibration.
import { h, ask, text, flag } from "./dom.js";
import { t, number, day, colon } from "./words.js";
import { aged, health, reason } from "./sheet.js";

export async function probes() {
  const list = h("div", { class: "page" });
  let shown = [];
  let asked = performance.now();
  let answered = asked;
  const draw = ({ probes: all }) => {
    answered = performance.now();
    shown = all.map((p) => [p, h("span", {})]);
    const line = (label, value, cls) => h("div", { class: "two" }, h("span", { class: "print" }, label), h("span", { class: cls ?? "hand" }, value));
    list.replaceChildren(h("h1", {}, t("page-probes")), ...(all.length ? [] : [h("p", {}, t("nothing-yet"))]),
      ...shown.map(([p, reads]) => h("section", { class: "piece", "aria-label": p.probe }, h("h2", {}, p.probe),
        line(t("probe-reading"), reads),
        line(t("probe-health"), health(p) + (p.reason && p.reason_key !== "why-lifted" ? colon() + reason(p) : ""), p.health === "good" ? "hand" : "failed"),
        line(t("probe-scatter"), p.roughness_celsius === undefined ? "–" : `${number(p.roughness_celsius, 3)} °C`),
        line(t("probe-calibrated"), p.calibrated ? `${day(p.calibrated.time)} ${p.calibrated.by ?? ""}` : t("probe-never")),
        p.calibrated?.due ? line(t("probe-due"), day(p.calibrated.due)) : "",
        h("p", { class: "quiet" }, t("probe-how", { probe: /^[\w.-]+$/.test(p.probe) ? p.probe : `"${p.probe}"` })))));
    tick(0, null);
  };
  // An old number looks it here too, and one that is not trusted; it grows older while nothing comes.
  const tick = (extra, lost) => shown.forEach(([p, reads]) => {
    const age = (p.age_s ?? 0) + Math.max(extra, (performance.now() - answered) / 1000);
    text(reads, p.celsius === undefined ? t("no-number") : `${number(p.celsius, 2)}\u00a0°C · ${aged(age)}`);
    flag(reads, "failed", p.celsius === undefined && p.health === "failure");
    flag(reads, "struck", p.celsius !== undefined && (lost || age > p.old_after_s || p.health !== "good"));
  });
  draw(await ask("GET", "/probes"));
  return { el: list, tick, update: async () => {
    if (performance.now() - asked < 2000) return;
    asked = performance.now();
    await ask("GET", "/probes").then(draw, () => {});
  } };
}
