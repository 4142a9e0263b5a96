// The page on paper: A4 pages that hold every table row and figure whole, inside the margins.
//
// Marks of one pixel are put at the start and end of each row, figure and box before printing.
// pdftotext (poppler-utils) then tells on which page, and where, each mark and each word came to lie.

import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { after, before, describe, test } from "node:test";

import { launch, open } from "./browser.mjs";
import { reports } from "./reports.mjs";

const MM = 96 / 25.4; // CSS pixels
const POINTS = 72 / 25.4;
const PAGE = { width: 210, height: 297, side: 18, top: 20, bottom: 18 }; // mm, as in report.css
const WHOLE = { row: "tbody tr", figure: "figure", note: ".note", equation: ".equation", verdict: ".verdicts li" };

let browser;
let scratch;
before(async () => {
  browser = await launch();
  scratch = mkdtempSync(join(tmpdir(), "psdstats-print-"));
});
after(async () => {
  await browser?.close();
  rmSync(scratch, { recursive: true, force: true });
});

for (const report of reports()) {
  describe(`printed report ${report.name}`, () => {
    let sheets; // pages of words
    let wanted; // what was marked: key, kind, words of a row

    before(async () => {
      const { page, close } = await open(browser, report.url);
      wanted = await page.evaluate(setMarks, WHOLE);
      const path = join(scratch, `${report.name}.pdf`);
      await page.pdf({ path, preferCSSPageSize: true, printBackground: true });
      sheets = words(path);
      await close();
    });

    test("fits the width of an A4 page", async () => {
      const width = Math.floor((PAGE.width - 2 * PAGE.side) * MM);
      const { page, close } = await open(browser, report.url, { width });
      await page.emulateMedia({ media: "print" });
      const wide = await page.evaluate((limit) => [...document.querySelectorAll("table, svg, figure, section")]
        .filter((element) => element.getBoundingClientRect().right > limit + 0.5)
        .map((element) => `${element.closest("[id]").id}: ${element.getBoundingClientRect().right}`), width);
      assert.deepEqual(wide, []);
      const tall = await page.evaluate(() => document.documentElement.scrollHeight);
      const least = tall / ((PAGE.height - PAGE.top - PAGE.bottom) * MM);
      // keeping figures whole leaves paper white, but never half of it
      assert.ok(sheets.length >= Math.floor(least), `${sheets.length} pages for ${least} pages of text`);
      assert.ok(sheets.length <= 1.5 * least + 2, `${sheets.length} pages for ${least} pages of text`);
      await close();
    });

    test("keeps every word inside the page", () => {
      const out = sheets.flatMap((sheet, at) => sheet.words
        .filter((word) => word.xMin < (PAGE.side - 1) * POINTS || word.xMax > (PAGE.width - PAGE.side + 1) * POINTS
          || word.yMin < 0 || word.yMax > PAGE.height * POINTS)
        .map((word) => `page ${at + 1}: ${word.text}`));
      assert.deepEqual(out, []);
      for (const sheet of sheets) {
        assert.ok(Math.abs(sheet.width - PAGE.width * POINTS) < 1 && Math.abs(sheet.height - PAGE.height * POINTS) < 1);
      }
    });

    test("splits no row, figure, note or formula between pages", () => {
      const place = new Map();
      sheets.forEach((sheet, at) => sheet.words.forEach((word) => place.set(word.text, at + 1)));
      assert.ok(wanted.filter((each) => each.kind === "row").length > 20, "hardly a row was marked");
      assert.ok(wanted.filter((each) => each.kind === "figure").length > 3, "hardly a figure was marked");
      const lost = wanted.filter((each) => !place.has(each.first) || !place.has(each.last));
      assert.deepEqual(lost.map((each) => each.what), [], "marks that came on no page");
      const split = wanted.filter((each) => place.get(each.first) !== place.get(each.last));
      assert.deepEqual(split.map((each) => `${each.what}: ${place.get(each.first)} and ${place.get(each.last)}`), []);
    });

    test("prints every cell of every table whole, and its headings on every page", () => {
      const place = new Map();
      sheets.forEach((sheet) => sheet.words.forEach((word) => place.set(word.text, sheet)));
      const missing = wanted.flatMap((each) => {
        const found = new Set(place.get(each.first)?.words.map((word) => word.text));
        return each.words.filter((word) => !isComposed(word, found)).map((word) => `${each.what}: ${word}`);
      });
      assert.deepEqual(missing, []);
    });
  });
}

// Whether a word stands on the page, whole or broken between lines; letters that this computer may
// have no font for are not asked for.
function isComposed(word, found) {
  if (/[\u2e80-\uffff]|[\ud800-\udfff]/.test(word)) return true;
  const reached = [true];
  for (let end = 1; end <= word.length; end += 1) {
    reached[end] = reached.some((ok, start) => ok && start < end && found.has(word.slice(start, end)));
  }
  return reached[word.length];
}

// Runs in the page. A mark is one word, almost white, out of the flow.
function setMarks(kinds) {
  const marked = [];
  const set = (element, text, side) => {
    const mark = document.createElement("span");
    mark.textContent = text;
    for (const [name, value] of Object.entries({
      position: "absolute", [side]: "0", left: "0", font: "1px sans-serif", color: "#fdfdfd", whiteSpace: "nowrap",
    })) mark.style[name] = value;
    element.style.position = "relative";
    element.append(mark);
  };
  for (const [kind, selector] of Object.entries(kinds)) {
    document.querySelectorAll(selector).forEach((element, at) => {
      // the headings must stand on every page that holds a row
      const cells = kind === "row" ? [...element.cells, ...element.closest("table").tHead.rows[0].cells] : [];
      const words = cells.flatMap((cell) => cell.textContent.split(/\s+/)).filter(Boolean);
      const [first, last] = [`q${kind}${at}a`, `q${kind}${at}z`];
      const host = kind === "row" ? element.cells[0] : element;
      const what = `${kind} ${at} in ${element.closest("[id]").id} (${element.textContent.trim().slice(0, 40)})`;
      set(host, first, "top");
      set(host, last, "bottom");
      marked.push({ kind, first, last, words, what });
    });
  }
  return marked;
}

// Words of a PDF with their boxes in points, a list for each page.
function words(path) {
  const text = execFileSync("pdftotext", ["-bbox", path, "-"], { encoding: "utf-8", maxBuffer: 1 << 28 });
  const plain = { amp: "&", lt: "<", gt: ">", quot: '"', apos: "'" };
  return text.split("<page ").slice(1).map((part) => {
    const [, width, height] = part.match(/width="([\d.]+)" height="([\d.]+)"/).map(Number);
    const found = [...part.matchAll(/<word xMin="([^"]+)" yMin="([^"]+)" xMax="([^"]+)" yMax="([^"]+)">(.*?)<\/word>/g)];
    return {
      width,
      height,
      words: found.map(([, xMin, yMin, xMax, yMax, word]) => ({
        xMin: Number(xMin), yMin: Number(yMin), xMax: Number(xMax), yMax: Number(yMax),
        text: word.replace(/&(#?\w+);/g, (all, name) => plain[name] ?? (name[0] === "#" ? String.fromCodePoint(Number(name.slice(1))) : all)),
      })),
    };
  });
}
