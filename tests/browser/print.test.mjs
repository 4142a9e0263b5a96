// The page on paper: A4 pages that hold every table row and figure whole, inside the margins, with
// little of a page left blank and letters that can be read.
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
const PAGE = { width: 210, height: 297, side: 18, top: 18, bottom: 16 }; // mm, as in report.css
const WHOLE = { row: "tbody tr", figure: "figure", note: ".note", equation: ".equation", answer: ".answers div", page: ".sheet", appendix: ".appendix h2" };
const BLANK = 1 / 3; // of a page, at most
const LETTER_PT = { drawn: 7, printed: 5 }; // the smallest letters of a figure

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
    let first; // page on which the appendix begins, from 0
    const path = () => join(scratch, `${report.name}.pdf`);

    before(async () => {
      const { page, close } = await open(browser, report.url);
      wanted = await page.evaluate(setMarks, WHOLE);
      await page.pdf({ path: path(), preferCSSPageSize: true, printBackground: true });
      sheets = words(path());
      const mark = wanted.find((each) => each.kind === "appendix").first;
      first = sheets.findIndex((sheet) => sheet.words.some((word) => word.text === mark));
      await close();
    });

    test("has page one on one A4 page, and with panels a page of its own", async () => {
      const { page, close } = await open(browser, report.url, { width: Math.floor((PAGE.width - 2 * PAGE.side) * MM) });
      await page.emulateMedia({ media: "print" });
      const bottom = await page.evaluate(() => document.querySelector(".sheet").getBoundingClientRect().bottom);
      const room = (PAGE.height - PAGE.top - PAGE.bottom) * MM;
      assert.ok(bottom <= room, `page one takes ${(bottom / room).toFixed(2)} of a page`);
      const isBrief = await page.locator(".sheet.flowing").count();
      assert.ok(!isBrief || !report.pages, "page one of a demo has no panels");
      await close();
      const on = (text) => sheets.findIndex((sheet) => sheet.words.some((word) => word.text === text));
      const one = wanted.find((each) => each.kind === "page");
      assert.deepEqual([on(one.first), on(one.last)], [0, 0]);
      const others = isBrief ? [] : wanted.filter((each) => !each.isOfPageOne && on(each.first) === 0);
      assert.deepEqual(others.map((each) => each.what), []);
    });

    test("has as many pages as a reader can be asked to turn", { skip: !report.pages && "no limit is set" }, () => {
      assert.ok(first + 1 <= report.pages.body, `${first + 1} pages up to the appendix`);
      assert.ok(sheets.length <= report.pages.all, `${sheets.length} pages`);
    });

    test("leaves no page more than a third blank, the last apart", () => {
      const blank = blanks(path()).map((share, at) => ({ page: at + 1, blank: Number(share.toFixed(2)) }));
      assert.equal(blank.length, sheets.length);
      assert.deepEqual(blank.slice(0, -1).filter((each) => each.blank > BLANK), []);
    });

    test("prints figures large enough to be read", async () => {
      const width = Math.floor((PAGE.width - 2 * PAGE.side) * MM);
      const { page, close } = await open(browser, report.url, { width });
      await page.emulateMedia({ media: "print" });
      const letters = await page.evaluate((drawn) => [...document.querySelectorAll(".drawing svg")]
        .filter((svg) => svg.checkVisibility())
        .map((svg) => {
          const [box, own] = [svg.getBoundingClientRect(), svg.viewBox.baseVal];
          const scale = Math.min(box.width / own.width, box.height / own.height);
          return { figure: svg.closest("figure").id, pt: Number((0.75 * drawn * scale).toFixed(1)) };
        }), LETTER_PT.drawn);
      assert.ok(letters.length > 0 || !report.pages, "no figure is printed");
      assert.deepEqual(letters.filter((each) => each.pt < LETTER_PT.printed), []);
      await close();
    });

    test("prints what is folded on the screen, with script and without", async () => {
      for (const script of [true, false]) {
        const { page, close } = await open(browser, report.url, { script });
        assert.equal(await page.locator("details[open]").count(), 0);
        const told = await page.locator("#provenance dd").allTextContents();
        const bare = join(scratch, `${report.name}-${script}.pdf`);
        await page.pdf({ path: bare, preferCSSPageSize: true });
        const found = new Set(words(bare).flatMap((sheet) => sheet.words.map((word) => word.text)));
        const asked = told.flatMap((text) => text.split(/\s+/)).filter(Boolean);
        assert.ok(asked.length > 10);
        assert.deepEqual(asked.filter((word) => !isComposed(word, found)), []);
        assert.equal(await page.locator("details[open]").count(), 0, "the parts stay open after printing");
        await close();
      }
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
      const count = (kind) => wanted.filter((each) => each.kind === kind).length;
      assert.ok(count("row") > (report.pages ? 20 : 5), "hardly a row was marked");
      assert.ok(count("figure") > (report.pages ? 3 : 0), "hardly a figure was marked");
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
      marked.push({ kind, first, last, words, what, isOfPageOne: Boolean(element.closest(".sheet")) });
    });
  }
  return marked;
}

// What of each page stays white below the last ink, as a share of its height inside the margins.
function blanks(path) {
  const dpi = 40;
  const image = execFileSync("pdftoppm", ["-gray", "-r", String(dpi), path], { maxBuffer: 1 << 28 });
  const out = [];
  for (let at = 0; at < image.length;) {
    const head = image.subarray(at, at + 40).toString("latin1").match(/^P5\s+(\d+)\s+(\d+)\s+255\s/);
    const [width, height] = [Number(head[1]), Number(head[2])];
    const pixels = image.subarray(at + head[0].length, at + head[0].length + width * height);
    const [top, bottom] = [PAGE.top, PAGE.height - PAGE.bottom].map((mm) => Math.round((mm / 25.4) * dpi));
    let last = bottom;
    while (last > top && pixels.subarray((last - 1) * width, last * width).every((grey) => grey > 245)) last -= 1;
    out.push((bottom - last) / (bottom - top));
    at += head[0].length + width * height;
  }
  return out;
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
