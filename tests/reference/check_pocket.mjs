// Holds a page of `compband pocket` in a real browser against the command line.
//
// usage: node check_pocket.mjs MODULES CHROMIUM COMPBAND PAGE BOOK DAY [COUNT [SCREENSHOTS]]
//
// MODULES is a folder with node_modules of playwright-core and axe-core, CHROMIUM the browser's program, COMPBAND the
// program that made PAGE from BOOK as of DAY. The network is off all the time. COUNT combinations (2000 if not given)
// are drawn and tapped on the page; what it shows must be what `compband estimate` and `compband bid` say: to the cent,
// or where it says "about", within 1 % or 0.50. Then the page is opened light and dark, on phones upright and across and
// on a desk: axe-core must find no violation, the large numbers must have a contrast of 7 (WCAG AAA), everything that
// is tapped must be 48 pixels high, nothing may scroll sideways. How long it takes to open on a processor slowed
// down four times is printed, beside the goal of one second. A page that is 30 or 90 days old must say so. SCREENSHOTS
// is a folder for pictures.

import { execFile } from "node:child_process";
import { readFileSync, statSync } from "node:fs";
import { createRequire } from "node:module";
import { cpus } from "node:os";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { promisify } from "node:util";

const [modules, executablePath, compband, file, book, day, count = "2000", pictures] = process.argv.slice(2);
const require = createRequire(pathToFileURL(resolve(modules, "x.js")));
const { chromium } = require("playwright-core");
const axe = require("axe-core");
const run = promisify(execFile);

const faults = [];
const expect = (holds, what) => holds || faults.push(what);
const doc = JSON.parse(/<script type="application\/json" id="figures">(.*?)<\/script>/s.exec(readFileSync(file, "utf8"))[1]);

// Numbers that look random: splitmix64 (Steele, Lea and Flood 2014).
let seed = 14n;
function below(most) {
  const mask = (1n << 64n) - 1n;
  seed = (seed + 0x9e3779b97f4a7c15n) & mask;
  let z = seed;
  z = ((z ^ (z >> 30n)) * 0xbf58476d1ce4e5b9n) & mask;
  z = ((z ^ (z >> 27n)) * 0x94d049bb133111ebn) & mask;
  return Number((z ^ (z >> 31n)) % BigInt(most));
}

async function open(browser, options = {}, clock) {
  const context = await browser.newContext({ offline: true, ...options });
  const page = await context.newPage();
  const url = pathToFileURL(resolve(file)).href;
  page.on("request", (request) => expect(request.url() === url, `loads ${request.url()}`));
  page.on("dialog", (dialog) => (faults.push(`a dialog says ${dialog.message()}`), dialog.dismiss()));
  page.on("pageerror", (error) => faults.push(error.message));
  page.on("console", (message) => faults.push(`console: ${message.text()}`));
  if (clock) await page.clock.setFixedTime(clock);
  await page.goto(url);
  return page;
}

// --- the figures

function drawn() {
  const model = below(doc.models.length);
  const { grades, levels, others } = doc.models[model];
  const chosen = new Set();
  for (let k = below(5); k > 0 && others.length; k--) {
    const one = others[below(others.length)];
    const clash = [...chosen].some((at) => {
      const other = others[at];
      const piece = (kind) => kind === "missing" || kind === "extra";
      return (one.kind === "variant" && other.kind === "variant") || (piece(one.kind) && piece(other.kind) && one.name === other.name);
    });
    if (!clash) chosen.add(others.indexOf(one));
  }
  return {
    model, grade: below(grades.length + 2), level: below(levels.length + 1), others: [...chosen],
    chance: below(doc.chances.length), outlet: below(doc.outlets.length), parts: below(3) ? (below(4000) / 100).toFixed(2) : "",
  };
}

// Taps each combination as a user does, and reads what the page shows.
const tapped = (page, all) =>
  page.evaluate((all) => {
    const byId = (id) => document.getElementById(id);
    const tap = (group, at) => byId(group).querySelectorAll("input[type=radio], input[type=checkbox]")[at].click();
    const text = (id) => byId(id).textContent;
    return all.map(({ model, grade, level, others, chance, outlet, parts }) => {
      byId("model").selectedIndex = model;
      byId("model").dispatchEvent(new Event("change"));
      tap("grade", grade);
      tap("level", level);
      for (const at of others) document.querySelector(`input[data-at="${at}"]`).click();
      tap("chance", chance);
      if (byId("outlet")) tap("outlet", outlet);
      byId("parts").value = parts;
      byId("parts").dispatchEvent(new Event("input"));
      return { likely: text("likely"), range: text("range"), most: text("most"), kept: text("kept"), note: text("note") };
    });
  }, all);

