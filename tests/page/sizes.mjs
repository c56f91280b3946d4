// The page at the sizes at which it fails first: a small telephone, one that lies, the slip over the sheet; and what
// is asked before it is done, or said when nobody answers.
import { browser, check, counted, folder, pause, Program, showScene, until } from "./browser.mjs";

const server = new Program("examples/page_scenes", ["--data", folder("sizes")]);
const url = await server.line(/^http:/);
const { context, close } = await browser();
const complaints = [];

async function open([width, height], name, language = "en") {
  const page = await context.newPage();
  page.on("pageerror", (e) => complaints.push(String(e)));
  await page.setViewportSize({ width, height });
  await page.goto(url);
  await page.evaluate((l) => localStorage.setItem("language", l), language);
  await page.reload();
  await page.waitForSelector(".sheet");
  await page.click("#wake").catch(() => {});
  await page.click("dialog .main");
  await showScene(server, url, page, name);
  return page;
}
const box = (page, selector) => page.locator(selector).first().evaluate((e) => { const r = e.getBoundingClientRect(); return { top: r.top, bottom: r.bottom, left: r.left, right: r.right }; });
const shown = (page, selector) => page.locator(selector).first().textContent();

// A telephone that lies: number, sentence and the two next marks in sight; under a slip number and sentence.
async function lying() {
  for (const size of [[740, 360], [590, 410]]) {
    for (const language of ["en", "de"]) {
      const page = await open(size, "cooking", language);
      const low = Math.max(...await Promise.all([".big", ".todo", ".quick", ".stage-line"].map(async (s) => (await box(page, s)).bottom)));
      check(low <= size[1], `all that counts is in sight at ${size}: it ends at ${low}`);
      for (const name of ["heat-off", "fault", "two-alarm"]) {
        await showScene(server, url, page, name);
        const slip = await box(page, "#slip");
        const under = Math.max((await box(page, ".big")).bottom, name === "two-alarm" ? 0 : (await box(page, ".todo")).bottom);
        check(under <= slip.top + 1 && slip.bottom <= size[1], `the slip of ${name} hides nothing that counts at ${size}: ${under}, ${slip.top}`);
      }
      await page.close();
    }
  }
}

// The slip leaves its sentence to the sheet only where it can be read there.
async function theSlipsSentence() {
  const page = await open([360, 740], "heat-off");
  await until(async () => (await shown(page, "#slip .what")) === "", "the sheet says it, in sight");
  await page.evaluate(() => scrollTo(0, 99999));
  await until(async () => (await shown(page, "#slip .what")).includes("off the fire"), "out of sight, the slip says it");
  await page.evaluate(() => scrollTo(0, 99999));
  await until(async () => (await box(page, ".acts button:last-child")).bottom <= (await box(page, "#foot")).top, "what lies lowest can be drawn out from under the slip");
  await page.close();
  const small = await open([320, 568], "heat-off");
  await until(async () => (await shown(small, "#slip .what")).includes("off the fire"), "covered by the slip, the slip says it");
  // It lies over the button that it asks for, and has one of its own.
  server.lines.length = 0;
  await small.click("#slip button >> nth=1");
  await server.line(/Acknowledge\(Some\(HeatOff\)\)/);
  await server.line(/Mark.*HeatOff/);
  await small.close();
  const upright = await open([768, 1024], "heat-off");
  const lines = () => upright.locator("#slip button").nth(1).evaluate((e) => { const words = document.createRange(); words.selectNodeContents(e); return words.getClientRects().length; });
  await until(async () => (await lines()) === 1, "its words stand in one line on a tablet");
  await upright.close();
}

// A long lot leaves the cheese its place; with two kettles on a telephone the clock has one too.
async function theHead() {
  const page = await open([1024, 768], "long-lot");
  const cheese = await page.locator(".head span:not([class])").first().evaluate((e) => [e.scrollWidth, e.clientWidth]);
  check(cheese[0] <= cheese[1] + 1 && cheese[1] > 100, `the cheese is there beside a long lot: ${cheese}`);
  await page.close();
  const small = await open([360, 740], "two");
  check(await small.locator("#clock").isVisible(), "the clock stands beside two kettles");
  const [clock, tabs] = [await box(small, "#clock"), await box(small, "#tabs button:last-child")];
  check(clock.left >= tabs.right - 1, `and not over them: ${clock.left}, ${tabs.right}`);
  await small.close();
}

async function askedBefore() {
  const page = await open([360, 740], "over");
  server.lines.length = 0;
  await page.click("#slip button");
  await page.click(".also li:first-child button");
  check(/until \d\d:\d\d/.test(await shown(page, "dialog h2")), "until when it is silent is said");
  await page.click("dialog .row button");
  await pause(300);
  check(!server.lines.some((l) => l.includes("Shelve")), "one touch silences nothing grave");
  await page.click(".also li:first-child button");
  await page.click("dialog .main");
  await server.line(/Shelve\(OverTarget, 1800\)/);
  await page.close();
}

