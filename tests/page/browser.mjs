// What the browser's tests share: Chromium, a program under test, a check that counts.
import { createRequire } from "node:module";
import { spawn } from "node:child_process";
import { createInterface } from "node:readline";
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

const require = createRequire(`${process.env.PAGE_KEPT}/`);
const { chromium } = require("playwright-core");
const axeSource = require.resolve("axe-core/axe.min.js");

const FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
  "--disable-component-update", "--disable-sync", "--autoplay-policy=user-gesture-required"];

// How long something may take that only fails when it never comes: a busy machine is no fault of the page.
export const PATIENCE_MS = 60000;

export const folder = (name) => mkdtempSync(join(tmpdir(), `page-${name}-`));
export const pause = (ms) => new Promise((r) => setTimeout(r, ms));

export async function browser() {
  const data = folder("profile");
  const context = await chromium.launchPersistentContext(data, { executablePath: "/usr/bin/chromium", headless: true, args: FLAGS, viewport: null, timeout: PATIENCE_MS });
  context.setDefaultTimeout(PATIENCE_MS);
  // What the page has heard last on its live line, once it has drawn it.
  await context.addInitScript(() => {
    const { EventSource } = globalThis;
    globalThis.EventSource = class extends EventSource {
      constructor(...a) {
        super(...a);
        this.addEventListener("state", (e) => setTimeout(() => { globalThis.heard = JSON.parse(e.data); }));
      }
    };
  });
  return { context, close: async () => { await context.close(); rmSync(data, { recursive: true, force: true }); } };
}

// What an independent tool finds that keeps somebody from using the page as it stands.
export async function barriers(page) {
  // The policy keeps foreign scripts out, so axe goes in through the debugger.
  if (!(await page.evaluate(() => Boolean(globalThis.axe)))) await page.evaluate(readFileSync(axeSource, "utf8"));
  const found = await page.evaluate(() => axe.run(document, { resultTypes: ["violations"] }));
  return found.violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.target.join(" ")).slice(0, 4).join(", ")}`);
}

// A program whose lines can be awaited. Ended by its own handle only.
export class Program {
  constructor(name, args, from = "stdout") {
    this.child = spawn(join(process.env.PAGE_BINARIES, name), args, { stdio: ["pipe", "pipe", "pipe"] });
    this.lines = [];
    this.waiting = [];
    for (const stream of ["stdout", "stderr"]) {
      createInterface({ input: this.child[stream] }).on("line", (line) => {
        if (stream !== from) return;
        this.lines.push(line);
        this.waiting = this.waiting.filter((w) => !w(line));
      });
    }
  }

  // The first line so far, or to come, that matches.
  line(pattern, ms = PATIENCE_MS) {
    const had = this.lines.find((l) => pattern.test(l));
    if (had) return Promise.resolve(had);
    return new Promise((done, fail) => {
      const timer = setTimeout(() => fail(new Error(`no line ${pattern} within ${ms} ms; had:\n${this.lines.slice(-8).join("\n")}`)), ms);
      this.waiting.push((line) => pattern.test(line) && (clearTimeout(timer), done(line), true));
    });
  }

  say(line) { this.child.stdin.write(`${line}\n`); }
  signal(name) { this.child.kill(name); }
  async end(name = "SIGTERM") {
    const ended = new Promise((r) => (this.child.exitCode !== null || this.child.signalCode ? r() : this.child.once("exit", r)));
    this.child.kill(name);
    await ended;
  }
}

// What tells one scene from another, of a state.
const marked = (state) => JSON.stringify(state.kettles.map((k) => [k.kettle, k.celsius, k.stage, k.health, k.trusted, k.alarms.map((a) => a.alarm + a.state)]));

// Shows an invented scene and waits until the page has drawn it.
export async function showScene(server, url, page, name) {
  server.lines = server.lines.filter((l) => !l.startsWith("shown "));
  server.say(name);
  await server.line(new RegExp(`^shown ${name}$`));
  const wanted = marked(await fetch(`${url}/api/v1/state`).then((r) => r.json()));
  await until(async () => marked(await page.evaluate(() => globalThis.heard ?? { kettles: [] })) === wanted, `the page shows ${name}`);
  await page.evaluate(() => new Promise((r) => requestAnimationFrame(() => requestAnimationFrame(r))));
}

let checks = 0;
export function check(ok, words) {
  checks += 1;
  if (!ok) throw new Error(`not so: ${words}`);
}
export async function until(test, words, ms = PATIENCE_MS) {
  const end = Date.now() + ms;
  for (;;) {
    if (await test()) { checks += 1; return; }
    if (Date.now() > end) throw new Error(`not within ${ms} ms: ${typeof words === "function" ? words() : words}`);
    await pause(100);
  }
}
export const counted = () => checks;
