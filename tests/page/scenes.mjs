// Every state of the page, before invented kettles: seen, heard, taken, undone, cut off.
import { barriers, browser, check, counted, folder, pause, Program, showScene, until } from "./browser.mjs";

const SCENES = ["cooking", "idle", "warming", "setting", "get-ready", "heat-off", "over", "fault", "doubt", "old", "heat-off-past", "blind", "drawing", "dead", "two", "two-alarm", "two-call", "whey", "house", "none"];
const PAGES = ["lots", "season", "plans", "plan/tomme-semi-hard", "reckon", "probes", "setup"];
const SIZES = [[360, 740], [820, 1180], [1280, 800]];

const server = new Program("examples/page_scenes", ["--data", folder("scenes")]);
const url = await server.line(/^http:/);
const { context, close } = await browser();
const complaints = [];
// A console error that a test provokes itself (the server stopped, a wish refused) is no complaint.
let quiet = false;

async function open(size = SIZES[0], path = "/") {
  const page = await context.newPage();
  page.on("console", (m) => { if (m.type() === "error" && !quiet) complaints.push(m.text()); });
  page.on("pageerror", (e) => complaints.push(String(e)));
  await page.setViewportSize({ width: size[0], height: size[1] });
  await page.goto(url + path);
  await page.waitForSelector(".sheet, .page");
  return page;
}
const scene = (page, name) => showScene(server, url, page, name);
const shown = (page, selector) => page.locator(selector).first().textContent();