async function said(drawn) {
  const { name, grades, levels, others } = doc.models[drawn.model];
  const unit = ["--model", name, "--as-of", day, "--json"];
  if (drawn.grade > grades.length) unit.push("--parts");
  else if (drawn.grade) unit.push("--grade", grades[drawn.grade - 1]);
  if (drawn.level) unit.push("--completeness", levels[drawn.level - 1]);
  for (const at of drawn.others) unit.push(`--${others[at].kind}`, others[at].name);
  const bid = ["bid", ...unit];
  const { name: outlet } = doc.outlets[drawn.outlet];
  if (outlet) bid.push("--outlet", outlet);
  const success = doc.chances[drawn.chance] / 100;
  if (success < 1 || drawn.parts) bid.push("--repair", `repair: parts ${drawn.parts || 0}, success ${success}`);
  const json = async (args) => JSON.parse((await run(compband, ["--book", book, ...args], { maxBuffer: 1 << 26 })).stdout);
  const [estimate, offer] = [await json(["estimate", ...unit]), await json(bid)];
  return { estimate, offer, command: bid.join(" ") };
}

const number = (text) => Number(text.replace(/[\u202f\s]|about/g, "").replace("\u2212", "-"));
const numbers = (text) => (text.match(/\u2212?\d[\d\u202f]*(\.\d+)?/g) || []).map(number);
const tally = { exact: 0, about: 0, beyond: 0, worst: 0 };

function compare(one, shown, { estimate, offer, command }) {
  const about = shown.likely.startsWith("about");
  if (shown.likely === "–") return tally.beyond++;
  tally[about ? "about" : "exact"]++;
  const check = (what, found, truth) => {
    const off = Math.abs(found - Number(truth));
    const allowed = about ? Math.max(0.01 * Math.abs(truth), 0.5) : 0;
    if (about) tally.worst = Math.max(tally.worst, off / allowed);
    expect(off <= allowed + 1e-9, `${what} ${found}, not ${truth}${about ? " (about)" : ""}: ${command}`);
  };
  check("likely price", number(shown.likely), estimate.likely_price);
  const [, low, high] = numbers(shown.range);
  check("low", low, estimate.band.low);
  check("high", high, estimate.band.high);
  const { name, priced } = doc.outlets[one.outlet];
  if (name) {
    const [kept, there] = numbers(shown.kept.slice(`through ${name} `.length));
    check("kept", kept, offer.net_of_likely_price.net);
    if (priced) check("price there", there, offer.likely_price);
  }
  if (about) return expect(shown.most === "–", `a most to pay by steps: ${command}`);
  if (shown.most === "nothing") expect(offer.most === null, `most nothing, not ${offer.most}: ${command}`);
  else check("most", number(shown.most), offer.most);
}

async function figures(browser) {
  const page = await open(browser, { viewport: { width: 390, height: 844 } });
  const all = Array.from({ length: Number(count) }, drawn);
  const shown = await tapped(page, all);
  let next = 0;
  const work = async () => {
    while (next < all.length) {
      const at = next++;
      compare(all[at], shown[at], await said(all[at]));
    }
  };
  await Promise.all(cpus().map(work));
  console.log(`${all.length} combinations: ${tally.exact} to the cent, ${tally.about} about (largest error ${tally.worst.toFixed(2)} of what is allowed), ${tally.beyond} beyond what is worked out`);
  expect(tally.exact > all.length / 4, "hardly anything is to the cent");
  await page.context().close();
}

// --- the page

async function contrast(page, name) {
  const ratios = await page.evaluate(() => {
    const canvas = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
    const light = (colour) => {
      canvas.fillStyle = colour;
      canvas.fillRect(0, 0, 1, 1);
      const [r, g, b] = [...canvas.getImageData(0, 0, 1, 1).data].map((c) => c / 255).map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4));
      return 0.2126 * r + 0.7152 * g + 0.0722 * b;
    };
    const ground = light(getComputedStyle(document.querySelector("header")).backgroundColor);
    return [...document.querySelectorAll(".number, .beside")].map((e) => {
      const ink = light(getComputedStyle(e).color);
      return (Math.max(ink, ground) + 0.05) / (Math.min(ink, ground) + 0.05);
    });
  });
  const least = Math.min(...ratios);
  expect(least >= (name.includes("old") ? 4.5 : 7), `${name}: numbers have a contrast of ${least.toFixed(2)}`);
}

