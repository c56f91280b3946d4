// The probes: what each reads, its health, its calibration.
import { h, ask } from "./dom.js";
import { t, number, day } from "./words.js";
import { reason } from "./sheet.js";

export async function probes() {
  const list = h("div", { class: "page" });
  const draw = ({ probes: all }) => {
    const line = (label, value, cls) => h("div", { class: "two" }, h("span", { class: "print" }, label), h("span", { class: cls ?? "hand" }, value));
    list.replaceChildren(h("h1", {}, t("page-probes")), ...(all.length ? [] : [h("p", {}, t("nothing-yet"))]),
      ...all.map((p) => h("section", { class: "piece", "aria-label": p.probe }, h("h2", {}, p.probe),
        line(t("probe-reading"), p.celsius === undefined ? t("no-number") : `${number(p.celsius, 2)} °C · ${t("old-age", { s: Math.round(p.age_s) })}`),
        line(t("probe-health"), t(`health-${p.health}`) + (p.reason ? `: ${reason(p)}` : ""), p.health === "good" ? "hand" : "failed"),
        line(t("probe-scatter"), p.roughness_celsius === undefined ? "–" : `${number(p.roughness_celsius, 3)} °C`),
        line(t("probe-calibrated"), p.calibrated ? `${day(p.calibrated.time)} ${p.calibrated.by ?? ""}` : t("probe-never")),
        p.calibrated?.due ? line(t("probe-due"), day(p.calibrated.due)) : "",
        h("p", { class: "quiet" }, t("probe-how", { probe: /^[\w.-]+$/.test(p.probe) ? p.probe : `"${p.probe}"` })))));
  };
  draw(await ask("GET", "/probes"));
  let asked = performance.now();
  return { el: list, update: async () => {
    if (performance.now() - asked < 2000) return;
    asked = performance.now();
    await ask("GET", "/probes").then(draw, () => {});
  } };
}
