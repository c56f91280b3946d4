// Lots, a lot's sheet, the season.
import { h, ask, enc } from "./dom.js";
import { t, number, day, clock } from "./words.js";

export async function lots() {
  const first = await ask("GET", "/lots?limit=50");
  const list = h("div", { class: "menu" });
  const more = h("button", { onclick: async () => add((await ask("GET", `/lots?limit=50&before=${enc(last)}`)).lots) }, "…");
  let last = "";
  const add = (some) => {
    for (const l of some) {
      list.append(h("a", { class: "line", href: `#lot/${enc(l.id)}` }, h("span", {}, l.id, h("span", { class: "print" }, ` ${l.plan ?? ""}`)),
        h("span", { class: "print" }, t(l.closed ? "lot-closed" : "lot-open"))));
      last = l.id;
    }
    more.hidden = list.children.length >= first.count;
  };
  add(first.lots);
  return { el: h("div", { class: "page" }, h("h1", {}, t("page-lots")), h("p", { class: "quiet" }, first.count ? t("lots-count", { n: first.count }) : t("nothing-yet")), list, more) };
}

export async function lot(id) {
  const said = await ask("GET", `/lots/${enc(id)}`);
  const el = h("div", { class: "page" }, h("h1", {}, id),
    h("iframe", { src: `/api/v1/lots/${enc(id)}/sheet.html`, title: t("lot-sheet"), sandbox: "" }));
  void said;
  return { el };
}

export async function season() {
  const { lots: all } = await ask("GET", "/season");
  return { el: h("div", { class: "page" }, h("h1", {}, t("page-season")), all.map((l) => h("p", {}, l.id))) };
}