// A touch on the plans took the make its target; a new plan took the place of another, or was called "plan".
async function plansAreAsked() {
  const page = await open([360, 740], "cooking");
  server.lines.length = 0;
  await page.evaluate(() => { location.hash = "plans"; });
  await page.click(".piece .main >> nth=0");
  check((await shown(page, "dialog h2")).endsWith("The target of 44.0 °C will no longer hold."), `what goes is said: ${await shown(page, "dialog h2")}`);
  await page.click("dialog .row button >> nth=0");
  await pause(300);
  check(!server.lines.some((l) => l.includes("Follow")), "one touch changes no plan in the middle of a make");
  await page.click(".piece .main >> nth=0");
  await page.click("dialog .main");
  await server.line(/Follow\(Some/);
  await page.evaluate(() => { location.hash = "plan/"; });
  await page.click(".acts .main");
  check((await shown(page, ".lacks")) === "Give the plan a name, please.", "no plan without a name");
  await page.fill(".fields input >> nth=0", "Tomme: semi hard");
  await page.click(".acts .main");
  await until(() => page.locator("dialog").isVisible(), "none is written over unasked");
  await page.close();
}

async function neverWithoutItsAge() {
  const page = await open([360, 740], "doubt");
  check((await shown(page, ".age")) === "Doubtful · 1 s", `what is doubtful has its age: ${await shown(page, ".age")}`);
  await showScene(server, url, page, "fault");
  check((await shown(page, ".age")) === "Failure · 34 s", `so has what is not there: ${await shown(page, ".age")}`);
  await showScene(server, url, page, "cooking");
  await page.evaluate(() => { location.hash = "probes"; });
  const reads = () => page.locator(".piece .two span").nth(1).locator("span");
  await until(async () => (await reads().textContent()).includes("38.42"), "the probe reads");
  check(!(await page.locator(".struck").count()), "and nothing is struck");
  server.signal("SIGSTOP");
  await until(async () => / [89] s old/.test(await reads().textContent()), "its age grows while nothing comes");
  check((await page.locator(".struck").count()) === 1, "and it is struck");
  const clock = await page.locator("#clock").evaluate((e) => getComputedStyle(e).textDecorationLine);
  check(clock === "line-through", "a clock that stands looks it");
  server.signal("SIGCONT");
  await until(() => page.locator("#cut").isHidden(), "it is back");
  await page.close();
}

// Nothing jumps under a thumb when the line is cut; and a mark that reached nobody says so in the maker's words.
async function cutOff() {
  const page = await open([360, 740], "cooking", "fr");
  const places = () => page.evaluate(() => [...document.querySelectorAll(".quick button, .now, .curve")].map((e) => e.getBoundingClientRect().top).join());
  await page.route("**/marks", (r) => r.abort());
  await page.click(".quick button");
  await until(async () => (await shown(page, "#notice")).endsWith("L’ordinateur ne répond pas."), "nobody answers, said in French");
  await page.evaluate(() => scrollTo(0, 0)); // the browser's driver scrolls to what it clicks
  const before = await places();
  server.signal("SIGSTOP");
  await until(() => page.locator("#cut").isVisible(), "cut off is said");
  check((await places()) === before, `and nothing has moved: ${before} ${await places()}`);
  check((await box(page, ".now")).bottom < (await box(page, "#foot")).top, "nor is the struck number covered");
  server.signal("SIGCONT");
  await until(() => page.locator("#cut").isHidden(), "it is back");
  await page.close();
}

// Every word of a dialog whole, every key of the PIN in sight.
async function dialogs() {
  for (const size of [[320, 568], [360, 740], [740, 360]]) {
    for (const language of ["en", "it", "de", "fr"]) {
      const page = await open(size, "cooking", language);
      const cut = () => page.evaluate(() => [...document.querySelectorAll("dialog button, dialog .mid, dialog h2")]
        .filter((e) => e.scrollWidth > e.clientWidth + 1).map((e) => e.textContent).join());
      for (const mark of ["note", "target"]) {
        await page.click(`.marks button[data-mark=${mark}]`);
        await page.waitForSelector("dialog .main");
        check(!(await cut()), `${language} ${size}: ${await cut()}`);
        await page.keyboard.press("Escape");
      }
      await page.evaluate(() => { import("/page/setup.js").then((m) => m.typePin()); });
      await page.waitForSelector("dialog .keys");
      const low = await page.evaluate(() => Math.max(...[...document.querySelectorAll("dialog button")].map((b) => b.getBoundingClientRect().bottom)));
      check(!(await cut()) && low <= size[1], `the PIN's keys in ${language} at ${size}: ${await cut()} ${low}`);
      await page.keyboard.press("Escape");
      await page.evaluate(() => { import("/page/setup.js").then((m) => m.testSounds()); });
      await page.waitForSelector("dialog .mid");
      check(!(await cut()), `${language} ${size}: ${await cut()}`);
      await page.close();
    }
  }
}

const began = Date.now();
try {
  await lying();
  await theSlipsSentence();
  await theHead();
  await askedBefore();
  await plansAreAsked();
  await neverWithoutItsAge();
  await cutOff();
  await dialogs();
  check(!complaints.length, `no error in the page: ${complaints.slice(0, 3).join("\n")}`);
  console.log(`sizes: ${counted()} checks passed in ${((Date.now() - began) / 1000).toFixed(0)} s`);
} finally {
  await close();
  server.signal("SIGCONT"); // a check may have failed while it was stopped
  await server.end();
}
