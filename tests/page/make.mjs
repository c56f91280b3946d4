// A whole make, rehearsed by the real daemon: watched, an alarm taken, a mark set and found in the lot;
// the daemon killed and back.
import { readFileSync } from "node:fs";
import { createServer } from "node:net";
import { join } from "node:path";
import { browser, check, counted, folder, Program, until } from "./browser.mjs";

const SPEED = "120";
// The make takes a minute; on a busy machine the day is slower, never different.
const MAKE_MS = 300000;
const data = folder("make");
// A free port, so that the page finds the daemon again at the same place.
const port = await new Promise((done) => { const s = createServer().listen(0, "127.0.0.1", () => { const p = s.address().port; s.close(() => done(p)); }); });
const rehearse = () => new Program("curdtrace", ["rehearse", "--data", data, "--speed", SPEED, "--page", `127.0.0.1:${port}`], "stderr");
const url = `http://127.0.0.1:${port}`;
const complaints = [];
let quiet = false;

const began = Date.now();
let daemon = rehearse();
const { context, close } = await browser();
try {
  await daemon.line(/the page is at/);
  const page = await context.newPage();
  page.on("console", (m) => { if (m.type() === "error" && !quiet) complaints.push(m.text()); });
  page.on("pageerror", (e) => complaints.push(String(e)));
  await page.setViewportSize({ width: 360, height: 740 });
  await page.goto(url);
  await page.evaluate(() => localStorage.setItem("name", "Nives"));
  const state = () => page.evaluate(() => fetch("/api/v1/state").then((r) => r.json()));
  const stages = new Set();
  const watch = async () => { const k = (await state()).kettles[0]; for (const s of k ? [k, ...k.stages] : []) stages.add(s.stage); return k; };

  await until(async () => (await watch())?.stage === "warming", "warming is seen");
  await until(async () => /\d\d[.,]\d/.test(await page.locator(".big").textContent()), "the number stands there");
  await until(() => page.locator(".curve svg").first().isVisible(), "the curve is drawn");

  // An alarm that nobody of the rehearsal takes: taken here with one press.
  await until(() => page.locator(".also button, #slip button").first().isVisible().catch(() => false), "an alarm shows");
  const alarm = (await state()).kettles[0].alarms.find((a) => a.untaken)?.alarm;
  await page.locator(".also button, #slip button").first().click();
  await until(async () => !(await watch()).alarms.some((a) => a.alarm === alarm && a.untaken), `${alarm} is taken`);

  // A mark: the note waits for its undo, then it is part of the make.
  await page.click(".marks button[data-mark=note]");
  await page.fill("dialog textarea", "larch smoke, wind from the pass");
  await page.click("dialog .main");
  await until(() => page.locator("#undo").isVisible(), "the undo is offered");
  await until(async () => (await watch()).marks.some((m) => m.text?.startsWith("larch") && m.held_s === undefined && m.by === "Nives"), "the mark is taken in");
  await until(async () => (await page.locator(".log").first().textContent()).includes("larch smoke"), "and stands on the sheet");
  const lot = (await state()).kettles[0].lot;
  check(lot, "a lot is open");

  await until(async () => { await watch(); return stages.has("cooking"); }, () => `cooking is seen; had ${[...stages]}`, MAKE_MS);
  await until(async () => { await watch(); return stages.has("stirring") || stages.has("drawing"); }, () => `the cook ends; had ${[...stages]}`, MAKE_MS);
  const closed = async () => page.evaluate((id) => fetch(`/api/v1/lots/${encodeURIComponent(id)}`).then((r) => r.json()), lot);
  await until(async () => { await watch(); return (await closed()).closed === true; }, () => `the lot ${lot} closes; had ${[...stages]}`, MAKE_MS);
  const record = (await closed()).lot;
  check(record.mark.some((m) => m.text?.startsWith("larch") && m.by === "Nives"), `the mark is in the lot: ${JSON.stringify(record.mark)}`);
  check(record.alarm.some((a) => a["taken-by"] === "Nives"), `who took the alarm is in the lot: ${JSON.stringify(record.alarm.map((a) => [a.alarm, a["taken-by"]]))}`);
  check(readFileSync(join(data, "lots", lot, "trace.lp"), "utf8").includes("larch") || readFileSync(join(data, "lots", lot, "lot.toml"), "utf8").includes("larch"), "on disk too");

  // Seen on the lot's own page, with its sheet.
  await page.evaluate((id) => { location.hash = `#lot/${id}`; }, lot);
  await until(async () => (await page.locator(".page .log").textContent()).includes("larch smoke"), "the lot's page shows the mark");
  const sheet = page.frameLocator("iframe");
  await until(async () => (await sheet.locator("svg").count()) > 0, "and the sheet with its curve");
  await page.evaluate(() => { location.hash = ""; });

  // Killed and back: said, then recovered from, without a touch.
  quiet = true;
  await daemon.end("SIGKILL");
  await until(() => page.locator("#cut").isVisible(), "cut off is said");
  daemon = rehearse();
  await daemon.line(/the page is at/);
  const back = Date.now();
  await until(() => page.locator("#cut").isHidden(), "the page comes back by itself");
  console.log(`the page is back ${((Date.now() - back) / 1000).toFixed(1)} s after the daemon`);
  quiet = false;
  await until(async () => (await state()).kettles.length === 0 || !(await page.locator(".now.bad").count()), "and shows live numbers again");
  check(!complaints.length, `the browser complains of nothing: ${[...new Set(complaints)].slice(0, 5).join("\n")}`);
  console.log(`make: stages seen ${[...stages].join(", ")}; ${counted()} checks passed in ${((Date.now() - began) / 1000).toFixed(0)} s`);
} finally {
  await close();
  await daemon.end("SIGKILL");
}
