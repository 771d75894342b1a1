// The live page in a real browser: a virtual span plays over a serial line into a capture,
// and the page is watched from the search over the guidance to a held resonance and its
// logged point; then the device is lost. Screenshots at two widths, light and dark; axe-core
// (fetched beside this, not part of the repository) looks for faults that keep people out.
//
//   node page.mjs PROGRAM WORK_FOLDER CHROMIUM
import { spawn } from "node:child_process";
import { createRequire } from "node:module";
import { mkdirSync, readFileSync, writeFileSync } from "node:fs";
import { createInterface } from "node:readline";
import { dirname, join, resolve } from "node:path";
import { fileURLToPath } from "node:url";

const [program, work, chromiumPath] = process.argv.slice(2).map((path) => resolve(path));
const require = createRequire(join(work, "package.json"));
const { chromium } = require("playwright-core");
const axeSource = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const repository = join(dirname(fileURLToPath(import.meta.url)), "../..");

const began = Date.now();
const say = (text) => console.log(`${((Date.now() - began) / 1000).toFixed(1).padStart(6)} s  ${text}`);
const faults = [];
const check = (is, what) => { say(`${is ? "ok   " : "FAULT"}  ${what}`); if (!is) faults.push(what); };
const sleep = (ms) => new Promise((done) => setTimeout(done, ms));
const children = [];
function start(command, args, options) {
  const child = spawn(command, args, { cwd: work, ...options });
  children.push(child);
  return child;
}
const ended = (child) => new Promise((done) => child.exitCode !== null ? done(child.exitCode) : child.once("exit", done));

async function ports() {
  const cable = start("python3", [join(repository, "tests/browser/cable.py")], { stdio: ["pipe", "pipe", "inherit"] });
  const lines = createInterface({ input: cable.stdout })[Symbol.asyncIterator]();
  return [(await lines.next()).value, (await lines.next()).value];
}

// An invented bench: the demo's span, on a serial line.
function setup(port) {
  const demo = readFileSync(join(repository, "config/damped-trial.toml"), "utf8");
  const text = demo
    .replace('kind = "wav"', `kind = "serial"\nport = "${port}"\nbaud = 921600`)
    .replace("rate_hz = 220.0", "rate_hz = 400.0")
    .replace("curves/example-curve.csv", "example-curve.csv")
    .replace("[amplitude]", "[limits]\nstrain_pp_um_m = 450.0\n\n[amplitude]")
    .replace("# [hold] is left at its defaults.", "[hold]\nmax_seconds = 12.0");
  writeFileSync(join(work, "setup.toml"), text);
  writeFileSync(join(work, "example-curve.csv"), readFileSync(join(repository, "config/curves/example-curve.csv")));
}

function capture(...more) {
  const child = start(program, ["capture", "setup.toml", "--out", "run", "--log", "json", ...more], { stdio: ["ignore", "ignore", "pipe"] });
  const lines = createInterface({ input: child.stderr });
  const first = new Promise((done) => lines.once("line", done));
  const toWrite = new Promise((done) => lines.on("line", (line) => { const found = /open it at (\S+)/.exec(line); if (found) done(found[1]); }));
  return { child, first, toWrite };
}

// What the page shows, as a person reads it.
const seen = (page) => page.evaluate(() => ({
  now: document.getElementById("now").textContent,
  link: document.getElementById("link").dataset.state,
  map: [...document.querySelectorAll("#map li")].map((item) => item.className),
  points: document.querySelectorAll("#points tr").length,
  title: document.title,
  wide: document.documentElement.scrollWidth > window.innerWidth,
}));
async function until(page, what, is, seconds) {
  const end = Date.now() + 1000 * seconds;
  let last;
  while (Date.now() < end) {
    last = await seen(page);
    if (is(last)) { say(`ok     ${what}: "${last.now}"`); return last; }
    await sleep(100);
  }
  check(false, `${what}: not within ${seconds} s; last seen ${JSON.stringify(last)}`);
  return last;
}

async function looks(page, name) {
  for (const [width, height, size] of [[390, 844, "phone"], [1440, 900, "desktop"]]) {
    for (const scheme of ["light", "dark"]) {
      await page.setViewportSize({ width, height });
      await page.emulateMedia({ colorScheme: scheme });
      await sleep(400);
      const { wide } = await seen(page);
      check(!wide, `${name} ${size} ${scheme}: no wider than the screen`);
      await page.screenshot({ path: join(work, `${name}-${size}-${scheme}.png`), fullPage: true });
      await page.evaluate(axeSource);
      const found = await page.evaluate(() => axe.run(document, { resultTypes: ["violations"] }));
      const serious = found.violations.filter((one) => ["serious", "critical"].includes(one.impact));
      check(serious.length === 0, `${name} ${size} ${scheme}: axe-core finds nothing serious ${JSON.stringify(serious.map((one) => [one.id, one.nodes.map((node) => node.target.join(" ") + ": " + node.failureSummary).slice(0, 3)]))}`);
    }
  }
  await page.emulateMedia({ colorScheme: "light" });
}

