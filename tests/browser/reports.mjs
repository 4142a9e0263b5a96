// The reports under test: folders named in PSDSTATS_REPORTS, each holding a report.html.

import { existsSync } from "node:fs";
import { basename, delimiter, join, resolve } from "node:path";
import { pathToFileURL } from "node:url";

// printed pages at most: up to the one on which the appendix begins, and in all
const PAGES = { "four-benches": { body: 7, all: 20 }, "one-bench": { body: 3, all: 7 } };

export function reports() {
  const folders = (process.env.PSDSTATS_REPORTS ?? "").split(delimiter).filter(Boolean);
  if (folders.length === 0) throw new Error("name the report folders in PSDSTATS_REPORTS");
  return folders.map((folder) => {
    const file = resolve(join(folder, "report.html"));
    if (!existsSync(file)) throw new Error(`${file} does not exist`);
    const name = basename(resolve(folder));
    return { name, file, url: pathToFileURL(file).href, pages: PAGES[name] };
  });
}
