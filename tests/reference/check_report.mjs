// Looks at pages that compband writes in a real browser, and fails where one is not sound.
//
// usage: node check_report.mjs MODULES CHROMIUM PAGE…
//
// MODULES is a folder with node_modules of playwright-core and axe-core, CHROMIUM the browser's program
// (see check_report.sh). Every page is opened light and dark, wide, as wide as a small phone, and as
// printed: axe-core must find no violation of any of its rules, nothing may be loaded, no script of the
// book's may run, the page itself must not scroll sideways, every table must sort by keyboard, and without
// scripts all the rows must be there. No id may stand twice, and what leads to another place on the page
// must lead somewhere. On paper, the heads of a table must stand on each of its pages, and each unit of
// several must begin a page (read by pdftotext).

import { execFileSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";
import { tmpdir } from "node:os";
import { join, resolve } from "node:path";

const [modules, executablePath, ...pages] = process.argv.slice(2);
const require = createRequire(pathToFileURL(resolve(modules, "x.js")));
const { chromium } = require("playwright-core");
const axe = require("axe-core");

const faults = [];
const expect = (holds, what) => holds || faults.push(what);
const rows = (page) => page.evaluate(() => document.querySelectorAll("tbody tr").length);

async function open(browser, file, options) {
  const context = await browser.newContext(options);
  const page = await context.newPage();
  const url = pathToFileURL(resolve(file)).href;
  page.on("request", (request) => expect(request.url() === url, `${file}: loads ${request.url()}`));
  page.on("dialog", (dialog) => (faults.push(`${file}: a dialog says ${dialog.message()}`), dialog.dismiss()));
  page.on("pageerror", (error) => faults.push(`${file}: ${error.message}`));
  page.on("console", (message) => faults.push(`${file}: console: ${message.text()}`));
  await page.goto(url);
  return page;
}

async function accessible(page, name) {
  // Through the debugger, which the page's content security policy does not hold back.
  await page.evaluate(axe.source);
  const { violations, passes } = await page.evaluate(() => axe.run(document, { resultTypes: ["violations"] }));
  expect(passes.length > 20, `${name}: axe looked at next to nothing`);
  for (const { id, help, nodes } of violations) {
    faults.push(`${name}: ${id}: ${help}: ${nodes[0].html} ${nodes[0].failureSummary}`);
  }
  return violations.length;
}

async function sorts(page, file) {
  for (const table of await page.locator("table.sortable").all()) {
    const heads = table.locator("thead th");
    for (let at = 0; at < (await heads.count()); at++) {
      const head = heads.nth(at);
      for (const direction of ["ascending", "descending"]) {
        await head.locator("button").focus();
        await page.keyboard.press("Enter");
        expect((await head.getAttribute("aria-sort")) === direction, `${file}: column ${at} is not ${direction}`);
        const numbers = await table.evaluate(
          (t, at) => [...t.tBodies[0].rows].map((row) => row.cells[at].dataset.value).filter((v) => v).map(Number),
          at,
        );
        const sign = direction === "ascending" ? 1 : -1;
        const ordered = numbers.every((n, i) => i === 0 || sign * (n - numbers[i - 1]) >= 0);
        expect(ordered, `${file}: column ${at} ${direction} is out of order`);
      }
    }
  }
  return page.locator("th[aria-sort]").count();
}

// Ids that stand twice, and links to places that are not there.
const astray = (page) =>
  page.evaluate(() => {
    const ids = [...document.querySelectorAll("[id]")].map((e) => e.id);
    const twice = ids.filter((id, at) => ids.indexOf(id) !== at);
    const links = [...document.querySelectorAll("a")].map((a) => a.getAttribute("href"));
    return [...twice, ...links.filter((href) => !ids.includes(href.replace(/^#/, "")))];
  });

async function pdf(page, format) {
  const folder = mkdtempSync(join(tmpdir(), "pages-"));
  try {
    const path = join(folder, "page.pdf");
    await page.pdf({ path, format, preferCSSPageSize: true });
    return execFileSync("pdftotext", ["-layout", path, "-"], { encoding: "utf8" }).split("\f");
  } finally {
    rmSync(folder, { recursive: true });
  }
}

// Comps are told by their dates at the beginning of a line.
function printed(sheets, units, name) {
  const comps = sheets.filter((sheet) => /^ *\d{4}-\d\d-\d\d +\w+ +\d/m.test(sheet));
  expect(comps.length > 0, `${name}: no comps`);
  const headless = comps.filter((sheet) => !/Sold +Id +Paid +Adjusted/.test(sheet)).length;
  expect(headless === 0, `${name}: ${headless} pages of comps without heads`);
  for (const unit of units) {
    const squeezed = (text) => text.replace(/\s+/g, "").slice(0, 20);
    const begins = sheets.some((sheet) => squeezed(sheet) === squeezed(unit));
    expect(begins, `${name}: ${unit} begins no page`);
  }
  console.log(`${name}: ${sheets.length - 1} pages, comps on ${comps.length}`);
}

const browser = await chromium.launch({ executablePath, args: ["--no-sandbox"] });
for (const file of pages) {
  for (const colorScheme of ["light", "dark"]) {
    for (const width of [1280, 320]) {
      const page = await open(browser, file, { colorScheme, viewport: { width, height: 800 } });
      const name = `${file}, ${colorScheme}, ${width} pixels wide`;
      const violations = await accessible(page, name);
      const sideways = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
      expect(sideways <= 0, `${name}: scrolls sideways by ${sideways} pixels`);
      console.log(`${name}: ${violations} violations`);
      await page.context().close();
    }
  }
  const page = await open(browser, file, {});
  const whole = await rows(page);
  const units = await page.locator("article > h2").allTextContents();
  const wrong = await astray(page);
  expect(wrong.length === 0, `${file}: ids twice or links astray: ${wrong.join(", ")}`);
  expect((await sorts(page, file)) > 0, `${file}: no table sorts`);
  expect((await rows(page)) === whole, `${file}: sorting loses rows`);
  await page.emulateMedia({ media: "print", colorScheme: "dark" });
  const paper = await page.evaluate(() => getComputedStyle(document.documentElement).getPropertyValue("--paper"));
  expect(paper.trim() === "#ffffff", `${file}: printed dark`);
  for (const [paper, across] of [["A4", 210 - 28], ["Letter", 215.9 - 28]]) {
    await page.setViewportSize({ width: Math.floor((across / 25.4) * 96), height: 1000 });
    const cut = await page.evaluate(
      () => [...document.querySelectorAll("table, svg, pre")].filter((e) => e.getBoundingClientRect().right > innerWidth + 1).length,
    );
    expect(cut === 0, `${file}: ${cut} things are cut on ${paper}`);
    printed(await pdf(page, paper), units, `${file}, ${paper}`);
  }
  await page.context().close();
  const plain = await open(browser, file, { javaScriptEnabled: false });
  expect((await plain.locator("tbody tr").count()) === whole, `${file}: rows are missing without scripts`);
  expect((await plain.locator("button").count()) === 0, `${file}: buttons that do nothing without scripts`);
  await plain.context().close();
}
await browser.close();
if (faults.length > 0) {
  console.error(faults.join("\n"));
  process.exit(1);
}
console.log("The pages are sound.");