async function looks(browser) {
  const views = [[390, 844], [360, 640], [430, 932], [844, 390], [1280, 800]];
  for (const colorScheme of ["light", "dark"]) {
    for (const [width, height] of views) {
      for (const age of [1, 40, 100]) {
        if (age > 1 && width !== 390) continue;
        const clock = new Date(Date.parse(doc.made) + age * 86400000 + 43200000);
        const page = await open(browser, { colorScheme, viewport: { width, height } }, clock);
        const name = `${colorScheme}, ${width} by ${height}${age > 1 ? `, ${age} days old` : ""}`;
        await page.locator("#grade input").nth(2).check();
        await page.locator("input[type=checkbox]").nth(0).check();
        await page.evaluate(axe.source);
        const { violations, passes } = await page.evaluate(() => axe.run(document, { resultTypes: ["violations"] }));
        expect(passes.length > 15, `${name}: axe looked at next to nothing`);
        for (const { id, help, nodes } of violations) faults.push(`${name}: ${id}: ${help}: ${nodes[0].html} ${nodes[0].failureSummary}`);
        await contrast(page, name);
        const sideways = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
        expect(sideways <= 0, `${name}: scrolls sideways by ${sideways} pixels`);
        const low = await page.evaluate(() => [...document.querySelectorAll("select, button, input")].map((e) => e.getBoundingClientRect()).filter((b) => b.height < 48 || b.width < 48).length);
        expect(low === 0, `${name}: ${low} things to tap are under 48 pixels`);
        expect((await page.locator("#age").isVisible()) === age > 30, `${name}: its age`);
        if (pictures) await page.screenshot({ path: join(pictures, `${name.replace(/\W+/g, "-")}.png`) });
        console.log(`${name}: ${violations.length} violations`);
        await page.context().close();
      }
    }
  }
}

// By keyboard alone: a grade by the arrows, a piece by the space bar, parts by typing.
async function keys(browser) {
  const page = await open(browser, { viewport: { width: 390, height: 844 } });
  const shown = () => page.locator("#answer").innerText();
  const before = await shown();
  await page.locator("#model").focus();
  for (let k = 0; k < 2; k++) await page.keyboard.press("Tab");
  await page.keyboard.press("ArrowRight");
  expect((await page.locator("#grade input").nth(1).isChecked()), "the arrows choose no grade");
  const graded = await shown();
  expect(graded !== before, "a grade changes nothing");
  await page.keyboard.press("Tab");
  await page.keyboard.press("Tab");
  await page.keyboard.press("Space");
  expect((await page.locator("input[type=checkbox]:checked").count()) === 1, "the space bar ticks nothing");
  await page.locator("#parts").focus();
  await page.keyboard.type("x");
  expect((await shown()).includes("Parts: an amount"), "a wrong amount is taken");
  await page.locator("#clear").focus();
  await page.keyboard.press("Enter");
  expect((await shown()) === before, "Clear does not clear");
  await page.context().close();
}

async function speed(browser) {
  const times = [];
  for (let k = 0; k < 3; k++) {
    const context = await browser.newContext({ offline: true, viewport: { width: 390, height: 844 } });
    const page = await context.newPage();
    const session = await context.newCDPSession(page);
    await session.send("Emulation.setCPUThrottlingRate", { rate: 4 });
    await page.goto(pathToFileURL(resolve(file)).href);
    times.push(await page.evaluate(() => performance.getEntriesByType("navigation")[0].loadEventEnd));
    expect((await page.locator("#likely").textContent()) !== "–", "opens without a price");
    await context.close();
  }
  const best = Math.min(...times);
  console.log(`opens in ${times.map((time) => time.toFixed(0)).join(", ")} ms at a quarter of the speed; ${statSync(file).size} bytes`);
  console.log(`${best < 1000 ? "within" : "NOT within"} the goal of one second`);
}

async function printed(browser) {
  const page = await open(browser);
  await page.locator("#grade input").nth(1).check();
  await page.emulateMedia({ media: "print", colorScheme: "dark" });
  expect(!(await page.locator("#clear").isVisible()), "print has buttons");
  expect((await page.locator(".choice:visible").count()) < 8, "print has what is not chosen");
  await page.context().close();
  const plain = await open(browser, { javaScriptEnabled: false });
  expect((await plain.locator("main").innerText()).includes("JavaScript"), "says nothing without JavaScript");
  await plain.context().close();
}

const browser = await chromium.launch({ executablePath, args: ["--no-sandbox", "--disable-dev-shm-usage"] });
if (doc.models.length) {
  await looks(browser);
  await keys(browser);
  await speed(browser);
  await printed(browser);
  if (Number(count)) await figures(browser);
}
await browser.close();
for (const fault of faults.slice(0, 40)) console.log(`FAULT ${fault}`);
console.log(`${faults.length} faults`);
process.exit(faults.length ? 1 : 0);
