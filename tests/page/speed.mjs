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

// In the page, before its own scripts: notes when the number has been painted and when a mark leaves for the daemon.
function stopwatch() {
  globalThis.took = {};
  const note = (what) => { globalThis.took[what] ??= performance.now(); };
  const look = () => {
    const big = document.querySelector(".sheet .big");
    if (big?.textContent.match(/\d/) && big.getBoundingClientRect().height > 0) {
      // The frame that holds it is on the screen when the one after it begins.
      requestAnimationFrame(() => requestAnimationFrame(() => note("number")));
    } else requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
  const { fetch } = globalThis;
  globalThis.fetch = (to, init) => {
    if (init?.method === "POST") note("button");
    return fetch(to, init);
  };
}

async function load(page) {
  await page.goto(url, { waitUntil: "commit" });
  await page.waitForFunction(() => globalThis.took?.number);
  // A real press where the first big button lies, as soon as the number is there.
  const at = await page.evaluate(() => { const r = document.querySelector(".quick button").getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; });
  await page.mouse.click(...at);
  await page.waitForFunction(() => globalThis.took.button && !document.getElementById("undo").hidden);
  const took = await page.evaluate(() => ({ ...globalThis.took, undo: performance.now() }));
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
    for (let n = 0; n < ROUNDS; n += 1) loads.push(await load(page));
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
