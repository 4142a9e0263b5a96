// The page on screen: silent, alone, accessible, no wider than the screen, sortable; the answer at a
// glance on a desk, first on a phone.

import assert from "node:assert/strict";
import { after, before, describe, test } from "node:test";
import { createRequire } from "node:module";
import { readFileSync } from "node:fs";

import { launch, open } from "./browser.mjs";
import { reports } from "./reports.mjs";

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf-8");
const WIDTHS = { desk: 1280, phone: 390 };
const GRAVE = new Set(["serious", "critical"]);
// WCAG 2.2, 1.4.3, decided for every sign
const CONTRAST = {
  ignoreUnicode: false,
  ignoreLength: true,
  boldValue: 700,
  boldTextPt: 14,
  largeTextPt: 18,
  contrastRatio: { normal: { expected: 4.5 }, large: { expected: 3 } },
  pseudoSizeThreshold: 0.25,
  shadowOutlineEmMax: 0.2,
  textStrokeEmMin: 0.03,
};
const LETTER_PT = 7; // the smallest letters of a figure
const LEGIBLE_PX = 9;

let browser;
before(async () => { browser = await launch(); });
after(() => browser?.close());

// Elements that reach beyond the window without standing in a box that scrolls.
const beyondTheWindow = () => {
  const limit = document.documentElement.clientWidth + 0.5;
  return [...document.body.querySelectorAll("*")]
    .filter((element) => !element.closest(".tablebox, .drawing, .skip"))
    .filter((element) => element.getBoundingClientRect().right > limit)
    .map((element) => `${element.tagName}.${element.className} to ${element.getBoundingClientRect().right}`);
};

const unfold = (page) => page.evaluate(() => document.querySelectorAll("details").forEach((part) => { part.open = true; }));

// How large the smallest letters of every figure shown are, in CSS pixels.
const letters = (points) => [...document.querySelectorAll(".drawing svg")]
  .filter((svg) => svg.checkVisibility())
  .map((svg) => ({
    figure: svg.closest("figure").id,
    px: (points * svg.getBoundingClientRect().width) / svg.viewBox.baseVal.width,
  }));

