// A lot closed from the page while its make runs: it holds the make with its cook, and what was
// written down and corrected on its page.
import { barriers, browser, check, counted, folder, Program, until } from "./browser.mjs";

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
  const record = async () => fetch(`${url}/api/v1/lots/${encodeURIComponent(lot)}`).then((r) => r.json());
  const field = (label) => page.getByLabel(label, { exact: true });
  const written = (found, what) => until(async () => found((await record()).lot), what);
  const lotPage = async () => {
    await page.evaluate((hash) => { location.hash = hash; }, `lot/${encodeURIComponent(lot)}`);
    await page.waitForSelector((await record()).closed ? "iframe" : ".page details");
    // The page is drawn anew, its form closed, once what was entered stands in the lot.
    await until(async () => {
      if (!await page.locator("details").first().evaluate((d) => d.open)) await page.click("details summary");
      return field("Rennet’s dose, mL").isVisible();
    }, "the lot's form opens");
  };
  await lotPage();
  const found = await barriers(page);
  check(!found.length, `nothing on a lot's page keeps anybody out: ${found.join("; ")}`);
  await field("Rennet’s lot").fill("R 7 <b>");
  await field("Culture’s dose").fill("1,2 L");
  await page.click("details .acts .main");
  await written((l) => l.rennet.lot === "R 7 <b>" && l.culture.dose === "1,2 L", "two fields are in the open lot");
  await page.goto(url);
  await page.click(".acts button:last-child");
  await page.click("dialog .main");
  await until(async () => (await record()).closed === true, `the lot ${lot} closes`, MAKE_MS);
  const closed = (await record()).lot;
  const cook = closed.stage?.find((s) => s.stage === "cooking");
  check(cook && closed.cook?.some((c) => c["peak-celsius"] > 40), `the cook is in the lot, with its peak: ${JSON.stringify([closed.stage, closed.cook])}`);
  check(closed["closed-by"] === "Nives", `and who closed it: ${closed["closed-by"]}`);
  for (const s of stages.filter((s) => s.stage !== "idle")) check(closed.stage.some((c) => c.stage === s.stage), `${s.stage} is in the lot: ${JSON.stringify(closed.stage)}`);
  for (const m of marks) check(closed.mark.some((c) => c.name === m.name), `the mark ${m.name} is in the lot: ${JSON.stringify(closed.mark)}`);
  const sheet = await fetch(`${url}/api/v1/lots/${encodeURIComponent(lot)}/sheet.html`).then((r) => r.text());
  check(sheet.includes("<svg"), "the sheet has its curve");
  await lotPage();
  await field("Rennet’s lot").fill("R 8");
  await page.click("details .acts .main");
  await page.click("dialog .main");
  check(await page.locator("dialog").isVisible(), "what stands is not changed without a reason");
  check((await page.locator("dialog .lacks").textContent()) === "Say why, please.", "and that is said");
  await page.locator("dialog input").first().fill("misread");
  await page.click("dialog .main");
  const correction = (l, of) => l.correction?.find((c) => c.field === of && c.by === "Nives");
  await written((l) => correction(l, "rennet.lot")?.old.includes("R 7"), "the old value stays beside the new");
  await until(async () => !await page.locator("details").first().evaluate((d) => d.open), "the page is drawn anew with it");
  await lotPage();
  await field("Weight, kg").fill("6,25");
  await page.click("details .fields button");
  await written((l) => l.wheel?.[0].kg === 6.25 && l.wheel[0].wheel === "1", "a wheel is weighed");
  const [pressed] = closed.mark.filter((m) => m.name !== "ph");
  await page.click(".log button >> nth=0");
  await page.getByRole("button", { name: "Strike out" }).click();
  check(await page.locator("dialog").isVisible(), "nor is a mark");
  await page.locator("dialog input:not([type=time])").first().fill("slipped");
  await page.getByRole("button", { name: "Strike out" }).click();
  await written((l) => l["struck-mark"]?.some((m) => m.name === pressed.name), "a mark is struck, and stays to be read");
  const verify = await fetch(`${url}/api/v1/lots/${encodeURIComponent(lot)}/sheet.html`).then((r) => r.text());
  check(verify.includes("R 8") && verify.includes("misread"), "the sheet says what was corrected, and why");
  console.log(`ended: the lot ${lot} holds ${closed.stage.map((s) => s.stage).join(", ")}; ${counted()} checks passed`);
} finally {
  await close();
  await daemon.end("SIGKILL");
}
