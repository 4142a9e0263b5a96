// The page on screen: silent, alone, accessible, no wider than the screen, sortable.

import assert from "node:assert/strict";
import { after, before, describe, test } from "node:test";
import { createRequire } from "node:module";
import { readFileSync } from "node:fs";

import { launch, open } from "./browser.mjs";
import { reports } from "./reports.mjs";

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf-8");
const WIDTHS = { desk: 1280, phone: 390 };
const GRAVE = new Set(["serious", "critical"]);

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
        // the page's own policy lets no other script in; the inspector's evaluation stands outside it
        await page.evaluate(AXE);
        const result = await page.evaluate(() => axe.run(document, { resultTypes: ["violations"] }));
        assert.ok(result.passes.length > 20, "axe-core looked at next to nothing");
        const grave = result.violations
          .filter((finding) => GRAVE.has(finding.impact))
          .map((finding) => `${finding.id}: ${finding.help} (${finding.nodes.map((n) => n.target).join("; ")})`);
        assert.deepEqual(grave, []);
        assert.deepEqual(said, []);
        await close();
      });
    }

    test("can be read without script", async () => {
      const { page, said, close } = await open(browser, report.url, { script: false });
      assert.equal(await page.locator("button.sort").count(), 0);
      assert.ok(await page.locator(".verdicts li").first().isVisible());
      assert.deepEqual(said, []);
      await close();
    });

    test("sorts every table up, down and back", async () => {
      const { page, close } = await open(browser, report.url);
      const tables = await page.locator("table:has(button.sort)").all();
      assert.ok(tables.length >= 3, `only ${tables.length} tables can be sorted`);
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
      const button = page.locator("button.sort").first();
      const heading = page.locator("th:has(button.sort)").first();
      await button.focus();
      await page.keyboard.press("Space");
      assert.equal(await heading.getAttribute("aria-sort"), "ascending");
      await close();
    });

    test("shows the value below the pointer", async () => {
      const { page, close } = await open(browser, report.url);
      const mark = page.locator(".mark").first();
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

// Values of one column as the page holds them: numbers where the cell carries one, else text.
const column = (table, at) => table.evaluate((own, index) => [...own.tBodies[0].rows].map((row) => {
  const value = row.cells[index].dataset.value;
  return value === undefined ? row.cells[index].textContent.trim() : Number(value);
}), at);

async function sorts(table) {
  const count = await table.locator("thead th").count();
  for (let at = 0; at < count; at += 1) {
    const button = table.locator("thead th").nth(at).locator("button.sort");
    const press = () => button.evaluate((own) => own.click());
    const given = await column(table, at);
    await press();
    inOrder(await column(table, at), given, 1);
    await press();
    inOrder(await column(table, at), given, -1);
    await press();
    assert.deepEqual(await column(table, at), given, "the third click does not restore the order");
  }
}

function inOrder(found, given, sign) {
  const numbers = found.filter((value) => typeof value === "number");
  assert.deepEqual(numbers, given.filter((v) => typeof v === "number").sort((a, b) => sign * (a - b)));
  const texts = (values) => values.filter((value) => typeof value === "string").sort();
  assert.deepEqual(texts(found), texts(given), "sorting lost or made cells");
}
