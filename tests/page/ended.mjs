// A lot closed from the page while its make runs: it holds the make with its cook.
import { browser, check, counted, folder, Program, until } from "./browser.mjs";

const MAKE_MS = 300000;
const daemon = new Program("curdtrace", ["rehearse", "--data", folder("ended"), "--speed", "120", "--page", "127.0.0.1:0"], "stderr");
const { context, close } = await browser();
try {
  const url = (await daemon.line(/the page is at/)).match(/http:\/\/[^ /]+/)[0];
  const page = await context.newPage();
  await page.setViewportSize({ width: 360, height: 740 });
  await page.goto(url);
  await page.evaluate(() => localStorage.setItem("name", "Nives"));
  const kettle = async () => (await fetch(`${url}/api/v1/state`).then((r) => r.json())).kettles[0];
  let seen;
  await until(async () => { seen = await kettle(); return seen?.stages.some((s) => s.stage === "cooking") && seen.stages.at(-1).stage !== "cooking"; }, () => `the cook is over; had ${JSON.stringify(seen?.stages)}`, MAKE_MS);
  const { lot, stages, marks } = await kettle();
  check(lot, "its lot is open");
  await page.click(".acts button >> nth=0");
  await page.click("dialog .main");
  const record = async () => fetch(`${url}/api/v1/lots/${encodeURIComponent(lot)}`).then((r) => r.json());
  await until(async () => (await record()).closed === true, `the lot ${lot} closes`, MAKE_MS);
  const closed = (await record()).lot;
  const cook = closed.stage?.find((s) => s.stage === "cooking");
  check(cook && closed.cook?.some((c) => c["peak-celsius"] > 40), `the cook is in the lot, with its peak: ${JSON.stringify([closed.stage, closed.cook])}`);
  check(closed["closed-by"] === "Nives", `and who closed it: ${closed["closed-by"]}`);
  for (const s of stages.filter((s) => s.stage !== "idle")) check(closed.stage.some((c) => c.stage === s.stage), `${s.stage} is in the lot: ${JSON.stringify(closed.stage)}`);
  for (const m of marks) check(closed.mark.some((c) => c.name === m.name), `the mark ${m.name} is in the lot: ${JSON.stringify(closed.mark)}`);
  const sheet = await fetch(`${url}/api/v1/lots/${encodeURIComponent(lot)}/sheet.html`).then((r) => r.text());
  check(sheet.includes("<svg"), "the sheet has its curve");
  console.log(`ended: the lot ${lot} holds ${closed.stage.map((s) => s.stage).join(", ")}; ${counted()} checks passed`);
} finally {
  await close();
  await daemon.end("SIGKILL");
}
