// A headless Chromium and the pages it opens. Chromium is the system's own; nothing is downloaded.
// What a page says on its console or asks of the network is kept, so that a test can refuse it.

import { existsSync } from "node:fs";
import { chromium } from "playwright-core";

const PLACES = ["/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"];
const FLAGS = [
  "--headless",
  "--no-sandbox",
  "--disable-gpu",
  "--disable-quic",
  "--no-first-run",
  "--disable-background-networking",
  "--disable-component-update",
  "--disable-sync",
];

export function launch() {
  const executablePath = [process.env.CHROMIUM, ...PLACES].find((place) => place && existsSync(place));
  if (!executablePath) throw new Error(`no Chromium in ${PLACES.join(", ")}; set CHROMIUM to its path`);
  // launch() gives every run a user data folder of its own and removes it
  return chromium.launch({ executablePath, args: FLAGS });
}

// Opens one file; `said` gathers console messages and errors, `asked` every request but the file.
export async function open(browser, url, { width = 1280, height = 900, script = true } = {}) {
  const context = await browser.newContext({ viewport: { width, height }, javaScriptEnabled: script });
  const page = await context.newPage();
  const said = [];
  const asked = [];
  page.on("console", (message) => said.push(`${message.type()}: ${message.text()}`));
  page.on("pageerror", (error) => said.push(`error: ${error.message}`));
  page.on("request", (request) => request.url() !== url && asked.push(request.url()));
  await page.goto(url, { waitUntil: "load" });
  return { page, said, asked, close: () => context.close() };
}
