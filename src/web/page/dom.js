// Small things that every view needs: making elements, changing text without churn, asking the daemon.
import { t } from "./words.js";

export function h(tag, props, ...children) {
  const el = document.createElement(tag);
  for (const [k, v] of Object.entries(props ?? {})) {
    if (v === undefined || v === null || v === false) continue;
    if (k.startsWith("on")) el.addEventListener(k.slice(2), v);
    else if (k === "class") el.className = v;
    else if (k === "value") el.value = v;
    else el.setAttribute(k, v === true ? "" : v);
  }
  el.append(...children.flat().filter((c) => c !== undefined && c !== null && c !== false));
  return el;
}

const SVG = "http://www.w3.org/2000/svg";
export function icon(name) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("class", "icon");
  svg.setAttribute("aria-hidden", "true");
  const use = document.createElementNS(SVG, "use");
  use.setAttribute("href", `#i-${name}`);
  svg.append(use);
  return svg;
}

export function text(el, value) {
  if (el.textContent !== value) el.textContent = value;
}

export function flag(el, name, on) {
  if (el.classList.contains(name) !== !!on) el.classList.toggle(name, !!on);
}

export const enc = encodeURIComponent;
export const who = () => localStorage.getItem("name") || undefined;

// The PIN is typed once a device; whoever asks waits for it.
let pinAsker = null;
export const onPin = (asker) => { pinAsker = asker; };

export async function ask(method, path, body) {
  const init = { method, headers: {} };
  if (body !== undefined) {
    init.headers["content-type"] = "application/json";
    init.body = JSON.stringify(body);
  }
  const answer = await fetch(`/api/v1${path}`, { ...init, signal: AbortSignal.timeout(8000) }).catch(() => { throw new Error(t("no-answer")); });
  if (answer.status === 401 && pinAsker && (await pinAsker())) return ask(method, path, body);
  if (answer.status === 204) return null;
  const said = await answer.json().catch(() => ({ error: answer.statusText }));
  if (!answer.ok) throw Object.assign(new Error(said.error), { faults: said.faults, status: answer.status });
  return said;
}

// A question that fills the lower screen; resolves with the value, or undefined. One that is null keeps it open.
export function dialog(title, content, buttons) {
  return new Promise((done) => {
    const finish = (v) => { box.close(); box.remove(); done(v); };
    const row = h("div", { class: "row" });
    const form = h("form", { method: "dialog" }, h("h2", { id: "ask-title" }, title), content, row);
    const box = h("dialog", { class: "ask", "aria-labelledby": "ask-title" }, form);
    for (const [label, value, kind] of buttons) {
      row.append(h("button", { type: kind === "main" ? "submit" : "button", class: kind ?? "",
        onclick: async (e) => {
          e.preventDefault();
          const v = typeof value === "function" ? await value() : value;
          if (v !== null) finish(v);
        } }, label));
    }
    box.addEventListener("cancel", () => finish(undefined));
    document.body.append(box);
    box.showModal();
  });
}

export const confirm = (question, yes) => dialog(question, "", [[t("cancel"), false], [yes, true, "main"]]);

let noticeTimer = 0;
export function notice(words) {
  const bar = document.getElementById("notice");
  text(bar, words);
  bar.hidden = false;
  clearTimeout(noticeTimer);
  noticeTimer = setTimeout(() => { bar.hidden = true; }, 8000);
}
