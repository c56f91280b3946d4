// The make sheet as a screen reader reads it: Chromium's accessibility tree, in order.
//     PAGE_KEPT=target/page-tests node tests/page/read_aloud.mjs SHEET.html
// prints it; without a file a make is rehearsed and its sheet judged.
import { readdirSync } from "node:fs";
import { join, resolve } from "node:path";
import { browser, check, counted, folder, Program } from "./browser.mjs";

const SILENT = ["none", "generic", "InlineTextBox", "StaticText", "ListMarker"];

// Role, words and depth of all that is told, in reading order.
async function told(context, file) {
  const page = await context.newPage();
  await page.goto(`file://${resolve(file)}`);
  const cdp = await context.newCDPSession(page);
  const { nodes } = await cdp.send("Accessibility.getFullAXTree");
  const by = new Map(nodes.map((n) => [n.nodeId, n]));
  const out = [];
  const words = (n) => (n.role?.value === "StaticText" ? n.name?.value ?? "" : (n.childIds ?? []).map((c) => (by.has(c) ? words(by.get(c)) : "")).join(""));
  const walk = (n, depth) => {
    const role = n.role?.value;
    const tells = !n.ignored && !SILENT.includes(role);
    if (tells) out.push({ role, depth, words: n.name?.value || words(n), more: n.description?.value ?? "" });
    for (const c of n.childIds ?? []) if (by.has(c)) walk(by.get(c), depth + (tells ? 1 : 0));
  };
  walk(nodes[0], 0);
  await page.close();
  return out;
}

const { context, close } = await browser();
try {
  if (process.argv[2]) {
    for (const t of await told(context, process.argv[2])) console.log(`${" ".repeat(t.depth)}${t.role}: ${t.words}${t.more ? ` [${t.more}]` : ""}`);
  } else {
    const data = folder("read-aloud");
    const make = new Program("curdtrace", ["rehearse", "--once", "--speed", "20000", "--data", data]);
    const lot = await make.line(new RegExp(`^${data}/lots/`), 300000);
    check(readdirSync(lot).includes("sheet.html"), "the make left a sheet");
    const all = await told(context, join(lot, "sheet.html"));
    const at = (role, words) => all.findIndex((t) => t.role === role && words.test(t.words));
    const order = [["heading", /./], ["term", /^Day$/], ["heading", /^To look at first$/], ["image", /^Temperature of lot/], ["table", /^Stages$/],
      ["heading", /^Milk$/], ["table", /^Alarms$/], ["heading", /^Instruments$/], ["heading", /^Corrected/], ["contentinfo", /./]].map(([r, w]) => [at(r, w), `${r} ${w}`]);
    order.forEach(([place, what], i) => check(place >= 0 && (i === 0 || place > order[i - 1][0]), `${what} is read, and in its place: ${order}`));
    const curve = all[at("image", /./)];
    check(/Highest \d+\.\d °C at \d\d:\d\d\. Stages: warming from/i.test(curve.more), `the curve is told in words: ${curve.more}`);
    check(!curve.words.includes("Highest"), "and once only");
    const columns = all.filter((t) => t.role === "columnheader").map((t) => t.words);
    for (const c of ["Stage", "planned", "took", "target", "reached"]) check(columns.includes(c), `the column ${c} has a head`);
    for (const s of ["warming", "setting", "cutting", "cooking"]) check(at("rowheader", new RegExp(`^${s}$`, "i")) > 0, `the row ${s} has a head`);
    // What was reached stands in the row of the warming, too, not only of the cook.
    const row = all.slice(at("rowheader", /^warming$/i)).slice(1, 8).map((t) => t.words);
    check(row.filter((c) => /^\d+(\.\d)? °C$/.test(c)).length === 2, `target and what was reached: ${row.join(" | ")}`);
    await make.end();
    console.log(`read aloud: ${counted()} checks passed, ${all.length} things told`);
  }
} finally {
  await close();
}