// WCAG's relative luminance and contrast.
const luminance = ([r, g, b]) => [r, g, b].map((v) => v / 255).map((v) => (v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
  .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
const contrast = (a, b) => { const [x, y] = [luminance(a), luminance(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };

async function accessible() {
  let seen = 0;
  for (const look of ["day", "night"]) {
    for (const size of [SIZES[0], SIZES[2]]) {
      const page = await open(size);
      await page.evaluate((l) => { localStorage.setItem("look", l); }, look);
      await page.reload();
      await page.waitForSelector(".sheet, .page");
      const axe = async (what) => {
        const words = await barriers(page);
        check(!words.length, `axe on ${what}, ${look}, ${size[0]}: ${words.join("; ")}`);
        seen += 1;
      };
      for (const s of SCENES) {
        if (size !== SIZES[0] && !["cooking", "heat-off", "two-alarm"].includes(s)) continue;
        await scene(page, s);
        await axe(s);
        await targets(page, s);
      }
      server.say("cooking");
      for (const p of size === SIZES[0] ? PAGES : []) {
        await page.evaluate((hash) => { location.hash = hash; }, p);
        await page.waitForSelector(".page h1");
        await axe(p);
        await targets(page, p);
      }
      const pair = await page.evaluate(() => {
        location.hash = "";
        const rgb = (c) => c.match(/[\d.]+/g).slice(0, 3).map(Number);
        const probe = document.createElement("div");
        probe.style.cssText = "color: var(--hand); background: var(--key)";
        document.body.append(probe);
        const s = getComputedStyle(probe);
        return [rgb(s.color), rgb(s.backgroundColor)];
      });
      const ratio = contrast(...pair);
      console.log(`${look} ${size[0]}: contrast of the number ${ratio.toFixed(1)} : 1`);
      check(ratio >= 7, `contrast ${ratio}`);
      await page.close();
    }
  }
  console.log(`axe: no violation in ${seen} states`);
}

async function targets(page, what) {
  const small = await page.evaluate(() => [...document.querySelectorAll("button, a, select, input:not([type=checkbox])")]
    .filter((e) => e.checkVisibility() && !e.closest("td, th"))
    .map((e) => [e.textContent.trim() || e.className || e.tagName, e.getBoundingClientRect()])
    .filter(([, r]) => r.width && (r.width < 63.5 || r.height < 63.5)).map(([n, r]) => `${n} ${r.width.toFixed(0)}×${r.height.toFixed(0)}`));
  check(!small.length, `touch targets of 64 px on ${what}: ${small.join(", ")}`);
}

async function still() {
  for (const size of SIZES) {
    const page = await open(size);
    await scene(page, "cooking");
    const places = () => page.evaluate(() => [...document.querySelectorAll(".quick button, .marks button, .now > div, .curve")].map((e) => { const r = e.getBoundingClientRect(); return `${r.x.toFixed(0)},${r.y.toFixed(0)},${r.width.toFixed(0)}`; }).join(" "));
    const before = await places();
    for (const s of ["get-ready", "heat-off", "over", "old", "doubt", "fault", "blind", "heat-off-past", "drawing", "whey", "warming", "setting"]) {
      await scene(page, s);
      const now = await places();
      check(now === before, `nothing jumps from cooking to ${s} at ${size[0]}:\n${before}\n${now}`);
    }
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    check(wide <= 0, `no sideways scrolling at ${size[0]}: ${wide}`);
    await page.close();
  }
}

async function takenByThumbAndByKey() {
  const page = await open();
  await page.evaluate(() => localStorage.setItem("name", "Nives"));
  await scene(page, "heat-off");
  check((await shown(page, ".todo")).includes("off the fire now"), "the sentence says what to do");
  await page.click("#slip button");
  check(/by: Some\("Nives"\)/.test(await server.line(/Acknowledge\(Some\(HeatOff\)\)/)), "who took it");
  await until(() => page.locator("#slip").isHidden(), "a taken alarm's slip goes");
  // To take the call takes nothing off the fire: the order stays, calmer, until the mark.
  await until(async () => (await page.locator(".todo.calm").count()) === 1, "a taken order is calmer");
  check((await shown(page, ".todo")).includes("off the fire now"), `and stays: ${await shown(page, ".todo")}`);
  check((await shown(page, ".goal")) === "Fire offnow", `what it counts to stays: ${await shown(page, ".goal")}`);
  check((await shown(page, ".hushed")) === "Fire off – heard", `and that it was taken stands under the number: ${await shown(page, ".hushed")}`);
  await page.click(".quick button");
  await until(async () => (await shown(page, ".todo")).startsWith("The fire is off."), "marked, it is off");
  check((await shown(page, "#undo span")) === "Marked: Fire is off", `by its own name: ${await shown(page, "#undo span")}`);
  await page.click("#undo button");
  await until(async () => (await shown(page, ".todo")).includes("off the fire now"), "taken back, it is on");
  // What is past and was not taken orders nothing on the slip; a blind call says so.
  await scene(page, "heat-off-past");
  check((await shown(page, "#slip .name")) === "past, nobody answered", `a call that is past is no order: ${await shown(page, "#slip .name")}`);
  check((await shown(page, "#slip .what")).startsWith("Is the fire off?"), `but a question: ${await shown(page, "#slip .what")}`);
  await scene(page, "blind");
  check((await shown(page, ".todo")).includes("called blind"), `a blind call: ${await shown(page, ".todo")}`);
  server.lines.length = 0;
  await scene(page, "over");
  await page.evaluate(() => document.activeElement.blur());
  await page.keyboard.press("Tab");
  check(await page.evaluate(() => document.activeElement.matches("#slip button")), "the keyboard comes to the call first");
  await page.keyboard.press("Enter");
  await server.line(/Acknowledge\(Some\(OverTarget\)\)/);
  // The house's own alarm is no kettle's; the one that only shows has its button on the sheet.
  server.lines.length = 0;
  await scene(page, "house");
  await page.click("#slip button");
  await server.line(/kettle: "".*Acknowledge\(Some\(StoreFault\)\)/);
  await page.locator(".also li", { hasText: "Clock not set" }).locator("button").first().click();
  await server.line(/kettle: "".*Acknowledge\(Some\(ClockUnsure\)\)/);
  await scene(page, "over");
  // A silenced alarm says until when.
  await page.click("#slip button");
  const also = page.locator(".also li", { hasText: "Too hot" });
  await also.locator("button", { hasText: "Silent for 30 min" }).click();
  await page.click("dialog .main");
  await until(async () => /silent until \d\d:\d\d/.test(await also.innerText()), "a silenced alarm says until when");
  check(/^Too hot – silent until \d\d:\d\d$/.test(await shown(page, ".hushed")), `under the number too: ${await shown(page, ".hushed")}`);
  check((await shown(page, ".todo")).startsWith("Above 44.0 °C"), "and what is grave keeps the sentence");
  await scene(page, "over");
  // From the top, the keyboard reaches the first mark within a few steps.
  await page.evaluate(() => { document.activeElement.blur(); scrollTo(0, 0); });
  for (let n = 0; n < 10; n += 1) {
    await page.keyboard.press("Tab");
    if (await page.evaluate(() => document.activeElement.matches(".quick button"))) break;
  }
  check(await page.evaluate(() => document.activeElement.matches(".quick button")), "the keyboard reaches the marks");
  await page.close();
}

async function markedAndUndone() {
  const page = await open();
  await scene(page, "cooking");
  server.lines.length = 0;
  await page.click(".quick button >> nth=0");
  await until(() => page.locator("#undo").isVisible(), "the undo is offered");
  await page.click("#undo button");
  await until(() => page.locator("#undo").isHidden(), "the undo is done");
  await page.click(".marks button[data-mark=ph]");
  await page.click(".stepper button >> nth=1");
  await page.click("dialog .main");
  await server.line(/Mark.*Ph\(6\.55\)/);
  // It waited as long as the undone one would have, and came after it.
  check(server.lines.filter((l) => l.startsWith("Mark")).length === 1, `an undone mark is not recorded: ${server.lines}`);
  await until(async () => (await page.locator(".log").first().textContent()).includes("pH 6.55"), "the mark stands on the sheet");
  await page.close();
}

// On a telephone every key of a dialog is whole and its number between them; on a tablet that lies, with a
// scroll bar or without, the two next marks are in sight, while the sounds still wait for a touch.
async function inSight() {
  for (const size of [[360, 740], [390, 844]]) {
    const page = await open(size);
    await scene(page, "cooking");
    for (const mark of ["target", "ph"]) {
      await page.click(`.marks button[data-mark=${mark}]`);
      await page.waitForSelector("dialog .main");
      await page.evaluate(() => { for (let n = 0; n < 300; n += 1) document.querySelectorAll("dialog .stepper button")[1].click(); });
      const cut = await page.evaluate(() => {
        const dialog = document.querySelector("dialog");
        const [left, right] = [...dialog.querySelectorAll(".stepper button")].map((b) => b.getBoundingClientRect());
        const words = document.createRange();
        words.selectNodeContents(dialog.querySelector("output"));
        const number = words.getBoundingClientRect();
        return dialog.scrollWidth > dialog.clientWidth || number.left < left.right || number.right > right.left;
      });
      check(!cut, `the dialog of ${mark} fits ${size[0]}`);
      await page.keyboard.press("Escape");
    }
    await page.close();
  }
  for (const size of [[1024, 768], [985, 768]]) {
    const page = await open(size);
    await scene(page, "cooking");
    check(await page.locator("#wake").isVisible(), "the sounds still wait");
    const low = await page.evaluate(() => Math.max(...[...document.querySelectorAll(".quick button")].map((b) => b.getBoundingClientRect().bottom)));
    check(low <= size[1], `the two next marks are in sight at ${size[0]}: they end at ${low}`);
    await page.close();
  }
}

// Other leaves keep the number in sight, and its tab leads back.
async function thereAndBack() {
  const page = await open(SIZES[0], "/#lots");
  await scene(page, "cooking");
  await until(async () => (await page.locator("#tabs .deg").textContent()) === "38.4\u00a0°C", "the number stands over the lots");
  await page.click("#tabs button");
  await page.waitForSelector(".sheet");
  check(!(await page.locator("#tabs button").count()), "on the sheet the kettle's name alone");
  await page.close();
}

// Rennet and wash water, by big keys; the same sums as the command's.
async function reckoned() {
  const page = await open(SIZES[0], "/#reckon");
  const says = (piece, words) => until(async () => (await page.locator(".piece .mid").nth(piece).textContent()) === words, `piece ${piece} says ${words}`);
  await page.locator(".piece >> nth=0 >> .figure input").nth(3).fill("35");
  await says(0, "33.3 mL of rennet");
  await page.selectOption(".piece >> nth=0 >> select", { index: 1 });
  await says(0, "20.0 mL of rennet");
  await page.click(".piece >> nth=0 >> .figure >> nth=0 >> button >> nth=1");
  await says(0, "22.0 mL of rennet");
  const input = page.locator(".piece >> nth=1 >> .figure input");
  quiet = true; // half the figures given may make no sense yet, and are refused
  for (const [n, value] of [[0, "100"], [1, "33"], [2, "32"], [3, "60"], [4, "38"]]) await input.nth(n).fill(value);
  await says(1, "18.3 L of water, 38.0 °C");
  quiet = false;
  await page.evaluate(() => { for (const k of Object.keys(localStorage)) if (k.startsWith("reckon-")) localStorage.removeItem(k); });
  await page.close();
}

async function heard() {
  const page = await context.newPage();
  await page.addInitScript(() => {
    globalThis.tones = [];
    const start = OscillatorNode.prototype.start;
    OscillatorNode.prototype.start = function (...a) { globalThis.tones.push([this.type, Math.round(this.frequency.value)]); return start.apply(this, a); };
  });
  await page.setViewportSize({ width: 360, height: 740 });
  server.say("cooking");
  await page.goto(url);
  await page.waitForSelector(".sheet");
  check(await page.locator("#wake").isVisible(), "a page that may not sound says so");
  await page.click("#wake");
  const kinds = () => page.evaluate(() => [...new Set(globalThis.tones.map((t) => t[0]))].join());
  let heard = "";
  await until(async () => (heard = await kinds()) === "sine,square,sawtooth", () => `three sounds unlike one another: ${heard}`);
  await page.click("dialog .main");
  await page.evaluate(() => { globalThis.tones.length = 0; });
  await scene(page, "heat-off");
  await until(() => page.evaluate(() => globalThis.tones.some((t) => t[0] === "square")), "heat-off sounds");
  await page.click("#slip button");
  await until(() => page.locator("#slip").isHidden(), "the slip goes");
  await page.evaluate(() => { globalThis.tones.length = 0; });
  await pause(2500); // it would have called again after 1.8 s
  check((await page.evaluate(() => globalThis.tones.length)) === 0, "a taken alarm is silent");
  await scene(page, "fault");
  await until(() => page.evaluate(() => globalThis.tones.some((t) => t[0] === "sawtooth")), "a fault sounds otherwise");
  await page.close();
}

async function oldAndCutOff() {
  const page = await open();
  await scene(page, "cooking");
  check(!(await page.locator(".now.bad").count()), "a fresh number looks fresh");
  server.say("silent"); // the daemon's engine stops; the page's server goes on
  await until(async () => (await page.locator(".now.bad").count()) === 1, "an old number looks old");
  check(/[1-9]\d s/.test(await shown(page, ".age")), `and says how old: ${await shown(page, ".age")}`);
  await scene(page, "cooking");
  await until(async () => !(await page.locator(".now.bad").count()), "a fresh one is fresh again");
  quiet = true;
  await page.click(".quick button");
  await until(() => page.locator("#undo").isVisible(), "the undo is offered");
  server.signal("SIGSTOP");
  const cut = Date.now();
  await until(() => page.locator("#cut").isVisible(), "cut off is said");
  console.log(`cut off is said ${((Date.now() - cut) / 1000).toFixed(1)} s after the last word`);
  check((await page.locator(".now.bad").count()) === 1, "and the number is not shown as live");
  check(!(await page.locator(".todo").first().isVisible()), "nor what was to be done then");
  check(await page.locator("#undo").isHidden(), "nor an undo that nobody would hear");
  const size = await page.evaluate(() => parseFloat(getComputedStyle(document.querySelector("#cut b")).fontSize));
  check(size >= 54, `in large letters: ${size} px`);
  server.signal("SIGCONT");
  await until(() => page.locator("#cut").isHidden(), "and it comes back by itself");
  quiet = false;
  await page.close();
}

// Before the PIN: no line that was cut, but the keys, until it is right; given up, a button that asks again.
async function lockedUntilThePin() {
  const locked = new Program("examples/page_scenes", ["--data", folder("locked"), "--pin", "4711"]);
  const page = await context.newPage();
  await page.setViewportSize({ width: 360, height: 740 });
  await page.goto(await locked.line(/^http:/));
  const type = async (pin) => {
    for (const digit of pin) await page.locator(".keys button", { hasText: digit }).click();
    await page.click("dialog .main");
  };
  await page.waitForSelector(".keys");
  await type("1111");
  await until(async () => (await shown(page, ".keys output")) === "That is not the PIN.", "a wrong one is said where it was typed");
  await page.keyboard.press("Escape");
  await page.waitForSelector(".page .main");
  await pause(6000); // by then a line that is cut would be said to be
  check(await page.locator("#cut").isHidden(), "nobody is told that the line is cut");
  check((await shown(page, ".page .main")) === "Type the PIN to look", "but what there is to do");
  await page.click(".page .main");
  await type("4711");
  await page.waitForSelector(".sheet");
  await page.close();
  await locked.end();
}

// The device's clock is an hour off, and jumps by another hour while it looks.
async function wrongClock() {
  const page = await context.newPage();
  await page.addInitScript(() => {
    globalThis.off = 3600e3;
    const now = Date.now.bind(Date);
    Date.now = () => now() + globalThis.off;
  });
  await page.goto(url);
  await page.waitForSelector(".sheet");
  await scene(page, "cooking");
  const at = await shown(page, "#clock");
  check(/^08:4\d$/.test(at), `the dairy's clock is shown: ${at}`);
  check((await shown(page, ".todo")).includes("08:48"), `and so is the call's: ${await shown(page, ".todo")}`);
  for (const off of [7200e3, -7200e3]) {
    await page.evaluate((o) => { globalThis.off = o; }, off);
    await page.evaluate(() => { delete globalThis.heard; });
    await until(() => page.evaluate(() => Boolean(globalThis.heard)), "another word of the box comes");
    await until(async () => !(await page.locator(".now.bad").count()) && (await page.locator("#cut").isHidden()), `the clock set by ${off} ms changes nothing`);
  }
  await page.close();
}

// In the page: every mark on both kinds of buttons, every reason, alarm and sentence in its box.
async function outOfPlace(language) {
  const words = await fetch(`/words/${language}.ftl`).then((r) => r.text());
  const said = (keys) => [...words.matchAll(new RegExp(`^${keys} = (.*)$`, "gm"))]
    .map((m) => m[1].replaceAll("{ $target }", "44,0").replaceAll("{ $min }", "12").replaceAll("{ $at }", "08:48"));
  const bad = [];
  const put = (selector, keys, own = (el) => el, sizes = [""]) => {
    const el = document.querySelector(selector);
    el.hidden = false;
    for (const text of said(keys)) {
      own(el).textContent = text;
      const fits = sizes.some((size) => {
        el.classList.remove(...sizes.filter(Boolean));
        if (size) el.classList.add(size);
        const glyphs = parseFloat(getComputedStyle(el).fontSize) / 4; // letters may stand out of a tight line, lines may not
        return el.scrollHeight <= el.clientHeight + glyphs && el.scrollWidth <= el.clientWidth + 1;
      });
      if (!fits) bad.push(`${selector}: ${text}`);
    }
  };
  put(".todo", "do-[a-z-]+", undefined, ["", "wordy", "wordier"]);
  put(".why", "why-[a-z-]+", undefined, ["", "wordy", "wordier"]);
  put(".quick button", "mark-[a-z-]+", (el) => el.lastChild);
  put(".marks button", "mark-[a-z-]+", (el) => el.lastChild);
  put(".goal", "count-[a-z-]+", (el) => el.firstChild);
  put(".stage-line", "stage-[a-z-]+", (el) => el.firstChild, ["", "long"]);
  put("#slip .name", "alarm-[a-z-]+");
  const cut = document.querySelector("#cut");
  cut.replaceChildren(document.createElement("b"));
  for (const text of said("cut-off")) if (text.length > 9) cut.firstChild.className = "long";
  put("#cut", "cut-off", (el) => el.firstChild);
  cut.hidden = true;
  return bad;
}

async function spoken() {
  for (const [code, sure] of [["en", "Keep the fire"], ["it", "Tieni il fuoco"], ["de", "Feuer halten"], ["fr", "Garde le feu"]]) {
    const page = await open();
    await page.evaluate((c) => localStorage.setItem("language", c), code);
    await page.reload();
    await page.waitForSelector(".sheet");
    await scene(page, "cooking");
    check((await shown(page, ".todo")).startsWith(sure), `${code} is spoken`);
    check((await shown(page, ".big")).startsWith(code === "en" ? "38.4" : "38,4"), "with a decimal comma where it is written");
    const raw = await page.evaluate(() => document.body.innerText.match(/\b(?:do|alarm|stage|mark|count|page|health)-[a-z-]+\b/g));
    check(!raw, `no message is missing in ${code}: ${raw}`);
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    check(wide <= 0, `${code} fits a telephone`);
    await scene(page, "fault");
    for (const size of [[320, 568], ...SIZES]) {
      await page.setViewportSize({ width: size[0], height: size[1] });
      check((await page.evaluate(() => document.documentElement.scrollWidth - innerWidth)) <= 0, `${code} fits ${size[0]}`);
      const cut = await page.evaluate(outOfPlace, code);
      check(!cut.length, `nothing is cut in ${code} at ${size[0]}: ${cut.join(", ")}`);
    }
    await page.evaluate(() => localStorage.removeItem("language"));
    await page.close();
  }
}

const began = Date.now();
try {
  await still();
  await takenByThumbAndByKey();
  await markedAndUndone();
  await inSight();
  await thereAndBack();
  await reckoned();
  await heard();
  await wrongClock();
  await lockedUntilThePin();
  await spoken();
  await accessible();
  await oldAndCutOff();
  check(!complaints.length, `the browser complains of nothing: ${[...new Set(complaints)].slice(0, 5).join("\n")}`);
  console.log(`scenes: ${counted()} checks passed in ${((Date.now() - began) / 1000).toFixed(0)} s`);
} finally {
  await close();
  await server.end();
}
