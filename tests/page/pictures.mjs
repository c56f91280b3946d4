// Pictures of the page's main states, for eyes: every scene and page by day, some by night, at four sizes.
//     PAGE_BINARIES=target/debug PAGE_KEPT=target/page-tests node tests/page/pictures.mjs DIR
import { mkdirSync } from "node:fs";
import { join } from "node:path";
import { browser, folder, Program, showScene, until } from "./browser.mjs";

const SCENES = ["idle", "warming", "setting", "cooking", "get-ready", "heat-off", "over", "fault", "doubt", "old", "two", "two-alarm", "none"];
const NIGHT = ["cooking", "heat-off", "old", "two"];
const SIZES = { telephone: [360, 740], lying: [740, 360], tablet: [820, 1180], panel: [1280, 800] };
const to = process.argv[2] ?? "pictures";
mkdirSync(to, { recursive: true });
const { context, close } = await browser();
const take = (page, name) => page.screenshot({ path: join(to, `${name}.png`) });
const page = await context.newPage();

async function sized(url, size, look) {
  await page.setViewportSize({ width: size[0], height: size[1] });
  await page.goto(url);
  await page.evaluate((l) => localStorage.setItem("look", l), look);
  await page.reload();
  await page.waitForSelector(".sheet, .page");
  await page.click("#wake").catch(() => {});
  await page.click("dialog .main");
}

async function scenes() {
  const server = new Program("examples/page_scenes", ["--data", folder("pictures")]);
  const url = await server.line(/^http:/);
  for (const [name, size] of Object.entries(SIZES)) {
    for (const look of ["day", "night"]) {
      await sized(url, size, look);
      for (const s of look === "day" ? SCENES : NIGHT) {
        await showScene(server, url, page, s);
        if (s !== "none") await page.waitForSelector(".curve svg");
        await take(page, `${name}-${look}-${s}`);
      }
    }
    await sized(url, size, "day");
    await showScene(server, url, page, "cooking");
    server.signal("SIGSTOP");
    await until(() => page.locator("#cut").isVisible(), "cut off is said");
    await take(page, `${name}-day-cut-off`);
    server.signal("SIGCONT");
    await until(() => page.locator("#cut").isHidden(), "it is back");
    for (const p of ["reckon", "plans", "plan/tomme-semi-hard", "probes", "setup"]) {
      await page.evaluate((hash) => { location.hash = hash; }, p);
      await page.waitForSelector(".page h1");
      await take(page, `${name}-day-page-${p.split("/")[0]}`);
    }
  }
  await server.end();
}

// Lots and their pages are those of a rehearsed make.
async function lots() {
  const rehearse = new Program("curdtrace", ["rehearse", "--data", folder("pictured-lots"), "--speed", "600", "--page", "127.0.0.1:0"], "stderr");
  const url = (await rehearse.line(/the page is at/)).match(/http:\/\/[^ /]+/)[0];
  const done = async () => (await fetch(`${url}/api/v1/lots`).then((r) => r.json())).lots.filter((l) => l.closed);
  await until(async () => (await done()).length >= 3, "three lots are closed", 300000);
  const id = (await done())[0].id;
  for (const [name, size] of Object.entries(SIZES)) {
    await sized(url, size, "day");
    for (const p of ["lots", `lot/${id}`, "season", "probes"]) {
      await page.evaluate((hash) => { location.hash = hash; }, p);
      await page.waitForSelector(".page h1");
      if (p.startsWith("lot/")) await page.frameLocator("iframe").locator("svg").first().waitFor();
      await take(page, `${name}-day-page-${p === "probes" ? "probes-real" : p.split("/")[0]}`);
    }
  }
  await rehearse.end();
}

try {
  await scenes();
  await lots();
} finally {
  await close();
}