let browser;
try {
  mkdirSync(work, { recursive: true });
  const [playerPort, port] = await ports();
  setup(port);
  const first = capture("--connect-seconds", "60");
  const url = await first.first;
  check(/^http:\/\/127\.0\.0\.1:\d+\/$/.test(url), `the first line on standard error is the address: ${url}`);
  const flags = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"];
  browser = await chromium.launch({ executablePath: chromiumPath, args: flags });
  const page = await browser.newPage({ viewport: { width: 1440, height: 900 } });
  const complaints = [];
  page.on("console", (message) => { if (message.type() === "error" && !/ERR_CONNECTION_REFUSED/.test(message.text())) complaints.push(message.text()); });
  page.on("pageerror", (error) => complaints.push(String(error)));
  const asked = new Set();
  page.on("request", (request) => asked.add(new URL(request.url()).origin));
  // Who writes notes needs the token, on this computer too.
  const toWrite = await first.toWrite;
  check(toWrite.startsWith(`${url}#token=`), "the address to write at is said behind it");
  await page.goto(toWrite, { waitUntil: "load" });

  const player = start(program, ["rehearse", "setup.toml", "--to", playerPort, "--out", "played", "--harmonics", "7,8", "--faults=off-peak", "--seed", "3"], { stdio: ["ignore", "ignore", "ignore"] });
  const told = [];
  const watch = (async () => { for (;;) { try { const { now } = await seen(page); if (told[told.length - 1] !== now) told.push(now); } catch { return; } await sleep(100); } })();

  await until(page, "searching", ({ now }) => /searching|no tone/.test(now), 30);
  await until(page, "guidance or ring-up", ({ now }) => /^(wait (\d+ s )?for ring-up|turn )/.test(now), 40);
  await until(page, "the hold is counted", ({ now }) => /^holding, \d+ of \d+ s$/.test(now), 60);
  await until(page, "done, with the next harmonic", ({ now }) => /^done; next about \d+\.\d Hz$/.test(now), 40);
  await looks(page, "done");
  await until(page, "the point is logged and the map fills", ({ map, points }) => points >= 1 && map.some((kind) => kind.startsWith("held done")), 60);
  await until(page, "off the peak: which way to turn", ({ now }) => /^turn down by 0\.\d+ Hz$/.test(now), 90);
  await page.screenshot({ path: join(work, "turn-desktop-light.png"), fullPage: true });

  // By keyboard alone: the first key press offers the way to what to do now.
  await page.keyboard.press("Tab");
  check(await page.evaluate(() => document.activeElement.className === "skip"), "Tab comes to the skip link first");
  await page.keyboard.press("Enter");
  check(await page.evaluate(() => document.activeElement.id === "now"), "and Enter goes to what to do now");
  await page.keyboard.press("Tab");
  check(await page.evaluate(() => document.activeElement.classList.contains("scroll")), "then Tab to the table, which scrolls by the arrow keys");

  // A note and an exclusion, by keyboard: from the form into the ledger and back to the map.
  await page.focus("#note-kind");
  await page.keyboard.type("exclude");
  await page.keyboard.press("Tab");
  await page.keyboard.type("A. Name");
  await page.keyboard.press("Tab");
  await page.keyboard.type("invented: somebody leant on the span");
  await page.keyboard.press("Enter");
  const said = () => page.evaluate(() => document.getElementById("note-said").textContent);
  for (let waited = 0; waited < 50 && !await said(); waited++) await sleep(100);
  check(/^Written down at point \d+\.$/.test(await said()), `the note is said to be written: "${await said()}"`);
  const lines = readFileSync(join(work, "run", "notes.jsonl"), "utf8").trim().split("\n").map((line) => JSON.parse(line));
  check(lines.length === 1 && lines[0].kind === "exclude" && lines[0].by === "A. Name" && lines[0].source === "bench" && Number.isInteger(lines[0].start_sample), `and stands in the ledger: ${JSON.stringify(lines[0])}`);
  check(await page.evaluate(() => [...document.querySelectorAll("#points tr")].some((row) => row.textContent.includes("excluded"))), "and the table of points says so");
  await looks(page, "note");

  // The device is lost.
  player.kill("SIGKILL");
  const lost = Date.now();
  await until(page, "the lost device is said", ({ now }) => /no samples from "bench"/.test(now), 10);
  const late = (Date.now() - lost) / 1000;
  check(late < 2, `within two seconds: ${late.toFixed(2)} s`);
  await looks(page, "lost");

  // The daemon is restarted: the same page goes on by itself.
  first.child.kill("SIGTERM");
  await ended(first.child);
  await until(page, "the page says that nobody answers", ({ link }) => link === "lost", 10);
  await page.screenshot({ path: join(work, "restart-desktop-light.png"), fullPage: true });
  const again = start(program, ["rehearse", "setup.toml", "--to", playerPort, "--harmonics", "8", "--seed", "4"], { stdio: ["ignore", "ignore", "ignore"] });
  const second = capture("--connect-seconds", "60");
  check(await second.first === url, "the second session has the address of the first");
  await until(page, "and is live again, with the points of the session before", ({ link, title, points }) => link === "live" && !title.includes("ended") && points >= 1, 60);
  again.kill("SIGKILL");
  second.child.kill("SIGTERM");
  await ended(second.child);
  check(asked.size === 1 && asked.has(new URL(url).origin), `nothing is asked of anybody else: ${[...asked]}`);
  check(complaints.length === 0, `the browser complains of nothing: ${complaints.slice(0, 5).join(" | ")}`);
  writeFileSync(join(work, "told.txt"), told.join("\n") + "\n");
} catch (error) {
  check(false, String(error.stack || error));
} finally {
  if (browser) await browser.close();
  for (const child of children) child.kill("SIGKILL");
}
if (faults.length) { console.log(`\n${faults.length} FAULTS`); process.exit(1); }
console.log("\nThe page does what it should.");
process.exit(0);
