// How soon the page can be read and used: the first load's bytes, held to their limit; and on a processor
// slowed by the browser itself, the first number on the screen and the answer of a big button, told and not judged:
// the clock of a machine that is busy with other things measures those.
import { availableParallelism, loadavg } from "node:os";
import { browser, check, counted, folder, pause, Program, until } from "./browser.mjs";

const ROUNDS = Number(process.env.SPEED_ROUNDS ?? 5);
const MOST_BYTES = 100_000;
const server = new Program("examples/page_scenes", ["--data", folder("speed")]);
const url = await server.line(/^http:/);
const { context, close } = await browser();

// In the page, before its own scripts: tells when the number has been painted, when a pressed mark leaves for the
// daemon and when its undo is offered. It tells by the console, since asking the page would cost it what is measured.
function stopwatch() {
  const told = new Set();
  const tell = (what, ...more) => { if (!told.has(what)) { told.add(what); console.debug("stopwatch", what, Math.round(performance.now()), ...more); } };
  const look = () => {
    const big = document.querySelector(".sheet .big");
    if (!big?.textContent.match(/\d/)) { requestAnimationFrame(look); return; }
    // The frame that holds it is on the screen when the one after it begins.
    requestAnimationFrame(() => requestAnimationFrame(() => {
      const r = document.querySelector(".quick button").getBoundingClientRect();
      tell("number", r.x + r.width / 2, r.y + r.height / 2);
    }));
  };
  requestAnimationFrame(look);
  const { fetch } = globalThis;
  globalThis.fetch = (to, init) => { if (init?.method === "POST") tell("button"); return fetch(to, init); };
  addEventListener("DOMContentLoaded", () => {
    const undo = document.getElementById("undo");
    new MutationObserver(() => { if (!undo.hidden) requestAnimationFrame(() => requestAnimationFrame(() => tell("undo"))); }).observe(undo, { attributes: true });
  });
}

// One load; a real press where the first big button lies, as soon as the number is there.
async function load(page, devtools) {
  const took = {};
  const told = new Map();
  const heard = ["number", "button", "undo"].map((what) => new Promise((done) => told.set(what, done)));
  const hear = (m) => {
    const [word, what, at, ...more] = m.text().split(" ");
    if (word !== "stopwatch") return;
    took[what] = Number(at);
    told.get(what)(more.map(Number));
  };
  page.on("console", hear);
  await page.goto(url, { waitUntil: "commit" });
  const [x, y] = await heard[0];
  for (const type of ["mousePressed", "mouseReleased"]) await devtools.send("Input.dispatchMouseEvent", { type, x, y, button: "left", clickCount: 1 });
  await Promise.all(heard);
  page.off("console", hear);
  await page.click("#undo button");
  await page.waitForFunction(() => document.getElementById("undo").hidden);
  return took;
}

async function firstBytes(page, devtools) {
  await devtools.send("Network.enable");
  // What goes over the line, heads included; of the live line its first word.
  let bytes = 0;
  const live = new Map();
  devtools.on("Network.requestWillBeSent", (e) => { if (e.request.url.endsWith("/live")) live.set(e.requestId, 0); });
  devtools.on("Network.dataReceived", (e) => { if (!live.get(e.requestId)) bytes += e.dataLength; if (live.has(e.requestId)) live.set(e.requestId, 1); });
  devtools.on("Network.responseReceived", (e) => { bytes += e.response.headersText?.length ?? 500; });
  await page.goto(url);
  await page.waitForFunction(() => document.querySelector(".sheet .big")?.textContent.match(/\d/) && document.querySelector(".curve svg"));
  let before = -1;
  await until(async () => { const same = bytes === before; before = bytes; await pause(500); return same; }, "the first load ends");
  return bytes;
}

try {
  const page = await context.newPage();
  await page.setViewportSize({ width: 360, height: 740 });
  const devtools = await context.newCDPSession(page);
  await devtools.send("Network.setCacheDisabled", { cacheDisabled: true });
  const bytes = await firstBytes(page, devtools);
  console.log(`first load: ${(bytes / 1000).toFixed(1)} kB with heads`);
  check(bytes <= MOST_BYTES, `first load of ${bytes} bytes`);
  await page.addInitScript(stopwatch);
  for (const slower of [1, 4, 6]) {
    await devtools.send("Emulation.setCPUThrottlingRate", { rate: slower });
    const loads = [];
    for (let n = 0; n < ROUNDS; n += 1) loads.push(await load(page, devtools));
    const told = (what) => loads.map((l) => Math.round(l[what])).sort((x, y) => x - y).join(" ");
    const load1 = (loadavg()[0] / availableParallelism()).toFixed(1);
    console.log(`processor slowed ${slower} times, ms from navigation (${load1} tasks a core beside it): number painted ${told("number")}; ` +
      `button answers ${told("button")}; its undo offered ${told("undo")}`);
  }
  console.log(`speed: ${counted()} checks passed`);
} finally {
  await close();
  await server.end();
}