for (const report of reports()) {
  describe(`report ${report.name}`, () => {
    for (const [kind, width] of Object.entries(WIDTHS)) {
      test(`is silent, asks nothing and fits at ${kind} width (${width} px)`, async () => {
        const { page, said, asked, close } = await open(browser, report.url, { width });
        await page.evaluate(() => scrollTo(0, document.body.scrollHeight));
        await page.waitForTimeout(100);
        const widths = await page.evaluate(() => [document.documentElement.scrollWidth, innerWidth]);
        assert.equal(widths[0], widths[1], "the page scrolls sideways");
        assert.deepEqual(await page.evaluate(beyondTheWindow), []);
        assert.deepEqual(said, []);
        assert.deepEqual(asked, []);
        await close();
      });

      test(`has no serious finding of axe-core at ${kind} width`, async () => {
        const { page, said, close } = await open(browser, report.url, { width });
        await unfold(page);
        // the page's own policy lets no other script in; the inspector's evaluation stands outside it
        await page.evaluate(AXE);
        const result = await page.evaluate(() => axe.run(document, { resultTypes: ["violations"] }));
        assert.ok(result.passes.length > 20, "axe-core looked at next to nothing");
        // it cannot tell the contrast of what is scrolled out of a box, and leaves out signs such as ∞
        const contrast = await page.evaluate((options) => {
          document.querySelectorAll(".tablebox, .drawing").forEach((box) => { box.style.overflow = "visible"; });
          Object.assign(document.body.style, { minWidth: "3000px", maxWidth: "none" });
          return axe.run(document, { runOnly: ["color-contrast"], checks: { "color-contrast": { options } } });
        }, CONTRAST);
        assert.ok(contrast.passes[0].nodes.length > 50, "hardly a contrast was looked at");
        const found = [...result.violations.filter((finding) => GRAVE.has(finding.impact)), ...contrast.violations, ...contrast.incomplete];
        const grave = found
          .map((finding) => `${finding.id}: ${finding.help} (${finding.nodes.map((n) => n.target).slice(0, 5).join("; ")})`);
        assert.deepEqual(grave, []);
        assert.deepEqual(said, []);
        await close();
      });
    }

    test("gives the answer and the panels on the first screen of a desk", async () => {
      const { page, close } = await open(browser, report.url);
      const bottom = async (selector) => {
        const box = await page.locator(selector).first().boundingBox();
        return box.y + box.height;
      };
      for (const selector of ["h1", ".line", ".headline"]) assert.ok(await bottom(selector) <= 900, selector);
      assert.ok((await page.locator(".headline").textContent()).trim().length > 20, "no large sentence");
      const panels = await page.locator(".sheet .drawing:visible").count();
      assert.ok(panels === 1 || (panels === 0 && !report.pages), "page one shows no panels");
      if (panels) assert.ok(await bottom(".sheet .drawing:visible") <= 900, "the panels need scrolling");
      await close();
    });

    test("gives the answer first on a phone, in figures that can be read", async () => {
      const { page, close } = await open(browser, report.url, { width: WIDTHS.phone, height: 844 });
      const place = async (selector) => (await page.locator(selector).first().boundingBox()).y;
      assert.ok(await place(".headline") < 300, "the large sentence stands too low");
      if (await page.locator("nav").count()) assert.ok(await place("nav") > await place(".answers"), "contents come first");
      // what is read first is in view without scrolling sideways
      const cut = await page.evaluate(() => [...document.querySelectorAll(".sheet .drawing, .sheet .tablebox, #main > .body > section:not(.appendix) .drawing")]
        .filter((box) => box.checkVisibility() && box.scrollWidth > box.clientWidth + 1)
        .map((box) => box.closest("[id]").id));
      assert.deepEqual(cut, []);
      await unfold(page);
      const found = await page.evaluate(letters, LETTER_PT);
      assert.deepEqual(found.filter((each) => each.px < LEGIBLE_PX), []);
      await close();
    });

    test("keeps the name of a row in view while a table is scrolled on a phone", async () => {
      const { page, close } = await open(browser, report.url, { width: WIDTHS.phone, height: 844 });
      await unfold(page);
      const lost = await page.evaluate(() => [...document.querySelectorAll(".tablebox")]
        .filter((box) => box.scrollWidth > box.clientWidth + 1)
        .filter((box) => {
          box.scrollLeft = box.scrollWidth;
          const own = box.querySelector("tbody th")?.getBoundingClientRect(); // a table may have no names of rows
          const outer = box.getBoundingClientRect();
          const last = box.querySelector("tbody tr").lastElementChild.getBoundingClientRect();
          if (last.right > outer.right + 1) return true;
          return own ? own.left < outer.left - 1 || last.left < own.right - 1 : false;
        })
        .map((box) => box.closest("[id]").id));
      assert.deepEqual(lost, []);
      await close();
    });

    test("can be read without script", async () => {
      const { page, said, close } = await open(browser, report.url, { script: false });
      assert.equal(await page.locator("button.sort").count(), 0);
      assert.ok(await page.locator(".headline").isVisible());
      const part = page.locator("details").last();
      assert.ok(!(await part.locator("dl").isVisible()), "nothing is folded");
      await part.locator("summary").click();
      assert.ok(await part.locator("dl").isVisible(), "what is folded does not open");
      assert.deepEqual(said, []);
      await close();
    });

    test("opens the folded part that a link names", async () => {
      const { page, close } = await open(browser, `${report.url}#provenance`);
      assert.ok(await page.locator("#provenance dl").isVisible());
      assert.ok(!(await page.locator("#references ol").isVisible()));
      await page.locator("#method > summary").click();
      const link = page.locator("#method a[href^='#reference-']").first();
      await link.click();
      assert.ok(await page.locator("#references ol").isVisible());
      await page.locator("#references > summary").click();
      await link.click(); // the address does not change by it
      await page.waitForFunction(() => document.getElementById("references").open);
      await close();
    });

    test("has headings in order", async () => {
      const { page, close } = await open(browser, report.url);
      const levels = await page.evaluate(() => [...document.querySelectorAll("h1, h2, h3, h4, h5, h6")]
        .map((heading) => Number(heading.tagName[1])));
      assert.equal(levels.filter((level) => level === 1).length, 1);
      assert.equal(levels[0], 1);
      assert.ok(levels.every((level, at) => !at || level <= levels[at - 1] + 1), levels.join(" "));
      await close();
    });

    test("sorts every table up, down and back", async () => {
      const { page, close } = await open(browser, report.url);
      const tables = await page.locator("table:has(button.sort)").all();
      assert.ok(tables.length >= (report.pages ? 3 : 1), `only ${tables.length} tables can be sorted`);
      for (const table of tables) await sorts(table);
      await close();
    });

    test("is worked by the keyboard", async () => {
      const { page, close } = await open(browser, report.url);
      await page.keyboard.press("Tab");
      assert.equal(await page.evaluate(() => document.activeElement.className), "skip");
      assert.ok((await page.locator(".skip").boundingBox()).x >= 0, "the skip link stays hidden");
      await page.keyboard.press("Enter");
      assert.equal(new URL(page.url()).hash, "#main");
      await unfold(page);
      const button = page.locator("button.sort").first();
      const heading = page.locator("th:has(button.sort)").first();
      await button.focus();
      await page.keyboard.press("Space");
      assert.equal(await heading.getAttribute("aria-sort"), "ascending");
      await close();
    });

    test("shows the value below the pointer", async () => {
      const { page, close } = await open(browser, report.url);
      await unfold(page);
      // of marks above each other the topmost is told
      const at = await page.locator(".drawing:visible .mark").evaluateAll((marks) => marks.findIndex((mark) => {
        mark.scrollIntoView({ block: "center" });
        const box = mark.getBoundingClientRect();
        return document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2)?.closest(".mark") === mark;
      }));
      const mark = page.locator(".drawing:visible .mark").nth(at);
      const expected = await mark.getAttribute("data-hover");
      assert.match(expected, /\d/);
      await mark.scrollIntoViewIfNeeded();
      await page.waitForTimeout(200); // scrolling hides the text; let the last of its events pass
      await mark.hover({ force: true });
      assert.equal(await page.locator(".hovertext").textContent(), expected);
      assert.ok(await page.locator(".hovertext").isVisible());
      await page.keyboard.press("Escape");
      assert.ok(!(await page.locator(".hovertext").isVisible()));
      await close();
    });
  });
}

// Values of each column of a table, as it is and after one, two and three clicks on its heading: numbers
// where the cell carries one, else text.  One call a table, since calls take longer than sorting.
const clicked = (table) => table.evaluate((own) => {
  const column = (index) => [...own.tBodies[0].rows].map((row) => {
    const value = row.cells[index].dataset.value;
    return value === undefined ? row.cells[index].textContent.trim() : Number(value);
  });
  return [...own.tHead.querySelectorAll("th")].map((heading, at) => [0, 1, 2, 3].map((click) => {
    if (click) heading.querySelector("button.sort").click();
    return column(at);
  }));
});

async function sorts(table) {
  for (const [given, up, down, back] of await clicked(table)) {
    inOrder(up, given, 1);
    inOrder(down, given, -1);
    assert.deepEqual(back, given, "the third click does not restore the order");
  }
}

function inOrder(found, given, sign) {
  const numbers = found.filter((value) => typeof value === "number");
  assert.deepEqual(numbers, given.filter((v) => typeof v === "number").sort((a, b) => sign * (a - b)));
  const texts = (values) => values.filter((value) => typeof value === "string").sort();
  assert.deepEqual(texts(found), texts(given), "sorting lost or made cells");
}
